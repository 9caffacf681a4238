"""A bird's page and words: what they hold, that typed text is only text, and that they fit a phone and paper."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from selection.decide.life import life
from selection.decide.prices.money import Currency
from selection.records.flock import Flock
from selection.records.photos import album
from selection.show.bird import life_in_words, told, whole_page
from selection.show.page.family_tree import HIGH, boxes_of, chick_groups, family_tree
from tests.decide.test_life import holding, ring
from tests.merit import tiny
from tests.merit.tiny import bird, clutch, look, stood

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"


class Tags(HTMLParser):
    """The tags and their attributes of a page, and its text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_words_hold_all_that_is_on_record() -> None:
    said = life_in_words(life(holding(), "x"))
    for line in (
        "x: pullet, hatched 22 March 2026", "Alive on 10 October 2026; wears left red, right blue.",
        "left green, flat, from 1 May 2026 to 1 July 2026",
        "clutch 26-H1, home-bred, pen pen 1, set on 1 March 2026 (10 set, 9 fertile, 3 hatched)",
        "sire: C (Rust, 2024)", "dam: one of 2 (", "full or half sister: y", "full or half brother: z",
        "20 September 2026, A: Type 40 of 60 (mean 42.0), Head 30 of 40, faults: split wing",
        "30 September 2026, B: Type 42 of 60, “better”", "17 May 2026, at 8 weeks: 600 g (mean of 2 like it: 650 g)",
        "10 October 2026: keep: best of the clutch", "  tame",
    ):  # fmt: skip
        assert line in said, line
    assert "2026 in pen 1: 2 eggs of 1 day counted, all the pen's" in life_in_words(life(holding(), "H2"))
    gone = life_in_words(life(holding(), "y"))
    assert (
        "Gone on 1 October 2026: sold." in gone
        and "1 October 2026: as breeding, 70.00, for the lot with z" in gone
    )


def test_what_nobody_wrote_down_is_said() -> None:
    said = life_in_words(life(tiny.flock(birds=[bird("C", "male", hatched_on=None)]), "C"))
    for line in (
        "hatched not recorded",
        "no ring on record",
        "no judge has seen it",
        "never weighed",
        "in no pen on record",
    ):
        assert line in said


def test_the_page_holds_photos_rings_family_looks_and_growth(tmp_path: Path) -> None:
    from PIL import Image

    (tmp_path / "photos").mkdir()
    for name in ("x.jpg", "x 2026-08-01.jpg", "x 2026-09-01.jpg"):
        Image.new("RGB", (300, 400), "brown").save(tmp_path / "photos" / name)
    (tmp_path / "photos" / f"{HOSTILE.replace('/', '')}.jpg").write_bytes(b"<svg onload=alert(1)>")
    html = whole_page(life(holding(), "x"), album(tmp_path, ["x"], date(2026, 10, 10)))
    page = Tags(html)
    images = [attrs for tag, attrs in page.tags if tag == "img"]
    assert [attrs["alt"] for attrs in images] == [
        "x, day not told",
        "x, 1 August 2026",
        "x, 1 September 2026",
    ]
    assert all(str(attrs["src"]).startswith("data:image/jpeg;base64,") for attrs in images)
    marks = [attrs["aria-label"] for tag, attrs in page.tags if tag == "svg" and attrs.get("class") == "mark"]
    assert marks == ["x: left green, right blue", "x: left red, right blue"]
    words = " ".join(page.words)
    assert "20 September 2026, A" in words and "Photos left out" in words and "weeks of age" in words
    assert not any(
        tag == "script" or any(name.startswith("on") for name in attrs) for tag, attrs in page.tags
    )


def test_the_tree_shows_doubt_and_unseen_stock_as_such() -> None:
    own = {box.path: (box.lines[0], box.sure) for box in boxes_of(life(holding(), "x"))}
    assert own == {
        (): ("x", "sure"), ("sire",): ("C", "sure"), ("dam",): ("one of 2", "doubt"),
    }  # fmt: skip
    bought = {box.path: (box.lines, box.sure) for box in boxes_of(life(holding(), "B"))}
    assert bought[("dam",)] == (("unseen stock", "of Mill; one of 6"), "unseen")
    nothing = {box.path: box.lines[0] for box in boxes_of(life(holding(), "H1"))}
    assert nothing == {(): "H1", ("sire",): "not on record", ("dam",): "not on record"}


def big() -> Flock:
    rows = [bird("g0", "male", hatched_on="2000")]
    rows += [
        bird(f"g{k}", "male", sire=f"g{k - 1}", dam=f"d{k}", hatched_on=str(2000 + k)) for k in range(1, 20)
    ]
    rows += [bird(f"d{k}", "female", hatched_on=str(1999 + k)) for k in range(1, 20)]
    rows += [bird(f"chick-{k:03}", "female", sire="g19", hatched_on="2020") for k in range(60)]
    return tiny.flock(birds=rows)


