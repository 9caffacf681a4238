"""The mixed model of one trait in one sex: what clutches share, beside what judges, days and brooders gave.

    y = judge×season + sex×season + age + judge×day + brooder×season + pen + clutch's blood + clutch + bird + e

Judges' and sexes' levels are fixed; the rest is random. Partial pooling is the shrinkage, and nothing else is
taken off for many pairs. Each variance has a log-normal prior around its published share, moved by the records'
own REML likelihood, and what is not known of the variances is integrated over by weighted draws.
Clutches share blood by their parents (:class:`Families`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import csr_array
from scipy.special import ndtr

from selection.answer import LEVEL, Floats
from selection.merit.relationship.parentage import Parentage
from selection.merit.variances.components import Effect, Equations, fit_equations
from selection.records.flock import Flock

MOST_CLUTCHES = 150
"""Clutches compared together: of more, those of the latest seasons; older ones tell through blood alone."""
UNKNOWN_BROODER = "a brooder not written down"
BASE = 0.5
"""Variance of a supplier's own effect, a share of the genetic variance (method)."""


@dataclass(frozen=True)
class Families:
    """Clutches with chicks on record.

    `about`: one row a clutch, by its folded label: clutch (as written), origin, source, brooder, brooder_key (with
    its year), setting (the same for eggs of one pen set on one day), year, hatched_on. `root` (clutches, r): Γ =
    root rootᵀ. `alike`: relationship of clutch mates, on the mean of the clutches, beside what their supplier gives
    them all.
    """

    about: pd.DataFrame
    root: Floats
    alike: float

    @property
    def labels(self) -> pd.Index:
        """Folded labels, in the order of `root`."""
        return self.about.index

    @cached_property
    def settings(self) -> npt.NDArray[np.int_]:
        """Each clutch's `setting` as a number."""
        return pd.factorize(self.about["setting"])[0]

    @cached_property
    def brooders(self) -> npt.NDArray[np.int_]:
        """Each clutch's `brooder_key` as a number."""
        return pd.factorize(self.about["brooder_key"])[0]

    @cached_property
    def kin(self) -> Floats:
        """Γ (clutches, clutches)."""
        return self.root @ self.root.T

    @cached_property
    def latest(self) -> npt.NDArray[np.int_]:
        """The places of the clutches of the latest year, rising."""
        year = self.about["year"]
        return np.flatnonzero(year == year.max())

    @cached_property
    def hatched(self) -> Floats:
        """Hatching day (clutches,) as a number of days; missing where it is not on record."""
        days = self.about["hatched_on"]
        return ((days - pd.Timestamp(0)) / pd.Timedelta(days=1)).to_numpy(float)

    def told(self, entries: pd.Series) -> npt.NDArray[np.bool_]:
        """Which entries are of these clutches alone."""
        return self.members(entries).sum(axis=1) > 0.999

    def members(self, entries: pd.Series) -> Floats:
        """Shares (rows, clutches) of entries such as `26-h1`, or `26-h1;26-h2` where never told apart."""
        codes, uniques = pd.factorize(entries)
        shares = np.zeros((len(uniques) + 1, len(self.labels)))  # the last row: entries that are missing
        for i, entry in enumerate(uniques):
            for label, share in entry_shares(entry).items():
                if label in self.labels:
                    shares[i, self.labels.get_loc(label)] = share
        return shares[codes]

    def of_season(self, season: int) -> list[str]:
        """Folded labels of the clutches hatched in `season`, in the order of their labels."""
        here = self.about.index[self.about["year"] == season]
        return sorted(
            here, key=lambda label: [int(s) if s.isdigit() else s for s in re.split(r"(\d+)", label)]
        )


def entry_shares(entry: object) -> Mapping[str, float]:
    """Equal shares in the clutches of an entry; empty for a bird without one."""
    labels = [part.strip().casefold() for part in str(entry).split(";") if part.strip()]
    return {label: 1 / len(labels) for label in labels} if isinstance(entry, str) else {}


