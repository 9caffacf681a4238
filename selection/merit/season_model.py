"""The whole model of a holding's observations, all traits at once, ready to be solved for any variances.

    y = season×sex + judge×season + age + judge×day + clutch + brooder×season + permanent bird
        + breeding value + residual

The last of each look is shared in part by its sections (halo): the residual correlation of sections judged
together. Breeding values follow A + ½·Q Qᵀ: the supplier (or home) that a founder came from has one effect
a trait, with variance ½G, handed down by descent. A group of n unnamed chicks enters as the mean of n mates.

What a bird's own inbreeding costs it by the published value is added back to its numbers first, so that the vigour of
crosses is not taken for their supplier's blood; a trait without a published value is left as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import sparse

from selection.merit import mixed_equations, published
from selection.merit.mixed_equations import Solution, Term
from selection.merit.observations import TOTAL, Observations
from selection.merit.relationship.parentage import Parentage
from selection.standard.traits import Trait

BASE_VARIANCE = 0.5
"""Variance of a supplier's effect as a share of the genetic variance (method)."""

MIDDLE_AGE = 24.0
"""Weeks from which ages are counted."""

EFFECTS = ("day", "clutch", "brooder", "permanent", "genetic", "residual")
"""The random parts of a trait, in the order in which variances are kept."""


@dataclass(frozen=True)
class Variances:
    """Variances and correlations of all traits at once.

    parts: T × 6 variances, columns as EFFECTS; genetic, permanent, residual: T × T correlation matrices (the
    residual one holds between sections of one look; elsewhere it is not used).
    """

    parts: np.ndarray
    genetic: np.ndarray
    permanent: np.ndarray
    residual: np.ndarray

    def of(self, effect: str) -> np.ndarray:
        """Variances (T,) of one effect."""
        return self.parts[:, EFFECTS.index(effect)]

    def covariance(self, effect: str) -> np.ndarray:
        """Covariance (T × T) of one effect between traits; judge's day, clutch and brooder are independent."""
        correlation = getattr(self, effect, None)
        sd = np.sqrt(self.of(effect))
        return np.diag(sd**2) if correlation is None else correlation * np.outer(sd, sd)


@dataclass(frozen=True)
class _Levels:
    """One set of levels: its labels, the code of each observation (−1: none), and relative precision of each."""

    labels: pd.Index
    codes: np.ndarray
    precision: sparse.csc_array
    log_det: float


@dataclass(frozen=True)
class Kinship:
    """Birds of the model and the bases above them, with the precision of A + ½QQᵀ.

    birds: nodes in the order of the equations, bases last; precision (m × m) and its log determinant; inbreeding:
    F (m,), 0 for bases.
    """

    birds: pd.Index
    precision: sparse.csc_array
    log_det: float
    inbreeding: np.ndarray

    def block_of(self, birds: pd.Index) -> np.ndarray:
        """A + ½QQᵀ among `birds` (k × k)."""
        return self.block(self.birds.get_indexer(birds))

    def block(self, at: np.ndarray) -> np.ndarray:
        """A + ½QQᵀ among the nodes at these places (k × k)."""
        pick = np.zeros((len(self.birds), len(at)))
        pick[at, np.arange(len(at))] = 1.0
        return mixed_equations.factorise(self.precision).solve(pick)[at]


