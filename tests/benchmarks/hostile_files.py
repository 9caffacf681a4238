"""Hostile and broken files handed in: each is taken, or refused in words, and nothing on record is touched.

    python -m tests.benchmarks.hostile_files [files, 200] [seed, 1]

Files of many kinds are drawn (damaged and swollen workbooks, sheets in no encoding, settings that nest without end,
names that are no text, pipes) and recorded one by one into one small flock. Of each is asked: no traceback and no
"fault of this program", an exit status as the README has it, a reason where nothing was taken, at most `MOST_SECONDS`
and `MOST_MB`; and every row that was on record before stands there as it was. The test suite runs one of each kind.
"""

from __future__ import annotations

import io
import os
import resource
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from openpyxl import Workbook

from selection.records.forms.columns import FORMS
from selection.records.intake.recording import record
from selection.records.ledger.appending import read_rows
from tests.records import small

MOST_SECONDS = 30.0
MOST_MB = 1500.0
Rng = np.random.Generator
HEADER = "on,bird,grams,note\n"
ROW = "2026-09-03,26-01,2900,seen\n"


def workbook(rows: int = 3) -> bytes:
    """A sound workbook with a sheet of weights."""
    book, data = Workbook(), io.BytesIO()
    sheet = book.active
    sheet.title = "weights"
    sheet.append(["on", "bird", "grams", "note"])
    for i in range(rows):
        sheet.append([f"2026-09-{3 + i:02d}", "26-01", 2900, "seen"])
    book.save(data)
    return data.getvalue()


def packed(**parts: bytes) -> bytes:
    """The sound workbook with some of its parts replaced or added (`__` in a name: `/`, `_dot_`: `.`)."""
    named = {name.replace("_dot_", ".").replace("__", "/"): data for name, data in parts.items()}
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook())) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for part in old.namelist():
            new.writestr(part, named.pop(part, old.read(part)))
        for name, data in named.items():
            new.writestr(name, data)
    return out.getvalue()


def flipped(data: bytes, rng: Rng) -> bytes:
    changed = bytearray(data)
    for at in rng.integers(0, len(data), rng.integers(1, 20)):
        changed[at] ^= 1 << int(rng.integers(8))
    return bytes(changed)


def sheet_xml(inside: bytes) -> bytes:
    name = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    return (
        b'<?xml version="1.0"?><worksheet xmlns="'
        + name
        + b'"><sheetData>'
        + inside
        + b"</sheetData></worksheet>"
    )


CELLS = (
    *(
        "=1+1",
        "@x",
        "1e308",
        "-inf",
        "nan",
        "0x10",
        "٣١٠٠",
        "\u202e0013",
        "<script>",
        "'; --",
        "9" * 400,
        "\x0b",
    ),
    *("a" * 5000, "0001-01-01", "9999-12-31", "2026-02-30", "-5", "\ufeff", "1_000", "½½"),
)
Made = tuple[str, bytes]


def sheet(text: str) -> Made:
    """A CSV sheet of weights: the header, then `text`."""
    return "weights.csv", (HEADER + text).encode()


def book(inside: bytes, **parts: bytes) -> Made:
    """A workbook with `inside` as its sheet's rows, and other parts."""
    return "forms.xlsx", packed(xl__worksheets__sheet1_dot_xml=sheet_xml(inside), **parts)


def any_plan(rng: Rng) -> Made:
    on = rng.choice(["nan", "-1", "2026-13-01", "[[]]", "9" * 5000, "true"])
    return "plan.toml", f"on = {on}\nseason = 1e400\nkeep = 3\n".encode()


def any_standard(rng: Rng) -> Made:
    breed, points = rng.choice(["1", "[]", "nan"]), rng.choice(["nan", "inf", "-5", "1e400"])
    text = f'breed = {breed}\n[[section]]\nname = "\\u0000"\npoints = {points}\nband = 5\n'
    return "standard.toml", text.encode()


def many_sections(rng: Rng) -> Made:
    text = "breed = 'x'\n" + "".join(f"[[section]]\nname = 's{i}'\npoints = 1\n" for i in range(3000))
    return "standard.toml", text.encode()


def many_columns(rng: Rng) -> Made:
    names = ",".join(f"c{i}" for i in range(10_000))
    return "weights.csv", f"{names}\n{'1,' * 9_999}1\n".encode()


