"""How many birds come of so many eggs: fertility, hatch and rearing, as suppliers and their clutches differ.

Each stage is a beta-binomial: the eggs of one clutch share a chance drawn about their supplier's own, and the
suppliers' chances lie about a common one on the logit. All three layers are integrated over on a grid, so that a
supplier with two clutches is drawn towards the others, and one never tried is as uncertain as suppliers differ.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import betaln, expit, logit

from selection.decide.prices.present import LOST, clutch_shares, unnamed_chicks
from selection.records.flock import Flock

Counts = Mapping[str, tuple[npt.ArrayLike, npt.ArrayLike]]

HOME = ""
"""The source of own eggs."""
USUAL = {"fertile": 0.85, "hatched": 0.8, "reared": 0.85}
"""Share that passes each stage where nothing is on record: common practice, no source, and held loosely."""
USUAL_SD = 0.7
"""How far the common chance may lie from the usual one, on the logit (an assumption)."""
BARRED_BEFORE = (0.5, 9.5)
"""What is held of the share of chicks barred before any was judged: one in twenty, worth ten chicks."""

_Z = np.array([-2.2, -1.5, -1.0, -0.6, -0.3, 0.0, 0.3, 0.6, 1.0, 1.5, 2.2])
_COMMON = np.linspace(-3.2, 3.2, 27)
_TAU = np.array([0.05, 0.2, 0.4, 0.7, 1.1])
_RHO = np.array([0.002, 0.02, 0.05, 0.1, 0.17, 0.26, 0.4])


@dataclass(frozen=True)
class Stage:
    """What is known of one stage: weights over the grid of common chance, spread and clutch correlation.

    weights (P,) of the P points; chances (P, Z) of a supplier at each point; correlations (P,); own: source →
    weights (P, Z) over a supplier's chance at each point, for those on record; before (Z,): for any other.
    """

    weights: Floats
    chances: Floats
    correlations: Floats
    own: Mapping[str, Floats]
    before: Floats

    def draw(self, source: str, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """`count` draws of the supplier's mean chance and of the correlation within its clutches."""
        at = rng.choice(len(self.weights), size=count, p=self.weights)
        within = (
            self.own[source][at] if source in self.own else np.broadcast_to(self.before, (count, len(_Z)))
        )
        passed = np.cumsum(within, axis=1)
        node = (rng.random((count, 1)) * passed[:, -1:] > passed).sum(axis=1)
        return self.chances[at, node], self.correlations[at]

    def mean(self, source: str) -> float:
        """The supplier's expected chance."""
        within = self.own.get(source, np.broadcast_to(self.before, self.chances.shape))
        return float(self.weights @ (within * self.chances).sum(axis=1))


def learn_stage(counts: Counts, usual: float) -> Stage:
    """What counts (passed, of) of each source's clutches say of a stage that passes `usual` before any record.

    Clutches of no egg are left out. Beta-binomial by mean μ and correlation ρ: a = μ(1 − ρ)/ρ, b = (1 − μ)(1 − ρ)/ρ.
    """
    common, tau, rho = (g.ravel() for g in np.meshgrid(logit(usual) + USUAL_SD * _COMMON, _TAU, _RHO))
    log_prior = (
        -0.5 * ((common - logit(usual)) / USUAL_SD) ** 2 - 0.5 * (tau / 0.5) ** 2 + 8.0 * np.log1p(-rho)
    )
    log_prior += np.log(np.gradient(_TAU))[np.searchsorted(_TAU, tau)]
    log_prior += np.log(np.gradient(_RHO))[np.searchsorted(_RHO, rho)]
    chances = np.clip(expit(common[:, None] + tau[:, None] * _Z), 1e-4, 1 - 1e-4)
    before = np.exp(-0.5 * _Z**2) * np.gradient(_Z)
    before /= before.sum()
    a = chances * (1 / rho - 1)[:, None]
    b = (1 - chances) * (1 / rho - 1)[:, None]
    own, log_weights, alone = {}, log_prior, betaln(a, b)
    for source, (passed, of) in counts.items():
        k, n = np.asarray(passed, dtype=float), np.asarray(of, dtype=float)
        k, n = k[n > 0], n[n > 0]
        if not len(n):
            continue
        pairs, times = np.unique(np.column_stack([k, n]), axis=0, return_counts=True)
        log_like = -len(n) * alone
        for (one, number), many in zip(pairs, times, strict=True):
            log_like += many * betaln(a + one, b + number - one)
        top = log_like.max(axis=1, keepdims=True)
        within = np.exp(log_like - top) * before
        total = within.sum(axis=1, keepdims=True)
        own[source] = within / total
        log_weights = log_weights + (top + np.log(total))[:, 0]
    weights = np.exp(log_weights - log_weights.max())
    return Stage(weights / weights.sum(), chances, rho, own, before)


@dataclass(frozen=True)
class Rearing:
    """All that eggs go through: the three stages, the share barred (Beta a, b), and clutches each source had."""

    stages: Mapping[str, Stage]
    barred: tuple[float, float]
    clutches: Mapping[str, int]
    usual_clutch: int

    def mean(self, source: str) -> float:
        """Expected candidates of both sexes for an egg."""
        passes = float(np.prod([stage.mean(source) for stage in self.stages.values()]))
        return passes * self.barred[1] / sum(self.barred)