@dataclass(frozen=True)
class SeasonModel:
    """Design of everything that was observed; `solve` takes the variances.

    y: n values as of birds that are not inbred; depression: what inbreeding of 1 would change each trait by (T,), 0
    where nothing is published; loading: n × T, which traits a value speaks for (a total for all judged by eye).
    """

    observations: Observations
    y: np.ndarray
    depression: np.ndarray
    loading: sparse.csr_array
    fixed: sparse.csr_array
    fixed_names: pd.DataFrame
    levels: dict[str, _Levels]
    kinship: Kinship
    looks: np.ndarray
    weighing_precision: sparse.csr_array
    weighing_log_det: float

    @property
    def traits(self) -> tuple[str, ...]:
        return self.observations.traits

    @cached_property
    def designs(self) -> dict[str, sparse.csr_array]:
        """Design (n × levels·T) of every random effect; column = level·T + trait."""
        return {
            name: crossed(level.codes, len(level.labels), self.loading) for name, level in self.levels.items()
        }

    def solve(self, variances: Variances) -> Solution:
        """Solutions, posterior covariances and REML log-likelihood under given variances."""
        return mixed_equations.solve(self.y, self.terms(variances), *self.residual(variances))

    def posterior_corner(
        self, variances: Variances, order: mixed_equations.Order
    ) -> tuple[np.ndarray, np.ndarray]:
        """Solutions, and the joint posterior covariance of the unknowns that `order` ends with."""
        precision, _ = self.residual(variances)
        arranged = mixed_equations.equations(self.y, self.terms(variances), precision, order.places)
        return mixed_equations.posterior_corner(*arranged, order)

    def terms(self, variances: Variances) -> list[Term]:
        """The fixed effects and every random one with its prior precision."""
        terms = [Term("fixed", self.fixed)]
        for name, level in self.levels.items():
            covariance = variances.covariance(name)
            log_det = len(self.traits) * level.log_det - len(level.labels) * np.linalg.slogdet(covariance)[1]
            precision = mixed_equations.kronecker(level.precision, np.linalg.inv(covariance))
            terms.append(Term(name, self.designs[name], precision, log_det))
        return terms

    def residual(self, variances: Variances) -> tuple[sparse.csr_array, float]:
        """R⁻¹ (n × n) and its log determinant."""
        covariance = variances.covariance("residual")
        rows = self.observations.rows
        number = rows["n"].to_numpy()
        blocks, log_det = self._looks_precision(covariance, number)
        blocks, log_det = [blocks], log_det
        eye = [self.traits.index(t) for t in self.observations.by_eye]
        own = {t: covariance[i, i] for i, t in enumerate(self.traits) if i not in eye}
        own[TOTAL] = covariance[np.ix_(eye, eye)].sum()
        for series, variance in own.items():
            at = np.flatnonzero(rows["series"] == series)
            if series == self.observations.weighed:
                blocks.append(self.weighing_precision / variance)
                log_det += self.weighing_log_det - len(at) * np.log(variance)
            elif len(at):
                precision = number[at] / rows["sd"].to_numpy()[at] ** 2 / variance
                blocks.append(_diagonal(at, precision, len(rows)))
                log_det += float(np.log(precision).sum())
        return sum(blocks[1:], blocks[0]).tocsr(), log_det

    def _looks_precision(self, covariance: np.ndarray, number: np.ndarray) -> tuple[sparse.csr_array, float]:
        """R⁻¹ of the looks, block by block; looks with the same sections seen share one inverse."""
        n, eye = len(self.y), [self.traits.index(t) for t in self.observations.by_eye]
        cells, log_det = [np.empty((3, 0))], 0.0
        seen = self.looks >= 0
        for pattern in np.unique(seen, axis=0) if len(seen) else []:
            at = self.looks[(seen == pattern).all(axis=1)][:, pattern]
            inverse = np.linalg.inv(covariance[np.ix_(eye, eye)][np.ix_(pattern, pattern)])
            weight = number[at[:, 0]]
            width = at.shape[1]
            cells.append(
                np.stack(
                    [
                        np.repeat(at, width, axis=1).ravel(),
                        np.tile(at, (1, width)).ravel(),
                        (weight[:, None] * inverse.ravel()).ravel(),
                    ]
                )
            )
            log_det += len(at) * np.linalg.slogdet(inverse)[1] + width * np.log(weight).sum()
        rows, cols, values = np.concatenate(cells, axis=1)
        return sparse.csr_array((values, (rows.astype(int), cols.astype(int))), shape=(n, n)), float(log_det)


def season_model(observations: Observations, parentage: Parentage, wanted: pd.Index) -> SeasonModel:
    """The model's design for these observations; `wanted` birds are in it whether seen or not."""
    rows = observations.rows
    columns = {t: i for i, t in enumerate(observations.traits)}
    fixed, names = _fixed(observations)
    kinship = kinship_of(parentage, pd.Index(rows["bird"].unique()).union(wanted, sort=False))
    levels = {name: _free_levels(rows[name]) for name in ("day", "clutch", "brooder")}
    levels["permanent"] = _bird_levels(rows)
    levels["genetic"] = _Levels(
        kinship.birds, kinship.birds.get_indexer(rows["bird"]), kinship.precision, kinship.log_det
    )
    weighing, log_det = _weighing_precision(rows, observations)
    loading = _loading(rows["series"], columns, observations.by_eye)
    lost = np.array([_depression(trait, rows) for trait in observations.asked])
    F = kinship.inbreeding[levels["genetic"].codes]
    return SeasonModel(
        observations=observations,
        y=rows["value"].to_numpy(float) - F * (loading @ lost),
        depression=lost,
        loading=loading,
        fixed=fixed,
        fixed_names=names,
        levels=levels,
        kinship=kinship,
        looks=_look_table(rows, observations.by_eye),
        weighing_precision=weighing,
        weighing_log_det=log_det,
    )


