"""What the holding's own past sales say that a bird would bring: a shrunken regression on its price list.

Log price of a bird on kind of sale, sex, age, points and season, with each coefficient shrunk towards the
mean of all sales where few sales speak for it (:mod:`selection.decide.prices.market`). A lot counts as one
observation of its price a bird. A price given is the median; its interval is the 90 % prediction interval of
one sale, with what is not known of the market in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from selection.answer import LEVEL, REACH, TAILS, Floats
from selection.decide.wording import counted, each
from selection.errors import RecordsError
from selection.records.flock import Flock
from selection.records.forms.columns import SOLD_AS

if TYPE_CHECKING:
    from selection.standard.points import Points


@dataclass(frozen=True)
class Regression:
    """A fitted regression: `mean` (p,) of β, `covariance` (p, p) of β over s², `sd` = s, degrees of freedom.

    `log_evidence`: log density of y under model and prior, up to a constant that does not depend on the
    precisions above 0 (for choosing between them).
    """

    mean: Floats
    covariance: Floats
    sd: float
    dof: float
    log_evidence: float

    def location(self, X: Floats) -> Floats:
        """Middle of the prediction for each row of `X` (m, p): the median of a new y."""
        return X @ self.mean

    def spread(self, X: Floats) -> Floats:
        """Scale of the t distribution of a new y for each row of `X` (m, p)."""
        return self.sd * np.sqrt(1 + np.einsum("ij,jk,ik->i", X, self.covariance, X))

    def interval(self, X: Floats, level: float = LEVEL) -> tuple[Floats, Floats]:
        """Prediction interval of a new y for each row of `X`: (low, high), each (m,)."""
        from scipy.special import stdtrit

        half = stdtrit(self.dof, (1 + level) / 2) * self.spread(X)
        return self.location(X) - half, self.location(X) + half

    def draws(self, X: Floats, rng: np.random.Generator, n: int) -> Floats:
        """`n` joint draws of new y for the rows of `X`: (n, m). Rows share what is not known of β and s²."""
        s = self.sd * np.sqrt(self.dof / rng.chisquare(self.dof, size=(n, 1)))
        root = np.linalg.cholesky(self.covariance + 1e-12 * np.eye(len(self.mean)))
        shared = rng.standard_normal((n, len(self.mean))) @ root.T @ X.T
        return self.location(X) + s * (shared + rng.standard_normal((n, len(X))))


@dataclass(frozen=True)
class Mixture:
    """Several fits of one regression under different precisions, each with its probability."""

    fits: tuple[Regression, ...]
    weights: Floats

    @property
    def likeliest(self) -> Regression:
        """The fit of the greatest probability."""
        return self.fits[int(np.argmax(self.weights))]

    def quantile(self, X: Floats, share: float) -> Floats:
        """The value that a new y lies under with probability `share`, for each row of `X` (m, p).

        Between the fits' own quantiles, by bisection of the mixture's distribution.
        """
        from scipy.special import stdtr, stdtrit

        places = np.array([f.location(X) for f in self.fits])
        spreads = np.array([f.spread(X) for f in self.fits])
        dofs = np.array([[f.dof] for f in self.fits])
        own = places + spreads * stdtrit(dofs, share)
        low, high = own.min(axis=0), own.max(axis=0)
        for _ in range(50):
            middle = (low + high) / 2
            under = self.weights @ stdtr(dofs, (middle - places) / spreads) < share
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2

    def draws(self, X: Floats, rng: np.random.Generator, n: int) -> Floats:
        """`n` joint draws of new y for the rows of `X`: (n, m), those of one fit together."""
        counts = rng.multinomial(n, self.weights)
        return np.vstack([f.draws(X, rng, int(k)) for f, k in zip(self.fits, counts, strict=True)])


def mix(fits: Sequence[Regression], log_prior: Floats) -> Mixture:
    """The fits weighed by their evidence and a log prior on each (any constant may be added to it)."""
    log_weights = np.array([f.log_evidence for f in fits]) + log_prior
    weights = np.exp(log_weights - log_weights.max())
    return Mixture(tuple(fits), weights / weights.sum())


Believed = tuple[Floats, Floats]
"""What is believed of some combinations of coefficients beforehand: rows (k, p) and values (k,), each row scaled to a
residual sd of 1 like an observation's."""


