"""The buyer's sheet: what is on it, what is never left off, and that no text from a form breaks it."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from html import unescape
from html.parser import HTMLParser

import pandas as pd
import pytest
from hypothesis import given, strategies as st

from selection.decide.prices.prices import prices
from selection.errors import RecordsError
from selection.merit.candidates import called
from selection.show.page.style import RINGS
from selection.show.sheets.buyer_sheet import BUYER_CAUTIONS, BuyerSheet, buyer_sheets, render
from selection.show.sheets.sheet_facts import Facts, FaultSeen, Ring, SectionSeen, Sources, facts_of, readable
from tests.decide.ledgers import CHICKS, days, holding, judged
from tests.simulated import simulate

VOID = {"meta", "rect", "br"}


class Structure(HTMLParser):
    """Tags as they open and close, and the text between them; fails where one closes that is not open."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, tuple]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, tuple(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, tuple(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def read(html: str) -> Structure:
    structure = Structure()
    structure.feed(html)
    structure.close()
    assert structure.open == []
    return structure


def words(html: str) -> str:
    return re.sub(r"\s+", " ", " ".join(read(html).text))


def small(**changes: object):
    """Cock B1 and pullet H1, both judged and weighed, with rings; she has a serious fault."""
    scores = pd.DataFrame(
        {
            "on": days("2026-09-01", "2026-09-01", "2026-09-20"),
            "judge": ["Ada", "Ada", "Ada"],
            "bird": ["B1", "H1", "H1"],
            "type": [50.0, 44.0, 46.0],
            "head": [30.0, 28.0, None],
            "faults": [None, "Wry Tail", "split wing"],
        }
    )
    rings = pd.DataFrame(
        {
            "bird": ["B1", "B1"],
            "leg": ["left", "right"],
            "colour": ["dark green", "red/white"],
            "mark": [None, "A 17"],
            "fitted_on": days("2026-06-01", "2026-06-01"),
        }
    )
    weights = pd.DataFrame({"on": days("2026-09-16"), "bird": ["B1"], "grams": [3210.0]})
    forms = {"scores": scores, "rings": rings, "weights": weights, "sales": None, **changes}
    return holding(
        [("2026-06-01", "feed", 20, None)], CHICKS, **{k: v for k, v in forms.items() if v is not None}
    )


def sheet(flock, birds=None, **more) -> str:
    known = judged(flock)
    said = prices(flock, known.verdicts, merit=known.merit)
    return buyer_sheets(flock, said, known.points, known.merit, birds, **more)


@pytest.fixture(scope="module")
def season():
    flock = simulate(31, seasons=3).flock()
    known = judged(flock)
    return flock, known, prices(flock, known.verdicts, merit=known.merit)


# -- what is on it -----------------------------------------------------------------------------------------------


def test_a_sheet_says_who_the_bird_is_and_what_was_seen():
    text = words(sheet(small(), ["B1"]))
    assert "B1" in text and "cockerel; hatched 1 April 2026" in text
    assert "from bought-in eggs of Mill, clutch B" in text
    assert "3,210 g on 16 September 2026, at 24 weeks" in text
    assert "None in 1 look." in text and "one look" in text
    assert "its parents: a supplier's pen that is not on record" in text
    for caution in BUYER_CAUTIONS:
        assert caution in text.replace("&#39;", "'")


def test_a_ring_is_drawn_with_its_colour_s_name_beside_it():
    structure = read(sheet(small(), ["B1"]))
    text = re.sub(r"\s+", " ", "".join(structure.text))
    assert all(ring in text for ring in ("left dark green", "right red, marked A 17", "right white"))
    fills = [dict(attrs)["fill"] for tag, attrs in structure.tags if tag == "rect"]
    assert fills == [RINGS["green"], RINGS["red"], RINGS["white"]]


@pytest.mark.parametrize("birds", [["H1"], [("B1", "H1")], [("B1", "H1", "B2")]])
def test_a_serious_fault_is_never_left_off(birds):
    text = words(sheet(small(), birds))
    assert "Serious faults: not for breeding" in text
    assert "H1: wry tail (seen by Ada, 1 September 2026)" in text
    assert "split wing" in text


