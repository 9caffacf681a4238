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

from selection.answer import REACH, Answer, Note, facts
from selection.records.flock import Flock
from selection.records.settings.reading import Section, Standard
from selection.standard.growth import Growth, fit_growth
from selection.standard.judges import CARD, Judged, Looks, cell_of, judge, looks, say
from selection.standard.seen import Seen, gather, predict_rest
from selection.standard.traits import measure_of

MEASURED = [
    "section", "bird", "group", "value", "se", "points", "points_se", "low", "high", "place", "state", "why",
]  # fmt: skip
APART = 0.1
"""Share of a section's points from which two judges are said to differ on a bird."""


def measured_points(flock: Flock, growth: Growth) -> pd.DataFrame:
    """Every bird in every measured section, long: columns MEASURED.

    `group`: the class that the bird is judged in; `value` at the section's age in its unit with `se`; points by
    the band (`low` to `high`) with points_se, missing where nothing can be held against it. `place` is under, over
    or within the band, `perhaps` so where the 90 % interval reaches over an edge, blank where there are no points;
    `state` (a State) and `why` say what is missing or how the value came about.
    """
    parts = [_against_band(section, flock, growth) for section in flock.standard.by_measure]
    blank = pd.DataFrame(columns=MEASURED).astype({"section": "str", "bird": "str", "why": "str"})
    return pd.concat(parts, ignore_index=True)[MEASURED] if parts else blank


def _against_band(section: Section, flock: Flock, growth: Growth) -> pd.DataFrame:
    """Every bird in one measured section: columns MEASURED."""
    seen = measure_of(flock.standard, section).seen(section, flock, growth).reset_index()
    low, high = (seen["group"].map({one: band[i] for one, band in section.band.items()}) for i in (0, 1))
    inside = np.where(seen["value"] < low, "under", np.where(seen["value"] > high, "over", "within"))
    least, most = (seen["value"] + side * REACH * seen["se"] for side in (-1, 1))
    crosses = ((least < low) & (low < most)) | ((least < high) & (high < most))
    said = np.where(crosses, np.char.add("perhaps ", inside), inside)
    place = np.where(seen["points"].isna(), "", said)
    return seen.assign(section=section.name, low=low.astype(float), high=high.astype(float), place=place)


@dataclass(frozen=True, repr=False)
class Points(Answer):
    """What the looks say of the birds, and of the judges.

    `birds`: one row a bird that is alive or was scored: bird, looks, points, points_se, points_seen,
    points_of_100, points_of_100_se. The standard errors are those beside the bird's own true points, missing
    where old cards alone tell and no bird has two.
    `sections`: one row a bird and a section that was seen: bird, section, points (the mean with judges' levels
    taken off).
    `looks`: one row a look: row, on, season, judge, bird, clutch, sex, n, costs, total (as given, with the
    measured sections), seen (its points at most), adjusted (total with levels taken off), on_card.
    `given`: one row a section of a look: row, section, points, adjusted (levels taken off).
    `judges`: season, judge, section, looks, level, level_se, tied (`no`: no bird joins the judge to another
    of that season), tied_set. `agreement`: section, looks, birds, repeatability, low, high, agreement,
    agreement_low, agreement_high, why. `measured`: one row a measured section and a bird, columns MEASURED.
    """

    TITLE = "Points of birds, and the levels of judges"
    TABLES = ("birds", "sections", "looks", "given", "judges", "agreement", "measured")

    birds: pd.DataFrame
    sections: pd.DataFrame
    looks: pd.DataFrame
    given: pd.DataFrame
    judges: pd.DataFrame
    agreement: pd.DataFrame
    measured: pd.DataFrame
    notes: tuple[Note, ...]

    def in_section(self, section: str) -> pd.DataFrame:
        """What `measured` says of one section, by bird."""
        return self.measured[self.measured["section"] == section].set_index("bird")


def disagreements(points: Points, standard: Standard) -> pd.DataFrame:
    """Where judges of one bird differ once their levels are taken off: bird, section, judge, points, adjusted.

    One row a judge: the mean of what he gave. A section is there where two judges lie a tenth of its points apart,
    and a whole point at least.
    """
    looks = points.looks[["row", "bird", "judge"]].dropna(subset="bird")
    given = points.given.merge(looks, on="row").dropna(subset="points")
    means = (
        given.groupby(["bird", "section", "judge"], sort=False)[["points", "adjusted"]].mean().reset_index()
    )
    spread = means.groupby(["bird", "section"])["adjusted"].transform(lambda own: own.max() - own.min())
    most = means["section"].map({s.name: s.points for s in standard.sections})
    return means[spread >= np.maximum(APART * most, 1.0)].reset_index(drop=True)


