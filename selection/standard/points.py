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
from selection.records.settings import Standard
from selection.standard.growth import Growth, fit_growth
from selection.standard.judges import Judged, judge
from selection.standard.looks import CARD, cell_of, looks, scored
from selection.standard.points_words import say
from selection.standard.sections import weighed_section
from selection.standard.seen import gather
from selection.standard.size import size_points
from selection.standard.unseen import predict_rest


@dataclass(frozen=True)
class Points:
    """What the looks say of the birds, and of the judges.

    `birds`: one row a bird that is alive or was scored: bird, looks, points, points_se, points_seen,
    points_of_100, points_of_100_se, and one column a section (the mean with judges' levels taken off;
    missing: not seen). The standard errors are those beside the bird's own true points.
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
    said = say(flock.standard, birds, listed, judged, size)
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
    standard = flock.standard
    counted = listed[listed["bird"].notna() & listed["total"].notna()]
    birds = flock.birds[flock.birds["alive"] | flock.birds["bird"].isin(counted["bird"])]
    seen = gather(standard, counted, birds["bird"], judged.levels, size)
    rest = predict_rest(seen.means, seen.noise, _cells(flock, birds, counted), seen.between_sd, seen.most)
    of_bird = counted.groupby("bird")
    costs = counted[~counted["on_card"]].groupby("bird")["costs"].mean().reindex(birds["bird"]).fillna(0.0)
    known = ~np.isnan(seen.means)
    points = np.where(known.any(axis=1), np.nansum(seen.means, axis=1) - costs, np.nan)
    table = pd.DataFrame(
        {
            "bird": birds["bird"].to_numpy(),
            "looks": of_bird.size().reindex(birds["bird"]).fillna(0).astype(int).to_numpy(),
            "points": points,
            "points_se": np.where(known.any(axis=1), np.sqrt(seen.noise.sum(axis=(1, 2))), np.nan),
            "points_seen": known @ seen.most,
            "points_of_100": rest.total - costs.to_numpy(),
            "points_of_100_se": rest.se,
        }
    )
    cards = counted[counted["on_card"]].groupby("bird")["adjusted"].agg(["mean", "size"])
    eye = [i for i, s in enumerate(standard.sections) if s.measured is None]
    on_card = birds["bird"].isin(cards.index).to_numpy() & ~known[:, eye].any(axis=1)
    return _with_cards(table, on_card, cards, judged.levels[CARD].residual_sd, seen.most.sum()).join(
        pd.DataFrame(seen.means, columns=[s.name for s in standard.sections])
    )


def _with_cards(
    table: pd.DataFrame, rows: npt.NDArray[np.bool_], cards: pd.DataFrame, sd: float, whole: float
) -> pd.DataFrame:
    """`table` where `rows`, birds that old cards alone speak for, take their cards' mean, all points seen."""
    own = cards.reindex(table.loc[rows, "bird"])
    se = (sd / np.sqrt(own["size"])).to_numpy()
    for column, values in (("points", own["mean"].to_numpy()), ("points_se", se)):
        table.loc[rows, column] = values
    table.loc[rows, "points_seen"] = whole
    table.loc[rows, "points_of_100"] = table.loc[rows, "points"]
    table.loc[rows, "points_of_100_se"] = table.loc[rows, "points_se"]
    return table


def _cells(flock: Flock, birds: pd.DataFrame, counted: pd.DataFrame) -> npt.NDArray[np.str_]:
    """Season (of the last look, else the plan's) and sex of each bird, as one label."""
    last = counted.groupby("bird")["season"].max().reindex(birds["bird"]).fillna(flock.plan.season)
    return cell_of(pd.DataFrame({"season": last.to_numpy(), "sex": birds["sex"].to_numpy()})).to_numpy(
        dtype=str
    )