@dataclass(frozen=True)
class Brood:
    """What becomes of each egg in each draw (draws × eggs): reared to the meeting, a cockerel, free of bars."""

    reared: npt.NDArray[np.bool_]
    male: npt.NDArray[np.bool_]
    unbarred: npt.NDArray[np.bool_]

    def candidates(self, male: bool) -> npt.NDArray[np.bool_]:
        """Eggs that give a candidate of that sex (draws × eggs)."""
        return self.reared & self.unbarred & (self.male == male)


def learn(flock: Flock) -> Rearing:
    """Fertility, hatch and rearing by supplier from every clutch on record up to the plan's day.

    A count left blank says nothing. Reared: hatched, and neither dead nor lost by the day of the meeting in its
    year; chicks of a clutch on record that were never written down are taken as lost.
    """
    clutches = flock.clutches.assign(source=source_names(flock.clutches))
    clutches = clutches.assign(reared=reared_of(flock))
    pairs = {
        "fertile": ("fertile", "eggs_set"),
        "hatched": ("hatched", "fertile"),
        "reared": ("reared", "hatched"),
    }
    stages = {}
    for name, (passed, of) in pairs.items():
        known = clutches.dropna(subset=[passed, of])
        known = known[known[passed] <= known[of]]
        stages[name] = learn_stage(
            {str(s): (rows[passed], rows[of]) for s, rows in known.groupby("source")}, USUAL[name]
        )
    sizes = clutches["eggs_set"].dropna()
    return Rearing(
        stages,
        _barred(flock),
        clutches["source"].value_counts().to_dict(),
        int(sizes.median()) if len(sizes) else 12,
    )


def source_names(clutches: pd.DataFrame) -> pd.Series:
    """The supplier of each clutch, folded, its pens together; `HOME` for own eggs."""
    supplier = clutches["source"].fillna("").str.split("/").str[0].str.strip().str.casefold()
    return supplier.where(clutches["origin"] == "bought-in", HOME)


def reared_of(flock: Flock) -> pd.Series:
    """Chicks of each clutch that lived to the meeting of their year; missing where none of it is on record.

    The day of a year's meeting is the plan's, in that year. Chicks sold, given or killed before it were there to
    choose; a clutch of a year whose meeting is yet to come is missing.
    """
    off = pd.Timestamp(flock.plan.on) - pd.Timestamp(flock.plan.season, 1, 1)
    birds = flock.birds
    meeting = pd.to_datetime(birds["hatch_year"].map("{:.0f}-01-01".format), errors="coerce") + off
    lost = (birds["gone_why"].isin(LOST) & (birds["gone_on"] <= meeting)).to_numpy()
    shares = clutch_shares(birds["clutch"])
    left = (shares["share"] * ~lost[shares["row"]]).groupby(shares["clutch"]).sum()
    years = flock.clutches["hatched_on"].dt.year
    for year in years.dropna().unique():
        left = left.add(unnamed_chicks(flock, int(year))["clutch"].value_counts(), fill_value=0.0)
    return flock.clutches["clutch"].map(left).astype(float).where(years <= flock.plan.season)


def _barred(flock: Flock) -> tuple[float, float]:
    """Beta of the share of judged birds that a serious fault bars."""
    serious = {f.name.casefold() for f in flock.standard.faults if f.serious}
    looks = flock.scores.dropna(subset=["bird"])
    if not serious or looks.empty:
        return BARRED_BEFORE if serious else (0.01, 99.99)
    named = looks["faults"].fillna("").str.casefold().str.split(";")
    with_fault = [bool(serious & {one.strip() for one in faults}) for faults in named]
    birds = pd.Series(with_fault, index=looks["bird"].str.casefold()).groupby(level=0).any()
    return BARRED_BEFORE[0] + int(birds.sum()), BARRED_BEFORE[1] + int((~birds).sum())


def broods(of: Rearing, source: str, eggs: int, count: int, rng: np.random.Generator) -> Brood:
    """`count` draws of what becomes of `eggs` eggs of a source, set in clutches of the usual size one after another.

    The first so many eggs of a draw are the same whatever is set beyond them, so that more eggs never give fewer birds.
    """
    clutch = np.arange(eggs) // of.usual_clutch
    reared = np.ones((count, eggs), dtype=bool)
    for stage in of.stages.values():
        chance, rho = stage.draw(source, count, rng)
        spread = 1 / rho - 1
        shape = (count, int(clutch[-1]) + 1)
        a, b = (np.broadcast_to((share * spread)[:, None], shape) for share in (chance, 1 - chance))
        of_clutch = rng.beta(a, b)
        reared &= rng.random((count, eggs)) < of_clutch[:, clutch]
    barred = rng.beta(*of.barred, size=(count, 1))
    return Brood(reared, rng.random((count, eggs)) < 0.5, rng.random((count, eggs)) >= barred)
