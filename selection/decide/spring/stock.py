"""What next spring's eggs become: the birds behind them, as the records know them, and how many chicks are reared.

A supplier's pen of next spring is put into the pedigree beside its earlier ones, so that what its chicks here showed
is carried to it by the very rules that carry it to their parents; of one never bought from nothing is known but how
suppliers differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import betaln, expit, logit

from selection.answer import Floats
from selection.decide.prices.money import LOST, clutch_shares, unnamed_chicks
from selection.decide.years.prospects import genetics_of
from selection.merit.posterior import draw, normal_draws
from selection.merit.ranking import Merit
from selection.merit.relationship.parentage import Parentage, parentage
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.season_model import BASE_VARIANCE, kinship_of
from selection.merit.selection_index import usual_merit_variance
from selection.records.flock import Flock

_Counts = Mapping[str, tuple[npt.ArrayLike, npt.ArrayLike]]

OWN_EGGS = ""  # the source of own eggs
USUAL = {"fertile": 0.85, "hatched": 0.8, "reared": 0.85}
"""Share that passes each stage where nothing is on record: common practice, no source, and held loosely."""
USUAL_LOGIT_SD = 0.7
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


def learn_stage(counts: _Counts, usual: float) -> Stage:
    """What counts (passed, of) of each source's clutches say of a stage that passes `usual` before any record.

    Clutches of no egg are left out. Beta-binomial by mean μ and correlation ρ: a = μ(1 − ρ)/ρ, b = (1 − μ)(1 − ρ)/ρ.
    """
    common, tau, rho = (g.ravel() for g in np.meshgrid(logit(usual) + USUAL_LOGIT_SD * _COMMON, _TAU, _RHO))
    log_prior = (
        -0.5 * ((common - logit(usual)) / USUAL_LOGIT_SD) ** 2 - 0.5 * (tau / 0.5) ** 2 + 8.0 * np.log1p(-rho)
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


def learn_rearing(flock: Flock) -> Rearing:
    """Fertility, hatch and rearing by supplier from every clutch on record up to the plan's day.

    A count left blank says nothing. Reared: hatched, and neither dead nor lost by the day of the meeting in its
    year; chicks of a clutch on record that were never written down are taken as lost.
    """
    clutches = flock.clutches.assign(source=source_names(flock.clutches))
    clutches = clutches.assign(reared=reared_of(flock))
    pairs = {"fertile": "eggs_set", "hatched": "fertile", "reared": "hatched"}
    stages = {}
    for name, of in pairs.items():
        known = clutches.dropna(subset=[name, of])
        known = known[known[name] <= known[of]]
        stages[name] = learn_stage(
            {str(s): (rows[name], rows[of]) for s, rows in known.groupby("source")}, USUAL[name]
        )
    sizes = clutches["eggs_set"].dropna()
    return Rearing(
        stages,
        _barred(flock),
        clutches["source"].value_counts().to_dict(),
        int(sizes.median()) if len(sizes) else 12,
    )


def source_names(clutches: pd.DataFrame) -> pd.Series:
    """The supplier of each clutch, folded, its pens together; `OWN_EGGS` for own ones."""
    supplier = clutches["source"].fillna("").str.split("/").str[0].str.strip().str.casefold()
    return supplier.where(clutches["origin"] == "bought-in", OWN_EGGS)


def reared_of(flock: Flock) -> pd.Series:
    """Chicks of each clutch that lived to the meeting of their year; missing where none of it is on record.

    The day of a year's meeting is the plan's, in that year. Chicks sold, given or killed before it were there to
    choose; a clutch of a year whose meeting is yet to come is missing.
    """
    off = pd.Timestamp(flock.plan.on) - pd.Timestamp(flock.plan.season, 1, 1)
    birds = flock.birds
    january = birds["hatch_year"].map("{:.0f}-01-01".format)
    meeting = pd.to_datetime(january, format="%Y-%m-%d", errors="coerce") + off
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


SPRING_DRAWS = 4_096
"""Draws of everything that is not known; a chance then has a Monte Carlo error of at most 0.008."""
ONE_LOOK = 0.3
"""Squared accuracy of choosing where this season's records say nothing of it: one look at a usual section."""


