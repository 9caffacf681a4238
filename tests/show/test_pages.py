"""The pack's pages: everybody is on them, sums add up, and hostile names stay text."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from selection.decide.meeting import Meeting, hold
from selection.decide.verdicts.choice import planned_counts
from selection.decide.verdicts.look_rule import look_rule
from selection.decide.verdicts.verdicts import propose
from selection.decide.wording import chance
from selection.merit.candidates import called
from selection.merit.explain import contributions
from selection.merit.ranking import rerank
from selection.records.flock import assemble
from selection.records.settings.plan import Keep, Plan
from selection.records.settings.reading import Section, Standard
from selection.show import meeting as show
from selection.show.lab.merit_pages import by_whose, contributions_frame, orders_frame
from selection.show.page.figures import halves, hundredths
from selection.show.page.style import drawing
from selection.show.sections import clutch_pages, laying_pages, price_pages
from selection.show.sections.bird_cards import (
    clutch_mates,
    growth_of,
    reasons,
    rivals,
    section_points,
    titles,
)
from selection.show.sections.candidates import bird_notes
from selection.show.sections.clutch_pages import levels_frame, told_frame
from selection.show.sections.laying_pages import curve_frame
from selection.show.sections.mating_pages import inbreeding_frame
from selection.show.sections.verdict_pages import room
from selection.show.sheets.sheet_facts import Sources, facts_of
from selection.standard.growth import fit_growth
from tests.show import held

HOSTILE = "<script>alert(1)</script>"
PAGES = [
    show.first_page, show.season, show.tipping, show.again, show.groups, show.cards,
    show.clutches, show.laying, show.matings, show.prices, show.worked_out,
]  # fmt: skip


@pytest.fixture(scope="module")
def meeting() -> Meeting:
    return held.meeting()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.__name__)
def test_no_page_shows_a_missing_number(meeting: Meeting, page):
    words = re.sub(r"<[^>]*>", " ", re.sub(r'src="[^"]*"', "", page(meeting)))
    assert words.strip()
    assert not re.search(r"\b(nan|NaN|NaT|None|inf)\b", words)


def test_the_first_page_accounts_for_every_living_bird_once_by_what_becomes_of_it(meeting: Meeting):
    page = show.first_page(meeting)
    assert page.count('id="first-page"') == 1
    again = {b for group in meeting.verdicts.groups.values() if group.again for b in group.again.birds}
    table = meeting.tables["flock"]
    leads = {
        "keep": "Stays",
        "reserve": "In reserve",
        "sell": "Goes",
        "open": "Open",
        "look": "Look again tonight",
    }
    where = table["stands"].mask(table["bird"].isin(again), "look")
    for place, lead in leads.items():
        listed = re.findall(
            rf'<p class="lead">{lead}[^<]* <span.*?<ul class="marks everyone">(.*?)</ul>', page, re.S
        )
        found = re.findall(r"<b>([^<]+)</b>", "".join(listed))
        assert sorted(found) == sorted(table["bird"][where == place]), place
    colours = {
        row.bird: f"{row.left}, {row.right}" for row in table.itertuples() if isinstance(row.right, str)
    }
    assert colours and all(said in page for said in colours.values())


def test_asking_for_the_card_of_another_bird_names_it(meeting: Meeting):
    with pytest.raises(KeyError, match="no-such-bird is no candidate"):
        show.card(meeting, "no-such-bird")


def test_a_cards_reasons_add_up_to_the_difference(meeting: Meeting):
    first, second = meeting.merit.ranking.query("group == 'pullets' and rank <= 2").sort_values("rank")[
        "bird"
    ]
    why = contributions(meeting.merit, meeting.flock, first, second)
    lines = reasons(why, titles(meeting.flock.standard))
    said = [
        float(points.replace("−", "-"))
        for line in lines
        for points in re.findall(r"[+−]?\d+\.\d$|[+−]?\d+\.\d(?=,)", line)
    ]
    assert len(said) > len(lines) or len(lines) == 2
    assert sum(said) == pytest.approx(why.difference, abs=0.05 * len(said))
    assert by_whose(why)["points"].sum() == pytest.approx(why.difference)
    assert contributions_frame(why, {})["points"].sum() == pytest.approx(why.difference)


def test_a_kept_bird_is_measured_against_the_first_that_is_not_and_the_others_against_the_last_kept(
    meeting: Meeting,
):
    table = meeting.verdicts.groups["pullets"].table
    rank = meeting.merit.ranking.set_index("bird")["rank"]
    kept = table.loc[table["stands"] == "keep", "bird"]
    others = table.loc[(table["stands"] != "keep") & table["bird"].map(rank).notna(), "bird"]
    measured = rivals(meeting, meeting.verdicts.groups["pullets"])
    assert measured[kept.iloc[0]] == min(others, key=rank.get)
    assert measured[others.iloc[0]] == max(kept, key=rank.get)


def test_a_card_shows_the_birds_own_points_weighings_and_mates(meeting: Meeting):
    flock = meeting.flock
    bird = meeting.verdicts.groups["pullets"].table["bird"].iloc[0]
    points = meeting.merit.points.sections.pivot(index="bird", columns="section", values="points")
    names = [s.name for s in flock.standard.sections]
    shown = section_points(meeting)[bird]
    assert np.allclose([s.points for s in shown], points.loc[bird, names].astype(float), equal_nan=True)
    mates = points.reindex(meeting.verdicts.groups["pullets"].table["bird"])[names].mean()
    assert np.allclose([s.others for s in shown], mates)
    weighed = flock.weights[(flock.weights["bird"] == bird) & flock.weights["grams"].notna()]
    grown = growth_of(meeting)[bird]
    assert sorted(grown.weighed) == sorted(weighed["grams"].astype(float))
    assert list(grown.weeks) == sorted(grown.weeks)
    clutch = flock.birds.set_index("bird").loc[bird, "clutch"]
    assert len(clutch_mates(meeting)[bird]) == (flock.birds["clutch"] == clutch).sum() - 1


def test_the_sheet_for_one_more_look_hides_earlier_points(meeting: Meeting):
    page = show.again(meeting)
    sheets = re.findall(r'<section class="sheet">.*?</section>', page, re.S)
    proposed = [g for g in meeting.verdicts.groups.values() if g.again is not None]
    assert proposed and len(sheets) == len(proposed)
    seen = meeting.merit.points.birds.set_index("bird")["points"]
    for sheet, group in zip(sheets, proposed, strict=True):
        assert all(bird in sheet for bird in group.again.birds)
        words = plain(re.sub(r"<ul.*?</ul>", " ", sheet, flags=re.S)).split()  # the list tells shares of 100
        told = [seen[bird] for bird in group.again.birds if seen[bird] == seen[bird]]
        assert told
        assert not {text for value in told for text in (f"{value:.1f}", halves(value))} & set(words)


def test_pages_of_the_other_stations_draw_what_those_worked_out(meeting: Meeting):
    told = meeting.clutches.table["separable"] == "yes"
    assert len(told_frame(meeting.clutches)) == told.sum()
    levels = levels_frame(meeting, "points")
    assert set(levels["clutch"]) <= set(meeting.flock.clutches["clutch"])
    assert (levels["low"] <= levels["level"]).all() and (levels["level"] <= levels["high"]).all()
    assert curve_frame(meeting.laying)["season"].unique().tolist() == [meeting.laying.curve["season"].max()]
    grid = inbreeding_frame(meeting.matings)
    for pair in meeting.matings.table.itertuples():
        assert grid.loc[pair.hen, pair.cock] == pair.inbreeding


def test_the_two_orders_are_places_by_merit_and_by_own_value(meeting: Meeting):
    frame = orders_frame(meeting.merit, "pullets")
    assert list(frame["by_merit"]) == list(range(1, len(frame) + 1))
    assert sorted(frame["by_own"]) == list(range(1, len(frame) + 1))
    assert frame.sort_values("by_own")["own_value"].is_monotonic_decreasing
    assert (frame["moved"] == frame["by_merit"] - frame["by_own"]).all()


def test_the_facts_name_the_dam_on_record_where_no_clutch_is(meeting: Meeting):
    birds = meeting.flock.birds.copy()
    bird, hen = meeting.verdicts.groups["pullets"].table["bird"].iloc[0], birds["bird"].iloc[0]
    birds.loc[birds["bird"] == bird, ["clutch", "dam", "source_of"]] = [None, hen, None]
    alone = replace(meeting, flock=replace(meeting.flock, birds=birds))
    merit = alone.merit

    def descent() -> tuple[str, ...]:
        return facts_of(bird, Sources(alone.flock, merit.points, merit.growth, merit.pedigree)).descent

    assert descent() == ("home-bred, clutch not on record", f"dam {hen}")
    birds.loc[birds["bird"] == bird, "dam"] = None
    assert "its clutch and parents not on record" in descent()


def test_names_with_markup_are_shown_as_text(meeting: Meeting):
    flock = meeting.flock
    birds = flock.birds.assign(name=HOSTILE)
    clutches = flock.clutches.assign(source=HOSTILE)
    hostile = replace(meeting, flock=replace(flock, birds=birds, clutches=clutches))
    for page in (show.cards(hostile), show.season(hostile), show.clutches(hostile)):
        assert "<script>" not in page
        assert "&lt;script&gt;" in page


def test_a_meeting_without_candidates_says_so_on_every_page(meeting: Meeting):
    nobody = replace(
        meeting.verdicts,
        table=meeting.verdicts.table.head(0),
        groups={
            n: replace(g, table=g.table.head(0), tips=(), again=None, reweigh=pd.DataFrame())
            for n, g in meeting.verdicts.groups.items()
        },
    )
    empty = replace(meeting, verdicts=nobody)
    assert "No candidates" in show.cards(empty)
    assert "No pullets to choose from" in show.groups(empty)
    assert "nobody to look at" in show.again(empty)
    assert "Stays" not in show.first_page(empty)


def plain(page: str) -> str:
    """What a page says, without its marks and pictures."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", re.sub(r"<svg.*?</svg>", " ", page, flags=re.S)))


