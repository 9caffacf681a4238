"""Photos of birds: which file is whose, what comes out of them, and that no file stops anybody."""

from __future__ import annotations

import io
import struct
import zlib
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from selection.records.photos import CARD, LARGE, PREPARED, Album, album

DAY = date(2026, 10, 10)
SECRET = b"Backyard 12, Somewhere"


def picture(wide: int = 60, high: int = 40, left: tuple[int, int, int] = (200, 0, 0)) -> Image.Image:
    """A picture whose left half is of one colour and whose right half is blue."""
    drawn = Image.new("RGB", (wide, high), (0, 0, 200))
    drawn.paste(left, (0, 0, wide // 2, high))
    return drawn


def save(folder: Path, name: str, drawn: Image.Image | None = None, **how: object) -> Path:
    (folder / "photos").mkdir(exist_ok=True)
    path = folder / "photos" / name
    (drawn or picture()).save(path, **how)
    return path


def of(folder: Path, *birds: str, day: date = DAY) -> Album:
    return album(folder, birds or ("26-031",), day)


def opened(data: bytes | None) -> Image.Image:
    assert data is not None
    return Image.open(io.BytesIO(data))


def test_a_photo_is_its_bird_s_by_name_and_the_latest_up_to_the_day_counts(tmp_path: Path) -> None:
    colours = {
        "26-031.jpg": (200, 200, 200), "26-031 2026-06-01.png": (200, 0, 0), "26-031 2026-08-01.webp": (0, 200, 0),
        "26-031 2026-11-01.JPG": (0, 0, 0), "HEN_1.jpeg": (9, 9, 9),
    }  # fmt: skip
    for name, colour in colours.items():
        save(tmp_path, name, picture(left=colour), **({"format": "JPEG"} if "JPG" in name else {}))
    found = of(tmp_path, "26-031", "Hen_1")
    assert found.left_out == []
    assert [photo.path.name for photo in found.photos["26-031"]] == [
        "26-031.jpg", "26-031 2026-06-01.png", "26-031 2026-08-01.webp",
    ]  # fmt: skip
    assert opened(found.latest("26-031")).getpixel((5, 20)) == pytest.approx((0, 200, 0), abs=12)
    assert [on for on, _ in found.of("26-031")] == [None, date(2026, 6, 1), date(2026, 8, 1)]
    assert [on for on, _ in found.of("26-031", most=1)] == [date(2026, 8, 1)]
    assert found.latest("Hen_1") and found.latest("26-099") is None
    later = of(tmp_path, day=date(2026, 12, 1)).photos["26-031"]
    assert later[-1].on == date(2026, 11, 1)


# orientation 6: the camera was turned a quarter, so that its left side is the picture's top (EXIF 2.3, tag 0112)
@pytest.mark.parametrize(("orientation", "top_left"), [(1, "red"), (3, "blue"), (6, "red"), (8, "blue")])
def test_a_photo_is_turned_upright(tmp_path: Path, orientation: int, top_left: str) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    save(tmp_path, "26-031.jpg", exif=exif, quality=95)
    small = opened(of(tmp_path).latest("26-031"))
    assert small.size == ((60, 40) if orientation in (1, 3) else (40, 60))
    red, _, blue = small.getpixel((3, 3))
    assert ("red" if red > blue else "blue") == top_left


def test_nothing_that_the_camera_wrote_is_left(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0132] = SECRET.decode(), "2026:08:01 10:00:00"
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    told = PngImagePlugin.PngInfo()
    told.add_text("Comment", f"<script>{SECRET.decode()}</script>")
    save(tmp_path, "a.jpg", exif=exif, comment=SECRET, xmp=b"<x:xmpmeta>" + SECRET, icc_profile=SECRET * 20)
    save(tmp_path, "b.png", pnginfo=told, exif=exif)
    save(tmp_path, "c.webp", exif=exif, xmp=SECRET)
    found = of(tmp_path, "a", "b", "c")
    for bird in "abc":
        for size in (CARD, LARGE):
            data = found.latest(bird, size)
            assert data and SECRET not in data and b"Exif" not in data and b"script" not in data
            clean = opened(data)
            assert clean.format == "JPEG" and not clean.getexif() and set(clean.info) <= {
                "jfif", "jfif_version", "jfif_unit", "jfif_density",
            }  # fmt: skip
    kept = [p.read_bytes() for p in (tmp_path / "photos" / PREPARED).iterdir()]
    assert len(kept) == 6 and not any(SECRET in data for data in kept)


def test_a_phone_s_photo_is_made_small(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (1200, 1600, 3), dtype=np.uint8)
    save(tmp_path, "26-031.jpg", Image.fromarray(noise), quality=90)
    found = of(tmp_path)
    for size, bytes_ in ((CARD, 22_000), (LARGE, 150_000)):
        data = found.latest("26-031", size)
        assert data and len(data) <= bytes_ and max(opened(data).size) == size.side
    assert 4 * CARD.bytes / 3 <= 30_000  # as it stands in a page, in base64


def test_a_copy_is_made_once_and_made_anew_for_another_photo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from selection.records import photos

    save(tmp_path, "26-031.jpg")
    of(tmp_path).prepare()
    made: list[Path] = []
    real = photos._copies
    monkeypatch.setattr(photos, "_copies", lambda path, size: made.append(path) or real(path, size))
    assert of(tmp_path).latest("26-031") and not made
    of(tmp_path).prepare()
    assert not made
    path = save(tmp_path, "26-031.jpg", picture(80, 30))
    assert opened(of(tmp_path).latest("26-031")).size == (80, 30) and made == [path]


def png(wide: int, high: int, *chunks: tuple[bytes, bytes]) -> bytes:
    """A PNG that says it has so many points, with further chunks."""
    header = struct.pack(">IIBBBBB", wide, high, 8, 2, 0, 0, 0)
    parts = [(b"IHDR", header), *chunks, (b"IDAT", zlib.compress(b"\0" * 1000)), (b"IEND", b"")]
    body = b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in parts
    )
    return b"\x89PNG\r\n\x1a\n" + body


def moving(folder: Path, name: str) -> None:
    frames = [picture(left=(k * 80, 0, 0)) for k in range(3)]
    save(folder, name, frames[0], save_all=True, append_images=frames[1:])


HOSTILE: dict[str, tuple[bytes, str]] = {
    "26-031 2026-05-01.jpg": (
        b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
        "not a picture",
    ),
    "26-031 2026-05-02.jpg": (b"", "not a picture"),
    "26-031 2026-05-03.png": (png(60_000, 60_000), "too many points"),
    "26-031 2026-05-04.png": (png(7_000, 7_000), "are more than the 40 million"),
    "26-031 2026-05-05.png": (
        png(50, 50, (b"zTXt", b"k\0\0" + zlib.compress(b"\0" * 90_000_000))),
        "a broken picture",
    ),
    "26-031 2026-05-06.png": (png(50, 50), "a broken picture"),
    "26-031 2026-13-40.jpg": (b"", "is no day"),
    "IMG_2041.jpg": (b"", "no bird of this name"),
    "26-999 2026-05-01.jpg": (b"", "no bird 26-999 is on record"),
    "notes.txt": (b"hello", "expected a picture"),
    "26-031 2026-05-07.gif": (b"GIF89a", "expected a picture"),
    "<img src=x onerror=alert(1)>.jpg": (b"", "no bird of this name"),
}


def test_a_file_that_cannot_be_used_is_named_and_left_out_and_the_next_one_is_shown(tmp_path: Path) -> None:
    save(tmp_path, "26-031 2026-04-01.jpg")
    cut = (tmp_path / "photos" / "26-031 2026-04-01.jpg").read_bytes()
    files = HOSTILE | {"26-031 2026-05-08.jpg": (cut[: len(cut) // 2], "a broken picture")}
    for name, (data, _) in files.items():
        (tmp_path / "photos" / name).write_bytes(data)
    moving(tmp_path, "26-031 2026-05-09.webp")
    moving(tmp_path, "26-031 2026-05-10.png")
    (tmp_path / "photos" / "folder.jpg").mkdir()
    (tmp_path / "photos" / ".hidden.jpg").write_bytes(b"")
    found = of(tmp_path)
    assert opened(found.latest("26-031")).size == (60, 40)
    found.prepare()
    said = dict(line.split(": ", 1) for line in found.left_out)
    expected = {name: why for name, (_, why) in files.items()}
    expected |= dict.fromkeys(["26-031 2026-05-09.webp", "26-031 2026-05-10.png"], "an animated picture")
    assert said.keys() == expected.keys() and len(found.left_out) == len(said)
    assert {name for name, why in expected.items() if why not in said[name]} == set()


def test_transparent_grey_and_print_colours_are_photos_too(tmp_path: Path) -> None:
    for name, mode in {"a.png": "RGBA", "b.png": "L", "c.jpg": "CMYK", "d.png": "P", "e.png": "LA"}.items():
        save(tmp_path, name, picture().convert("RGB").convert(mode))
    found = of(tmp_path, *"abcde")
    assert all(opened(found.latest(bird)).mode == "RGB" for bird in "abcde") and not found.left_out


def test_no_folder_and_a_folder_that_takes_no_copies_are_no_trouble(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nothing = of(tmp_path)
    nothing.prepare()
    assert nothing.latest("26-031") is None and nothing.of("26-031") == [] and nothing.left_out == []
    save(tmp_path, "26-031.jpg")
    (tmp_path / "photos" / PREPARED).write_text("a file where copies would go")
    assert opened(of(tmp_path).latest("26-031")).size == (60, 40)