@dataclass(frozen=True)
class Source:
    """Where eggs may come from: its name on the table, origin, and, for a supplier, how many stand in the pen.

    `sires` and `dams` are the holding's own birds; empty for a supplier. `title` is how sentences call it: blank, by
    its name.
    """

    name: str
    origin: str
    cocks: float = np.nan
    hens: float = np.nan
    sires: tuple[str, ...] = ()
    dams: tuple[str, ...] = ()
    title: str = ""

    @property
    def said(self) -> str:
        """The source as sentences call it."""
        return self.title or self.name

    @property
    def supplier(self) -> str:
        """The supplier without its pen, as it is spelt."""
        return self.name.split("/")[0].strip()

    @property
    def key(self) -> str:
        """What the rearing of its broods is kept under."""
        return OWN_EGGS if self.sires else self.supplier.casefold()


@dataclass(frozen=True)
class Stock:
    """Parents of a source's eggs, draw by draw: sires and dams (draws × birds × k functionals of breeding values).

    `mendelian` (k × k): covariance of what chance adds to each chick; `inbreeding`: F of its chicks' chicks with the
    hens here, on average; `known`: whether chicks of this supplier were ever here.
    """

    sires: Floats
    dams: Floats
    mendelian: Floats
    inbreeding: float
    known: bool

    def chicks(self, eggs: int, rng: np.random.Generator) -> Floats:
        """Breeding values of a chick from each egg (draws × eggs × k), its parents any of the pen's."""
        count = len(self.sires)
        run = np.arange(count)[:, None]
        halves = [
            0.5 * side[run, rng.integers(side.shape[1], size=(count, eggs))]
            for side in (self.sires, self.dams)
        ]
        chance = rng.standard_normal((count, eggs, len(self.mendelian))) @ _root(self.mendelian).T
        return halves[0] + halves[1] + chance


class Blood:
    """What is known of the merit of all sources together: `stock_of` each, `merit` of chicks, `noise` of choosing."""

    def __init__(
        self,
        flock: Flock,
        merit: Merit,
        sources: Sequence[Source],
        hens: Sequence[str],
        rng: np.random.Generator,
    ) -> None:
        self.flock, self.merit_known, self.hens, self.rng = flock, merit, list(hens), rng
        self.bought = [s for s in sources if not s.sires]
        self.family, self.egg_of = _with_eggs(flock, self.bought)
        genetics = genetics_of(merit)
        self.sd = (
            genetics.additive_sd
            if genetics
            else float(np.sqrt(usual_merit_variance(flock.standard, flock.plan)))
        )
        seen = genetics is not None and np.isfinite(genetics.noise)
        self.looked_before = bool(seen)
        self.noise = genetics.noise if genetics and seen else self.sd**2 * (1 - ONE_LOOK) / ONE_LOOK

    @cached_property
    def genetic(self) -> Floats:
        """Genetic covariance of the functionals (k × k)."""
        known, index = self.merit_known.known, self.merit_known.index
        if known is None or index is None:
            return np.array([[self.sd**2]])
        return np.asarray(index.weights.T @ known.variances.covariance("genetic") @ index.weights)

    @cached_property
    def drawn(self) -> Mapping[str, Floats]:
        """Draws (draws × k) of every living bird, the bases and the suppliers' birds of earlier springs."""
        merit = self.merit_known
        living = pd.Index(self.flock.birds.loc[self.flock.birds["alive"], "bird"])
        model = merit.known.model.kinship if merit.known else kinship_of(merit.parentage, living)
        bases = [f"base {name}" for name in merit.parentage.suppliers]
        wanted = pd.Index([*living, *bases, *self._earlier()])
        wanted = wanted[wanted.isin(model.birds)]
        if merit.known is None or merit.index is None:
            flat = normal_draws(
                np.zeros(len(wanted)), self.sd**2 * model.block_of(wanted), SPRING_DRAWS, self.rng
            )[..., None]
        else:
            every = draw(merit.known, wanted, merit.index.weights, self.rng, quick=True).draws
            flat = every[np.linspace(0, len(every) - 1, SPRING_DRAWS).astype(int)]
        self.living = np.flatnonzero(wanted.isin(living))
        self.base = self._points(flat[:, self.living]).mean(axis=1)
        return {bird: flat[:, i] for i, bird in enumerate(wanted)}

    def merit(self, breeding_values: Floats) -> Floats:
        """Merit on the flock's base, about the mean of the living birds (draws × …), of functionals (draws × … × k)."""
        _ = self.drawn
        return self._points(breeding_values) - self.base[:, None]

    def _points(self, breeding_values: Floats) -> Floats:
        """Merit about the model's zero, of functionals (draws × … × k)."""
        index = self.merit_known.index
        return breeding_values[..., 0] if index is None else index.merit(breeding_values)

    def stock_of(self, source: Source) -> Stock:
        """The parents of a source's eggs."""
        if source.sires:
            return self._own(source)
        pedigree = self.family.pedigree
        egg = self.egg_of[source.name]
        at = int(pedigree.positions([egg])[0])
        sides = [self._unseen(side[[at]].indices, source) for side in (pedigree.sires, pedigree.dams)]
        inbreeding = self._with_hens(pedigree, [egg])
        return Stock(sides[0], sides[1], 0.5 * self.genetic, inbreeding, self._base_of(source) in self.drawn)

    def _own(self, source: Source) -> Stock:
        pedigree = self.merit_known.pedigree
        sides = [np.stack([self.drawn[b] for b in birds], axis=1) for birds in (source.sires, source.dams)]
        F = [
            float(pedigree.inbreeding[pedigree.positions(birds)].mean())
            for birds in (source.sires, source.dams)
        ]
        both = [self._with_hens(pedigree, birds) for birds in (source.sires, source.dams)]
        return Stock(sides[0], sides[1], 0.5 * (1 - np.mean(F)) * self.genetic, float(np.mean(both)), True)

    def _with_hens(self, pedigree: Pedigree, birds: Sequence[str]) -> float:
        """Mean F of chicks of `birds` and the hens here; 0 where there is none."""
        return float(0.5 * pedigree.relationship(list(birds), self.hens).mean()) if self.hens else 0.0

    def _unseen(self, places: npt.NDArray[np.intp], source: Source) -> Floats:
        """Draws of unseen birds of next spring: each perhaps one of an earlier spring, else new blood of its base."""
        pedigree = self.family.pedigree
        base = self.drawn.get(self._base_of(source))
        if base is None:
            base = normal_draws(
                np.zeros(len(self.genetic)), BASE_VARIANCE * self.genetic, SPRING_DRAWS, self.rng
            )
        root, birds = _root(self.genetic), []
        for place in places:
            row = pedigree.weights[[int(place)]]
            earlier = {pedigree.birds[k]: w for k, w in zip(row.indices, row.data, strict=True)}
            there = {bird: w for bird, w in earlier.items() if bird in self.drawn}
            mean = sum((w * self.drawn[bird] for bird, w in there.items()), (1 - sum(there.values())) * base)
            own = np.sqrt(pedigree.mendelian[int(place)]) * self.rng.standard_normal(base.shape) @ root.T
            birds.append(mean + own)
        return np.stack(birds, axis=1)

    def _earlier(self) -> list[str]:
        """Unseen birds of earlier springs of the suppliers that are offered."""
        pedigree = self.family.pedigree
        eggs = pedigree.positions(list(self.egg_of.values()))
        parents = np.unique(pedigree.weights[eggs].indices)
        return (
            [pedigree.birds[k] for k in np.unique(pedigree.weights[parents].indices)] if len(parents) else []
        )

    @staticmethod
    def _base_of(source: Source) -> str:
        return f"base {source.supplier}"