def families(flock: Flock, parentage: Parentage) -> Families:
    """Every clutch that has a bird or a group of unnamed chicks on record, with its blood."""
    about = latest(_about(flock), flock.plan.season)
    chicks = pd.concat(
        [
            flock.birds[["bird", "clutch"]],
            parentage.chicks[["id", "clutch"]].rename(columns={"id": "bird"}),
        ]
    ).dropna()
    chicks["clutch"] = chicks["clutch"].str.strip().str.casefold()
    chicks = chicks[chicks["clutch"].isin(about.index)]
    about = about[about.index.isin(chicks["clutch"])]
    kin, base = _between(chicks, about.index, parentage)
    alike = float(np.diag(kin).mean()) if len(kin) else 0.0
    return Families(about, _root(kin + BASE * base), alike)


def latest(about: pd.DataFrame, season: int) -> pd.DataFrame:
    """The clutches of as many latest seasons as come to `MOST_CLUTCHES`; of this season and the last in any case."""
    sizes = about.groupby("year").size().sort_index(ascending=False)
    within = sizes.index[(sizes.cumsum() <= MOST_CLUTCHES) | (sizes.index >= season - 1)]
    return about[about["year"].isin(within)]


def _about(flock: Flock) -> pd.DataFrame:
    """What the clutches form says, by folded label."""
    form = flock.clutches.assign(key=flock.clutches["clutch"].str.strip().str.casefold())
    form = form.sort_values(["set_on", "clutch"]).set_index("key")
    form["year"] = form["hatched_on"].fillna(form["set_on"] + pd.Timedelta(days=21)).dt.year
    pen = form["source"].where(form["origin"] == "bought-in", form["pen"])
    form["setting"] = pen.fillna(form["clutch"]).str.casefold() + form["set_on"].dt.strftime(", %Y-%m-%d")
    form["brooder_key"] = form["brooder"].fillna(UNKNOWN_BROODER) + " " + form["year"].astype(str)
    return form[
        [
            "clutch",
            "origin",
            "source",
            "brooder",
            "brooder_key",
            "setting",
            "year",
            "hatched_on",
        ]
    ]


def _between(chicks: pd.DataFrame, labels: pd.Index, parentage: Parentage) -> tuple[Floats, Floats]:
    """w A wᵀ and q qᵀ between clutches, from the mean shares of each clutch's chicks."""
    pedigree = parentage.pedigree
    at = pedigree.positions(chicks["bird"])
    codes = labels.get_indexer(chicks["clutch"])
    mean = np.zeros((len(labels), len(at)))
    mean[codes, np.arange(len(at))] = 1 / np.bincount(codes, minlength=len(labels))[codes]
    parents = mean @ pedigree.weights[at]
    bases = mean @ parentage.bases[at]
    return parents @ pedigree.times(parents.T), bases @ bases.T


def _root(covariance: Floats) -> Floats:
    """A root of a covariance that may be singular: clutches of one pen in one spring are alike."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    real = values > 1e-10 * max(values.max(initial=0.0), 1.0)
    return vectors[:, real] * np.sqrt(values[real])


_DRAWS = 64
"""Draws of the variances; they come in mirrored pairs."""
WIDER = 1.2
"""The draws are spread this much wider than the normal approximation, and weighted back."""
AGE_SHARE = 0.01
"""Variance of a week's worth of age, a share of the trait's: 0.1 of its spread a week (common practice)."""
LEAST_BIRD = 0.05
UNRELATED = 0.3
"""Share of the genetic variance that chicks of one cock and six hens have in common."""
LOG_SD = {"clutch": 0.7, "brooder": 0.7, "pen": 0.7, "day": 0.7, "bird": 0.4, "age": 0.7}
"""How far a variance's ratio to the residual may lie from its published value, on the log scale."""
_TOTAL_SD = 1.0
"""How far the residual variance may lie from the usual one, on the log scale: nearly free."""


