"""Photos of birds: found by their file names, turned upright, made small, and stripped of what a camera wrote.

They lie in the flock's folder `photos/` as `26-031.jpg` or `26-031 2026-08-01.jpg` (.jpg, .jpeg, .png, .webp). Of
several the latest day up to the one asked for counts; a photo without a day is older than any with one. What cannot be
used is named and left out, whatever it holds: only the pixels of a still picture ever come out, drawn anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
import warnings
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from selection.errors import RecordsError

if TYPE_CHECKING:
    from PIL.Image import Image

_FOLDER = "photos"
PREPARED = ".prepared"
"""Where small copies are kept, inside the folder of photos; it may be deleted at any time."""
SUFFIXES = (".jpg", ".jpeg", ".png", ".webp")
_FORMATS = ("JPEG", "PNG", "WEBP")
_VERSION = 1
"""Of how copies are made: another number makes every copy anew."""
_MOST_BYTES = 80_000_000
MOST_PIXELS = {"JPEG": 120_000_000, "MPO": 120_000_000}
"""Of formats that are decoded at a fraction of their size; of others `FEW_PIXELS`, for they are decoded whole."""
FEW_PIXELS = 40_000_000
_NAMED = re.compile(r"(?P<bird>.+?)[ _]+(?P<on>\d{4}-\d{2}-\d{2})")


@dataclass(frozen=True, slots=True)
class Size:
    """A size of copies: its longer side in pixels, and its bytes at most (a third more where written into a page)."""

    name: str
    side: int
    bytes: int


CARD = Size("card", 240, 22_000)
LARGE = Size("large", 900, 150_000)
SIZES = (CARD, LARGE)


@dataclass(frozen=True, slots=True)
class Photo:
    """One file that names a bird: the bird as recorded, the day in its name (None: none told), where it lies."""

    bird: str
    on: date | None
    path: Path


@dataclass
class Album:
    """The photos of a flock up to a day, by bird, the oldest first; `left_out` says of each other file why.

    A file that proves to be no picture joins `left_out` when it is first asked for. `unnamed` are the pictures, by
    how their names end, that are called after no bird.
    """

    folder: Path
    photos: dict[str, list[Photo]] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)
    unnamed: list[Path] = field(default_factory=list)
    _broken: dict[Path, str] = field(default_factory=dict, repr=False)

    def latest(self, bird: str, size: Size = CARD) -> bytes | None:
        """The latest photo of a bird as a JPEG of `size`; None where there is none that can be used."""
        return next((data for _, data in self._usable(reversed(self.photos.get(bird, [])), size)), None)

    def of(self, bird: str, size: Size = LARGE, most: int = 6) -> list[tuple[date | None, bytes]]:
        """The last `most` photos of a bird with their days, the oldest first, as JPEGs of `size`."""
        shots = self._usable(reversed(self.photos.get(bird, [])), size)
        return [(photo.on, data) for (photo, data), _ in zip(shots, range(most), strict=False)][::-1]

    def prepare(self, birds: Iterable[str] | None = None) -> None:
        """Make the small copies of these birds' photos (of all, unnamed ones too), two at a time; those there stay."""
        wanted = self.photos if birds is None else {bird: self.photos.get(bird, []) for bird in birds}
        photos = {photo.path: photo for shots in wanted.values() for photo in shots}
        paths = [*photos, *(self.unnamed if birds is None else [])]
        with ThreadPoolExecutor(2) as workers:  # the decoders let go of the interpreter while they work
            for path, found in zip(
                paths, workers.map(lambda path: _prepared(path, SIZES), paths), strict=True
            ):
                if isinstance(found, str) and path in photos:
                    self._leave_out(photos[path], found)

    def _usable(self, shots: Iterable[Photo], size: Size) -> Iterator[tuple[Photo, bytes]]:
        for photo in shots:
            found = self._broken.get(photo.path) or _prepared(photo.path, (size,))
            if isinstance(found, str):
                self._leave_out(photo, found)
            else:
                yield photo, found[size.name]

    def _leave_out(self, photo: Photo, why: str) -> None:
        if photo.path not in self._broken:
            self._broken[photo.path] = why
            self.left_out.append(f"{photo.path.name}: {why}")


def album(flock_path: str | Path, birds: Iterable[str], day: date) -> Album:
    """The photos of `birds` (as recorded) in the flock's folder, up to `day`; empty where there is no folder.

    A folder that cannot be listed is said in `left_out`. No file is opened yet.
    """
    found = Album(Path(flock_path) / _FOLDER)
    known = {bird.casefold(): bird for bird in birds}
    try:
        files = sorted(found.folder.iterdir()) if found.folder.is_dir() else []
    except OSError as error:
        found.left_out.append(f"{found.folder}: cannot be listed: {error.strerror}")
        return found
    for path in files:
        if path.name.startswith(".") or path.is_dir():
            continue
        named = _named(path, known)
        if isinstance(named, str):
            found.left_out.append(f"{path.name}: {named}")
            found.unnamed += [path] if path.suffix.casefold() in SUFFIXES else []
        elif named.on is None or named.on <= day:
            found.photos.setdefault(named.bird, []).append(named)
    for shots in found.photos.values():
        shots.sort(key=lambda photo: (photo.on or date.min, photo.path.name))
    return found


def small_copy(path: Path, size: Size = CARD) -> bytes | str:
    """A JPEG of `size` of one file, or why there is none."""
    found = _prepared(path, (size,))
    return found if isinstance(found, str) else found[size.name]


