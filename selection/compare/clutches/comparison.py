"""How this season's clutches differ, and whether the bought-in eggs were worth it, as far as can be known.

One mixed model a trait and sex (:mod:`selection.compare.clutches.model`); a pair, or bought-in against home-bred,
has numbers only where the rearing and the looks can tell them apart (:mod:`selection.compare.clutches.separable`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from selection.compare.clutches.case import Case, cases, seen_only, size_difference
from selection.compare.clutches.families import Families, families
from selection.compare.clutches.model import Posterior, posterior
from selection.compare.clutches.remedies import no_remedies, remedies
from selection.compare.clutches.rows import chick_rows, look_totals
from selection.compare.clutches.separable import Contrast, Verdict, chicks_of, judged, sides
from selection.compare.clutches.suppliers import Suppliers, compare_suppliers, no_suppliers
from selection.compare.clutches.traits import clutch_traits, target_weeks
from selection.compare.clutches.words import say
from selection.merit.observations import observe
from selection.merit.relationship.parentage import Parentage, parentage
from selection.records.flock import Flock
from selection.standard.growth import Growth, fit_growth
from selection.standard.points import Points, score

Progress = Callable[[str, float], None]

BOUGHT, HOME = "bought-in", "home-bred"
TOLD = ["difference", "low", "high", "probability"]


@dataclass(frozen=True)
class ClutchComparison:
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

    table: pd.DataFrame
    clutches: pd.DataFrame
    remedies: pd.DataFrame
    suppliers: Suppliers
    weeks: float
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]


def compare_clutches(
    flock: Flock,
    growth: Growth | None = None,
    points: Points | None = None,
    blood: Parentage | None = None,
    progress: Progress | None = None,
    seed: int = 1,
) -> ClutchComparison:
    """The season's clutches side by side, each sex and trait.

    `growth`, `points` and `blood` are worked out here where they are not given. `seed` is that of the draws of the
    variances. Nothing is raised for want of records: rows and sentences say what cannot be told.
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
    said, cannot = say(flock, kin, table, ways, suppliers, basis)
    return ClutchComparison(
        table,
        pd.concat(levels, ignore_index=True),
        ways,
        suppliers,
        target_weeks(flock.standard),
        said,
        cannot,
    )


def _nothing(flock: Flock) -> ClutchComparison:
    """The answer where no bird on record came from a clutch."""
    table = pd.DataFrame(
        columns=["first", "second", "sex", "trait", "unit", *TOLD, "in_points", "separable", "why"]
    )
    clutches = pd.DataFrame(
        columns=["clutch", "origin", "sex", "trait", "unit", "birds", "mean", "level", "low", "high"]
    )
    why = f"{flock.plan.season}: no chick of any clutch is on the birds form; nothing can be compared"
    return ClutchComparison(
        table, clutches, no_remedies(), no_suppliers(), target_weeks(flock.standard), (), (why,)
    )


def clutch_cases(flock: Flock, growth: Growth, points: Points, blood: Parentage) -> tuple[list[Case], str]:
    """Every trait in every sex with its rows, and which sections the totals are of, in words."""
    kin = families(flock, blood)
    seen = observe(flock, growth)
    totals, basis = look_totals(flock, seen, points)
    rows = chick_rows(flock, seen, growth, totals)
    return list(cases(clutch_traits(flock.standard, growth), rows, kin, growth, flock.standard)), basis


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
        table = _with_numbers(case, table, known, weights, rng)
    return table, _levels(case, present, known)


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
            **dict.fromkeys((*TOLD, "in_points"), np.nan),
            "separable": ["yes" if v.separable else "no" for v in verdicts],
            "why": [v.why for v in verdicts],
        }
    )
    section = case.scale.section
    return (
        rows
        if section is None
        else pd.concat([rows, rows.assign(trait=section.name, unit="points")], ignore_index=True)
    )


def _with_numbers(
    case: Case, table: pd.DataFrame, known: Posterior, weights: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """The table with the numbers of its separable rows, from contrasts (r, c) of the levels `known`."""
    told = known.contrasts(weights)
    for column in ("difference", "low", "high"):
        told[column] = case.scale.difference(told[column].to_numpy())
    told["in_points"] = told["difference"] if case.trait.unit == "points" else np.nan
    separable = (table["separable"] == "yes").to_numpy()
    here = separable & (table["trait"] == case.trait.name).to_numpy()
    if case.scale.section is not None:
        size = size_difference(case, known, weights, rng)
        told["in_points"] = size["difference"]
        size["in_points"] = size["difference"]
        table.loc[separable & ~here, [*TOLD, "in_points"]] = size[[*TOLD, "in_points"]].to_numpy()
    table.loc[here, [*TOLD, "in_points"]] = told[[*TOLD, "in_points"]].to_numpy()
    return table


def _levels(case: Case, present: list[str], known: Posterior) -> pd.DataFrame:
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
