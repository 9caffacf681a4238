"""Weights at a common age: each sex's growth curve, and how far each bird stands off it.

The curve is Gompertz's, fitted to the holding's own weighings and held by the standard's band while these are
few. The model of merit takes the raw log deviations, one a weighing; a bird's weight at an age, for display
and for the points of a measured section, comes from its shrunken deviation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Answer, Floats, Kind, Note, notes
from selection.records.flock import Flock
from selection.records.settings.reading import Standard
from selection.standard.bands import middle_of_band, weighed_section
from selection.standard.curves import CurvePrior, Gompertz, fit_gompertz
from selection.standard.deviations import (
    PRIOR,
    Spread,
    about_left_out,
    fit_spread,
    shrunken,
    weighings,
    whitener,
    without_odd,
)

_SEXED = ("male", "female")
_FEWEST = 6
"""Weighings of one sex under which the curve is the prior's."""
LEAST_SPREAD = 6.0
"""Weeks between the youngest and the oldest weighing under which they say nothing of a curve's shape."""
CARRIED_ON = 4.0
"""Weeks beyond the last weighing that a weight is carried on without a word."""
_USUAL = {"male": 3500.0, "female": 2700.0}
"""Grams at 24 weeks where the standard has no band: common practice, no source, and held only loosely."""

Curves = Mapping[str, Gompertz]


@dataclass(frozen=True, repr=False)
class Growth(Answer):
    """What the holding's weighings say of growth.

    `curves`: sex, A (grams), b, k (a week), source (`weighings`, or `band` where these were too few), n.
    `deviations`: one row a usable weighing: row (index into flock.weights), bird (missing for unnamed
    chicks), clutch, n, on, age_weeks, sex, grams, log_deviation (raw), residual_sd (of one bird's).
    `birds`: one row a bird: bird, sex, weighings, last_weeks, deviation (shrunken), deviation_se.
    `left_out`: row, bird, on, grams, why, odd (five times off its curve).
    `spread`: how birds differ, and how their residuals fade.
    """

    TITLE = "Growth curves and how far each bird stands off them"
    TABLES = ("birds", "curves", "deviations", "left_out")

    curves: pd.DataFrame
    deviations: pd.DataFrame
    birds: pd.DataFrame
    left_out: pd.DataFrame
    spread: Spread
    notes: tuple[Note, ...]
    fitted: Curves = field(repr=False)
    pull: Floats = field(repr=False)  # (birds, 3): what a bird's own weighings take off its curve's doubt

    @property
    def between_sd(self) -> float:
        """Standard deviation of birds' own log deviations."""
        return self.spread.between_sd

    @property
    def decay_weeks(self) -> float:
        """Two residuals of a bird are correlated exp(−gap/decay_weeks)."""
        return self.spread.decay_weeks

    def expected(self, sex: npt.ArrayLike, weeks: npt.ArrayLike) -> Floats:
        """The curve's weight in grams at `weeks`, broadcast together; of unknown sex the mean curve's."""
        return _expected(self.fitted, sex, weeks)

    def at_age(self, birds: Sequence[str] | pd.Series, weeks: npt.ArrayLike) -> pd.DataFrame:
        """The weight of `birds` at `weeks` of age: bird, grams, se (grams), last_weeks, why.

        Curve times exp(shrunken deviation); `se` holds what is not known of the bird's own deviation and of
        the curve, not how a bird gains and loses from day to day. `why` is blank, or says that the bird was
        never weighed or that its weight is carried on more than 4 weeks. Raises KeyError for a bird that is
        not in the flock.
        """
        places = self._places_of(birds)
        rows = self.birds.iloc[places].reset_index(drop=True)
        ages = np.broadcast_to(np.asarray(weeks, dtype=float), len(rows))
        grams = self.expected(rows["sex"], ages) * np.exp(rows["deviation"].to_numpy())
        se = grams * np.hypot(
            rows["deviation_se"], _log_sd(self.fitted, rows["sex"], ages, self.pull[places])
        )
        told = zip(rows["weighings"], rows["last_weeks"], ages, strict=True)
        why = pd.Series([_carried(n, last, age) for n, last, age in told], dtype="str")
        return rows[["bird"]].assign(grams=grams, se=se, last_weeks=rows["last_weeks"], why=why)

    def _places_of(self, birds: Sequence[str] | pd.Series) -> npt.NDArray[np.intp]:
        """Where in the table of birds each of `birds` stands."""
        places = pd.Index(self.birds["bird"]).get_indexer(pd.Index(birds))
        if (places < 0).any():
            missing = sorted({str(bird) for bird, place in zip(birds, places, strict=True) if place < 0})
            raise KeyError(f"not in this flock: {', '.join(missing)}")
        return places


