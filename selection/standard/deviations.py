"""How far birds stand off their growth curve: what belongs to the bird and what to the day it was weighed.

A weighing's log deviation is the bird's own deviation (the same at every age) and a residual whose standard
deviation falls with age and whose correlation within the bird falls with time: a deviation of +0.1 at 4 weeks
is half a wet crop and half an early hatch; the same at 20 weeks is the bird. Nothing here knows of names or
dates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Floats, Kind, Note
from selection.records.flock import Flock
from selection.records.rings import looked_up

_Rows = npt.NDArray[np.intp]

EARLY_WEEKS = 5.0
"""The extra spread of young chicks falls to a third (1/e of its variance) in this many weeks."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of log deviations (shares of the weight), and the weeks in which a residual fades.

    `between_sd` is that of birds; a residual has variance late_sd² + early_sd²·exp(−age/EARLY_WEEKS) and
    correlation exp(−gap/decay_weeks) within a bird.
    """

    between_sd: float = 0.10
    late_sd: float = 0.04
    early_sd: float = 0.10
    decay_weeks: float = 4.0

    def residual_sd(self, weeks: npt.ArrayLike) -> Floats:
        """Standard deviation of a weighing's residual at `weeks` of age, of the shape of `weeks`."""
        ages = np.asarray(weeks, dtype=float)
        return np.sqrt(self.late_sd**2 + self.early_sd**2 * np.exp(-ages / EARLY_WEEKS))


@dataclass(frozen=True, slots=True)
class Own:
    """Birds' own log deviations: birds (sorted), shrunken deviation, its standard error with the curve known.

    `pull` (birds, 3): how far the prediction gives way when the curve's parameters move by one.
    """

    birds: npt.NDArray
    deviation: Floats
    se: Floats
    pull: Floats


PRIOR = Spread()
"""Common practice, no source: birds of one sex differ by a tenth of their weight."""
PRIOR_LOG_SD = np.array([0.35, 0.6, 0.7, 0.7])
"""How far the holding may lie from `PRIOR`, on the log scale, in the order of `Spread`'s fields."""


def fit_spread(birds: npt.ArrayLike, weeks: npt.ArrayLike, deviations: npt.ArrayLike) -> Spread:
    """The most probable spread given `deviations` at `weeks` of age of `birds` (1-D, none missing).

    Maximises the normal likelihood of all birds' weighings times a log-normal prior around :data:`PRIOR`, so
    that without weighings the prior comes back, and a hundred weighed birds decide.
    """
    from scipy.optimize import minimize

    ages, values = np.asarray(weeks, dtype=float), np.asarray(deviations, dtype=float)
    groups = [(ages[rows], values[rows]) for rows in by_count(birds)]
    centre = np.log([PRIOR.between_sd, PRIOR.late_sd, PRIOR.early_sd, PRIOR.decay_weeks])

    def minus_log_posterior(theta: Floats) -> float:
        spread = Spread(*np.exp(theta))
        lack = sum(_minus_log_likelihood(spread, *group) for group in groups)
        return lack + 0.5 * float(np.sum(((theta - centre) / PRIOR_LOG_SD) ** 2))

    limits = [(middle - 3.5, middle + 3.5) for middle in centre]
    found = minimize(minus_log_posterior, centre, method="L-BFGS-B", bounds=limits, options={"ftol": 1e-7})
    return Spread(*(float(x) for x in np.exp(found.x)))


def shrunken(
    spread: Spread,
    birds: npt.ArrayLike,
    weeks: npt.ArrayLike,
    deviations: npt.ArrayLike,
    slopes: Floats,
    extra_sd: npt.ArrayLike = 0,
) -> Own:
    """Each bird's own deviation as its weighings tell it, by best linear prediction (none missing).

    `slopes` (weighings, 3) are the curve's derivatives by its parameters, from which `pull` comes. `extra_sd`
    (one a weighing) widens the spread between birds whose curve is itself in doubt, as of unknown sex.
    """
    ages, values = np.asarray(weeks, dtype=float), np.asarray(deviations, dtype=float)
    extra = np.broadcast_to(np.asarray(extra_sd, dtype=float), ages.shape)
    names, codes = np.unique(np.asarray(birds), return_inverse=True)
    found = Own(names, np.zeros(len(names)), np.zeros(len(names)), np.zeros((len(names), 3)))
    for rows in by_count(codes):
        between = spread.between_sd**2 + extra[rows[:, 0]] ** 2
        covariance = _residual_covariance(spread, ages[rows]) + between[:, None, None]
        weight = between[:, None] * np.linalg.solve(covariance, np.ones((*rows.shape, 1)))[..., 0]
        here = codes[rows[:, 0]]
        found.deviation[here] = np.einsum("bi,bi->b", weight, values[rows])
        found.se[here] = np.sqrt(np.maximum(between * (1 - weight.sum(axis=1)), 0.0))
        found.pull[here] = np.einsum("bi,bij->bj", weight, slopes[rows])
    return found