def fit_prices(
    X: Floats,
    y: Floats,
    precision: Floats,
    prior_sd: float = 1.0,
    prior_dof: float = 0.0,
    believed: Believed | None = None,
) -> Regression:
    """Posterior of the regression of `y` (n,) on `X` (n, p) under `precision` (p,) and what is `believed`.

    A belief tells of coefficients and, unlike an observation, nothing of how observations scatter: it takes the place
    of a free coefficient. Raises ValueError where the data cannot carry the coefficients that are not shrunk.
    """
    from statsmodels.regression.linear_model import OLS

    flat = int((precision == 0).sum())
    rows, values = believed or (np.zeros((0, X.shape[1])), np.zeros(0))
    free = max(flat - len(values), 0)
    dof = prior_dof + len(y) - free
    if len(y) < free or dof <= 0:
        raise ValueError(
            f"found {len(y)} observations; expected more than {free} for {free} free coefficients"
        )
    pull = np.diag(np.sqrt(precision))[precision > 0]
    stacked = np.concatenate([y, values, np.zeros(len(pull))]), np.vstack([X, rows, pull])
    fitted = OLS(*stacked).fit()
    squares = prior_dof * prior_sd**2 + float(fitted.ssr)
    covariance = np.asarray(fitted.normalized_cov_params)
    volume = np.linalg.slogdet(covariance)[1] + np.log(precision[precision > 0]).sum()
    return Regression(
        mean=np.asarray(fitted.params),
        covariance=covariance,
        sd=float(np.sqrt(squares / dof)),
        dof=float(dof),
        log_evidence=float(0.5 * volume - 0.5 * dof * np.log(squares)),
    )


_GROWN_WEEKS = 26.0
YEAR_WEEKS = 52.0
_LEVELS = (0.0, 0.25, 0.5, 1.0)
"""Spread of whole seasons about the slope, in residual sds: each is weighed by what the sales make of it."""
CALM = 4.0
"""Rate of the exponential prior on that spread: its mean is a quarter of what sets two like birds apart."""
PRIOR_SD, PRIOR_DOF = 0.25, 3.0
"""Birds alike in everything on record differ in price by about a quarter (common practice, no source)."""
USUAL_SALES = 3
"""Sales that a usual price of the plan weighs as (contract)."""
USUAL_POINTS = 70.0
"""Points of 100 that a usual price is taken to be for, where no scored breeder was sold yet (common practice)."""
NO_MARKET = (
    "no sale is on record and the plan names no usual prices ([prices] usual): there is no market to go by, and cost "
    "to date is all that can be said"
)
_FEW = 20
"""With fewer sales the prior on what sets like birds apart counts for much, and that is said."""
DOUBTFUL = 4.0
"""A sale so many residual sds away from what the others say is worth another look at the record."""

SHRUNK = {
    "level": np.inf,
    **dict.fromkeys(SOLD_AS, 2.0),
    "male": 1.2,
    "weeks under 26, tens": 1.0,
    "years over one": 1.0,
    "points, tens (breeding)": 2.0,
    "points, tens (other kinds)": 0.5,
    "never scored (breeding)": 1.0,
    "season": 0.2,
    "log of lot size": 0.2,
}
"""Each term of log price with its prior sd, in residual sds; `level` is free."""


@dataclass(frozen=True)
class Market:
    """The fitted market. `sales`: the observations, one row a bird: sale (its number), price (a bird's),
    sold_as, sex, weeks, points, season, size, bird. `kinds`: for each kind sold_as and sex, its `sales`
    and the `youngest` and `oldest` sold so, in weeks. `usual`: the plan's usual prices by kind, each worth
    `USUAL_SALES` sales. `regression` is None where there was neither a sale nor a usual price."""

    season: int
    sales: pd.DataFrame
    kinds: pd.DataFrame
    regression: Mixture | None
    terms: tuple[str, ...]
    usual_points: float
    usual: Mapping[str, float]
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]

    def design(self, offers: pd.DataFrame) -> Floats:
        """Terms of each sale or offer (sales × terms), its birds' averaged; `offers` has the columns of
        `sales` without price, and `sale` numbers from 0."""
        return _design(offers, self.season, self.usual_points, self.terms)

    def sold(self, kind: str) -> int:
        """How many sales of `kind` there were."""
        return int(self.sales.loc[self.sales["sold_as"] == kind, "sale"].nunique())

    def weight(self, kind: str) -> int:
        """How many sales what is known of `kind` weighs as: those on record, and its usual price."""
        return self.sold(kind) + USUAL_SALES * (kind in self.usual)

    def price(self, offers: pd.DataFrame) -> pd.DataFrame:
        """Price a bird of each offer: `price` (median), `low`, `high`, as floats."""
        fitted = self._fitted()
        X = self.design(offers)
        shares = {"price": 0.5, "low": TAILS[0], "high": TAILS[1]}
        return pd.DataFrame({name: np.exp(fitted.quantile(X, share)) for name, share in shares.items()})

    def draws(self, offers: pd.DataFrame, rng: np.random.Generator, n: int) -> Floats:
        """`n` joint draws of the price a bird of each offer (n × offers)."""
        return np.exp(self._fitted().draws(self.design(offers), rng, n))

    def _fitted(self) -> Mixture:
        if self.regression is None:
            raise RecordsError("no sale is on record, so that no market price can be said")
        return self.regression


