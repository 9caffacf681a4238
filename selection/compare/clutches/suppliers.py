"""Suppliers over the years: their level, their spread, this year's eggs against earlier ones, and shared blood."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import TAILS
from selection.compare.clutches.model import ClutchModel, posterior
from selection.compare.clutches.separable import (
    HALF,
    Contrast,
    Verdict,
    birds_of,
    chicks_of,
    judged,
    variance_left,
)
from selection.compare.clutches.traits import CHICKS, Case, seen_only
from selection.merit.relationship.parentage import Parentage
from selection.records.flock import Flock

HOME = "home-bred"


@dataclass(frozen=True)
class Suppliers:
    """Three tables, one row a supplier in each.

    `levels`: supplier, sex, trait, unit, clutches, birds, level (above home-bred chicks), low, high, separable,
    spread (standard deviation of its chicks within a clutch), spread_low, spread_high, why.
    `this_year`: supplier, sex, trait, unit, difference (this season's eggs less earlier ones), low, high,
    probability, separable, why.
    `blood`: supplier, living (birds here with its blood), chance (that a bird of its pen next spring is one that
    bred them), relationship (of its next chicks with those living birds, on average).
    """

    levels: pd.DataFrame
    this_year: pd.DataFrame
    blood: pd.DataFrame


_LEVELS = [
    "supplier", "sex", "trait", "unit", "clutches", "birds", "level", "low", "high", "separable",
    "spread", "spread_low", "spread_high", "why",
]  # fmt: skip
_BLOOD = ["supplier", "living", "chance", "relationship"]
THIS_YEAR = [
    "supplier", "sex", "trait", "unit", "difference", "low", "high", "probability", "separable", "why",
]  # fmt: skip


def compare_suppliers(flock: Flock, every: Sequence[Case], blood: Parentage, seed: int) -> Suppliers:
    """Suppliers in points and weight, each sex by itself, from the chicks of all seasons."""
    levels: list[dict[str, object]] = []
    this_year: list[dict[str, object]] = []
    for case in every:
        if case.trait.foremost and case.sex != "both" and len(case.rows):
            levels += _levels(case, np.random.default_rng(seed))
            this_year += _this_year(case, flock.plan.season, np.random.default_rng(seed))
    return Suppliers(
        pd.DataFrame(levels, columns=_LEVELS),
        pd.DataFrame(this_year, columns=THIS_YEAR),
        shared_blood(flock, blood),
    )


def no_suppliers() -> Suppliers:
    """The empty tables."""
    return Suppliers(
        pd.DataFrame(columns=_LEVELS), pd.DataFrame(columns=THIS_YEAR), pd.DataFrame(columns=_BLOOD)
    )


def shared_blood(flock: Flock, blood: Parentage) -> pd.DataFrame:
    """For each supplier on record: supplier, living, chance, relationship.

    A bird of the supplier's pen next spring is one of an earlier spring's with the plan's `same_pen`. The
    relationship is that of chicks of such a pen with the living birds that descend from it.
    """
    names = [n for n in blood.suppliers if n != "home"]
    living = flock.birds.loc[flock.birds["alive"], "bird"]
    at = blood.pedigree.positions(living)
    shares = blood.bases[at].toarray()
    rows = []
    for name in names:
        related = shares[:, blood.suppliers.index(name)] > 0
        chance = flock.plan.same_pen if related.any() else 0.0
        rows.append((name, int(related.sum()), chance, _next_relationship(flock, blood, name, at[related])))
    return pd.DataFrame(rows, columns=_BLOOD)


def _next_relationship(flock: Flock, blood: Parentage, supplier: str, living: np.ndarray) -> float:
    """Mean relationship of next spring's chicks of a supplier with `living` (positions in the pedigree)."""
    if not len(living):
        return 0.0
    source = flock.clutches["source"].str.replace(r"/.*", "", regex=True).str.strip().str.casefold()
    latest = flock.clutches[source == supplier.casefold()].sort_values("set_on").tail(1)["clutch"]
    entry = flock.birds["clutch"].str.strip().str.casefold()
    chicks = flock.birds.loc[entry.isin(latest.str.casefold()), "bird"].head(1)
    if chicks.empty:
        return 0.0
    parents = blood.pedigree.weights[blood.pedigree.positions(chicks)].toarray().T
    kin = blood.pedigree.times(parents)[living, 0]
    return float(flock.plan.same_pen * kin.mean())


def _levels(case: Case, rng: np.random.Generator) -> list[dict[str, object]]:
    """Each supplier against home-bred chicks, over all its clutches with records."""
    home = (case.families.about["origin"] == HOME).to_numpy(float)
    suppliers = _by_supplier(case)
    contrasts = [Contrast(name, HOME, own - home) for name, own in suppliers.items()]
    rows = []
    for contrast, told in zip(contrasts, _told(case, contrasts, rng, judged), strict=True):
        own = suppliers[contrast.first] > 0
        members = case.members[:, own]
        counts = {"clutches": int(members.any(axis=0).sum()), "birds": birds_of(case.model, own)}
        level = {"level": told.pop("difference")}
        rows.append(
            {
                "supplier": contrast.first,
                **counts,
                **level,
                **told,
                **_spread(case, np.asarray(members.any(axis=1))),
            }
        )
    return [{**row, "sex": case.sex, "trait": case.trait.name, "unit": case.trait.unit} for row in rows]


def _this_year(case: Case, season: int, rng: np.random.Generator) -> list[dict[str, object]]:
    """Each supplier's eggs of this season against its earlier ones, where there are both."""
    now = (case.families.about["year"] == season).to_numpy()
    contrasts = [
        Contrast(name, f"{name}, earlier", np.where(now, own, -own))
        for name, own in _by_supplier(case).items()
        if own[now].any() and own[~now].any()
    ]
    told = _told(case, contrasts, rng, _tied_by_relatives)
    return [
        {"supplier": c.first, "sex": case.sex, "trait": case.trait.name, "unit": case.trait.unit, **row}
        for c, row in zip(contrasts, told, strict=True)
    ]


def _by_supplier(case: Case) -> dict[str, npt.NDArray[np.float64]]:
    """By supplier (its pens together), 1 for each of its clutches that has records."""
    about = case.families.about
    seen = case.seen
    supplier = about["source"].str.replace(r"/.*", "", regex=True).str.strip().where(about["origin"] != HOME)
    return {
        str(name): (((supplier == name) & seen).fillna(False)).to_numpy(float)
        for name in sorted(supplier[seen].dropna().unique())
    }


def _told(
    case: Case,
    contrasts: Sequence[Contrast],
    rng: np.random.Generator,
    verdict: Callable[[ClutchModel, Contrast, str], Verdict],
) -> list[dict[str, object]]:
    """difference, low, high, probability, separable, why of each contrast."""
    narrowed = [seen_only(case, c) for c in contrasts]
    model = case.model
    verdicts = [
        Verdict(False, "unseen", f"no {chicks_of(c.second, case.chicks)} were {case.trait.form}")
        if n is None
        else verdict(model, n, case.chicks)
        for c, n in zip(contrasts, narrowed, strict=True)
    ]
    blank = dict.fromkeys(("difference", "low", "high", "probability"), np.nan)
    rows: list[dict[str, object]] = [
        {**blank, "separable": "yes" if v.separable else "no", "why": v.why} for v in verdicts
    ]
    at = [i for i, v in enumerate(verdicts) if v.separable]
    if at:
        weights = np.column_stack(
            [c.weights for c, v in zip(narrowed, verdicts, strict=True) if c and v.separable]
        )
        present = weights.any(axis=1)
        known = posterior(model, list(case.families.labels[present]), rng)
        numbers = known.contrasts(weights[present])
        numbers[["difference", "low", "high"]] = case.scale.difference(numbers[["difference", "low", "high"]])
        for i, row in zip(at, numbers.to_dict("records"), strict=True):
            rows[i].update(row)
    return rows


def _tied_by_relatives(model: ClutchModel, contrast: Contrast, chicks: str) -> Verdict:
    """Seasons have no judge and no chick in common: only relatives tie them, so the variance left decides."""
    if variance_left(model, contrast) < HALF:
        return Verdict(True)
    return Verdict(
        False,
        "season",
        f"too few {chicks} of one blood in both years to tell this year's eggs from the year itself",
    )


def _spread(case: Case, rows: npt.NDArray[np.bool_]) -> dict[str, float]:
    """Standard deviation of a supplier's chicks within their clutches, with its 90 % interval."""
    from scipy.special import chdtri

    own = case.rows[rows]
    birds = own.groupby(["clutch", "bird"])["value"].mean()
    freedom = len(birds) - birds.index.get_level_values("clutch").nunique()
    if freedom < 1:
        return dict.fromkeys(("spread", "spread_low", "spread_high"), np.nan)
    squares = float(((birds - birds.groupby("clutch").transform("mean")) ** 2).sum())
    sds = np.sqrt(squares / np.array([freedom, *chdtri(freedom, TAILS)]))
    return dict(
        zip(("spread", "spread_low", "spread_high"), case.scale.difference(sds).tolist(), strict=True)
    )


def amount(value: float, unit: str) -> str:
    """An amount as it is written in its unit: whole grams, anything else with one decimal."""
    return f"{value:.0f}" if unit == "g" else f"{value:.1f}"


def years_in_words(suppliers: Suppliers) -> list[str]:
    """This year's eggs of each supplier against its earlier ones, where they can be told apart."""
    rows = suppliers.this_year[suppliers.this_year["separable"] == "yes"]
    return [
        f"{r['supplier']}, {CHICKS[r['sex']]}: this year's eggs against earlier ones "
        f"{amount(r['difference'], r['unit'])} {r['unit']} in {r['trait']} "
        f"({amount(r['low'], r['unit'])} to {amount(r['high'], r['unit'])})."
        for _, r in rows.iterrows()
    ]


def blood_in_words(suppliers: Suppliers) -> list[str]:
    """How much of each supplier's blood lives here, and how related its next chicks would be to it."""
    rows = suppliers.blood[suppliers.blood["living"] > 0]
    return [
        f"{r['supplier']}: birds living here with its blood: {r['living']}. Chicks of its eggs next spring would be "
        f"related {r['relationship']:.2f} to them on average, if its pen then holds the same birds with a chance of "
        f"{100 * r['chance']:.0f} in 100 (the plan's same_pen)."
        for _, r in rows.iterrows()
    ]