def test_every_fault_of_a_simulated_season_is_on_its_bird_s_sheet(season):
    flock, known, said = season
    html = buyer_sheets(flock, said, known.points, known.merit)
    pages = html.split('<section class="sheet')[1:]
    faulted = flock.scores.dropna(subset=["faults", "bird"])
    birds = [b for offer in said.offers["birds"] for b in offer if b in set(flock.birds["bird"])]
    gone = dict(zip(birds, pages, strict=True))
    faulted = faulted[faulted["bird"].isin(gone)]
    assert len(faulted)
    for look in faulted.itertuples():
        text = unescape(re.sub("<[^>]*>", " ", gone[look.bird]))
        assert all(fault.strip() in text for fault in look.faults.split(";"))


def test_a_fault_of_an_unnamed_chick_is_on_the_sheet_of_every_bird_that_may_be_it():
    scores = pd.DataFrame(
        {
            "on": days("2026-06-01"),
            "judge": "Ada",
            "clutch": "B",
            "sex": "female",
            "n": 1.0,
            "type": [40.0],
            "faults": "wry tail",
        }
    )
    flock = small(scores=scores)
    assert "may be this bird" in words(sheet(flock, ["B2"]))
    assert "may be this bird" not in words(sheet(flock, ["B1"]))  # a cockerel is not that pullet
    assert "may be this bird" not in words(sheet(flock, ["H1"]))


def test_what_nobody_knows_is_said():
    text = words(sheet(small(), ["B2"]))
    for unknown in (
        "no judge has seen it",
        "never weighed",
        "its rings: none is on record",
        "Nobody has looked for them.",
    ):
        assert unknown in text


def test_related_birds_are_told_apart_from_strangers():
    """Full brother and sister: expected F of their chicks ¼ (Wright 1922); the pen of cock s and hen d."""
    family = [
        ("s", "male", None, "2024", None, None),
        ("d", "female", None, "2024", None, None),
        ("c", "male", "H", None, None, None),
        ("k", "female", "H", None, None, None),
    ]
    pens = pd.DataFrame({"pen": "yard", "bird": ["s", "d"], "from": days("2026-01-01", "2026-01-01")})
    flock = holding([], family, pens=pens)
    flock = replace(flock, clutches=flock.clutches.assign(pen=["", "yard", ""]))
    text = words(sheet(flock, [("c", "k")], buyer_has=["s"]))
    assert (
        "c × k: expected inbreeding of their chicks 0.250 (as full brother and sister), at worst 0.250"
        in text
    )
    assert "s × k: expected inbreeding of their chicks 0.250" in text
    assert "c and s: relationship 0.50 (that of full sisters or brothers is 0.50); s is c's sire." in text
    assert "sire s" in text and "dam d" in text


def test_weight_is_held_against_the_band_as_it_stands_in_the_standard(season):
    flock, known, said = season
    section = next(s for s in flock.standard.sections if s.measured)
    weighed = flock.weights.dropna(subset=["bird"]).drop_duplicates("bird", keep="last").set_index("bird")
    bird = next(b for b in said.table["bird"] if b in weighed.index)
    facts = facts_of(bird, Sources(flock, known.points, known.growth, known.merit.pedigree))
    row = flock.birds.set_index("bird").loc[bird]
    grams = float(known.growth.at_age([bird], section.at_weeks)["grams"].iloc[0])
    low, high = section.band[row["sex"]]
    place = "under" if grams < low else "over" if grams > high else "within"
    assert f"{place} the standard's {low:,} to {high:,} g at 24 weeks: {grams:,.0f} ± " in facts.weight[1]


def test_points_by_section_show_mean_and_spread(season):
    flock, known, said = season
    of_bird = known.points.birds.set_index("bird")
    bird = next(b for b in said.table["bird"] if of_bird["looks"].get(b, 0) > 1)
    facts = facts_of(bird, Sources(flock, known.points, known.growth, None))
    rows = known.points.looks.loc[known.points.looks["bird"] == bird, "row"]
    looks = known.points.given[known.points.given["row"].isin(rows)].groupby("section")["points"]
    own = known.points.sections.set_index(["bird", "section"])["points"]
    for section, row in zip(flock.standard.sections, facts.sections, strict=True):
        if section.measured is None and looks.size().get(section.name, 0) > 1:
            assert row.points == f"{own[bird, section.name]:.1f}"
            given = looks.get_group(section.name)
            assert row.spread.startswith(f"{given.min():.1f} to {given.max():.1f} in ")
            return
    pytest.fail("no section of that bird was seen twice")