def _depression(trait: Trait, rows: pd.DataFrame) -> float:
    """What inbreeding of 1 would change a trait by, in the model's numbers, on the published line from 0 to 0.1."""
    row = published.published_depression(trait.prior)
    if row is None:
        return 0.0
    if trait.hangs:  # log weight
        return 10 * float(np.log1p(row.value / 100))
    values = rows.loc[rows["series"] == trait.key, "value"]
    return 10 * row.value / 100 * float(values.mean()) if len(values) else 0.0


def kinship_of(parentage: Parentage, birds: pd.Index) -> Kinship:
    """Precision of A + ½QQᵀ among `birds` and all their ancestors, bases as ancestors of the founders.

    Birds that nothing was seen of and that have no chicks among them are left out: they say nothing.
    """
    pedigree, bases = parentage.pedigree, parentage.bases
    needed = np.zeros(len(pedigree.birds), bool)
    needed[pedigree.positions(birds)] = True
    for level in reversed(pedigree.levels):
        needed[pedigree.weights[level[needed[level]]].indices] = True
    keep = np.flatnonzero(needed)
    weights = pedigree.weights[keep][:, keep]
    shares = bases[keep]
    from_base = shares - weights @ shares  # what is not explained by the parents' own shares
    top = sparse.hstack([sparse.eye_array(len(keep)) - weights, -from_base])
    count = bases.shape[1]
    descent = sparse.vstack(
        [top, sparse.hstack([sparse.csr_array((count, len(keep))), sparse.eye_array(count)])], format="csr"
    )
    own = np.concatenate([pedigree.mendelian[keep], np.full(count, BASE_VARIANCE)])
    precision = (descent.T @ sparse.diags_array(1 / own) @ descent).tocsc()
    precision.eliminate_zeros()
    labels = [
        *np.array(pedigree.birds, dtype=object)[keep],
        *(f"base {name}" for name in parentage.suppliers),
    ]
    inbreeding = np.concatenate([pedigree.inbreeding[keep], np.zeros(count)])
    return Kinship(pd.Index(labels), precision, -float(np.log(own).sum()), inbreeding)


def crossed(codes: np.ndarray, count: int, loading: sparse.csr_array) -> sparse.csr_array:
    """Design of levels × traits: each observation's level (−1: none) by the traits it speaks for."""
    width = loading.shape[1]
    cells = loading.tocoo()
    level = codes[cells.row]
    has = level >= 0
    return sparse.csr_array(
        (cells.data[has], (cells.row[has], level[has] * width + cells.col[has])),
        shape=(len(codes), count * width),
    )


def _free_levels(labels: pd.Series) -> _Levels:
    codes, uniques = pd.factorize(labels, sort=True)
    return _Levels(pd.Index(uniques), codes, sparse.eye_array(len(uniques), format="csc"), 0.0)


def _bird_levels(rows: pd.DataFrame) -> _Levels:
    """Levels of the permanent effect: a group of n chicks has that of a mean, 1/n of the variance."""
    codes, birds = pd.factorize(rows["bird"])
    number = rows.groupby("bird")["n"].first().reindex(birds).to_numpy()
    return _Levels(pd.Index(birds), codes, sparse.diags_array(number).tocsc(), float(np.log(number).sum()))


def _loading(series: pd.Series, columns: dict[str, int], by_eye: tuple[str, ...]) -> sparse.csr_array:
    """Which traits each value speaks for: its own, a total for all that are judged by eye."""
    single = series.map(columns)
    own = np.flatnonzero(single.notna())
    cards = np.flatnonzero(series == TOTAL)
    eye = [columns[t] for t in by_eye]
    at = np.concatenate([own, np.repeat(cards, len(eye))])
    cols = np.concatenate([single.iloc[own].to_numpy(int), np.tile(eye, len(cards))]).astype(int)
    return sparse.csr_array((np.ones(len(at)), (at, cols)), shape=(len(series), len(columns)))