@dataclass(frozen=True)
class VarianceShares:
    """What is held of a trait's variance beforehand, as shares of that of one look at one bird.

    `blood` is the heritability, and `blood_log_sd` how far it may be off, on the log scale; `usual` the total
    variance in the trait's squared unit.
    """

    blood: float
    blood_log_sd: float
    repeatability: float
    clutch: float
    brooder: float
    day: float
    usual: float

    @property
    def within(self) -> float:
        """Usual variance among the means of chicks of one clutch, each looked at once or so."""
        return self.usual * (1 - UNRELATED * self.blood - self.clutch - self.brooder - self.day)


@dataclass(frozen=True)
class ClutchModel:
    """Rows of one trait in one sex as arrays, with the prior of each variance.

    `effects` in the order of `prior` (variances, the residual last); `families` gives the clutches' order. `free`
    (clutches,): a planned contrast that nothing pulls towards nought, the last column of X; None for none.
    """

    rows: pd.DataFrame
    families: Families
    X: Floats
    effects: tuple[Effect, ...]
    prior: Floats
    log_sd: Floats
    equations: Equations = field(repr=False)
    free: Floats | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(e.name for e in self.effects)

    @cached_property
    def members(self) -> Floats:
        """Shares (rows, clutches) of each row in the clutches."""
        return self.families.members(self.rows["clutch"])

    @cached_property
    def factors(self) -> dict[str, pd.Series]:
        """What may be mixed up with the clutch, a label a row: `brooder` (the first clutch's), `pen`, `judge`."""
        rows, season = self.rows, self.rows["season"].astype(str)
        brooder = self.families.about["brooder_key"].to_numpy()[self.members.argmax(axis=1)]
        factors = {"brooder": pd.Series(brooder)}
        if rows["pen"].notna().any():
            factors["pen"] = rows["pen"].fillna("no pen") + " " + season
        if rows["judge"].notna().any():
            factors["judge"] = rows["judge"].fillna("nobody") + " " + season
        return factors

    @cached_property
    def patterns(self) -> tuple[Floats, dict[str, Floats]]:
        """The different ways (w) in which rows stand in clutches and factors: all that a row space is made of.

        Shares in the clutches (w, clutches), and for each of `factors` one column a label (w, labels).
        """
        codes = {name: pd.factorize(labels)[0] for name, labels in self.factors.items()}
        ways = np.unique(np.column_stack([self.members, *codes.values()]), axis=0)
        members, *columns = np.split(ways, range(self.members.shape[1], ways.shape[1]), axis=1)
        labels = (np.arange(codes[name].max() + 1) for name in codes)
        return members, {
            n: (c == own).astype(float) for n, c, own in zip(codes, columns, labels, strict=True)
        }

    @cached_property
    def kept(self) -> dict[object, Floats]:
        """What was worked out of this model once, for every pair of clutches to be told from."""
        return {}

    def on_effects(self, contrasts: Floats) -> list[Floats | None]:
        """Weights on each effect's levels from weights (clutches, r) on clutches."""
        parts: dict[str, Floats] = {"blood": self.families.root.T @ contrasts, "clutch": contrasts}
        return [parts.get(name) for name in self.names]

    def prior_variance(self, contrasts: Floats) -> Floats:
        """Variance (r,) of contrasts of clutches before any record, at the prior shares."""
        blood, clutch = (self.prior[self.names.index(name)] for name in ("blood", "clutch"))
        by_blood = ((self.families.root.T @ contrasts) ** 2).sum(axis=0)
        return blood * by_blood + clutch * (contrasts**2).sum(axis=0)

    def known(self, contrasts: Floats, variances: Floats | None = None) -> Floats:
        """Covariance (r, r) of contrasts of clutches given these rows, at `variances` (the prior's where None)."""
        fixed = None
        if self.free is not None:
            fixed = np.zeros((self.X.shape[1], contrasts.shape[1]))
            fixed[-1] = self.free @ contrasts
        weights = self.equations.stacked(fixed, self.on_effects(contrasts))
        return self.equations.error_covariance(self.prior if variances is None else variances, weights)

    def log_prior(self, logs: Floats) -> tuple[float, Floats]:
        """Log density of the log variances, and its gradient: ratios to the residual, and the residual."""
        centre = np.log(self.prior)
        off = (logs[:-1] - logs[-1]) - (centre[:-1] - centre[-1]) + self.log_sd**2 / 2
        slope = -off / self.log_sd**2
        last = (logs[-1] - centre[-1]) / _TOTAL_SD**2
        value = 0.5 * float(off @ slope) - 0.5 * last * (logs[-1] - centre[-1])
        return value, np.append(slope, -last - slope.sum())