def fit_growth(flock: Flock) -> Growth:
    """Fit a growth curve a sex to every usable weighing, birds gone included.

    With few weighings, or none, the curve is the one through the standard's band, and a note says so. A weighing
    five times off its curve, before hatching or without a hatch date is left out and named. Unnamed chicks enter
    curves and deviations, not `birds`.

    Parameters
    ----------
    flock : Flock
        The flock; a bird that was never weighed stands on its sex's curve.

    Returns
    -------
    Growth
        `curves`: one row a sex; `birds`: one row a bird with its log deviation from the curve and that deviation's
        standard error; `deviations`: one row a weighing; `left_out`: one row a weighing that does not count.

    Notes
    -----
    Gompertz's curve (see :mod:`selection.standard.curves` for its source), by
    generalised least squares, since the weighings of one bird repeat each other.

    Examples
    --------
    >>> from selection import fit_growth
    >>> growth = fit_growth(flock)
    >>> growth.at_age(flock.birds["bird"].head(2), 24)[["bird", "grams", "se"]].shape
    (2, 3)
    """
    priors = {sex: _prior(flock.standard, sex) for sex in _SEXED}
    rows = weighings(flock)
    rows = without_odd(rows, partial(_expected, _anchors(flock.standard, priors, rows)))
    rows = without_odd(rows, partial(_expected, _fit_both(rows, priors, PRIOR)))
    used = rows[rows["why"] == ""]
    spread = _spread(used, _fit_both(used, priors, PRIOR))
    fitted = _fit_both(used, priors, spread)
    deviations = _deviations(used, fitted, spread)
    birds, pull = _birds(flock, deviations, fitted, spread)
    left_out = rows.loc[rows["why"] != "", ["row", "bird", "on", "grams", "why", "odd"]].reset_index(
        drop=True
    )
    sentences = [
        _about_curve(flock.standard, sex, used.loc[used["sex"] == sex, "age_weeks"]) for sex in _SEXED
    ]
    return Growth(
        curves=_curve_table(used, fitted),
        deviations=deviations,
        birds=birds,
        left_out=left_out,
        spread=spread,
        notes=(*notes(Kind.FOUND, sentences), *about_left_out(left_out)),
        fitted=fitted,
        pull=pull,
    )


def _prior(standard: Standard, sex: str) -> CurvePrior:
    """The curve through the middle of the band; without a band a usual weight, held loosely."""
    section = weighed_section(standard)
    middle = middle_of_band(section, sex) if section else None
    if section is None or middle is None or section.at_weeks is None:
        return CurvePrior(24.0, _USUAL[sex], grams_sd=0.8)
    return CurvePrior(section.at_weeks, middle)


def _anchors(standard: Standard, priors: Mapping[str, CurvePrior], rows: pd.DataFrame) -> Curves:
    """Curves to judge a slip of the pen by: through the band, or without one through most weighings."""
    curves = {sex: prior.curve() for sex, prior in priors.items()}
    usable = rows[rows["why"] == ""]
    if weighed_section(standard) is not None or usable.empty:
        return curves
    times = float((usable["grams"] / _expected(curves, usable["sex"], usable["age_weeks"])).median())
    return {sex: replace(curve, A=curve.A * times) for sex, curve in curves.items()}


def _fit_both(rows: pd.DataFrame, priors: Mapping[str, CurvePrior], spread: Spread) -> Curves:
    usable = rows[rows["why"] == ""]
    return {sex: _fit_one(usable[usable["sex"] == sex], priors[sex], spread) for sex in _SEXED}


def _fit_one(rows: pd.DataFrame, prior: CurvePrior, spread: Spread) -> Gompertz:
    """One sex's curve by generalised least squares: the weighings of one bird repeat each other.

    So a curve does not bend upwards at the end where only the heavy birds were kept and weighed again.
    """
    if len(rows) < _FEWEST:
        return prior.curve()
    each = rows["bird"].fillna("row " + rows["row"].astype("str"))
    whiten = whitener(spread, each.to_numpy(dtype=str), rows["age_weeks"], rows["n"])
    return fit_gompertz(rows["age_weeks"], rows["grams"], prior, whiten)


def _log_grams(curves: Curves, sex: npt.ArrayLike, weeks: npt.ArrayLike) -> Floats:
    """Log weight by sex and age, broadcast together; of unknown sex the mean of both curves."""
    sexes, ages = np.broadcast_arrays(np.asarray(sex, dtype=object), np.asarray(weeks, dtype=float))
    male, female = (curves[s].log_grams(ages) for s in _SEXED)
    return np.where(sexes == "male", male, np.where(sexes == "female", female, (male + female) / 2))


def _expected(curves: Curves, sex: npt.ArrayLike, weeks: npt.ArrayLike) -> Floats:
    return np.exp(_log_grams(curves, sex, weeks))


def _log_sd(curves: Curves, sex: npt.ArrayLike, weeks: npt.ArrayLike, pull: Floats) -> Floats:
    """Standard error of the curve beside a bird's own deviation; of unknown sex that of the mean curve."""
    sexes, ages = np.asarray(sex, dtype=object), np.asarray(weeks, dtype=float)
    male, female = (curves[s].log_sd(ages, pull) for s in _SEXED)
    return np.where(sexes == "male", male, np.where(sexes == "female", female, np.hypot(male, female) / 2))