@pytest.fixture(scope="module")
def decided(meeting: Meeting) -> Meeting:
    group = meeting.verdicts.groups["pullets"]
    kept, sold = group.tips[0].ahead, group.tips[0].behind
    rows = [(kept, "keep", "only <the> once"), (sold, "sell", "too wild")]
    made = pd.DataFrame(rows, columns=["bird", "decided", "why"]).assign(
        on=pd.Timestamp(meeting.flock.plan.on), who=None, settled=None
    )
    flock = replace(meeting.flock, decisions=made)
    merit = rerank(meeting.merit, flock, {kept: "wry tail (M, 2026-09-01)"})
    return replace(meeting, flock=flock, merit=merit, verdicts=propose(flock, merit))


class TestDecided:
    """A decision is seen on the first page, and decided birds tip nothing."""

    def test_birds_at_stake_have_a_card_and_others_a_line_where_there_is_more_to_know(self, decided: Meeting):
        page, table = show.cards(decided), decided.verdicts.table
        stake = table["stands"].isin(["keep", "reserve"]) | (table["proposed"] == "look again")
        groups = decided.verdicts.groups.values()
        known = {bird for group in groups for bird, told in bird_notes(decided, group).items() if told}
        others = [bird for bird in table["bird"][~stake] if bird in known]
        assert re.findall(r'<article class="card" id="bird-([^"]+)"', page) == list(table["bird"][stake])
        assert others and re.findall(r"<li><b>([^<]+)</b>", page) == [
            str(called(decided.flock)(b)) for b in others
        ]

    def test_decision_reason_and_bar_stand_on_the_first_page(self, decided: Meeting):
        made = decided.flock.decisions
        page = plain(show.first_page(decided))
        assert "decided: only &lt;the&gt; once" in page
        assert "barred: wry tail (M, 2026-09-01)" in page
        assert re.search(rf"{made['bird'][1]} [^:]*decided: too wild", page)
        places = decided.flock.plan.keep["pullets"].number - 1
        assert f"one of the best {places} of those not decided" in page

    def test_once_some_are_settled_those_left_over_are_marked(self, decided: Meeting):
        flock = decided.flock
        settled = replace(decided, flock=replace(flock, decisions=flock.decisions.assign(settled="yes")))
        page, before = plain(show.first_page(settled)), plain(show.first_page(decided))
        table = decided.verdicts.table
        left = set(table["bird"]) - set(flock.decisions["bird"])
        assert left and page.count("not decided yet") >= len(left) and "not decided yet" not in before

    def test_decided_birds_are_not_offered_at_the_edge_or_for_another_look(self, decided: Meeting):
        for bird in decided.flock.decisions["bird"]:
            assert bird not in plain(show.tipping(decided))
            assert bird not in plain(show.again(decided))

    def test_every_page_names_the_same_verdict(self, decided: Meeting):
        kept = decided.flock.decisions["bird"][0]
        for page in (show.card(decided, kept), show.groups(decided)):
            assert "decided: keep barred" in plain(page)