def test_sixty_chicks_and_twenty_generations_fit_the_drawing() -> None:
    told = life(big(), "g19")
    assert sum(len(chicks) for _, chicks in chick_groups(told)) == 60
    for svg in re.findall(r"<svg.*?</svg>", str(family_tree(told)), re.S):
        wide, high = map(float, re.search(r'viewBox="-1 -1 (\d+) (\d+)"', svg).groups())  # type: ignore[union-attr]
        boxes = [
            tuple(map(float, m)) for m in re.findall(r'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)"', svg)
        ]
        assert len(boxes) == 7  # itself, then sire and dam along the line of sires: the dams are founders
        assert all(x >= 0 and x + w <= wide and y >= 0 and y + HIGH <= high for x, y, w in boxes)
        texts = [
            (float(x), float(y), t)
            for x, y, t in re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]*)', svg)
        ]
        assert all(y <= high and x + 5.2 * len(text) <= wide + 4 for x, y, text in texts)
        assert all(f"chick-{k:03} ♀" in svg for k in range(60))
        same = [
            a
            for a in boxes
            for b in boxes
            if a < b and abs(a[0] - b[0]) < min(a[2], b[2]) and abs(a[1] - b[1]) < HIGH
        ]
        assert not same, "boxes lie on one another"


def test_what_was_typed_is_only_text() -> None:
    flock = tiny.flock(
        birds=[bird("C", "male", name=HOSTILE), bird("H", "female"),
               bird(HOSTILE, "female", "26-H1", name=HOSTILE, note=HOSTILE)],
        clutches=[clutch("26-H1", brooder=HOSTILE)], pens=[stood("C", "2026-01-01"), stood("H", "2026-01-01")],
        rings=[ring(HOSTILE, "left", HOSTILE, "2026-05-01")],
        scores=[look(HOSTILE, {"type": 40}, judge=HOSTILE, faults=HOSTILE, note=HOSTILE)],
        measures=[{"on": "2026-05-01", "bird": HOSTILE, "trait": HOSTILE, "value": 3, "judge": HOSTILE}],
        decisions=[{"on": "2026-10-10", "bird": HOSTILE, "decided": "keep", "why": HOSTILE}],
    )  # fmt: skip
    page = Tags(whole_page(life(flock, HOSTILE)))
    assert not any(
        tag in ("script", "img") or any(n.startswith("on") for n in attrs) for tag, attrs in page.tags
    )
    assert "alert(1)" in " ".join(page.words)
    terminal = life_in_words(life(tiny.flock(birds=[bird("C", "male", name="\x1b[31mred\x07")]), "C"))
    assert "\x1b" not in terminal and "\x07" not in terminal


@pytest.mark.parametrize("number", ["x", "B", "H1"])
def test_a_page_is_whole_markup(number: str) -> None:
    html = whole_page(life(holding(), number))
    for tag in ("div", "figure", "ul", "table", "svg", "details", "main"):
        assert len(re.findall(f"<{tag}[ >]", html)) == html.count(f"</{tag}>"), tag


def test_what_each_meeting_said_of_it_stands_with_the_price_asked() -> None:
    """Of a living bird too: a meeting after the day, or one that knew nothing of it, says nothing."""
    flock = holding()
    table = pd.DataFrame({"bird": ["x", "z"], "stands": ["sell", "keep"], "sold_as": ["layer", None]})
    table = table.assign(price=[18.5, None], why=["ranked 3 of 3 <b>", "ranked 1 of 3"])
    verdicts = pd.DataFrame({"bird": ["x", "z"], "proposed": ["look again", "keep"]})
    kept = {
        date(2026, 10, 10): {"flock": table, "verdicts": verdicts},
        date(2026, 9, 1): {"verdicts": verdicts},
        date(2026, 10, 11): {"flock": table.assign(stands="keep")},
    }
    lines = dict(told(life(flock, "x", meetings=kept)))["At the meetings"]
    asked = Currency(flock.plan.currency).words(18.5)
    assert lines == [
        f"10 October 2026: sell, as layer, asked {asked}, look again proposed: ranked 3 of 3 <b>"
    ]
    page = whole_page(life(flock, "x", meetings=kept))
    assert "ranked 3 of 3 &lt;b&gt;" in page and "ranked 3 of 3 <b>" not in page
    assert dict(told(life(flock, "z", meetings=kept)))["At the meetings"] == [
        "10 October 2026: keep: ranked 1 of 3"
    ]
    assert "At the meetings" not in dict(told(life(flock, "H2", meetings=kept)))


def test_others_are_called_by_name_and_while_they_live_by_what_they_wear() -> None:
    rings = [ring("x", "left", "red", "2026-07-01"), ring("H1", "left", "pink", "2026-01-01")]
    birds = [
        bird("C", "male", name="Rust", gone_on="2026-09-01", gone_why="died"), bird("H1", "female", name="Ivy"),
        bird("H2", "female"), bird("x", "female", "26-H1"),
    ]  # fmt: skip
    flock = holding(birds=birds, rings=[*rings, ring("C", "left", "blue", "2026-01-01")], scores=[], sales=[])
    flock = replace(flock, pens=flock.pens[flock.pens["bird"] != "B"], weights=flock.weights.iloc[:0])
    said = dict(told(life(flock, "H2")))
    assert said["Pens"][0].endswith("with males C Rust and females H1 Ivy (pink, –)")
    (_, chicks) = said["Chicks"]
    assert chicks.endswith(": x (red, –) ♀") and "with C Rust" in chicks


def test_the_words_of_a_bird_with_sixty_chicks_name_every_one_and_three_generations_of_twenty() -> None:
    said = dict(told(life(big(), "g19")))
    assert all(f"chick-{k:03} ♀" in said["Chicks"][1] for k in range(60))
    places = [line.split(":")[0] for line in said["Where it comes from"]]
    assert "sire's sire's sire" in places and not any(place.count("'s") > 2 for place in places)
    assert len(whole_page(life(big(), "g19"))) < 100_000
