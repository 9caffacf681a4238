"""What clutches, birds, rings and pens must agree on."""

from __future__ import annotations

from graphlib import CycleError, TopologicalSorter
from itertools import pairwise

import pandas as pd

from selection.errors import Finding
from selection.records.forms.schema import folded
from selection.records.intake.known import OnRecord, day_words, findings
from selection.records.rings import (
    FEW,
    NEVER,
    first_clutch,
    living,
    looked_up,
    shared_pairs,
    single_colours,
    worn,
)

_INCUBATION = (19, 23)
"""Days from setting to hatching that need no remark; 21 is normal."""
PARENT_AGE = 120
"""Days; a parent younger than this at its chick's hatch is worth a remark (common practice, no source)."""


def one_label(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A clutch has one label: ; parts those of a mixed brood."""
    words = "a label without ; since that parts the clutches of a mixed brood on the birds form"
    return findings("clutches", rows, rows["clutch"].str.contains(";"), "clutch", words)


def origins(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Eggs are bought of a supplier or come from a pen of the home; the other of the two says nothing."""
    words = "taken, but not looked at, since these eggs are {}: look which is right"
    found = []
    for column, origin in (("source", "home-bred"), ("pen", "bought-in")):
        odd = rows[column].notna() & (rows["origin"] == origin)
        found += findings("clutches", rows, odd, column, words, rows["origin"], refused=False)
    return found


def hatch_figures(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Set ≥ fertile ≥ hatched."""
    found = []
    for fewer, more in (("fertile", "eggs_set"), ("hatched", "fertile"), ("hatched", "eggs_set")):
        words = f"at most the {{}} of {more}"
        found += findings("clutches", rows, rows[fewer] > rows[more], fewer, words, rows[more])
    return found


def birds_entered(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """No more birds are entered of a clutch than hatched."""
    certain = known.birds[~known.birds["clutch"].str.contains(";", na=False)]
    birds = looked_up(folded(rows["clutch"]), first_clutch(certain).value_counts())
    words = "taken, but {} birds are entered of this clutch: look which is right"
    return findings("clutches", rows, birds > rows["hatched"], "hatched", words, birds, refused=False)


def incubation(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Chicks hatch after their eggs were set, as a rule some three weeks after."""
    days = (rows["hatched_on"] - rows["set_on"]).dt.days
    words = "a day after it was set, {}"
    found = findings("clutches", rows, days <= 0, "hatched_on", words, rows["set_on"])
    odd = (days > 0) & ~days.between(*_INCUBATION)
    words = (
        f"{{}} days after setting, where {_INCUBATION[0]} to {_INCUBATION[1]} are usual; taken as it stands"
    )
    return found + findings("clutches", rows, odd, "hatched_on", words, days, refused=False)


def pen_of_clutch(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A home-bred clutch without parents on record is taken: they count as unseen birds of the home."""
    home = rows["origin"] == "home-bred"
    unseen = "taken: its parents count as unseen birds of the holding"
    absent = home & rows["pen"].isna()
    found = findings("clutches", rows, absent, "pen", f"the pen it comes from; {unseen}", refused=False)
    strange = home & rows["pen"].notna() & ~folded(rows["pen"]).isin(set(folded(known.forms["pens"]["pen"])))
    words = f"a pen of the pens form, where this one has no birds yet; {unseen} until it has"
    return found + findings("clutches", rows, strange, "pen", words, refused=False)


def own_days(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A bird's days in order: hatched, came, gone; its hatch that of its clutch."""
    bird = known.of_birds(rows["bird"])
    found = []
    for column in ("came_on", "gone_on"):
        words = "no day before its hatch on {}"
        found += findings("birds", rows, rows[column] < bird["earliest"], column, words, bird["hatched"])
    back = rows["gone_on"] < rows["came_on"]
    found += findings("birds", rows, back, "gone_on", "no day before it came, {}", rows["came_on"])
    undated = rows["gone_why"].notna() & bird["gone_on"].isna()
    found += findings("birds", rows, undated, "gone_on", "the day it went, beside why")
    clutch = known.of_clutches(first_clutch(rows))["hatched_on"]
    other = rows["hatched_on"].notna() & ((clutch < bird["earliest"]) | (clutch > bird["latest"]))
    words = "its clutch hatched on {}; the bird's own day is taken"
    return found + findings("birds", rows, other, "hatched_on", words, clutch, refused=False)


def parents_fit(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A sire is no female and a dam no male, whichever of the two rows is new; of two new ones the chick's."""
    found = []
    mine = folded(rows["bird"])
    for parent, wrong in (("sire", "female"), ("dam", "male")):
        sex = known.of_birds(rows[parent])["sex"]
        found += findings("birds", rows, sex == wrong, parent, f"a {parent} that is not recorded {wrong}")
        chicks = known.birds[~known.birds.index.isin(mine)].drop_duplicates(parent)
        of = looked_up(mine, chicks["bird"].set_axis(folded(chicks[parent])))
        as_parent = (rows["sex"] == wrong) & of.notna()
        found += findings("birds", rows, as_parent, "sex", f"no {wrong}, since it is {parent} of {{}}", of)
        other = known.birds["dam" if parent == "sire" else "sire"].dropna()
        both = folded(rows[parent]).isin(folded(other)) & rows[parent].notna() & sex.isin(["unknown"])
        words = "a bird that is not sire of one and dam of another; enter its sex on the birds form first"
        found += findings("birds", rows, both, parent, words)
    return found


def parents_older(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """No parent hatched with or after its chick, whichever of the two rows is new; a bare year is its 1 April.

    It is what a meeting takes it for: what is recorded can be reckoned with.
    """
    found = []
    every = known.birds
    for parent in ("sire", "dam"):
        older = known.of_birds(every[parent].set_axis(range(len(every))))
        days = (every["hatched"].to_numpy() - older["hatched"]).dt.days.set_axis(every.index)
        hatched = older["hatched"].set_axis(every.index)
        mine = folded(rows["bird"])
        age, day = looked_up(mine, days), looked_up(mine, hatched)
        words = (
            "a parent older than its chick, where this one hatched on {} (a bare year counts as its 1 April)"
        )
        found += findings("birds", rows, age <= 0, parent, words, day)
        words = "it hatched only {} days before its chick; taken as it stands"
        found += findings("birds", rows, age.between(1, PARENT_AGE), parent, words, age, refused=False)
        too_young = every[(days <= 0) & ~every.index.isin(mine)].drop_duplicates(parent)
        chick = looked_up(mine, too_young["bird"].set_axis(folded(too_young[parent])))
        words = f"an older bird: it is {parent} of {{}}"
        found += findings("birds", rows, chick.notna(), "hatched_on", words, chick)
    return found


def no_loops(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """No bird is its own ancestor; the rows of a loop that are new are refused."""
    birds = known.birds
    links = {
        bird: {p for p in pair if p}
        for bird, *pair in zip(birds.index, folded(birds["sire"]), folded(birds["dam"]), strict=True)
    }
    mine = pd.Series(rows.index, index=folded(rows["bird"]))
    found: list[Finding] = []
    while loop := _loop(links):
        words = "no bird among its own ancestors: " + " ← ".join(birds["bird"][loop])
        for parent, bird in pairwise(loop):
            column = "sire" if folded(birds.loc[[bird], "sire"]).iloc[0] == parent else "dam"
            at = pd.Series(rows.index == mine.get(bird), index=rows.index)
            found += findings("birds", rows, at, column, words)
            links[bird] = set()
    return found


def _loop(links: dict[str, set[str]]) -> list[str] | None:
    """The birds of one loop, a parent before its chick, the first again at the end; None without one."""
    try:
        TopologicalSorter(links).prepare()
    except CycleError as error:
        return list(error.args[1])
    return None


def ring_days(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A ring comes off no earlier than it was fitted."""
    early = rows["removed_on"] < rows["fitted_on"]
    return findings("rings", rows, early, "removed_on", "no day before it was fitted, {}", rows["fitted_on"])


def one_ring_a_leg(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A ring fitted where another is still on record as worn takes its place, and that is reported."""
    rings = known.forms["rings"].sort_values("fitted_on", kind="stable")
    leg = folded(rings["bird"]) + " " + rings["leg"]
    next_on = rings.groupby(leg)["fitted_on"].shift(-1)
    still_on = rings[next_on.notna() & ~(rings["removed_on"] <= next_on)]
    key = leg[still_on.index] + day_words(next_on[still_on.index])
    replaced = folded(rows["bird"]) + " " + rows["leg"] + day_words(rows["fitted_on"])
    colour = looked_up(replaced, still_on["colour"].set_axis(key))
    words = "taken in place of {}, which has no earlier removed_on; two rings worn together are one row"
    return findings("rings", rows, colour.notna(), "colour", words, colour, refused=False)


def one_bird_a_pair(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """No two living birds wear one pair of colours at once; of such, the newer rows are refused."""
    found: list[Finding] = []
    for clash in shared_pairs(known.forms["rings"], known.birds).itertuples():
        both = {str(clash.first).casefold(), str(clash.second).casefold()}
        worn = rows[folded(rows["bird"]).isin(both) & (rows["fitted_on"] <= clash.on)]
        latest = worn.sort_values(["fitted_on", "leg"]).index[-1:]
        words = (
            f"a pair that no other living bird wears: {clash.first} and {clash.second} both wear "
            f"{clash.pair} on {clash.on:%Y-%m-%d}; if one is gone, record its gone_on"
        )
        at = pd.Series(rows.index.isin(latest), index=rows.index)
        found += findings("rings", rows, at, "colour", words)
    return found


def few_pairs(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A left colour that few free pairs are left of, under the colours worn so far, said once a colour."""
    rings = known.forms["rings"]
    day = rings["fitted_on"].max()
    legs = worn(rings, day)
    legs = legs[legs.index.isin(living(known.birds, day).index)]
    colours = single_colours(rings)
    pairs = legs[legs["left"].isin(colours) & legs["right"].isin(colours)].drop_duplicates()
    free = len(colours) - pairs["left"].value_counts()
    left = looked_up(folded(rows["bird"]), legs["left"])
    latest = ~left.iloc[rows["fitted_on"].argsort(kind="stable")].duplicated(keep="last").reindex(rows.index)
    words = (
        f"taken, but {{}} on the left is running out: of {len(colours)} pairs with the colours worn so far {{}} "
        f"are free; selection rings shows which"
    )
    number = left.map(free)
    return findings(
        "rings", rows, latest & (number <= FEW * len(colours)), "colour", words, left, number, refused=False
    )


def stays(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A stay ends after it begins; a bird stands in one pen at a time."""
    words = "no day before the first one there, {}"
    found = findings("pens", rows, rows["to"] < rows["from"], "to", words, rows["from"])
    pens = known.forms["pens"].sort_values("from", kind="stable")
    bird = folded(pens["bird"])
    latest_end = pens["to"].fillna(NEVER).groupby(bird).cummax().groupby(bird).shift()
    overlap = pens[latest_end > pens["from"]]
    before = pens["pen"].groupby(bird).shift()[overlap.index]
    key = bird[overlap.index] + " " + day_words(overlap["from"])
    stay = folded(rows["bird"]) + " " + day_words(rows["from"])
    also = looked_up(stay, before.set_axis(key))
    words = "taken, but on record it has not left {} by then, and counts in both"
    return found + findings("pens", rows, also.notna(), "from", words, also, refused=False)