@dataclass(frozen=True)
class ClutchPosterior:
    """What is known of r quantities: normal given the variances, over weighted draws of the variances.

    `weights` (S,), `means` (S, r), `covariances` (S, r, r); `variances` (K+1,) the most probable ones.
    """

    weights: Floats
    means: Floats
    covariances: Floats
    variances: Floats

    def contrasts(self, combinations: Floats) -> pd.DataFrame:
        """difference, low, high (90 %), probability (above 0) of combinations (r, c) of the quantities."""
        means = self.means @ combinations
        sds = np.sqrt(np.maximum(np.einsum("ic,sij,jc->sc", combinations, self.covariances, combinations), 0))
        tail = (1 - LEVEL) / 2
        return pd.DataFrame(
            {
                "difference": self.weights @ means,
                "low": _quantile(self.weights, means, sds, tail),
                "high": _quantile(self.weights, means, sds, 1 - tail),
                "probability": self.weights @ ndtr(means / np.maximum(sds, 1e-300)),
            }
        )

    def sample(self, size: int, rng: np.random.Generator) -> Floats:
        """Draws (size, r) of the quantities."""
        which = rng.choice(len(self.weights), size=size, p=self.weights)
        width = self.means.shape[1]
        roots = np.linalg.cholesky(self.covariances + 1e-12 * np.trace(self.covariances[0]) * np.eye(width))
        return self.means[which] + np.einsum("sij,sj->si", roots[which], rng.standard_normal((size, width)))


def clutch_model(
    rows: pd.DataFrame, families: Families, shares: VarianceShares, free: Floats | None = None
) -> ClutchModel:
    """The design of rows of one trait (one sex, or both); effects of which there is but one level are left out.

    `free` (clutches,): what a planned contrast adds to each clutch, for one unit; fixed, and so never shrunken.
    """
    rows = rows.reset_index(drop=True)
    members = families.members(rows["clutch"])
    X = _fixed(rows) if free is None else np.column_stack([_fixed(rows), members @ free])
    effects = [Effect("blood", csr_array(members @ families.root)), Effect("clutch", csr_array(members))]
    effects += _circumstances(rows, families, members)
    prior = _prior(shares, families.alike, [e.name for e in effects])
    log_sd = np.array([shares.blood_log_sd if e.name == "blood" else LOG_SD[e.name] for e in effects])
    equations = Equations(rows["value"].to_numpy(), X, effects, rows["scale"].to_numpy())
    return ClutchModel(rows, families, X, tuple(effects), prior, log_sd, equations, free)


def posterior(model: ClutchModel, levels: list[str], rng: np.random.Generator) -> ClutchPosterior:
    """What is known of the levels of clutches (folded labels), in the trait's unit, at the rows' usual judges."""
    wanted = np.zeros((len(model.families.labels), len(levels)))
    wanted[model.families.labels.get_indexer(levels), np.arange(len(levels))] = 1.0
    season = model.members[:, wanted.any(axis=1)].any(axis=1)
    usual = model.X[season].mean(axis=0) if season.any() else model.X.mean(axis=0)
    fixed = np.repeat(usual[:, None], len(levels), axis=1)
    if model.free is not None:
        fixed[-1] = wanted.T @ model.free
    fitted = fit_equations(model.equations, model.log_prior, model.prior)
    logs, heights = _draws(fitted.variances, fitted.log_variance_cov, rng)
    combined, means, covariances = model.equations.stacked(fixed, model.on_effects(wanted)), [], []
    for i, at in enumerate(logs):
        height, mean, covariance = model.equations.known(np.exp(at), combined)
        heights[i] += height + model.log_prior(at)[0]
        means.append(mean)
        covariances.append(covariance)
    weights = np.exp(heights - heights.max())
    return ClutchPosterior(weights / weights.sum(), np.array(means), np.array(covariances), fitted.variances)