NOWHERE = b'<row r="99999999"><c r="ZZZZZ99999999"><v>1</v></c></row><row r="-1"><c r="A0"><v>x</v></c></row>'
NO_TEXT = b'<row r="1"><c r="A1" t="s"><v>%d</v></c></row>'
BEYOND = {"..__..__..__climbed_dot_xml": b"<x/>", "xl__vbaProject_dot_bin": b"x" * 100}
LINE = "2026-09-04,26-01,2900,"
DOCTYPE = {"xl__styles_dot_xml": b'<!DOCTYPE x [<!ENTITY a "aaaa">]><styleSheet>&a;</styleSheet>'}
KINDS: dict[str, Callable[[Rng], Made]] = {
    "any bytes": lambda rng: ("weights.csv", rng.bytes(int(rng.integers(1, 5000)))),
    "nothing": lambda rng: ("weights.csv", b""),
    "noughts": lambda rng: sheet("\0" * 2000 + ROW),
    "half a letter": lambda rng: ("weights.csv", sheet(LINE + "é")[1][:-1]),
    "utf-16 without its mark": lambda rng: ("weights.csv", (HEADER + ROW).encode("utf-16-le")),
    "a quote never closed": lambda rng: sheet(ROW + '2026-09-04,26-01,"2900\n' + ROW * 200),
    "a cell of two million letters": lambda rng: sheet(LINE + "x" * 2_000_000),
    "ten thousand columns": many_columns,
    "columns twice": lambda rng: (
        "weights.csv",
        f"{HEADER.strip()},grams,bird\n{ROW.strip()},1,2\n".encode(),
    ),
    "rows of any length": lambda rng: sheet("".join("x," * int(n) + "\n" for n in rng.integers(0, 30, 20))),
    "any cells": lambda rng: sheet("".join(",".join(rng.choice(CELLS, 4)) + "\n" for _ in range(20))),
    "no workbook": lambda rng: ("forms.xlsx", rng.bytes(3000)),
    "a workbook cut short": lambda rng: ("forms.xlsx", workbook()[: int(rng.integers(1, 4000))]),
    "a workbook with flipped bits": lambda rng: ("forms.xlsx", flipped(workbook(), rng)),
    "an old workbook": lambda rng: ("forms.xlsx", b"\xd0\xcf\x11\xe0" + rng.bytes(3000)),
    "a swollen workbook": lambda rng: book(b"<row>" + b" " * 60_000_000 + b"</row>"),
    "entities": lambda rng: book(b"<row/>", **DOCTYPE),
    "cells at places that are none": lambda rng: book(NOWHERE),
    "texts that are not there": lambda rng: book(NO_TEXT % rng.integers(50, 1_000_000)),
    "xml never closed": lambda rng: book(b"<row>" * int(rng.integers(5, 3000))),
    "parts that climb out of the file": lambda rng: book(b"<row/>", **BEYOND),
    "an empty archive": lambda rng: ("forms.ods", b"PK\x05\x06" + b"\0" * 18),
    "another archive": lambda rng: ("forms.ods", workbook()),
    "settings of any bytes": lambda rng: ("plan.toml", rng.bytes(int(rng.integers(1, 500)))),
    "settings nested without end": lambda rng: ("plan.toml", b"on = " + b"[" * 20_000),
    "settings of any values": any_plan,
    "a standard of any values": any_standard,
    "a standard of 3,000 sections": many_sections,
}


def odd_places(folder: Path) -> dict[str, Path]:
    """What may lie in a folder of forms and is no file of rows: each in a folder of its own."""
    made = {
        name: folder / name.replace(" ", "-")
        for name in ("a folder", "a pipe", "a link to itself", "no text")
    }
    for path in made.values():
        path.mkdir(parents=True)
    (made["a folder"] / "weights.csv").mkdir()
    os.mkfifo(made["a pipe"] / "weights.csv")
    (made["a link to itself"] / "weights.csv").symlink_to("weights.csv")
    (made["no text"] / os.fsdecode(b"\xff\xfeweights.csv")).write_text(HEADER + ROW)
    return made


def standing(flock: Path) -> dict[str, pd.DataFrame]:
    """Every row on record, by form."""
    return {form: read_rows(flock, form) for form in FORMS}


def lost(before: dict[str, pd.DataFrame], now: dict[str, pd.DataFrame]) -> list[str]:
    """The forms of which a row that stood `before` is not there `now`, or another."""
    keys = {name: list(form.key) for name, form in FORMS.items()}
    found = []
    for name, rows in before.items():
        there = now[name][[c for c in rows.columns if c in now[name]]]
        both = rows.merge(there, how="left", on=keys[name], suffixes=("", " now"), indicator=True)
        same = [both[c].eq(both[f"{c} now"]) | both[c].isna() for c in rows.columns if f"{c} now" in both]
        if (both["_merge"] == "left_only").any() or not all(column.all() for column in same):
            found.append(name)
    return found


def wrong_with(flock: Path, forms: Path, before: dict[str, pd.DataFrame]) -> list[str]:
    """What must not come of handing in `forms` to `flock`, of which `before` stood on record."""
    started = time.monotonic()
    try:
        outcome = record(flock, forms)
    except Exception as error:
        return [f"a traceback: {type(error).__name__}: {error}"]
    took, words = time.monotonic() - started, outcome.words()
    found = [f"{bad!r} in its words" for bad in ("fault of this program", "Traceback") if bad in words]
    found += [] if outcome.status in (0, 1, 2) else [f"status {outcome.status}"]
    found += [] if outcome.status != 2 or len(words) > 20 else ["nothing done, and no reason given"]
    found += [f"took {took:.0f} s"] if took > MOST_SECONDS else []
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    found += [f"took {memory:.0f} MB"] if memory > MOST_MB else []
    return found + [f"rows of {form} lost or changed" for form in lost(before, standing(flock))]


def flock_in(folder: Path) -> Path:
    """A small flock on record."""
    made = record(folder / "flock", small.write(folder / "forms", small.forms()))
    assert made.status == 0, made.words()
    return folder / "flock"


def main(files: int = 200, seed: int = 1) -> None:
    """Hand in `files` files and print, by kind, how many there were, and everything that was wrong."""
    rng = np.random.default_rng(seed)
    counts: dict[str, int] = {}
    bad: list[str] = []
    with tempfile.TemporaryDirectory(prefix="hostile-") as name:
        folder = Path(name)
        flock = flock_in(folder)
        places = odd_places(folder / "places")
        for i in range(files):
            kind = [*places, *KINDS][i % (len(places) + len(KINDS))]
            before = standing(flock)
            handed = places.get(kind) or folder / f"case-{i}"
            if kind in KINDS:
                handed.mkdir()
                file, data = KINDS[kind](rng)
                (handed / file).write_bytes(data)
            counts[kind] = counts.get(kind, 0) + 1
            bad += [f"file {i}, {kind}: {fault}" for fault in wrong_with(flock, handed, before)]
    print("\n".join(f"{count:4d}  {kind}" for kind, count in counts.items()))
    print(f"{sum(counts.values())} files, {len(bad)} faults", *bad, sep="\n")


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:]))
