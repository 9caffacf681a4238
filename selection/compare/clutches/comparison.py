"""How this season's clutches differ, and whether the bought-in eggs were worth it, as far as can be known.

One mixed model a trait and sex (:mod:`selection.compare.clutches.model`); a pair, or bought-in against home-bred,
has numbers only where the rearing and the looks can tell them apart (:mod:`selection.compare.clutches.separable`).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from selection.answer import Answer, Note, Progress, facts
from selection.compare.clutches.model import (
    ClutchModel,
    ClutchPosterior,
    Families,
    clutch_model,
    families,
    posterior,
)
from selection.compare.clutches.remedies import no_remedies, remedies
from selection.compare.clutches.separable import Contrast, Verdict, chicks_of, judged, sides
from selection.compare.clutches.suppliers import (
    Suppliers,
    amount,
    blood_in_words,
    compare_suppliers,
    no_suppliers,
    years_in_words,
)
from selection.compare.clutches.traits import (
    CHICKS,
    Case,
    cases,
    chick_rows,
    clutch_traits,
    foremost,
    look_totals,
    points_difference,
    seen_only,
    target_weeks,
)
from selection.merit.observations import observe
from selection.merit.relationship.parentage import Parentage, parentage
from selection.records.flock import Flock
from selection.records.settings.reading import Standard
from selection.standard.growth import Growth, fit_growth
from selection.standard.points import Points, score

SURE = 0.95
_LIKELY = 0.8


def _say(
    flock: Flock, kin: Families, table: pd.DataFrame, ways: pd.DataFrame, suppliers: Suppliers, basis: str
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What can be said and what cannot."""
    season = kin.of_season(flock.plan.season)
    if len(season) < 2:
        number = "no clutch" if not season else f"one clutch only ({kin.about.loc[season[0], 'clutch']})"
        return (), (f"{flock.plan.season}: {number} with chicks on record; nothing to compare it with",)
    known = [
        _scope(table, basis),
        *_origins(table),
        *_pairs(table),
        *years_in_words(suppliers),
        *blood_in_words(suppliers),
    ]
    unknown = (
        *_unknown_origins(table),
        *_remedies(ways),
        *_uncounted(flock, kin),
        *_without_brooder(kin, season),
    )
    return tuple(known), unknown


def contrast_in_words(row: pd.Series) -> str:
    """One separable row of the table: `bought-in pullets 1.8 points above home-bred pullets in type (…)`."""
    way = "above" if row["difference"] >= 0 else "below"
    size, low, high = (amount(x, row["unit"]) for x in (abs(row["difference"]), row["low"], row["high"]))
    first, second = (chicks_of(row[side], CHICKS[row["sex"]]) for side in ("first", "second"))
    return (
        f"{first} {size} {row['unit']} {way} {second} in {row['trait']} "
        f"({low} to {high}; {_chance(row['probability'])})"
    )


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:] + "."


def _chance(above: float) -> str:
    """How sure it is which is above."""
    surest = max(above, 1 - above)
    side = "above" if above >= 0.5 else "below"
    word = (
        "all but sure to be"
        if surest >= SURE
        else "likely"
        if surest >= _LIKELY
        else "could be either way, perhaps"
    )
    return f"{word} {side}, {'over 99' if surest > 0.99 else f'{100 * surest:.0f}'} in 100"


def _scope(table: pd.DataFrame, basis: str) -> str:
    pairs = table[table["first"] != "bought-in"]
    known = (pairs["separable"] == "yes").sum()
    return (
        f"Of {len(pairs)} differences between two clutches in one trait and sex, {known} can be compared"
        f"{f' (totals are {basis})' if basis else ''}. Differences between clutches are shrunken towards none by what "
        "clutches usually differ, bought-in against home-bred is not; intervals are 90 %."
    )


def _origins(table: pd.DataFrame) -> list[str]:
    rows = table[(table["first"] == "bought-in") & (table["separable"] == "yes")]
    rows = rows[foremost(rows)]
    return [_sentence(contrast_in_words(row)) for _, row in rows.iterrows()]


def _pairs(table: pd.DataFrame) -> list[str]:
    """The pairs that are all but sure to differ in points or weight."""
    rows = table[(table["first"] != "bought-in") & (table["separable"] == "yes")]
    sure = rows[foremost(rows) & ((rows["probability"] - 0.5).abs() >= SURE - 0.5)]
    return [_sentence(contrast_in_words(row)) for _, row in sure.iterrows()]