@pytest.fixture(scope="module")
def unseen() -> Meeting:
    birds = pd.DataFrame(
        {"bird": ["26-1", "26-2", "26-3", "24-9"], "sex": [*["male"] * 3, "female"],
         "hatched_on": ["2026-04-10"] * 3 + ["2024"]}
    )  # fmt: skip
    sections = (Section("type", "Type", 60), Section("head", "Head", 40))
    plan = Plan(on=date(2026, 10, 10), season=2026, keep={"cockerels": Keep(1)})
    looks = pd.DataFrame({"on": [pd.Timestamp("2026-10-20")], "judge": "M", "bird": "26-1", "type": 40.0})
    return hold(assemble(Standard("Invented fowl", sections), plan, {"birds": birds, "scores": looks}))


class TestNothingSeen:
    """A holding without a single look: the first page says so, and asks for a look at all."""

    def test_the_first_page_says_that_the_order_is_chance(self, unseen: Meeting):
        page = plain(show.first_page(unseen))
        assert "None of these has been scored, weighed or measured: their order is chance." in page
        assert "Look first at all of them side by side" in page

    def test_the_sheet_asks_for_a_look_at_all_and_never_says_that_nothing_is_left(self, unseen: Meeting):
        page = plain(show.again(unseen))
        assert "nothing is left" not in page
        assert "nobody has judged any of them by eye. Score all of them" in page
        assert "Multiply each section" not in page and "head start" not in page.casefold()

    def test_rows_after_the_meetings_day_and_hens_without_a_place_are_named(self, unseen: Meeting):
        page = plain(show.first_page(unseen))
        assert "Dated after the meeting's day, 10 October 2026: 1 look" in page.replace("&#39;", "'")
        assert "older, and no line of [keep] is for it" in page

    def test_where_looks_are_worth_too_little_that_is_what_is_said(self, unseen: Meeting):
        flock = replace(unseen.flock, plan=replace(unseen.flock.plan, look_worth=50.0))
        page = plain(show.again(replace(unseen, flock=flock, verdicts=propose(flock, unseen.merit))))
        assert "no look at two to four of them would gain 50 points" in page
        assert "none of them was ever seen" in page


