"""Breeding values handed down: founders, chicks, their exact relationships, and the variances behind them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo import breed

SPREAD = 0.085
"""Standard deviation of a section judged by eye, as a share of its points."""
LOG_WEIGHT_SD = 0.09
SHANK_SD = 0.8  # mm


@dataclass(frozen=True)
class Model:
    """The variances that the holding's records are drawn from; m traits: sections by eye, size, shank width.

    `names` (m,); `sd` (m,) is one record's standard deviation among birds of one base, sex, season and judge,
    in points, log grams and mm; `G` (m, m) additive covariance; `supplier` is the variance of a supplier's
    effect as a share of G. Variances (m,): `clutch`, `brooder` (of a season), `day` (judge × day), `halo`
    (shared by a look's sections), `permanent`, `residual`; they and G's diagonal add up to sd², and the
    repeatability is (G + clutch + permanent)/sd².
    """

    names: tuple[str, ...]
    sd: np.ndarray
    correlation: np.ndarray
    G: np.ndarray
    supplier: float
    clutch: np.ndarray
    brooder: np.ndarray
    day: np.ndarray
    halo: np.ndarray
    permanent: np.ndarray
    residual: np.ndarray

    @property
    def by_eye(self) -> int:
        """How many of the traits, from the first, are sections judged by eye."""
        return len(breed.EYE)


def draw_model(
    rng: np.random.Generator,
    heritability: float | None,
    correlation: float | None,
    supplier: float,
    clutch: float,
    brooder: float,
    day: float,
    halo: float,
    off: float = 0.0,
) -> Model:
    """The holding's variances: shares as given, genetic correlations drawn unless one is given for all.

    `heritability` (None: the standard's own) is for all traits, and `off` is added to each; repeatabilities are
    the standard's, or as much higher as heritability and clutch need.
    """
    traits = (*breed.EYE, breed.SIZE, breed.SHANK)
    points = np.array([section.points for section in breed.EYE])
    sd = np.r_[SPREAD * points, LOG_WEIGHT_SD, SHANK_SD]
    h2 = off + np.array([t.heritability if heritability is None else heritability for t in traits])
    if (h2 <= 0).any():
        raise ValueError("a trait's heritability is nought or less")
    repeatability = np.maximum(np.array([t.repeatability for t in traits], dtype=float), h2 + clutch)
    eye = np.arange(len(traits)) < len(breed.EYE)
    shares = {"clutch": np.full(len(traits), clutch), "brooder": np.full(len(traits), brooder)}
    shares |= {
        "day": day * eye,
        "halo": halo * eye,
        "permanent": np.maximum(repeatability - h2 - clutch, 0.0),
    }
    shares["residual"] = 1 - repeatability - brooder - shares["day"] - shares["halo"]
    if (shares["residual"] <= 0).any():
        raise ValueError("the shares of variance leave nothing for the residual")
    R = (
        draw_correlations(rng, len(traits))
        if correlation is None
        else _one_correlation(len(traits), correlation)
    )
    scale = np.sqrt(h2) * sd
    parts = {name: share * sd**2 for name, share in shares.items()}
    return Model(tuple(t.name for t in traits), sd, R, R * np.outer(scale, scale), supplier, **parts)


def draw_correlations(rng: np.random.Generator, m: int) -> np.ndarray:
    """A correlation matrix (m, m) whose pairs are about N(0.15, 0.15²), its eigenvalues raised to 0.02."""
    R = np.eye(m)
    rows, cols = np.triu_indices(m, 1)
    R[rows, cols] = R[cols, rows] = rng.normal(0.15, 0.15, len(rows))
    values, vectors = np.linalg.eigh(R)
    R = (vectors * np.maximum(values, 0.02)) @ vectors.T
    scale = np.sqrt(np.diag(R))
    return R / np.outer(scale, scale)


def _one_correlation(m: int, rho: float) -> np.ndarray:
    return np.full((m, m), rho) + (1 - rho) * np.eye(m)


class Descent:
    """Every bird that ever had a part in the flock, seen or not, parents first, by row number.

    `value` (n, m) true breeding values, suppliers' effects and all; `origin` (n, m) the part of them that
    came down from suppliers' and home founders' effects; `relationship` (n, n) A; `sire`, `dam` (n,), −1
    where unknown.
    """

    def __init__(self, model: Model, rng: np.random.Generator, room: int) -> None:
        m = len(model.names)
        self.model, self.rng, self.n = model, rng, 0
        self.root = np.linalg.cholesky(model.G)
        self._value, self._origin, self._A = np.zeros((room, m)), np.zeros((room, m)), np.zeros((room, room))
        self._sire, self._dam = np.full(room, -1), np.full(room, -1)

    @property
    def value(self) -> np.ndarray:
        return self._value[: self.n]

    @property
    def origin(self) -> np.ndarray:
        return self._origin[: self.n]

    @property
    def relationship(self) -> np.ndarray:
        return self._A[: self.n, : self.n]

    @property
    def sire(self) -> np.ndarray:
        return self._sire[: self.n]

    @property
    def dam(self) -> np.ndarray:
        return self._dam[: self.n]

    def effect(self) -> np.ndarray:
        """A new supplier's effect on each trait (m,), variance `supplier`·G."""
        return np.sqrt(self.model.supplier) * self._draw(1)[0]

    def founders(self, count: int, effect: np.ndarray) -> np.ndarray:
        """Rows of `count` new unrelated birds about the supplier's (or home founders') effect."""
        rows = self._take(count)
        self._origin[rows] = effect
        self._value[rows] = effect + self._draw(count)
        self._A[rows, rows] = 1.0
        return rows

    def chicks(self, sires: np.ndarray, dams: np.ndarray) -> np.ndarray:
        """Rows of new chicks: half of each parent and Mendelian sampling, ½(1 − the parents' mean F)·G."""
        before = self.n
        rows = self._take(len(sires))
        self._sire[rows], self._dam[rows] = sires, dams
        A = self._A
        F = np.diag(A)[:before] - 1
        older = 0.5 * (A[sires, :before] + A[dams, :before])
        among = 0.5 * (older[:, sires] + older[:, dams])
        np.fill_diagonal(among, 1 + 0.5 * A[sires, dams])
        A[before : self.n, :before], A[:before, before : self.n] = older, older.T
        A[before : self.n, before : self.n] = among
        mendelian = np.sqrt(0.5 * (1 - 0.5 * (F[sires] + F[dams])))
        for column in (self._value, self._origin):
            column[rows] = 0.5 * (column[sires] + column[dams])
        self._value[rows] += mendelian[:, None] * self._draw(len(rows))
        return rows

    def _draw(self, count: int) -> np.ndarray:
        return self.rng.standard_normal((count, len(self.root))) @ self.root.T

    def _take(self, count: int) -> np.ndarray:
        rows = np.arange(self.n, self.n + count)
        self.n += count
        if self.n > len(self._value):
            raise ValueError("more birds than room was made for")
        return rows