def test_a_trio_has_a_page_a_bird_with_the_others_and_its_price(season):
    flock, known, said = season
    assert len(said.trios)
    trio, of = said.trios.iloc[0], called(flock)
    html = buyer_sheets(
        flock, said, known.points, known.merit, [(trio["cock"], trio["hen"], trio["other_hen"])]
    )
    assert html.count("<section") == 3
    assert f"Sold with {of(trio['hen'])} and {of(trio['other_hen'])}." in words(html)
    asked = said.currency.words(said.currency.whole(trio["price"]))
    assert f"Asked for them together: {asked}." in words(html)


def test_each_page_prints_on_its_own(season):
    flock, known, said = season
    html = buyer_sheets(flock, said, known.points, known.merit)
    assert html.count("<section") == said.table["bird"].notna().sum()
    assert "break-after: page" in html and "@page { size: A4" in html
    assert "http" not in html  # opens anywhere: nothing is fetched


# -- text that would break a page ---------------------------------------------------------------------------------

NASTY = [
    '<script>alert("x")</script>',
    "</section></body>",
    "{{ 7 * 7 }}{% raw %}",
    "O'Hen & Söhne <b>",
    "雌鶏の小屋",
    "مزرعة الديك",
    "x" * 3000,
    "\x00\x1b\u202e",
    '"><img src=x onerror=alert(1)>',
    "&lt;&amp;",
]


def dressed(text: str):
    """A flock with `text` in every place where a form takes text."""
    flock = small()
    birds = flock.birds.assign(
        name=text, source_of=flock.birds["source_of"].where(flock.birds["source_of"].isna(), text)
    )
    scores = flock.scores.assign(judge=text, faults=text)
    rings = flock.rings.assign(colour=text, mark=text)
    standard = replace(
        flock.standard, breed=text, sections=tuple(replace(s, title=text) for s in flock.standard.sections)
    )
    return replace(flock, birds=birds, scores=scores, rings=rings, standard=standard)


@pytest.fixture(scope="module")
def plain():
    """The small flock's points and merit, its prices, and the page it makes of a harmless word."""
    flock = small()
    known = judged(flock)
    said = prices(flock, known.verdicts, merit=known.merit)
    return known, said, page_of("word", known, said)


def page_of(text: str, known, said) -> Structure:
    return read(
        buyer_sheets(dressed(text), said, known.points, known.merit, [("B1", "H1")], growth=known.growth)
    )


@pytest.mark.parametrize("text", NASTY)
def test_text_from_forms_never_becomes_markup(text, plain):
    known, said, benign = plain
    nasty = page_of(text, known, said)
    # a slash parts two rings, a semicolon two faults: their number may differ
    several = ("svg", "rect", "span", "li")
    assert [t for t, _ in nasty.tags if t not in several] == [t for t, _ in benign.tags if t not in several]
    assert not {"script", "img", "b"} & {tag for tag, _ in nasty.tags}
    assert readable(text).split("/")[0].strip() in "".join(nasty.text)


FACTS = Facts(
    "1", "", "hen", (Ring("left", "red", "", ""),), "", ("",), (SectionSeen("", "", "", ""),), "", ("",),
    (FaultSeen("", True, ""),), 1, ("",),
)  # fmt: skip


@given(text=st.text(min_size=1, max_size=60).map(readable).filter(bool))
def test_any_text_leaves_the_page_as_it_was(text):
    def page(word: str) -> Structure:
        bird = replace(
            FACTS,
            number=word,
            name=word,
            rings=(Ring(word, word, word, word),),
            descent=(word,),
            sections=(SectionSeen(word, word, word, word),),
            faults=(FaultSeen(word, True, word),),
            unknown=(word,),
        )
        return read(
            render(
                small_flock(),
                [BuyerSheet(word, word, word, word, bird, "", ((word, word),), word, (word,), (word,))],
            )
        )

    benign, other = page("word"), page(text)
    assert [tag for tag, _ in other.tags] == [tag for tag, _ in benign.tags]
    assert {k for _, attrs in other.tags for k, _ in attrs} == {
        k for _, attrs in benign.tags for k, _ in attrs
    }


@cache
def small_flock():
    return small()


def test_long_names_may_wrap_anywhere():
    assert "overflow-wrap: anywhere" in render(small(), [])


def test_birds_not_on_record_are_all_named_at_once():
    with pytest.raises(RecordsError, match=r"no bird ghost, wraith on record"):
        sheet(small(), ["B1", ("ghost", "H1")], buyer_has=["wraith"])