def test_an_impossible_weight_is_named_on_the_first_page(meeting: Meeting):
    weights = meeting.flock.weights.copy()
    row = weights.index[weights["bird"].notna()][-1]
    weights.loc[row, "grams"] = 43_100.0
    flock = replace(meeting.flock, weights=weights)
    page = plain(show.first_page(replace(meeting, merit=replace(meeting.merit, growth=fit_growth(flock)))))
    told = rf"{weights['bird'][row]}: 43100 g on [\d-]+ is left out: \d+ times over its curve"
    assert re.search(told, page)


def test_the_first_page_says_who_was_never_seen_and_who_cannot_be_told_apart(meeting: Meeting):
    flock, verdicts = meeting.flock, meeting.verdicts
    group = verdicts.groups["pullets"]
    first = group.table.loc[group.table["stands"] == "keep", "bird"].iloc[0]
    looks = meeting.merit.points.looks
    points = replace(meeting.merit.points, looks=looks[looks["bird"] != first])
    page = plain(show.first_page(replace(meeting, merit=replace(meeting.merit, points=points))))
    assert "never scored" in page and re.search(rf"Never scored or weighed, or both: [^.]*{first}", page)
    assert group.certainty is not None
    last, behind, of = group.tips[0].ahead, group.tips[0].behind, called(flock)
    assert not group.certainty.pairs["told_apart"].any()
    assert "any two of these pullets. The order is a best guess." in plain(show.first_page(meeting))
    pairs = group.certainty.pairs.assign(told_apart=group.certainty.pairs["first"] != last)
    told = replace(group, certainty=replace(group.certainty, pairs=pairs))
    some = replace(verdicts, groups={**verdicts.groups, "pullets": told})
    assert f"from {of(last)} on merit: {of(behind)}" in plain(
        show.first_page(replace(meeting, verdicts=some))
    )
    assert flock.plan.keep["pullets"].number == group.places