def name_photo(path: Path, bird: str, on: date | None = None) -> Path:
    """Call a picture after the bird it shows, and the day it was taken; its new path.

    Raises RecordsError where no bird is given, its number can be no file's name, or a photo is called so already.
    """
    name = f"{bird}{f' {on:%Y-%m-%d}' if on else ''}{path.suffix.casefold()}"
    if not bird.strip() or bird.startswith(".") or set(bird) & set('/\\:*?"<>|') or not bird.isprintable():
        raise RecordsError(
            f"{path.name}: found {bird or 'no bird'}; expected the number of a bird that can name a file"
        )
    new = path.with_name(name)
    called = name.removesuffix(path.suffix.casefold())
    if any(path.with_name(f"{called}{suffix}").exists() for suffix in SUFFIXES):
        raise RecordsError(f"{path.name}: a photo is called {called} already; give another day")
    try:
        return path.rename(new)
    except OSError as error:
        raise RecordsError(f"{path.name}: cannot be renamed: {error.strerror}") from error


def _named(path: Path, known: dict[str, str]) -> Photo | str:
    """The photo that a file's name says it is, or why it says none."""
    if path.suffix.casefold() not in SUFFIXES:
        return f"not read; expected a picture that ends in {', '.join(SUFFIXES)}"
    stem = " ".join(path.stem.split())
    if bird := known.get(stem.casefold()):
        return Photo(bird, None, path)
    parts = _NAMED.fullmatch(stem)
    if parts is None:
        return "no bird of this name is on record; call it after one, as 26-031.jpg or 26-031 2026-08-01.jpg"
    if (bird := known.get(parts["bird"].casefold())) is None:
        return f"no bird {parts['bird']} is on record; call it after one, as 26-031 2026-08-01.jpg"
    try:
        return Photo(bird, date.fromisoformat(parts["on"]), path)
    except ValueError:
        return f"{parts['on']} is no day; expected one as 2026-08-01"


def _prepared(path: Path, sizes: Iterable[Size]) -> dict[str, bytes] | str:
    """The copies of a photo by size, kept ones where they are there, or why there are none."""
    try:
        stamp = path.stat()
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    told = f"{_VERSION} {path.name} {stamp.st_size} {stamp.st_mtime_ns}"
    key = hashlib.sha256(told.encode("utf-8", "surrogateescape")).hexdigest()[:32]
    kept = {size.name: path.parent / PREPARED / f"{key}-{size.name}.jpg" for size in SIZES}
    with contextlib.suppress(OSError):  # not made yet
        return {size.name: kept[size.name].read_bytes() for size in sizes}
    copies = _copies(path, stamp.st_size)
    if not isinstance(copies, str):
        for name, data in copies.items():
            _keep(kept[name], data)
    return copies


def _copies(path: Path, size: int) -> dict[str, bytes] | str:
    """Every size of a photo, drawn anew, or why there is none: a decoder may raise anything on a hostile file."""
    from PIL import Image

    if size > _MOST_BYTES:
        return f"{size / 1e6:.0f} MB are more than the {_MOST_BYTES / 1e6:.0f} MB that are read"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path, formats=_FORMATS) as picture:
                if why := _unfit(picture):
                    return why
                whole = _upright(picture)
        return {kind.name: _fitted(whole, kind) for kind in SIZES}
    except Image.DecompressionBombError:
        return "a picture of too many points"
    except Image.UnidentifiedImageError:
        return "not a picture, whatever its name; expected a photo as a camera leaves it"
    except MemoryError:
        return "too large for this machine"
    except Exception:
        return "a broken picture; copy it from the camera again"


def _unfit(picture: Image) -> str:
    """Why a picture that opened is not used; blank where nothing is against it."""
    wide, high = picture.size
    most = MOST_PIXELS.get(picture.format or "", FEW_PIXELS)
    if wide * high > most:
        return f"{wide} × {high} points are more than the {most / 1e6:.0f} million that are read"
    # a phone's JPEG may hold a second picture for depth (MPO), which is no film
    if picture.format in ("PNG", "WEBP") and getattr(picture, "is_animated", False):
        return "an animated picture; expected a still one"
    return ""


def _upright(picture: Image) -> Image:
    """The picture at the largest size that is kept, as the camera was held, with nothing but its pixels."""
    from PIL import Image, ImageOps

    ratio = min(1.0, LARGE.side / max(picture.size))
    near = (max(1, int(picture.width * ratio)), max(1, int(picture.height * ratio)))
    picture.draft("RGB", near)  # a JPEG is decoded at an eighth to the whole of its size, never under `near`
    picture.load()
    small = picture.copy()
    small.thumbnail((LARGE.side, LARGE.side), Image.Resampling.LANCZOS, reducing_gap=2.0)
    with contextlib.suppress(Exception):  # what the camera wrote may be anything; then as it lies
        small = ImageOps.exif_transpose(small) or small
    clean = Image.new("RGB", small.size, "white")
    clear = small.convert("RGBA") if small.has_transparency_data else small.convert("RGB")
    clean.paste(clear, mask=clear if clear.mode == "RGBA" else None)
    return clean


def _fitted(whole: Image, size: Size) -> bytes:
    """A JPEG of that size, at the best quality that its bytes allow."""
    small = whole.copy()
    small.thumbnail((size.side, size.side))
    data = b""
    for quality in (82, 70, 55, 40, 25, 10):
        out = io.BytesIO()
        small.save(out, "JPEG", quality=quality, optimize=True)
        data = out.getvalue()
        if len(data) <= size.bytes:
            break
    return data


def _keep(path: Path, data: bytes) -> None:
    """Keep a copy, whole or not at all; where the folder takes none, it is made again next time."""
    waiting = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        path.parent.mkdir(exist_ok=True)
        waiting.write_bytes(data)
        waiting.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            waiting.unlink()