def _unknown_origins(table: pd.DataFrame) -> list[str]:
    rows = table[(table["first"] == "bought-in") & (table["separable"] == "no")]
    rows = rows[foremost(rows)]
    return [
        f"Bought-in against home-bred {CHICKS[r['sex']]}, {r['trait']}: cannot be compared: {r['why']}."
        for _, r in rows.iterrows()
    ]


def _remedies(ways: pd.DataFrame) -> list[str]:
    return [
        f"{_sentence(r['when'])[:-1]}: {r['remedy']}. {r['trait'].capitalize()} of {CHICKS[r['sex']]} would then be "
        f"known to ± {amount(r['half_width'], r['unit'])} {r['unit']}"
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


BOUGHT, HOME = "bought-in", "home-bred"
_LEVELS = ["clutch", "origin", "sex", "trait", "unit", "birds", "mean", "level", "low", "high"]
_TOLD = ["difference", "low", "high", "probability"]


@dataclass(frozen=True, repr=False)
class ClutchComparison(Answer):
    """What is known of the season's clutches, and what is not.

    `table`: one row a pair of clutches (or `bought-in` against `home-bred`), sex (`male`, `female`, and `both`
    where both were seen on both sides) and trait: first, second, sex, trait, unit, difference (first less
    second), low, high (90 %), probability (first above second), in_points (the difference in points of the
    standard), separable (`yes`, `no`), why. Numbers are missing where it is not separable.
    `clutches`: one row a clutch, sex and trait that has records: clutch, origin, sex, trait, unit, birds, mean
    (plain mean of its birds), level (shrunken), low, high; weights in grams at `weeks` of age.
    `remedies`: what would make bought-in against home-bred separable: trait, sex, when, remedy, chicks,
    half_width (of the 90 % interval it buys), unit, separable.
    `suppliers`: levels, spread, this year's eggs against earlier ones, blood shared with birds kept.
    `cannot`: what cannot be said and why.
    """

    TITLE = "How the clutches of the season differ"
    CSV = "clutches"
    TABLES = ("table", "levels", "remedies")

    table: pd.DataFrame
    clutches: pd.DataFrame
    remedies: pd.DataFrame
    suppliers: Suppliers
    weeks: float
    notes: tuple[Note, ...]

    @property
    def levels(self) -> pd.DataFrame:
        """The same as `clutches`: the clutches' own levels."""
        return self.clutches


def compare_clutches(
    flock: Flock,
    growth: Growth | None = None,
    points: Points | None = None,
    blood: Parentage | None = None,
    progress: Progress | None = None,
    seed: int = 1,
) -> ClutchComparison:
    """Compare the season's clutches side by side, each sex and trait.

    For want of records nothing is raised: rows and notes say what cannot be told.

    Parameters
    ----------
    flock : Flock
        The flock.
    growth, points, blood : Growth, Points and Parentage, optional
        What is already worked out of the same flock (None: worked out here).
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.
    seed : int
        Of the draws of the variances.

    Returns
    -------
    ClutchComparison
        `table`: one row a pair of clutches, sex and trait: difference, low, high, probability, in_points, separable,
        why; numbers are missing where the rearing cannot tell the two apart. `clutches`: one row a clutch, sex and
        trait.

    Examples
    --------
    >>> from selection import compare_clutches
    >>> compared = compare_clutches(flock, merit.growth, merit.points, merit.parentage)
    >>> compared.table.loc[compared.table["separable"] == "no", "difference"].isna().all().item()
    True
    """
    if flock.birds["clutch"].isna().all():
        return _nothing(flock)
    growth = growth or fit_growth(flock)
    blood = blood or parentage(flock)
    every, basis = clutch_cases(flock, growth, points or score(flock, growth), blood)
    kin = every[0].families
    season = kin.of_season(flock.plan.season)
    contrasts = season_contrasts(kin, season)
    tables, levels = [], []
    for k, case in enumerate(every):
        if progress:
            progress(f"clutches: {case.trait.name}, {case.chicks}", k / len(every))
        told, level = compare_case(case, season, contrasts, np.random.default_rng(seed))
        tables.append(told)
        levels.append(level)
    table = pd.concat(tables, ignore_index=True)
    origins = next((c for c in contrasts if c.first == BOUGHT), None)
    ways = remedies(flock, every, table, origins)
    suppliers = compare_suppliers(flock, every, blood, seed)
    said, cannot = _say(flock, kin, table, ways, suppliers, basis)
    return ClutchComparison(
        table,
        _together(levels),
        ways,
        suppliers,
        target_weeks(flock.standard),
        facts(said, cannot),
    )


def _together(levels: list[pd.DataFrame]) -> pd.DataFrame:
    """The levels of every case under one another; no row where nothing was seen."""
    told = [level for level in levels if len(level)]
    return pd.concat(told, ignore_index=True) if told else pd.DataFrame(columns=_LEVELS)


def _nothing(flock: Flock) -> ClutchComparison:
    """The answer where no bird on record came from a clutch."""
    table = pd.DataFrame(
        columns=["first", "second", "sex", "trait", "unit", *_TOLD, "in_points", "separable", "why"]
    )
    clutches = pd.DataFrame(columns=_LEVELS)
    why = f"{flock.plan.season}: no chick of any clutch is on the birds form; nothing can be compared"
    return ClutchComparison(
        table, clutches, no_remedies(), no_suppliers(), target_weeks(flock.standard), facts((), [why])
    )


def clutch_cases(flock: Flock, growth: Growth, points: Points, blood: Parentage) -> tuple[list[Case], str]:
    """Every trait in every sex with its rows, and which sections the totals are of, in words."""
    kin = families(flock, blood)
    seen = observe(flock, growth)
    totals, with_size = look_totals(flock, seen, points)
    rows = chick_rows(flock, kin, seen, growth, totals)
    traits = clutch_traits(flock.standard, growth, with_size)
    basis = _basis(flock.standard, with_size) if len(totals) else ""
    return list(cases(traits, rows, kin, growth, flock.standard)), basis


def _basis(standard: Standard, with_size: bool) -> str:
    """Which sections the totals are of, in words."""
    if with_size:
        return f"of {sum(s.points for s in standard.sections):g}"
    return f"of the {sum(s.points for s in standard.by_eye):g} judged by eye"


def season_contrasts(kin: Families, season: list[str]) -> list[Contrast]:
    """Every pair of the season's clutches, and bought-in against home-bred where there are both."""
    written = kin.about["clutch"]
    place = {label: np.eye(len(kin.labels))[kin.labels.get_loc(label)] for label in season}
    pairs = [Contrast(written[a], written[b], place[a] - place[b]) for a, b in combinations(season, 2)]
    ours = {
        origin: [place[c] for c in season if kin.about.loc[c, "origin"] == origin]
        for origin in (BOUGHT, HOME)
    }
    if all(ours.values()):
        pairs.append(Contrast(BOUGHT, HOME, np.mean(ours[BOUGHT], axis=0) - np.mean(ours[HOME], axis=0)))
    return pairs


def compare_case(
    case: Case, season: list[str], contrasts: list[Contrast], rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The rows of the table and of the clutches for one case."""
    narrowed = [seen_only(case, c) for c in contrasts]
    if case.sex == "both":
        contrasts = [c for c, n in zip(contrasts, narrowed, strict=True) if n is not None]
        narrowed = [n for n in narrowed if n is not None]
    present = [c for c in season if case.seen[case.families.labels.get_loc(c)]]
    verdicts = [_verdict(case, c, n) for c, n in zip(contrasts, narrowed, strict=True)]
    table = _rows(case, contrasts, verdicts)
    if not present:
        return table, pd.DataFrame()
    known = posterior(case.model, present, rng)
    told = [n for n, v in zip(narrowed, verdicts, strict=True) if v.separable and n is not None]
    if told:
        weights = np.column_stack([c.weights for c in told])[case.families.labels.get_indexer(present)]
        planned = np.array([c.first == BOUGHT for c in told])
        if not planned.all():
            table = _with_numbers(case, table, known, weights[:, ~planned], rng, planned=False)
        if planned.any():
            freed = posterior(_with_origins_free(case, season), present, rng)
            table = _with_numbers(case, table, freed, weights[:, planned], rng, planned=True)
    return table, _levels(case, present, known)


def _with_origins_free(case: Case, season: list[str]) -> ClutchModel:
    """The case's model with the season's bought-in clutches on a level of their own.

    Bought-in against home-bred is asked beforehand, and suppliers' blood moves it one way in every year: the
    difference is estimated as it was seen, and its clutches' own deviations alone are drawn together.
    """
    about = case.families.about
    bought = (about["origin"] == BOUGHT).to_numpy() & about.index.isin(season)
    return clutch_model(case.rows, case.families, case.trait.shares, bought.astype(float))


def _verdict(case: Case, contrast: Contrast, narrowed: Contrast | None) -> Verdict:
    """Whether a contrast is separable, and why not where one side was never seen."""
    if narrowed is not None:
        return judged(case.model, narrowed, case.chicks)
    seen = {name: bool(case.seen[side].any()) for name, side in sides(contrast)}
    none = " or ".join(f"no {chicks_of(name, case.chicks)}" for name, some in seen.items() if not some)
    others = [chicks_of(name, case.chicks) for name, some in seen.items() if some]
    beside = f"; a few seen once beside the {others[0]} would have told" if others else ""
    return Verdict(False, "unseen", f"{none} were {case.trait.form}{beside}")


def _rows(case: Case, contrasts: list[Contrast], verdicts: list[Verdict]) -> pd.DataFrame:
    """The rows of one case without numbers; a measured section has rows of its own, in points."""
    rows = pd.DataFrame(
        {
            "first": [c.first for c in contrasts],
            "second": [c.second for c in contrasts],
            "sex": case.sex,
            "trait": case.trait.name,
            "unit": case.trait.unit,
            **dict.fromkeys((*_TOLD, "in_points"), np.nan),
            "separable": ["yes" if v.separable else "no" for v in verdicts],
            "why": [v.why for v in verdicts],
        }
    )
    awarded = [rows.assign(trait=award.section.name, unit="points") for award in case.awards]
    return pd.concat([rows, *awarded], ignore_index=True)


def _with_numbers(
    case: Case,
    table: pd.DataFrame,
    known: ClutchPosterior,
    weights: np.ndarray,
    rng: np.random.Generator,
    planned: bool,
) -> pd.DataFrame:
    """The table with the numbers of its separable rows, from contrasts (r, c) of the levels `known`.

    `planned`: bought-in against home-bred alone, else all other rows.

    The rows of each section that the trait earns points in follow the trait's own, in the same order.
    """
    told = known.contrasts(weights)
    for column in ("difference", "low", "high"):
        told[column] = case.scale.difference(told[column].to_numpy())
    told["in_points"] = told["difference"] if case.trait.form == "scored" else np.nan
    blocks = [told]
    levels = known.sample(4000, rng) if case.awards else np.zeros((0, 0))
    for award in case.awards:
        points = points_difference(award, levels, weights)
        blocks.append(points.assign(in_points=points["difference"]))
    if len(case.awards) == 1:
        told["in_points"] = blocks[1]["difference"]
    columns = [*_TOLD, "in_points"]
    here = ((table["separable"] == "yes") & ((table["first"] == BOUGHT) == planned)).to_numpy()
    table.loc[here, columns] = np.concatenate([block[columns].to_numpy() for block in blocks])
    return table


def _levels(case: Case, present: list[str], known: ClutchPosterior) -> pd.DataFrame:
    """One row a clutch: how many birds, their plain mean, and the shrunken level with its interval."""
    about = case.families.about.loc[present]
    told = known.contrasts(np.eye(len(present)))
    members = case.members[:, case.families.labels.get_indexer(present)]
    values = case.rows["value"].to_numpy()
    birds = case.rows.groupby("bird")["n"].transform("size").to_numpy()
    each = members * (case.rows["n"].to_numpy() / birds)[:, None]
    means = (each * values[:, None]).sum(axis=0) / each.sum(axis=0)
    return pd.DataFrame(
        {
            "clutch": about["clutch"].to_numpy(),
            "origin": about["origin"].to_numpy(),
            "sex": case.sex,
            "trait": case.trait.name,
            "unit": case.trait.unit,
            "birds": each.sum(axis=0),
            "mean": case.scale.level(means),
            "level": case.scale.level(told["difference"].to_numpy()),
            "low": case.scale.level(told["low"].to_numpy()),
            "high": case.scale.level(told["high"].to_numpy()),
        }
    )