def whitener(
    spread: Spread, birds: npt.ArrayLike, weeks: npt.ArrayLike, chicks: npt.ArrayLike = 1
) -> Callable[[Floats], Floats]:
    """The map of weighings (rows of an array) to independent rows of variance 1.

    A row may be the mean of `chicks` unnamed mates, a bird of its own here.
    """
    ages, n = (
        np.asarray(weeks, dtype=float),
        np.broadcast_to(np.asarray(chicks, dtype=float), np.shape(weeks)),
    )
    groups = by_count(birds)
    roots = [np.linalg.inv(np.linalg.cholesky(_covariance(spread, ages[rows]))) for rows in groups]

    def whiten(values: Floats) -> Floats:
        white = np.empty_like(values)
        for rows, root in zip(groups, roots, strict=True):
            white[rows] = np.einsum("bij,bj...->bi...", root, values[rows])
        return white * np.sqrt(n).reshape(-1, *[1] * (values.ndim - 1))

    return whiten


def by_count(birds: npt.ArrayLike) -> list[_Rows]:
    """Row numbers of birds' weighings by how many a bird has: one array (birds, weighings) a number."""
    _, codes, counts = np.unique(np.asarray(birds), return_inverse=True, return_counts=True)
    order = np.argsort(codes, kind="stable")
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    return [order[starts[counts == n][:, None] + np.arange(n)] for n in np.unique(counts)]


def _residual_covariance(spread: Spread, ages: Floats) -> Floats:
    """Covariance of residuals at `ages` (birds, weighings) within each bird, a grain on its diagonal."""
    sd = spread.residual_sd(ages)
    gaps = np.abs(ages[:, :, None] - ages[:, None, :])
    covariance = sd[:, :, None] * sd[:, None, :] * np.exp(-gaps / spread.decay_weeks)
    return covariance + 1e-8 * np.eye(ages.shape[1])


def _covariance(spread: Spread, ages: Floats) -> Floats:
    return _residual_covariance(spread, ages) + spread.between_sd**2


def _minus_log_likelihood(spread: Spread, ages: Floats, values: Floats) -> float:
    """Of birds with one number of weighings: arrays (birds, weighings)."""
    root = np.linalg.cholesky(_covariance(spread, ages))
    scaled = np.linalg.solve(root, values[..., None])[..., 0]
    return float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum() + 0.5 * (scaled**2).sum())


TIMES_OFF = 5.0
"""A weight this many times over or under its curve is a slip of the pen."""


def weighings(flock: Flock) -> pd.DataFrame:
    """Every row of flock.weights: row (its index), bird, clutch, sex, n, on, grams, age_weeks, why.

    `why` is blank where the weighing can be used. Of a bird of which only the year of hatching is known, the
    weighings of that year are not: its age then is a guess. Unnamed chicks have their clutch's age.
    """
    rows = flock.weights[["bird", "clutch", "sex", "n", "on", "grams"]].rename_axis("row").reset_index()
    known = flock.birds.set_index("bird")
    named = rows["bird"].notna()
    by_clutch = flock.clutches.set_index("clutch")["hatched_on"]
    hatched = looked_up(rows["bird"], known["hatched"]).fillna(looked_up(rows["clutch"], by_clutch))
    rows["sex"] = looked_up(rows["bird"], known["sex"]).where(named, rows["sex"]).fillna("unknown")
    rows["n"] = rows["n"].fillna(1.0)
    rows["age_weeks"] = (rows["on"] - hatched).dt.days / 7.0
    bare = known["hatched_on"].str.fullmatch(r"\d{4}").fillna(False).astype(bool)
    guessed = rows["bird"].isin(bare.index[bare]) & (hatched.dt.year == rows["on"].dt.year)
    rows["why"] = np.select(
        [rows["grams"].isna(), hatched.isna(), rows["age_weeks"] < 0, guessed],
        [
            "no weight",
            "no hatch date",
            "before hatching",
            "still growing, and only the year of hatching known",
        ],
        "",
    )
    return rows


def without_odd(
    rows: pd.DataFrame, expected: Callable[[npt.ArrayLike, npt.ArrayLike], Floats]
) -> pd.DataFrame:
    """`rows` with a reason beside each usable weighing five times off `expected(sex, weeks)`, in grams."""
    times = (rows["grams"] / expected(rows["sex"], rows["age_weeks"])).to_numpy()
    under, over = times < 1 / TIMES_OFF, times > TIMES_OFF
    odd = (rows["why"] == "").to_numpy() & (under | over)
    why = rows["why"].to_numpy(dtype=object, copy=True)
    why[odd & under] = [f"{1 / t:,.0f} times under its curve: kilograms?" for t in times[odd & under]]
    why[odd & over] = [f"{t:,.0f} times over its curve: a slip of the pen?" for t in times[odd & over]]
    return rows.assign(why=why, odd=rows.get("odd", False) | odd)


def about_left_out(left_out: pd.DataFrame) -> list[Note]:
    """A note on every weighing five times off its curve, about its bird, and one for each other reason."""
    odd = left_out["odd"].astype(bool)
    named = [
        _left_out(f"{grams:g} g on {on:%Y-%m-%d} is left out: {why}", bird if isinstance(bird, str) else None)
        for bird, on, grams, why in left_out.loc[odd, ["bird", "on", "grams", "why"]].itertuples(index=False)
    ]
    rest = left_out[~odd].groupby("why").size()
    return named + [
        _left_out(f"{n} weighing{'s are' if n > 1 else ' is'} left out: {why}.") for why, n in rest.items()
    ]


def _left_out(text: str, bird: str | None = None) -> Note:
    return Note(Kind.LEFT_OUT, bird, text)
