"""What is to be said of the season's clutches, and what cannot be, in sentences."""

from __future__ import annotations

import pandas as pd

from selection.compare.clutches.case import CHICKS
from selection.compare.clutches.families import Families
from selection.compare.clutches.rows import POINTS, WEIGHT
from selection.compare.clutches.separable import chicks_of
from selection.compare.clutches.suppliers import Suppliers
from selection.records.flock import Flock

SURE = 0.95
LIKELY = 0.8


def say(
    flock: Flock, kin: Families, table: pd.DataFrame, ways: pd.DataFrame, suppliers: Suppliers, basis: str
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What can be said and what cannot."""
    season = kin.of_season(flock.plan.season)
    if len(season) < 2:
        number = "no clutch" if not season else f"one clutch only ({kin.about.loc[season[0], 'clutch']})"
        return (), (f"{flock.plan.season}: {number} with chicks on record; nothing to compare it with",)
    told = [
        _scope(table, basis),
        *_origins(table),
        *_pairs(table),
        *_years(suppliers),
        *_blood(suppliers, flock),
    ]
    unknown = (
        *_unknown_origins(table),
        *_remedies(ways),
        *_uncounted(flock, kin),
        *_without_brooder(kin, season),
    )
    return tuple(told), unknown


def contrast_in_words(row: pd.Series) -> str:
    """One separable row of the table: `bought-in pullets 1.8 points above home-bred pullets in type (…)`."""
    way = "above" if row["difference"] >= 0 else "below"
    size, low, high = (_number(x, row["unit"]) for x in (abs(row["difference"]), row["low"], row["high"]))
    first, second = (chicks_of(row[side], CHICKS[row["sex"]]) for side in ("first", "second"))
    return (
        f"{first} {size} {row['unit']} {way} {second} in {row['trait']} "
        f"({low} to {high}; {_chance(row['probability'])})"
    )


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:] + "."


def _number(value: float, unit: str) -> str:
    return f"{value:.0f}" if unit == "g" else f"{value:.1f}"


def _chance(above: float) -> str:
    """How sure it is which is above."""
    surest = max(above, 1 - above)
    side = "above" if above >= 0.5 else "below"
    word = (
        "all but sure to be"
        if surest >= SURE
        else "likely"
        if surest >= LIKELY
        else "could be either way, perhaps"
    )
    return f"{word} {side}, {'over 99' if surest > 0.99 else f'{100 * surest:.0f}'} in 100"


def _scope(table: pd.DataFrame, basis: str) -> str:
    pairs = table[table["first"] != "bought-in"]
    known = (pairs["separable"] == "yes").sum()
    return (
        f"Of {len(pairs)} differences between two clutches in one trait and sex, {known} can be compared"
        f"{f' (totals are {basis})' if basis else ''}. Differences are shrunken towards none by what clutches usually "
        "differ; intervals are 90 %."
    )


def _origins(table: pd.DataFrame) -> list[str]:
    rows = table[(table["first"] == "bought-in") & (table["separable"] == "yes")]
    rows = rows[rows["trait"].isin([POINTS, WEIGHT])]
    return [_sentence(contrast_in_words(row)) for _, row in rows.iterrows()]


def _pairs(table: pd.DataFrame) -> list[str]:
    """The pairs that are all but sure to differ in points or weight."""
    rows = table[(table["first"] != "bought-in") & (table["separable"] == "yes")]
    sure = rows[rows["trait"].isin([POINTS, WEIGHT]) & ((rows["probability"] - 0.5).abs() >= SURE - 0.5)]
    return [_sentence(contrast_in_words(row)) for _, row in sure.iterrows()]


def _years(suppliers: Suppliers) -> list[str]:
    rows = suppliers.this_year[suppliers.this_year["separable"] == "yes"]
    return [
        f"{r['supplier']}, {CHICKS[r['sex']]}: this year's eggs against earlier ones "
        f"{_number(r['difference'], r['unit'])} {r['unit']} in {r['trait']} "
        f"({_number(r['low'], r['unit'])} to {_number(r['high'], r['unit'])})."
        for _, r in rows.iterrows()
    ]


def _blood(suppliers: Suppliers, flock: Flock) -> list[str]:
    rows = suppliers.blood[suppliers.blood["living"] > 0]
    return [
        f"{r['supplier']}: birds living here with its blood: {r['living']}. Chicks of its eggs next spring would be "
        f"related {r['relationship']:.2f} to them on average, if its pen then holds the same birds with a chance of "
        f"{100 * r['chance']:.0f} in 100 (the plan's same_pen)."
        for _, r in rows.iterrows()
    ]


def _unknown_origins(table: pd.DataFrame) -> list[str]:
    rows = table[(table["first"] == "bought-in") & (table["separable"] == "no")]
    rows = rows[rows["trait"].isin([POINTS, WEIGHT])]
    return [
        f"Bought-in against home-bred {CHICKS[r['sex']]}, {r['trait']}: cannot be compared: {r['why']}."
        for _, r in rows.iterrows()
    ]


def _remedies(ways: pd.DataFrame) -> list[str]:
    return [
        f"{_sentence(r['when'])[:-1]}: {r['remedy']}. {r['trait'].capitalize()} of {CHICKS[r['sex']]} would then be "
        f"known to ± {_number(r['half_width'], r['unit'])} {r['unit']}"
        f"{'' if r['separable'] == 'yes' else ', which is not enough by itself'}."
        for _, r in ways.iterrows()
    ]


def _uncounted(flock: Flock, kin: Families) -> list[str]:
    """Clutches of the season that no chick on record came from."""
    form = flock.clutches
    year = (form["hatched_on"].fillna(form["set_on"] + pd.Timedelta(days=21))).dt.year
    here = form[(year == flock.plan.season) & ~form["clutch"].str.casefold().isin(kin.labels)]
    return [
        f"{label}: no chick on record is known to be of it; it is in no comparison."
        for label in here["clutch"]
    ]


def _without_brooder(kin: Families, season: list[str]) -> list[str]:
    """Clutches whose brooder nobody wrote down."""
    about = kin.about.loc[season]
    blank = about.loc[about["brooder"].isna(), "clutch"]
    if blank.empty:
        return []
    return [
        f"No brooder written down for {', '.join(blank)}: taken as reared together, apart from the others."
    ]