def fit_market(flock: Flock, points: Points) -> Market:
    """The market of the flock's recorded sales up to the plan's day.

    Prices of 0 are left out and said. Raises RecordsError naming every sale with a price below 0 or none.
    """
    sales, cannot = past_sales(flock, points)
    return fit_sales(sales, flock.plan.season, tuple(cannot), flock.plan.usual)


def fit_sales(
    sales: pd.DataFrame, season: int, cannot: tuple[str, ...] = (), usual: Mapping[str, float] | None = None
) -> Market:
    """The market of `sales` (columns as in `Market.sales`) as it stands in `season`, with the plan's `usual` prices.

    Raises RecordsError for a price that is not above 0.
    """
    usual = {kind: price for kind, price in (usual or {}).items() if price > 0}
    _refuse(sales.assign(on=sales.get("on", sales["season"])), sales["price"] <= 0, "above 0")
    once = sales.drop_duplicates("sale")
    of_kind = sales.groupby(["sold_as", "sex"])
    kinds = of_kind.agg(sales=("sale", "nunique"), youngest=("weeks", "min"), oldest=("weeks", "max"))
    scored = sales.loc[sales["sold_as"] == "breeding", "points"]
    points = float(scored.mean()) if scored.notna().any() else USUAL_POINTS
    terms = (*SHRUNK, *(f"season {s}" for s in sorted({*sales["season"].astype(int), season})))
    if once.empty and not usual:
        return Market(
            season, sales, kinds.reset_index(), None, terms, points, usual, (), (*cannot, NO_MARKET)
        )
    X, y = _design(sales, season, points, terms), np.log(once["price"].to_numpy(dtype=float))
    believed = _believed(usual, season, points, terms)
    fits = [fit_prices(X, y, _precision(terms, level), PRIOR_SD, PRIOR_DOF, believed) for level in _LEVELS]
    mixed = mix(fits, -CALM * np.array(_LEVELS))
    best = mixed.likeliest
    doubts = [*_few(once, usual), *_doubts(once, y - best.location(X), best.sd)]
    return Market(
        season,
        sales,
        kinds.reset_index(),
        mixed,
        terms,
        points,
        usual,
        (*_usual_words(usual), *(_sentences(once, best, terms) if len(once) else ())),
        (*cannot, *doubts),
    )


def _design(rows: pd.DataFrame, season: int, usual_points: float, terms: tuple[str, ...]) -> Floats:
    """Terms of log price for each numbered sale of `rows` (one row a bird), in the order of its numbers."""
    breeding = (rows["sold_as"] == "breeding").astype(float)
    tens = ((rows["points"] - usual_points) / 10).fillna(0.0)
    weeks = rows["weeks"].fillna(_GROWN_WEEKS)
    columns = {
        "level": pd.Series(1.0, index=rows.index),
        **{kind: (rows["sold_as"] == kind).astype(float) for kind in SOLD_AS},
        "male": rows["sex"].map({"male": 0.5, "female": -0.5}).fillna(0.0),
        "weeks under 26, tens": (_GROWN_WEEKS - weeks).clip(lower=0) / 10,
        "years over one": (weeks / YEAR_WEEKS - 1).clip(lower=0),
        "points, tens (breeding)": tens * breeding,
        "points, tens (other kinds)": tens * (1 - breeding),
        "never scored (breeding)": rows["points"].isna() * breeding,
        "season": rows["season"] - float(season),
        "log of lot size": np.log(rows["size"]),
        **{term: (rows["season"] == int(term.split()[1])).astype(float) for term in terms[len(SHRUNK) :]},
    }
    frame = pd.DataFrame({term: columns[term] for term in terms}).astype(float)
    return frame.groupby(rows["sale"].to_numpy()).mean().to_numpy()


def _believed(
    usual: Mapping[str, float], season: int, points: float, terms: tuple[str, ...]
) -> Believed | None:
    """The usual prices as what is believed of a grown bird of either sex, of usual points, sold alone this season."""
    if not usual:
        return None
    rows = pd.DataFrame(
        {
            "sale": range(len(usual)), "sold_as": list(usual), "sex": None, "weeks": _GROWN_WEEKS,
            "points": points, "season": season, "size": 1.0,
        }
    )  # fmt: skip
    strength = np.sqrt(USUAL_SALES)
    return _design(rows, season, points, terms) * strength, np.log(list(usual.values())) * strength


