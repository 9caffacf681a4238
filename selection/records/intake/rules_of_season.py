"""What looks, weighings, measurements and sales must agree on."""

from __future__ import annotations

import pandas as pd

from selection.errors import Finding
from selection.records.forms.schema import folded
from selection.records.intake.known import OnRecord, day_words, findings
from selection.records.rings import NEVER, looked_up


def names_somebody(form: str, rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A row names a bird, or a clutch for chicks without a number, and agrees with the bird's clutch and sex."""
    nobody = rows["bird"].isna() & rows["clutch"].isna()
    words = "a bird's number, or its colours, or clutch, sex and n for unnamed chicks"
    found = findings(form, rows, nobody, "bird", words)
    own = known.of_birds(rows["bird"])["clutch"]
    pairs = zip(folded(rows["clutch"]), folded(own), strict=True)
    agrees = pd.Series([said in {c.strip() for c in of.split(";")} for said, of in pairs], index=rows.index)
    other = rows["bird"].notna() & rows["clutch"].notna() & own.notna() & ~agrees
    found += findings(form, rows, other, "clutch", "no other clutch than the bird's own, {}", own)
    sex = known.of_birds(rows["bird"])["sex"]
    told = sex.isin(["male", "female"]) & rows["sex"].isin(["male", "female"])
    other = told & (rows["sex"] != sex)
    found += findings(form, rows, other, "sex", "no other sex than the bird's own, {}", sex)
    words = "a blank cell: the row speaks for one bird"
    found += findings(form, rows, rows["bird"].notna() & (rows["n"] > 1), "n", words)
    chicks = known.of_clutches(rows["clutch"])["hatched"]
    many = rows["bird"].isna() & (rows["n"] > chicks)
    words = "more than the {} that hatched; taken as it stands"
    return found + findings(form, rows, many, "n", words, chicks, refused=False)


def points(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Each section within what the standard of that day gives."""
    found = []
    sections = [c.name for c in known.in_force.section_columns()]
    for standard, here in known.in_force.spells(rows["on"]):
        under = rows[here]
        allowed = {s.name.casefold(): s.points for s in standard.by_eye}
        for name in sections:
            most = allowed.get(name.casefold())
            if most is None:
                words = f"nothing: {name} was no section judged by eye of the standard in force that day"
                found += findings("scores", under, under[name].notna(), name, words)
            else:
                words = f"0 to {most:g} points, the most that the standard of that day gives"
                found += findings("scores", under, under[name] > most, name, words)
    return found


def quarters(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Each section in quarters of a point."""
    found = []
    for name in (c.name for c in known.in_force.section_columns()):
        odd = rows[name].notna() & ((rows[name] * 4) % 1 != 0)
        found += findings("scores", rows, odd, name, "whole points, halves or quarters")
    return found


def fault_names(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Faults by the names that the standard, or an earlier one, gives them."""
    names = [f.name for _, standard in reversed(known.in_force.standards) for f in standard.faults]
    each = rows.assign(fault=rows["faults"].str.split(";")).explode("fault").dropna(subset="fault")
    strange = each[~folded(each["fault"]).isin({name.casefold() for name in names})]
    listed = ", ".join(dict.fromkeys(names))
    words = f"“{{}}” is none of the standard's faults: {listed}" if names else "the standard names no faults"
    first = strange[~strange.index.duplicated()]
    return findings("scores", first, first["fault"].notna(), "faults", words, first["fault"])


def old_cards(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A total is for cards without sections; beside sections it is taken and reported."""
    sections = [c.name for c in known.in_force.section_columns()]
    both = rows["total"].notna() & rows[sections].notna().any(axis=1)
    words = "taken, but a total is for old cards without sections: look which shall stand"
    return findings("scores", rows, both, "total", words, refused=False)


def trait_names(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Traits by the names that the standard, or an earlier one, gives them under [[measured]]."""
    names = [t.name for _, standard in reversed(known.in_force.standards) for t in standard.measured]
    strange = ~folded(rows["trait"]).isin({name.casefold() for name in names})
    none = "a trait that the standard names under [[measured]]; it names none"
    words = f"one of the standard's traits: {', '.join(dict.fromkeys(names))}" if names else none
    return findings("measures", rows, strange, "trait", words)


def weighs_something(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """No bird weighs nothing."""
    words = "more than nothing: leave the row out if it was not weighed"
    return findings("weights", rows, rows["grams"] == 0, "grams", words)


def usual_prices(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A price of nothing is taken, and asks for a note."""
    free = (rows["price"] == 0) & rows["note"].isna()
    words = "taken as given away, which tells nothing of prices; a note may say why"
    return findings("sales", rows, free, "price", words, refused=False)


def lots(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """The rows of one lot carry one price, the lot's."""
    sales = known.forms["sales"]
    each = sales.groupby(folded(sales["lot"]) + " " + day_words(sales["on"]))["price"].agg(["min", "max"])
    lot = folded(rows["lot"]) + " " + day_words(rows["on"])
    least, most = looked_up(lot, each["min"]), looked_up(lot, each["max"])
    unlike = rows["lot"].notna() & (least != most)
    words = "one price on every row of the lot, the lot's; it has {} and {}"
    return findings("sales", rows, unlike, "price", words, least, most)


def sold_once(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A bird sold twice, or gone on another day by the birds form, is taken and reported."""
    sales = known.forms["sales"]
    days = sales.groupby(folded(sales["bird"]))["on"].agg(["min", "max"])
    first, last = (looked_up(folded(rows["bird"]), days[c]) for c in ("min", "max"))
    words = "taken, but it is sold on {} and on {}: look whether both are right"
    found = findings("sales", rows, first != last, "bird", words, first, last, refused=False)
    birds = known.forms["birds"]
    gone = looked_up(folded(rows["bird"]), birds["gone_on"].set_axis(folded(birds["bird"])))
    words = "taken, but on record it went on {}: look which is right"
    other = gone.notna() & (gone != rows["on"])
    return found + findings("sales", rows, other, "on", words, gone, refused=False)


def withdrawal_ends(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Days of withdrawal belong to a treatment."""
    odd = rows["withdrawal_days"].notna() & (rows["item"] != "treatment")
    words = "a blank cell: a withdrawal period belongs to the item treatment"
    return findings("costs", rows, odd, "withdrawal_days", words)


MOST_A_DAY = 2.0
"""Eggs a hen and day that no pen exceeds (common practice, no source)."""
EGG_GRAMS = (15, 120)
"""Mean weights of an egg that need no remark, from a bantam's to a double yolk (common practice, no source)."""


def hens_lay(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """A row says where the eggs come from; no cock lays."""
    nowhere = rows["pen"].isna() & rows["bird"].isna()
    found = findings("eggs", rows, nowhere, "pen", "a pen, or the hen where she is known")
    male = known.of_birds(rows["bird"])["sex"] == "male"
    found += findings("eggs", rows, male, "bird", "a hen: it is recorded male, and no cock lays")
    lost = rows["pen"].isna() & rows["bird"].notna() & ~male
    words = "her pen: the pens form does not say where {} stood that day"
    return found + findings("eggs", rows, lost, "pen", words, rows["bird"])


def known_pens(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
    """Eggs come from a pen with birds on record; while no pen is on record that is only reported."""
    pens = known.forms["pens"]
    strange = rows["pen"].notna() & ~folded(rows["pen"]).isin(set(folded(pens["pen"])))
    if pens.empty:
        words = "a pen of the pens form; taken, and of use once that says who stood there"
        return findings("eggs", rows, strange, "pen", words, refused=False)
    names = ", ".join(pens["pen"].drop_duplicates().head(12))
    return findings("eggs", rows, strange, "pen", f"a pen of the pens form: {names}")


def hens_there(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
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


def _standing(rows: pd.DataFrame, known: OnRecord) -> pd.DataFrame:
    """Who stood in each row's pen that day: place (pen and day as one text), bird; each once."""
    pens = known.forms["pens"]
    asked = pd.DataFrame({"key": folded(rows["pen"]), "on": rows["on"]}).drop_duplicates()
    there = asked.merge(pens.assign(key=folded(pens["pen"]))[["key", "bird", "from", "to"]], on="key")
    there = there[(there["from"] <= there["on"]) & (there["on"] < there["to"].fillna(NEVER))]
    return pd.DataFrame({"place": there["key"] + " " + day_words(there["on"]), "bird": there["bird"]})


def counted_once(rows: pd.DataFrame, known: OnRecord) -> list[Finding]:
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
