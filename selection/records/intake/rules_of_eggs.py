"""What the egg basket must agree on: where eggs come from, who can have laid them, and that none is counted twice."""

from __future__ import annotations

import pandas as pd

from selection.errors import Finding
from selection.records.bird_dates import looked_up
from selection.records.forms.schema import folded
from selection.records.intake.known import Known, day_words, findings
from selection.records.rings import NEVER

MOST_A_DAY = 2.0
"""Eggs a hen and day that no pen exceeds (common practice, no source)."""
EGG_GRAMS = (15, 120)
"""Mean weights of an egg that need no remark, from a bantam's to a double yolk (common practice, no source)."""


def hens_lay(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """A row says where the eggs come from; no cock lays."""
    nowhere = rows["pen"].isna() & rows["bird"].isna()
    found = findings("eggs", rows, nowhere, "pen", "a pen, or the hen where she is known")
    male = known.of_birds(rows["bird"])["sex"] == "male"
    found += findings("eggs", rows, male, "bird", "a hen: it is recorded male, and no cock lays")
    lost = rows["pen"].isna() & rows["bird"].notna() & ~male
    words = "her pen: the pens form does not say where {} stood that day"
    return found + findings("eggs", rows, lost, "pen", words, rows["bird"])


def known_pens(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Eggs come from a pen with birds on record; while no pen is on record that is only reported."""
    pens = known.forms["pens"]
    strange = rows["pen"].notna() & ~folded(rows["pen"]).isin(set(folded(pens["pen"])))
    if pens.empty:
        words = "a pen of the pens form; taken, and of use once that says who stood there"
        return findings("eggs", rows, strange, "pen", words, refused=False)
    names = ", ".join(pens["pen"].drop_duplicates().head(12))
    return findings("eggs", rows, strange, "pen", f"a pen of the pens form: {names}")


def hens_there(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """A hen lays where she stands, and the hens of a pen no more than hens can."""
    if known.forms["pens"].empty:
        return []
    stood = _standing(rows, known)
    hens = stood[known.of_birds(stood["bird"])["sex"].to_numpy() != "male"]
    place = folded(rows["pen"]) + " " + day_words(rows["on"])
    own = set(hens["place"] + " " + folded(hens["bird"]))
    stray = rows["pen"].notna() & rows["bird"].notna() & ~(place + " " + folded(rows["bird"])).isin(own)
    words = "taken, but by the pens form {} did not stand there that day"
    found = findings("eggs", rows, stray, "pen", words, rows["bird"], refused=False)
    number = looked_up(place, hens.groupby("place").size().astype("float64"))
    days = rows["days"].fillna(1)
    many = rows["bird"].isna() & (rows["eggs"] > MOST_A_DAY * number * days)
    words = "taken, but hens there: {}, days: {}; they can hardly lay so many, look again"
    return found + findings("eggs", rows, many, "eggs", words, number, days, refused=False)


def _standing(rows: pd.DataFrame, known: Known) -> pd.DataFrame:
    """Who stood in each row's pen that day: place (pen and day as one text), bird; each once."""
    pens = known.forms["pens"]
    asked = pd.DataFrame({"key": folded(rows["pen"]), "on": rows["on"]}).drop_duplicates()
    there = asked.merge(pens.assign(key=folded(pens["pen"]))[["key", "bird", "from", "to"]], on="key")
    there = there[(there["from"] <= there["on"]) & (there["on"] < there["to"].fillna(NEVER))]
    return pd.DataFrame({"place": there["key"] + " " + day_words(there["on"]), "bird": there["bird"]})


def counted_once(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """No day's eggs are counted twice, hens' own eggs are part of their pen's, and eggs weigh what eggs weigh."""
    eggs = known.forms["eggs"]
    pens = eggs[eggs["bird"].isna()].sort_values("on", kind="stable")
    pen = folded(pens["pen"])
    before = pens["on"].groupby(pen).shift()
    first = pens["on"] - pd.to_timedelta(pens["days"].fillna(1) - 1, unit="D")
    twice = pens[before >= first]
    place = folded(rows["pen"]) + " " + day_words(rows["on"])
    on = before[twice.index].set_axis(pen[twice.index] + " " + day_words(twice["on"]))
    other = looked_up(place, on).where(rows["bird"].isna())
    words = "taken, but its days reach over the count of {}: eggs counted twice? Look at days"
    found = findings("eggs", rows, other.notna(), "days", words, other, refused=False)
    own = eggs[eggs["bird"].notna()]
    theirs = own.groupby(folded(own["pen"]) + " " + day_words(own["on"]))["eggs"].sum()
    sum_of_own = looked_up(place, theirs)
    words = "taken, but hens of the pen laid {} by their own rows, which are part of its count"
    fewer = rows["bird"].isna() & (rows["eggs"] < sum_of_own)
    found += findings("eggs", rows, fewer, "eggs", words, sum_of_own, refused=False)
    each = rows["grams"] / rows["eggs"]
    words = "taken, but that is {} g an egg: look again"
    odd = each.notna() & ~each.between(*EGG_GRAMS)
    return found + findings("eggs", rows, odd, "grams", words, each.round(1), refused=False)