def past_sales(flock: Flock, points: Points) -> tuple[pd.DataFrame, list[str]]:
    """The recorded sales that have a price, one row a bird, and what was left out and why."""
    birds = flock.birds[["bird", "sex", "hatched"]]
    of_100 = looked_at(points).rename("points").reset_index()
    rows = flock.sales.merge(birds, on="bird", how="left", indicator=True).merge(
        of_100, on="bird", how="left"
    )
    _refuse(rows, ~(rows["price"] >= 0) | np.isinf(rows["price"]), "of 0 (given away) or more")
    rows["lot"] = rows["lot"].fillna("\x1f" + rows["bird"])
    sale = rows.groupby(["on", "lot"])
    rows = rows.assign(sale=sale.ngroup(), size=sale["bird"].transform("size").astype(float))
    dropped = {
        "given for nothing, left out": rows["price"] == 0,
        "of birds that are not on record, left out": rows["_merge"] == "left_only",
        "in lots whose rows do not name one price, left out": sale["price"].transform("nunique") > 1,
    }
    cannot = [f"{counted(int(bad.sum()), 'sale')} {why}" for why, bad in dropped.items() if bad.any()]
    bad_sales = rows["sale"][np.logical_or.reduce(list(dropped.values()))]
    rows = rows[~rows["sale"].isin(bad_sales)]
    rows = rows.assign(
        price=rows["price"] / rows["size"],
        weeks=(rows["on"] - rows["hatched"]).dt.days / 7,
        season=rows["on"].dt.year,
        sale=rows.groupby("sale").ngroup(),
    )
    columns = ["sale", "on", "bird", "price", "sold_as", "sex", "weeks", "points", "season", "size"]
    return rows[columns].sort_values("sale", kind="stable").reset_index(drop=True), cannot


def looked_at(points: Points) -> pd.Series:
    """Points of 100 of each bird that a judge has looked at, by bird; what is only predicted is left out."""
    seen = points.birds[points.birds["looks"] > 0]
    return seen.set_index("bird")["points_of_100"]


def _precision(terms: tuple[str, ...], level: float) -> Floats:
    sds = np.array([SHRUNK.get(term, max(level, 1e-3)) for term in terms])
    return 1 / sds**2


def _refuse(rows: pd.DataFrame, bad: pd.Series, expected: str) -> None:
    """Raise one RecordsError for all rows flagged `bad`."""
    faults = [
        f"sales, bird {row.bird}, {row.on:%Y-%m-%d}: price: found {row.price:g}; expected a price {expected}"
        if isinstance(row.on, pd.Timestamp)
        else f"sales, bird {row.bird}, {row.on}: price: found {row.price:g}; expected a price {expected}"
        for row in each(rows[bad])
    ]
    if faults:
        raise RecordsError("\n".join(faults))


def _usual_words(usual: Mapping[str, float]) -> list[str]:
    """What the plan's usual prices do."""
    if not usual:
        return []
    named = ", ".join(f"{kind} {price:g}" for kind, price in usual.items())
    return [
        f"The plan's usual prices ({named}) weigh as {USUAL_SALES} sales each, with a wide range; every sale recorded "
        "narrows it."
    ]


def _few(once: pd.DataFrame, usual: Mapping[str, float]) -> list[str]:
    """What has to be said where the prior speaks louder than the sales."""
    if len(once) >= _FEW:
        return []
    if once.empty:
        return [
            "no sale is on record: prices rest on the plan's usual ones, and how far birds differ on common practice"
        ]
    return [
        f"only {counted(len(once), 'past sale')}: how far birds alike differ in price leans on common practice "
        f"(a quarter, no source)"
    ]


def _doubts(once: pd.DataFrame, residual: Floats, sd: float) -> list[str]:
    """Sales so far from what the rest say that the record may be wrong."""
    return [
        f"the sale of {row.bird} for {row.price:g} a bird is {np.exp(abs(r)):.1f} times "
        f"{'above' if r > 0 else 'below'} what the others suggest: is the record right?"
        for row, r in zip(each(once), residual, strict=True)
        if abs(r) > DOUBTFUL * sd
    ]


def _sentences(once: pd.DataFrame, best: Regression, terms: tuple[str, ...]) -> tuple[str, ...]:
    kinds = ", ".join(f"{n} as {kind}" for kind, n in once["sold_as"].value_counts().items())
    alike = f"{100 * np.expm1(best.sd):.0f} %"
    slope = terms.index("season")
    yearly, se = best.mean[slope], best.sd * np.sqrt(best.covariance[slope, slope])
    low, high = (100 * np.expm1(yearly + side * REACH * se) for side in (-1, 1))
    return (
        f"Prices rest on {len(once)} past sales ({kinds}) of {once['season'].nunique()} seasons.",
        f"Birds alike in kind, sex, age, points and season differ in price by about {alike}.",
        f"A season moves prices by {100 * np.expm1(yearly):+.0f} % ({low:+.0f} to {high:+.0f} %).",
    )