def score(flock: Flock, growth: Growth | None = None) -> Points:
    """Score every bird from all its looks and, for measured sections, its measurements.

    Looks at unnamed chicks are listed with their totals but not averaged: the model of merit takes them. For want of
    looks nothing is raised; the notes say what cannot be told.

    Parameters
    ----------
    flock : Flock
        The flock; a section that was not scored is missing, never 0.
    growth : Growth, optional
        Its growth (None: worked out here).

    Returns
    -------
    Points
        `birds`: one row a bird that is alive or was scored, with points, their standard error, of how many points
        they are, and the points of 100 to be expected; `sections`: one row a bird and section; `looks`: one row a
        look; `judges`: each judge's level; `agreement`: how far two looks at one bird agree.

    Examples
    --------
    >>> from selection import score
    >>> points = score(flock)
    >>> bool((points.birds["points_seen"] <= 100).all())
    True
    """
    judged = judge(looks(flock), flock.standard)
    measured = measured_points(flock, growth or fit_growth(flock))
    listed = _totals(flock, judged.looks, measured)
    birds, sections = _birds(flock, listed, judged, measured)
    here = flock.birds.loc[flock.birds["alive"], "bird"]
    living = [frame[frame["bird"].isin(here)] for frame in (birds, sections, measured)]
    said = say(flock.standard, living[0], living[1], listed, judged, living[2])
    given = judged.looks.given
    return Points(birds, sections, listed, given, judged.judges, judged.agreement, measured, facts(said))


def _totals(flock: Flock, given: Looks, measured: pd.DataFrame) -> pd.DataFrame:
    """The looks with total, points seen and adjusted total; an old card's total stands as it was given."""
    standard, about = flock.standard, given.about
    eye = {s.name: s.points for s in standard.by_eye}
    points, level = (given.matrix([*eye, CARD], column) for column in ("points", "adjusted"))
    card, of_birds = points[:, -1], about["bird"]
    on_card = ~np.isnan(card)
    seen = ~np.isnan(points[:, :-1]) @ np.array(list(eye.values()), dtype=float)
    beside = -about["costs"].to_numpy()
    for section in standard.by_measure:
        own = measured[measured["section"] == section.name].set_index("bird")["points"]
        awarded = of_birds.map(own).to_numpy(dtype=float)
        seen = seen + ~np.isnan(awarded) * section.points
        beside = beside + np.where(np.isnan(awarded), 0.0, awarded)
    whole = sum(s.points for s in standard.sections)
    blank = np.isnan(points).all(axis=1)
    total = np.where(on_card, card, np.nansum(points[:, :-1], axis=1) + beside)
    adjusted = np.where(on_card, level[:, -1], np.nansum(level[:, :-1], axis=1) + beside)
    return about.assign(
        total=np.where(blank, np.nan, total),
        seen=np.where(blank, 0.0, np.where(on_card, whole, seen)),
        adjusted=np.where(blank, np.nan, adjusted),
        on_card=on_card,
    )


def _birds(
    flock: Flock, listed: pd.DataFrame, judged: Judged, measured: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One row a bird alive or scored, and one row a bird and a section that was seen of it."""
    counted = listed[listed["bird"].notna() & listed["total"].notna()]
    birds = flock.birds[flock.birds["alive"] | flock.birds["bird"].isin(counted["bird"])]
    given = judged.looks.given
    of_birds = Looks(counted, given[given["row"].isin(counted["row"])])
    seen = gather(flock.standard, of_birds, birds["bird"], judged.levels, measured)
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
    return _with_cards(table, unscored, counted, judged, seen.most.sum()), _long(flock, table["bird"], seen)


def _long(flock: Flock, birds: pd.Series, seen: Seen) -> pd.DataFrame:
    """One row a bird and a section that was seen of it: bird, section, points."""
    at, of = np.nonzero(~np.isnan(seen.means))
    names = np.array([s.name for s in flock.standard.sections], dtype=object)
    return pd.DataFrame(
        {"bird": birds.to_numpy()[at], "section": names[of], "points": seen.means[at, of]}
    ).astype({"bird": "str", "section": "str"})


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
