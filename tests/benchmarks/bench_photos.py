"""200 phone photos of 12 million points made small: wall time and the most memory, then the same from the copies kept.

Run from the top of the checkout: python -m tests.benchmarks.bench_photos [photos]
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
from PIL import Image

from selection.records.photos import album


def photo(path: Path) -> None:
    """A picture as busy as a yard: waves with noise, 4,000 by 3,000, turned a quarter by its camera."""
    rows, columns = np.arange(3000)[:, None], np.arange(4000)[None, :]
    waves = 128 + 60 * np.sin(rows / 90) + 60 * np.cos(columns / 70)
    noise = np.random.default_rng(1).normal(0, 12, (3000, 4000))
    drawn = np.clip(waves + noise, 0, 255).astype(np.uint8)
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(np.stack([drawn, drawn, drawn // 2], axis=2)).save(path, quality=92, exif=exif)


def main(number: int) -> None:
    """Time the preparing of `number` photos, twice."""
    with tempfile.TemporaryDirectory() as folder:
        photos = Path(folder) / "photos"
        photos.mkdir()
        birds = [f"26-{k:03}" for k in range(number)]
        photo(photos / f"{birds[0]}.jpg")
        for bird in birds[1:]:
            (photos / f"{bird}.jpg").write_bytes((photos / f"{birds[0]}.jpg").read_bytes())
        for what in ("prepared", "kept"):
            start = time.perf_counter()
            found = album(folder, birds, date(2026, 10, 10))
            found.prepare()
            most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"{what}: {number} photos in {time.perf_counter() - start:.1f} s, at most {most:.0f} MiB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
