"""Points of birds: looks put on one level, averaged, added up, and the unseen rest predicted.

Unscored is never zero. `points` rests on the sections that were seen (`points_seen` of the standard's 100);
`points_of_100` adds what the others are likely to give, so that birds seen in different sections can be
compared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import REACH, Answer, Floats, Note, facts
from selection.records.flock import Flock
from selection.records.settings.reading import Section, Standard
from selection.standard.agreement import Codes, Levels
from selection.standard.growth import Growth, fit_growth
from selection.standard.judges import CARD_TOTAL, Judged, Looks, cell_of, judge, looks, say
from selection.standard.traits import measure_of

USUAL_SD = 0.06
"""Standard deviation, as a share of a section's points, between birds and again between looks at one bird,
where the holding's looks show neither (common practice, no source)."""
HALO = 0.15
"""Correlation of two sections' errors in one look before the holding's looks move it (common practice)."""
HALO_STEADIES = 10.0
"""That correlation counts as this many looks."""
FEWEST_MEASURED = 5
"""Birds under which their points for a measured section do not tell how birds differ in it."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Birds × sections, in the order of the standard's sections.

    `means`: points, missing where not seen; `noise` (birds, sections, sections): error covariance of these
    means, 0 where not seen; `between_sd` (sections): standard deviation between birds; `most` (sections):
    the sections' points.
    """

    means: Floats
    noise: Floats
    between_sd: Floats
    most: Floats


def gather(
    standard: Standard,
    looks: Looks,
    birds: pd.Series,
    levels: Mapping[str, Levels],
    measured: pd.DataFrame,
) -> Seen:
    """What `looks` (with `adjusted`, all at `birds`) and `measured` (long, by section and bird) say of `birds`."""
    names = [s.name for s in standard.sections]
    most = np.array([s.points for s in standard.sections], dtype=float)
    values = looks.matrix(names, "adjusted")
    of_bird = pd.Index(birds).get_indexer(looks.about["bird"]).astype(np.intp)
    means, pairs = _means(values, of_bird, len(birds))
    found = [levels.get(name) for name in names]
    between, within = (
        np.array([getattr(x, sd) if x else np.nan for x in found]) for sd in ("between_sd", "residual_sd")
    )
    error = _error(values, means, of_bird, pairs, _or_usual(within, most))
    counts = np.einsum("bii->bi", pairs)
    noise = error * pairs / np.maximum(counts[:, :, None] * counts[:, None, :], 1.0)
    for section in standard.by_measure:
        column = names.index(section.name)
        own = measured[measured["section"] == section.name].set_index("bird").reindex(birds)
        means[:, column] = own["points"]
        noise[:, column, column] = own["points_se"].fillna(0.0) ** 2
        between[column] = _between_measured(own)
    return Seen(np.clip(means, 0.0, most), noise, _or_usual(between, most), most)


def _or_usual(sd: Floats, most: Floats) -> Floats:
    return np.where(np.isnan(sd), USUAL_SD * most, sd)


def _means(values: Floats, of_bird: Codes, birds: int) -> tuple[Floats, Floats]:
    """Mean of each bird's looks by section, and how many of its looks saw both of two sections."""
    known = ~np.isnan(values)
    pairs = np.zeros((birds, values.shape[1], values.shape[1]))
    sums = np.zeros((birds, values.shape[1]))
    np.add.at(pairs, of_bird, known[:, :, None] & known[:, None, :])
    np.add.at(sums, of_bird, np.where(known, values, 0.0))
    counts = np.einsum("bii->bi", pairs)
    return np.where(counts > 0, sums / np.maximum(counts, 1.0), np.nan), pairs