def _with_eggs(flock: Flock, bought: Sequence[Source]) -> tuple[Parentage, dict[str, str]]:
    """The flock's parentage with a clutch of next spring and its one chick from each supplier; source → chick."""
    if not bought:
        return parentage(flock), {}
    day = pd.Timestamp(flock.plan.season + 1, 3, 15)
    chick = [f"chick of next spring {i}" for i in range(len(bought))]
    label = [f"clutch of next spring {i}" for i in range(len(bought))]
    clutches = pd.DataFrame(
        {
            "clutch": label,
            "origin": "bought-in",
            "source": [s.name for s in bought],
            "set_on": day,
            "hatched_on": day + pd.Timedelta(days=21),
            "cocks": [s.cocks for s in bought],
            "hens": [s.hens for s in bought],
        }
    )
    birds = pd.DataFrame(
        {
            "bird": chick,
            "sex": "unknown",
            "clutch": label,
            "hatched": day + pd.Timedelta(days=21),
            "hatch_year": float(day.year),
            "origin_of": "bought-in",
            "source_of": [s.name for s in bought],
            "alive": True,
        }
    )
    more = replace(flock, clutches=_below(flock.clutches, clutches), birds=_below(flock.birds, birds))
    return parentage(more), {s.name: c for s, c in zip(bought, chick, strict=True)}


def _below(frame: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """`frame` with `rows` below it, in its own columns and dtypes."""
    full = rows.reindex(columns=frame.columns).astype(frame.dtypes.to_dict())
    return pd.concat([frame, full], ignore_index=True)


def _root(covariance: Floats) -> Floats:
    """The covariance's lower triangular root, a grain on its diagonal."""
    grain = 1e-12 * max(float(np.trace(covariance)), 1e-300)
    return np.asarray(np.linalg.cholesky(covariance + grain * np.eye(len(covariance))), dtype=float)