def _off(used: pd.DataFrame, fitted: Curves) -> pd.Series:
    """Raw log deviations of weighings from their curve."""
    return np.log(used["grams"]) - _log_grams(fitted, used["sex"], used["age_weeks"])


def _spread(used: pd.DataFrame, fitted: Curves) -> Spread:
    """The spread that named birds of known sex show around their curves."""
    known = used[used["bird"].notna() & used["sex"].isin(_SEXED)]
    return fit_spread(known["bird"].to_numpy(dtype=str), known["age_weeks"], _off(known, fitted))


def _deviations(used: pd.DataFrame, fitted: Curves, spread: Spread) -> pd.DataFrame:
    columns = ["row", "bird", "clutch", "n", "on", "age_weeks", "sex", "grams"]
    residual_sd = spread.residual_sd(used["age_weeks"])
    return (
        used[columns].assign(log_deviation=_off(used, fitted), residual_sd=residual_sd).reset_index(drop=True)
    )


def _birds(
    flock: Flock, deviations: pd.DataFrame, fitted: Curves, spread: Spread
) -> tuple[pd.DataFrame, Floats]:
    """Each bird's shrunken deviation, and what it takes off its curve's doubt.

    A bird never weighed stands on its curve, with all of the spread.
    """
    birds = flock.birds[["bird", "sex"]]
    apart = abs(np.log(fitted["male"].A / fitted["female"].A)) / 2
    own = deviations[deviations["bird"].notna()]
    unsexed = (own["sex"] == "unknown").to_numpy()
    slopes = (
        np.where(
            (own["sex"] == "male").to_numpy()[:, None],
            fitted["male"].slopes(own["age_weeks"]),
            fitted["female"].slopes(own["age_weeks"]),
        )
        * ~unsexed[:, None]
    )
    names = own["bird"].to_numpy(dtype=str)
    found = shrunken(
        spread, names, own["age_weeks"], own["log_deviation"], slopes, np.where(unsexed, apart, 0.0)
    )
    weighed = own.groupby("bird")["age_weeks"].agg(weighings="size", last_weeks="max")
    told = pd.DataFrame({"deviation": found.deviation, "deviation_se": found.se}, index=found.birds)
    never = np.hypot(spread.between_sd, np.where(birds["sex"] == "unknown", apart, 0.0))
    table = birds.join(weighed, on="bird").join(told, on="bird")
    pull = pd.DataFrame(found.pull, index=found.birds).reindex(birds["bird"]).fillna(0.0)
    return table.assign(
        weighings=table["weighings"].fillna(0).astype(int),
        deviation=table["deviation"].fillna(0.0),
        deviation_se=table["deviation_se"].fillna(pd.Series(never, table.index)),
    ), pull.to_numpy()


def _curve_table(used: pd.DataFrame, fitted: Curves) -> pd.DataFrame:
    rows = []
    for sex, curve in fitted.items():
        ages = used.loc[used["sex"] == sex, "age_weeks"]
        source = "weighings" if _of_own(ages) else "band"
        rows.append({"sex": sex, "A": curve.A, "b": curve.b, "k": curve.k, "source": source, "n": len(ages)})
    return pd.DataFrame(rows)


def _of_own(ages: pd.Series) -> bool:
    """Whether weighings at these ages make a curve of their own."""
    return len(ages) >= _FEWEST and float(np.ptp(ages)) >= LEAST_SPREAD


def _carried(weighings: int, last: float, weeks: float) -> str:
    """What to say of a weight at `weeks` from a bird last weighed at `last` weeks."""
    if not weighings:
        return "never weighed: the mean of its sex"
    if weeks - last <= CARRIED_ON:
        return ""
    return f"last weighed at {last:.0f} weeks; carried on {weeks - last:.0f} weeks along the curve"


def _about_curve(standard: Standard, sex: str, ages: pd.Series) -> str:
    """Where one sex's curve comes from, and how far it reaches."""
    section = weighed_section(standard)
    prior = f"the band of {section.name}" if section else "a usual heavy breed (common practice, no source)"
    if len(ages) < _FEWEST:
        found = f"{len(ages)} weighing{'' if len(ages) == 1 else 's'} of {sex}s"
        return f"{found}, too few for a growth curve: theirs is the one through {prior}."
    reach = f"{ages.min():.0f} to {ages.max():.0f} weeks"
    if not _of_own(ages):
        found = f"{len(ages)} weighings of {sex}s, all at {reach}, too close in age for a growth curve"
        return f"{found}: theirs is the one through {prior}, moved to these weighings."
    said = f"Growth curve of {sex}s from {len(ages)} weighings at {reach}"
    if section and section.at_weeks and ages.max() + CARRIED_ON < section.at_weeks:
        return f"{said}; from there to {section.at_weeks:g} weeks it leans on {prior}."
    return f"{said}."