def _error(values: Floats, means: Floats, of_bird: Codes, pairs: Floats, sd: Floats) -> Floats:
    """Covariance of one look's errors: `sd` on the diagonal, the halo that repeat looks show beside it."""
    off = values - means[of_bird]
    known = (~np.isnan(off)).astype(float)
    off = np.where(known > 0, off, 0.0)
    size = (off**2).T @ known
    correlation = (off.T @ off) / np.sqrt(np.maximum(size * size.T, 1e-12))
    freedom = np.maximum(pairs - 1.0, 0.0).sum(axis=0)
    steadied = (freedom * correlation + HALO_STEADIES * HALO) / (freedom + HALO_STEADIES)
    np.fill_diagonal(steadied, 1.0)
    return np.outer(sd, sd) * steadied


def _between_measured(own: pd.DataFrame) -> float:
    """Standard deviation between birds in points of a measured section, the doubt about each value taken off."""
    points = own["points"].dropna()
    if len(points) < FEWEST_MEASURED:
        return np.nan
    doubt = float((own.loc[points.index, "points_se"] ** 2).mean())
    return float(np.sqrt(max(float(points.var()) - doubt, 0.0)))


CELL_STEADIES = 2.0
"""A cell's mean is drawn towards the mean of all birds as by this many birds at it."""
CORRELATION_STEADIES = 10.0
"""A correlation between sections is drawn towards 0 as by this many birds without any."""

GRAIN = 1e-8
"""Added to variances, in points², so that a section on which all birds agree can still be solved with."""


@dataclass(frozen=True, slots=True)
class Rest:
    """Points of all sections (birds, sections): as seen, or else predicted; their total and its error."""

    points: Floats
    total: Floats
    se: Floats


def predict_rest(seen: Floats, noise: Floats, cells: npt.ArrayLike, between_sd: Floats, most: Floats) -> Rest:
    """Points of 100 of birds from what was `seen` of them (birds, sections; missing: not seen).

    `noise` (birds, sections, sections): error covariance of what was seen, ignored where nothing was;
    `cells`: a label a bird; `between_sd` (sections): standard deviation between birds of one cell; `most`
    (sections): the sections' points. A bird of which nothing was seen has missing total and standard error.
    """
    means = _cell_means(seen, np.unique(np.asarray(cells), return_inverse=True)[1], most)
    known = ~np.isnan(seen)
    off = np.where(known, seen - means, 0.0)
    between = _between(off, known, noise, between_sd)
    error = np.where(known[:, :, None] & known[:, None, :], noise, 0.0)
    # unseen sections: no covariance with anything and a variance of 1 keep one solve for all birds
    both = known[:, :, None] & known[:, None, :]
    total_covariance = (
        np.where(both, between + error, 0.0) + np.eye(len(most)) * np.where(known, GRAIN, 1.0)[:, :, None]
    )
    to_unseen = np.where(known[:, :, None] & ~known[:, None, :], between, 0.0)
    regression = np.asarray(np.linalg.solve(total_covariance, to_unseen), dtype=np.float64)
    points = np.where(known, seen, np.clip(means + np.einsum("bsu,bs->bu", regression, off), 0.0, most))
    blank = ~known.any(axis=1)
    se = np.sqrt(_error_of_total(between, error, known, to_unseen, regression))
    return Rest(points, np.where(blank, np.nan, points.sum(axis=1)), np.where(blank, np.nan, se))


def _error_of_total(
    between: Floats, error: Floats, known: npt.NDArray[np.bool_], to_unseen: Floats, regression: Floats
) -> Floats:
    """Variance of predicted less true total, for each bird.

    With g the regression of the unseen sum on what was seen, the error is g′(b+e) − Σ unseen b + Σ seen e.
    """
    unseen = (~known).astype(float)
    g = regression.sum(axis=2)
    not_seen = np.einsum("bi,ij,bj->b", unseen, between, unseen)
    explained = np.einsum("bi,bij->b", g, to_unseen)
    shared = np.einsum("bi,bij->b", g, error)
    return np.maximum(not_seen - explained + 2 * shared + error.sum(axis=(1, 2)), 0.0)


