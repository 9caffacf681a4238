"""Points of birds: looks put on one level, averaged, added up, and the unseen rest predicted.

Unscored is never zero. `points` rests on the sections that were seen (`points_seen` of the standard's 100);
`points_of_100` adds what the others are likely to give, so that birds seen in different sections can be
compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.records.flock import Flock
from selection.records.settings.reading import Section, Standard
from selection.standard.bands import Floats, points_of, weighed_section
from selection.standard.growth import Growth, fit_growth
from selection.standard.judges import CARD, Judged, cell_of, judge, looks, say, scored
from selection.standard.seen import gather, predict_rest

COLUMNS = ("grams", "se", "points", "points_se", "why")
LEAST_AGE = 0.5
"""A bird last weighed before this share of the section's age has no points for it: they would be a guess."""


def size_points(standard: Standard, growth: Growth) -> pd.DataFrame:
    """Per bird of the flock (index: bird): grams and their se at the section's age, points, points_se, why.

    Points are missing for a bird never weighed, weighed only as a young chick, or of unknown sex; the whole
    frame is empty where the standard measures nothing.
    """
    section = weighed_section(standard)
    if section is None or section.at_weeks is None:
        return pd.DataFrame(columns=list(COLUMNS), index=pd.Index([], name="bird"))
    birds = growth.birds
    at = growth.at_age(birds["bird"], section.at_weeks)
    told = (birds["last_weeks"] >= LEAST_AGE * section.at_weeks).to_numpy()
    points = np.where(told, points_of(section, birds["sex"], at["grams"]), np.nan)
    young = [f"last weighed at {x:.0f} weeks: too young to tell" for x in birds["last_weeks"]]
    why = at["why"].mask(~told & (birds["weighings"] > 0), young)
    table = at.assign(points=points, points_se=_spread(section, birds["sex"], at, points), why=why)
    return table.set_index("bird")[list(COLUMNS)]


def _spread(section: Section, sex: pd.Series, at: pd.DataFrame, points: Floats) -> Floats:
    """Root mean square of points about `points`, over what is not known of the weight (Gauss–Hermite)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    possible = at["grams"].to_numpy()[:, None] * np.exp(np.outer(at["se"] / at["grams"], nodes))
    off = points_of(section, sex.to_numpy()[:, None], possible) - points[:, None]
    return np.sqrt(off**2 @ (weights / weights.sum()))


@dataclass(frozen=True)
class Points:
    """What the looks say of the birds, and of the judges.

    `birds`: one row a bird that is alive or was scored: bird, looks, points, points_se, points_seen,
    points_of_100, points_of_100_se, and one column a section (the mean with judges' levels taken off;
    missing: not seen). The standard errors are those beside the bird's own true points, missing where old
    cards alone tell and no bird has two.
    `looks`: one row a look: row, on, season, judge, bird, clutch, sex, n, costs, total (as given, with the
    measured section), seen (its points at most), adjusted (total with levels taken off), and the sections.
    `judges`: season, judge, section, looks, level, level_se, tied (`no`: no bird joins the judge to another
    of that season), tied_set. `agreement`: section, looks, birds, repeatability, low, high, agreement,
    agreement_low, agreement_high, why. `size`: grams, se, points, points_se, why by bird, where the standard
    measures a section.
    """

    birds: pd.DataFrame
    looks: pd.DataFrame
    judges: pd.DataFrame
    agreement: pd.DataFrame
    size: pd.DataFrame
    sentences: tuple[str, ...]


def score(flock: Flock, growth: Growth | None = None) -> Points:
    """Points of every bird from all its looks and, for a measured section, its weighings.

    Looks at unnamed chicks are listed with their totals but not averaged: the model of merit takes them.
    Raises nothing for want of looks; the sentences say what cannot be told.
    """
    given = looks(flock)
    judged = judge(given, flock.standard)
    size = size_points(flock.standard, growth or fit_growth(flock))
    listed = _totals(given, judged.adjusted, size, flock.standard)
    birds = _birds(flock, listed, judged, size)
    here = flock.birds.loc[flock.birds["alive"], "bird"]
    said = say(flock.standard, birds[birds["bird"].isin(here)], listed, judged, size[size.index.isin(here)])
    return Points(birds, listed, judged.judges, judged.agreement, size, said)


def _totals(
    given: pd.DataFrame, adjusted: pd.DataFrame, size: pd.DataFrame, standard: Standard
) -> pd.DataFrame:
    """The looks with total, points seen and adjusted total; an old card's total stands as it was given."""
    eye = {s.name: s.points for s in standard.by_eye}
    names = list(eye)
    weighed = given["bird"].map(size["points"]).astype(float)
    section = weighed_section(standard)
    on_card = given[CARD].notna()
    by_eye = given[names].notna() @ pd.Series(eye, dtype=float)
    seen = by_eye + weighed.notna() * (section.points if section else 0.0)
    whole = sum(s.points for s in standard.sections)
    beside = weighed.fillna(0.0) - given["costs"]
    blank = ~scored(given, names)
    total = (given[names].sum(axis=1) + beside).where(~on_card, given[CARD]).mask(blank)
    level = (adjusted[names].sum(axis=1) + beside).where(~on_card, adjusted[CARD]).mask(blank)
    columns = ["row", "on", "season", "judge", "bird", "clutch", "sex", "n", "costs"]
    return adjusted[columns].assign(
        total=total, seen=seen.where(~on_card, whole).mask(blank, 0.0), adjusted=level, on_card=on_card
    ).join(adjusted[names])  # fmt: skip