def test_what_the_points_may_be_is_said_in_the_plans_own_scale(meeting: Meeting):
    counts = planned_counts(meeting.flock.standard, meeting.flock.plan)
    group = meeting.verdicts.groups["pullets"]
    assert dict(zip(group.reweigh["section"], group.reweigh["points"], strict=True)) == counts
    assert (room(0, 100), room(0, 41.9), room(13.2, 100), room(13.2, 41.9)) == (
        "anything", "41 or less", "14 or more", "14 to 41",
    )  # fmt: skip


def test_a_section_that_would_not_move_the_sum_is_left_off_the_sheet(meeting: Meeting):
    rule = look_rule(meeting.merit, meeting.flock, meeting.verdicts, "hens")
    assert rule is not None and rule.weights["condition"] == 0
    sheet = show.again(meeting).split('<section class="sheet">')[1:]
    mine = next(s for s in sheet if all(bird in s for bird in rule.birds))
    assert not re.search(r'<th scope="row">Condition', mine)
    assert "Left off the sum" in mine
    assert re.findall(r"× (\S+?)<", mine) == [f"{w:.2f}" for w in rule.weights if w]


def test_chances_are_said_alike_everywhere():
    assert hundredths(1.0) == hundredths(0.9999) == "over 99 in 100"
    assert hundredths(0.0) == hundredths(0.001) == "under 1 in 100"
    assert hundredths(0.456) == "46 in 100"
    assert chance(1.0) == "a chance over 99 in 100"


DRAWN = {
    "clutches": lambda m: clutch_pages._draw(levels_frame(m, "points"), "points"),
    "laying": lambda m: laying_pages._draw(curve_frame(m.laying)),
}


@pytest.mark.parametrize("what", DRAWN)
def test_no_label_of_a_drawn_picture_lies_on_another(meeting: Meeting, what: str):
    from matplotlib.text import Text

    with drawing():
        figure = DRAWN[what](meeting)
        figure.canvas.draw()
        words = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
        boxes = [t.get_window_extent().shrunk(0.8, 0.8) for t in words]
    assert len(boxes) > 6
    assert not [1 for i, box in enumerate(boxes) for other in boxes[i + 1 :] if box.overlaps(other)]


def test_without_a_market_the_price_list_asks_nothing_and_says_what_each_has_cost(meeting: Meeting):
    of = meeting.prices
    none = dict.fromkeys(("price", "low", "high", "asking"))
    page = price_pages.price_list(replace(of, offers=of.offers.assign(**none)))
    assert "What to ask" in plain(price_pages.price_list(of)) and "What to ask" not in plain(page)
    assert "no market to go by" in plain(page) and "Cost to date" in plain(page)
    assert "The market" not in plain(page) and "market " not in "".join(
        re.findall('aria-label="[^"]*"', page)
    )
    assert re.search(r'aria-label="cost [^"]+"', page)


@pytest.mark.parametrize(
    "section",
    [show.matings, show.prices, show.laying, show.spring, show.clutches, show.first_page, show.tipping],
)
def test_sentences_and_cells_call_a_ringed_bird_by_its_colours(meeting: Meeting, section):
    """Beside a drawn mark its colours are written in the mark; everywhere else they stand in words."""
    of = called(meeting.flock)
    page = re.sub(r"<svg.*?</svg>", "", str(section(meeting)), flags=re.DOTALL)
    page = re.sub(r'<ul class="marks.*?</ul>', "", page, flags=re.DOTALL)
    pieces = [plain(piece) for piece in re.split(r"</(?:p|li|td|th|h3|h4|caption)>", page)]
    for bird in meeting.flock.birds.loc[meeting.flock.birds["alive"], "bird"]:
        alone = [p for p in pieces if re.search(rf"(?<![\w-]){bird}(?![\w-])", p) and str(of(bird)) not in p]
        assert not (of(bird).colours and alone), alone[0]