def _cell_means(seen: Floats, cells: npt.NDArray[np.intp], most: Floats) -> Floats:
    """Mean of each bird's cell, drawn towards that of all birds; of a section never seen, the usual share."""
    known = ~np.isnan(seen)
    filled = np.where(known, seen, 0.0)
    count, total = known.sum(axis=0), filled.sum(axis=0)
    share = total.sum() / max(float((count * most).sum()), 1e-12)
    overall = np.where(count > 0, total / np.maximum(count, 1), share * most)
    sums = np.zeros((cells.max(initial=-1) + 1, len(most)))
    counts = np.zeros_like(sums)
    np.add.at(sums, cells, filled)
    np.add.at(counts, cells, known)
    return ((sums + CELL_STEADIES * overall) / (counts + CELL_STEADIES))[cells]


def _between(off: Floats, known: npt.NDArray[np.bool_], noise: Floats, spread: Floats) -> Floats:
    """Covariance between birds: `spread` on the diagonal, correlations from sections seen together."""
    pairs = np.einsum("bi,bj->ij", known.astype(float), known.astype(float))
    both = known[:, :, None] & known[:, None, :]
    error = np.where(both, noise, 0.0).sum(axis=0)
    covariance = (off.T @ off - error) / np.maximum(pairs, 1.0)
    scale = np.maximum(np.outer(spread, spread), 1e-12)
    correlation = np.clip(covariance / scale, -0.95, 0.95) * pairs / (pairs + CORRELATION_STEADIES)
    np.fill_diagonal(correlation, 1.0)
    return np.outer(spread, spread) * _positive(correlation)


def _positive(correlation: Floats) -> Floats:
    """The nearest correlation matrix by clipping eigenvalues, so that it can be solved with."""
    values, vectors = np.linalg.eigh(correlation)
    clipped = (vectors * np.maximum(values, 0.05)) @ vectors.T
    size = np.sqrt(np.diagonal(clipped))
    return clipped / np.outer(size, size)


MEASURED = [
    "section", "bird", "group", "value", "se", "points", "points_se", "low", "high", "place", "state", "why",
]  # fmt: skip
_APART = 0.1
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
    """Where judges of one bird differ once their levels are taken off: bird, section, judge, points, adjusted, days.

    One row a judge: the mean of what he gave, and the days of those looks, the first first. A section is there where
    two judges lie a tenth of its points apart, and a whole point at least.
    """
    looks = points.looks[["row", "bird", "judge", "on"]].dropna(subset="bird")
    given = points.given.merge(looks, on="row").dropna(subset="points")
    own = given.groupby(["bird", "section", "judge"], sort=False)
    means = own[["points", "adjusted"]].mean()
    means = means.assign(days=own["on"].agg(lambda days: tuple(sorted(set(days))))).reset_index()
    spread = means.groupby(["bird", "section"])["adjusted"].transform(lambda own: own.max() - own.min())
    most = means["section"].map({s.name: s.points for s in standard.sections})
    return means[spread >= np.maximum(_APART * most, 1.0)].reset_index(drop=True)


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
    points, level = (given.matrix([*eye, CARD_TOTAL], column) for column in ("points", "adjusted"))
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
    se = (judged.levels[CARD_TOTAL].residual_sd / np.sqrt(own["size"])).to_numpy()
    told = {"points": own["mean"].to_numpy(), "points_of_100": own["mean"].to_numpy()}
    told |= {"points_se": se, "points_of_100_se": se, "points_seen": np.full(len(table), whole)}
    return table.assign(**{column: np.where(rows, value, table[column]) for column, value in told.items()})


def _cells(flock: Flock, birds: pd.DataFrame, counted: pd.DataFrame) -> npt.NDArray[np.str_]:
    """Season (of the last look, else the plan's) and sex of each bird, as one label."""
    last = counted.groupby("bird")["season"].max().reindex(birds["bird"]).fillna(flock.plan.season)
    frame = pd.DataFrame({"season": last.to_numpy(), "sex": birds["sex"].to_numpy()})
    return cell_of(frame).to_numpy(dtype=str)
