"""What looks, weighings, measurements and sales must agree on."""

from __future__ import annotations

import pandas as pd

from selection.errors import Finding
from selection.records.bird_dates import looked_up
from selection.records.forms.schema import folded
from selection.records.intake.known import Known, day_words, findings


def names_somebody(form: str, rows: pd.DataFrame, known: Known) -> list[Finding]:
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


def points(rows: pd.DataFrame, known: Known) -> list[Finding]:
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


def quarters(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Each section in quarters of a point."""
    found = []
    for name in (c.name for c in known.in_force.section_columns()):
        odd = rows[name].notna() & ((rows[name] * 4) % 1 != 0)
        found += findings("scores", rows, odd, name, "whole points, halves or quarters")
    return found


def fault_names(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Faults by the names that the standard, or an earlier one, gives them."""
    names = [f.name for _, standard in reversed(known.in_force.standards) for f in standard.faults]
    each = rows.assign(fault=rows["faults"].str.split(";")).explode("fault").dropna(subset="fault")
    strange = each[~folded(each["fault"]).isin({name.casefold() for name in names})]
    listed = ", ".join(dict.fromkeys(names))
    words = f"“{{}}” is none of the standard's faults: {listed}" if names else "the standard names no faults"
    first = strange[~strange.index.duplicated()]
    return findings("scores", first, first["fault"].notna(), "faults", words, first["fault"])


def old_cards(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """A total is for cards without sections; beside sections it is taken and reported."""
    sections = [c.name for c in known.in_force.section_columns()]
    both = rows["total"].notna() & rows[sections].notna().any(axis=1)
    words = "taken, but a total is for old cards without sections: look which shall stand"
    return findings("scores", rows, both, "total", words, refused=False)


def trait_names(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """Traits by the names that the standard, or an earlier one, gives them under [[measured]]."""
    names = [t.name for _, standard in reversed(known.in_force.standards) for t in standard.measured]
    strange = ~folded(rows["trait"]).isin({name.casefold() for name in names})
    none = "a trait that the standard names under [[measured]]; it names none"
    words = f"one of the standard's traits: {', '.join(dict.fromkeys(names))}" if names else none
    return findings("measures", rows, strange, "trait", words)


def weighs_something(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """No bird weighs nothing."""
    words = "more than nothing: leave the row out if it was not weighed"
    return findings("weights", rows, rows["grams"] == 0, "grams", words)


def prices(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """A price of nothing is taken, and asks for a note."""
    free = (rows["price"] == 0) & rows["note"].isna()
    words = "taken as given away, which tells nothing of prices; a note may say why"
    return findings("sales", rows, free, "price", words, refused=False)


def lots(rows: pd.DataFrame, known: Known) -> list[Finding]:
    """The rows of one lot carry one price, the lot's."""
    sales = known.forms["sales"]
    each = sales.groupby(folded(sales["lot"]) + " " + day_words(sales["on"]))["price"].agg(["min", "max"])
    lot = folded(rows["lot"]) + " " + day_words(rows["on"])
    least, most = looked_up(lot, each["min"]), looked_up(lot, each["max"])
    unlike = rows["lot"].notna() & (least != most)
    words = "one price on every row of the lot, the lot's; it has {} and {}"
    return findings("sales", rows, unlike, "price", words, least, most)


def sold_once(rows: pd.DataFrame, known: Known) -> list[Finding]:
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