def _fixed(observations: Observations) -> tuple[sparse.csr_array, pd.DataFrame]:
    """Season×sex, judge×season and age for each series; columns that say the same again are dropped."""
    rows = observations.rows
    season, which = rows["season"].astype(str), rows["series"].to_numpy()
    labels = [np.asarray(x, dtype=object) for x in (season + " " + rows["sex"], rows["judge"] + season)]
    age = rows["age_weeks"].to_numpy(float) - MIDDLE_AGE
    blocks, names = [], []
    for name in observations.series:
        at = np.flatnonzero(which == name)
        if not len(at):  # known through old cards alone
            continue
        columns = [_dummies(label[at]) for label in labels]
        kinds = ["cell"] * len(columns[0][0]) + ["judge"] * len(columns[1][0]) + ["age"]
        if name != observations.weighed:  # age is in the growth curve already
            columns.append((np.array(["age"], dtype=object), age[at, None]))
        effects = np.concatenate([found for found, _ in columns])
        local = np.column_stack([values for _, values in columns])
        kept = mixed_equations.independent_columns(sparse.csr_array(local))
        cells = sparse.coo_array(local[:, kept])
        blocks.append(
            sparse.csr_array((cells.data, (at[cells.row], cells.col)), shape=(len(rows), len(kept)))
        )
        kind = np.array(kinds, dtype=object)[kept]
        names.append(pd.DataFrame({"series": name, "effect": effects[kept], "kind": kind}))
    return sparse.hstack(blocks, format="csr"), pd.concat(names, ignore_index=True)


def _dummies(labels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The different labels, sorted, and a column of 0 and 1 for each; a missing label has none."""
    codes, found = pd.factorize(labels, sort=True)
    return found, (codes[:, None] == np.arange(len(found))).astype(float)


def _look_table(rows: pd.DataFrame, by_eye: tuple[str, ...]) -> np.ndarray:
    """Looks × sections: the position of each section's value among the observations, −1 where not seen."""
    part = rows[rows["series"].isin(by_eye)]
    look, _ = pd.factorize(part["record"])
    table = np.full((look.max(initial=-1) + 1, len(by_eye)), -1)
    table[look, part["series"].map({t: i for i, t in enumerate(by_eye)}).to_numpy(int)] = part.index
    return table


def _weighing_precision(rows: pd.DataFrame, observations: Observations) -> tuple[sparse.csr_array, float]:
    """Precision of the weighings for a residual variance of 1: correlation exp(−weeks/decay) within a bird."""
    n, at = len(rows), np.flatnonzero(rows["series"] == observations.weighed)
    weeks, number = rows["week"].to_numpy(float), rows["n"].to_numpy(float)
    sd = rows["sd"].to_numpy(float) / np.sqrt(number)
    cells, log_det = [np.empty((3, 0))], 0.0
    for own in runs(rows["record"].iloc[at]):
        here = at[own]
        inverse = np.linalg.inv(decaying(weeks[here], sd[here], observations.decay_weeks))
        cells.append(np.stack([np.repeat(here, len(here)), np.tile(here, len(here)), inverse.ravel()]))
        log_det += float(np.linalg.slogdet(inverse)[1])
    row, col, value = np.concatenate(cells, axis=1)
    return sparse.csr_array((value, (row.astype(int), col.astype(int))), shape=(n, n)), log_det


def runs(labels: pd.Series) -> list[np.ndarray]:
    """The places of each different label, in the order in which the labels first appear."""
    codes, found = pd.factorize(labels)
    return np.split(
        np.argsort(codes, kind="stable"), np.cumsum(np.bincount(codes, minlength=len(found)))[:-1]
    )


def decaying(weeks: np.ndarray, sd: np.ndarray, decay_weeks: float) -> np.ndarray:
    """Residual covariance (k × k) of one bird's weighings: sd_i·sd_j·exp(−|gap|/decay)."""
    gap = np.abs(weeks[:, None] - weeks[None, :])
    # two weighings of one day are two readings of one state: the scale's own error keeps them apart
    near = np.exp(-gap / decay_weeks) * 0.98 + 0.02 * np.eye(len(weeks))
    return near * np.outer(sd, sd)


def _diagonal(at: np.ndarray, values: np.ndarray, n: int) -> sparse.csr_array:
    return sparse.csr_array((values, (at, at)), shape=(n, n))


def compound(correlation: float, count: int, named: dict[tuple[int, int], float] | None = None) -> np.ndarray:
    """Correlation matrix with one value everywhere but for `named` pairs."""
    matrix = np.full((count, count), correlation)
    np.fill_diagonal(matrix, 1.0)
    for (i, j), value in (named or {}).items():
        matrix[i, j] = matrix[j, i] = value
    return matrix