def _birds(flock: Flock, listed: pd.DataFrame, judged: Judged, size: pd.DataFrame) -> pd.DataFrame:
    """One row a bird alive or scored."""
    counted = listed[listed["bird"].notna() & listed["total"].notna()]
    birds = flock.birds[flock.birds["alive"] | flock.birds["bird"].isin(counted["bird"])]
    seen = gather(flock.standard, counted, birds["bird"], judged.levels, size)
    rest = predict_rest(seen.means, seen.noise, _cells(flock, birds, counted), seen.between_sd, seen.most)
    number = counted.groupby("bird").size().reindex(birds["bird"]).fillna(0)
    costs = counted[~counted["on_card"]].groupby("bird")["costs"].mean().reindex(birds["bird"]).fillna(0.0)
    known = ~np.isnan(seen.means)
    nothing = np.where(known.any(axis=1), 0.0, np.nan)
    table = pd.DataFrame(
        {
            "bird": birds["bird"].to_numpy(),
            "looks": number.to_numpy(dtype=int),
            "points": np.nansum(seen.means, axis=1) - costs.to_numpy() + nothing,
            "points_se": np.sqrt(seen.noise.sum(axis=(1, 2))) + nothing,
            "points_seen": known @ seen.most,
            "points_of_100": rest.total - costs.to_numpy(),
            "points_of_100_se": rest.se,
        }
    )
    by_eye = np.array([s.measured is None for s in flock.standard.sections])
    unscored = np.asarray(~known[:, by_eye].any(axis=1))
    table = _with_cards(table, unscored, counted, judged, seen.most.sum())
    return table.join(pd.DataFrame(seen.means, columns=[s.name for s in flock.standard.sections]))


def _with_cards(
    table: pd.DataFrame, unscored: npt.NDArray[np.bool_], counted: pd.DataFrame, judged: Judged, whole: float
) -> pd.DataFrame:
    """`table` with `unscored` birds that have old cards at the mean of these, all points seen."""
    cards = counted[counted["on_card"]].groupby("bird")["adjusted"].agg(["mean", "size"])
    own = cards.reindex(table["bird"])
    rows = unscored & own["mean"].notna().to_numpy()
    se = (judged.levels[CARD].residual_sd / np.sqrt(own["size"])).to_numpy()
    told = {"points": own["mean"].to_numpy(), "points_of_100": own["mean"].to_numpy()}
    told |= {"points_se": se, "points_of_100_se": se, "points_seen": np.full(len(table), whole)}
    return table.assign(**{column: np.where(rows, value, table[column]) for column, value in told.items()})


def _cells(flock: Flock, birds: pd.DataFrame, counted: pd.DataFrame) -> npt.NDArray[np.str_]:
    """Season (of the last look, else the plan's) and sex of each bird, as one label."""
    last = counted.groupby("bird")["season"].max().reindex(birds["bird"]).fillna(flock.plan.season)
    frame = pd.DataFrame({"season": last.to_numpy(), "sex": birds["sex"].to_numpy()})
    return cell_of(frame).to_numpy(dtype=str)