def _draws(mode: Floats, covariance: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Draws (S, K+1) of the log variances from a wide normal around the mode, and minus their log density (S,)."""
    root = np.linalg.cholesky(covariance + 1e-12 * np.eye(len(mode))) * WIDER
    half = rng.standard_normal((_DRAWS // 2, len(mode)))
    normal = np.vstack([half, -half])
    return np.log(mode) + normal @ root.T, 0.5 * (normal**2).sum(axis=1)


def _fixed(rows: pd.DataFrame) -> Floats:
    """Judge×season (season alone where nobody judges), and sex×season where both sexes are there."""
    season = rows["season"].astype(int).astype(str)
    columns = [_dummies(rows["judge"].fillna("") + " " + season)]
    if rows["sex"].nunique() > 1:
        columns.append(_dummies(rows["sex"] + " " + season))
    return np.column_stack(columns)


def _dummies(labels: pd.Series) -> Floats:
    """One column for each different label, in their order."""
    codes, names = pd.factorize(labels, sort=True)
    return np.asarray(codes[:, None] == np.arange(len(names)), dtype=float)


def _circumstances(rows: pd.DataFrame, families: Families, members: Floats) -> list[Effect]:
    """The random effects beside the clutch: brooder, pen, judge's day, bird, age."""
    effects = [Effect("brooder", csr_array(members @ _dummies(families.about["brooder_key"])))]
    if rows["pen"].notna().any():
        effects.append(
            Effect("pen", _levels(rows["pen"].fillna("no pen") + " " + rows["season"].astype(str)))
        )
    if rows["day"].notna().any():
        effects.append(Effect("day", _levels(rows["day"])))
        birds = _levels(rows["bird"])
        effects.append(Effect("bird", csr_array(birds.multiply(1 / np.sqrt(rows["n"].to_numpy())[:, None]))))
    if rows["age_weeks"].notna().any():
        age = rows["age_weeks"] - rows["age_weeks"].mean()
        effects.append(Effect("age", csr_array(age.fillna(0).to_numpy(float)[:, None])))
    return effects


def _levels(labels: pd.Series) -> csr_array:
    """One column for each different label; a missing label belongs to none."""
    codes, names = pd.factorize(labels)
    has = codes >= 0
    cells = (np.ones(has.sum()), (np.flatnonzero(has), codes[has]))
    return csr_array(cells, shape=(len(codes), max(len(names), 1)))


def _prior(shares: VarianceShares, alike: float, names: list[str]) -> Floats:
    """Prior variances (K+1,) by effect, the residual last.

    A bird keeps to itself what its repeatability leaves after the clutch and the blood that clutch mates share;
    where each bird has one row, this and the error of a look are one.
    """
    between = alike * shares.blood + shares.clutch
    bird = max(shares.repeatability - between, LEAST_BIRD)
    error = max(1 - shares.repeatability - shares.brooder - shares.day, LEAST_BIRD)
    parts = {
        "blood": shares.blood,
        "clutch": shares.clutch,
        "brooder": shares.brooder,
        "pen": shares.brooder,
        "day": shares.day,
        "bird": bird,
        "age": AGE_SHARE,
        "residual": error if "bird" in names else max(1 - between - shares.brooder, LEAST_BIRD),
    }
    return shares.usual * np.array([*(parts[name] for name in names), parts["residual"]])


def _quantile(weights: Floats, means: Floats, sds: Floats, p: float) -> Floats:
    """Quantiles (c,) of mixtures of normals (S, c), by halving an interval that holds them."""
    sds = np.maximum(sds, 1e-300)
    low, high = (means - 12 * sds).min(axis=0), (means + 12 * sds).max(axis=0)
    for _ in range(60):
        middle = (low + high) / 2
        below = weights @ ndtr((middle - means) / sds) < p
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
