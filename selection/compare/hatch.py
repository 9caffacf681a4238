"""What hatched: fertility, hatch of fertile and hatch of set, deaths by age, and what a chick cost.

Every share carries its interval: Wilson's for a single clutch and, where there are enough clutches to say how
they differ among themselves, a beta-binomial one, in which the eggs of one clutch are not counted as if they had
nothing in common.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import betainc, betaln, ndtri

from selection.answer import LEVEL, Answer, Floats, Note, facts
from selection.compare.clutches.model import entry_shares
from selection.records.flock import Flock

FEWEST_SEEN = 6
"""Counts under which nothing is said of how they differ among themselves."""
MEANS = (np.arange(100) + 0.5) / 100
CORRELATIONS = np.concatenate([[1e-4], np.linspace(0.02, 0.6, 30)])
NEGLIGIBLE = 1e-3
"""Points of the grid with less than this share of the highest weight are left out."""


def wilson(counts: npt.ArrayLike, numbers: npt.ArrayLike, level: float = LEVEL) -> tuple[Floats, Floats]:
    """Low and high of `counts` out of `numbers` (any one shape, not necessarily whole; 0 of 0: 0 to 1).

    Wilson (1927), Journal of the American Statistical Association 22:209.
    """
    k, n = np.broadcast_arrays(np.asarray(counts, dtype=float), np.asarray(numbers, dtype=float))
    z = ndtri((1 + level) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = k / n
        middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
        half = z / (1 + z**2 / n) * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    known = n > 0
    low = np.where(known, np.clip(middle - half, 0, 1), 0.0)
    high = np.where(known, np.clip(middle + half, 0, 1), 1.0)
    return np.where(k == 0, 0.0, low), np.where((k == n) & known, 1.0, high)


@dataclass(frozen=True)
class BetaBinomial:
    """What counts of several clutches say together: weights over a grid of μ and ρ.

    `mean`, `correlation`: posterior means of μ and ρ. `weights` (points,) over `shapes` (points, 2), the a and b
    of the Beta distribution at each point of the grid.
    """

    mean: float
    correlation: float
    weights: Floats
    shapes: Floats

    def shares(self, counts: npt.ArrayLike, numbers: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Each clutch's own share, drawn towards the others: mean, low, high (90 %)."""
        pairs = np.column_stack([np.asarray(counts, dtype=float), np.asarray(numbers, dtype=float)])
        different, which = np.unique(pairs, axis=0, return_inverse=True)
        k, n = different.T
        a, b = self.shapes[:, :1] + k, self.shapes[:, 1:] + n - k
        mean = self.weights @ (a / (a + b))
        low, high = (_quantile(self.weights, a, b, p) for p in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
        return mean[which], low[which], high[which]

    def effective(self, number: npt.ArrayLike, clutches: npt.ArrayLike) -> Floats:
        """How many independent eggs `number` eggs of so many clutches are worth: n / (1 + (n̄ − 1) ρ)."""
        n, m = np.asarray(number, dtype=float), np.maximum(np.asarray(clutches, dtype=float), 1)
        return n / (1 + np.maximum(n / m - 1, 0) * self.correlation)


def beta_binomial(counts: npt.ArrayLike, numbers: npt.ArrayLike) -> BetaBinomial | None:
    """The distribution of shares among clutches; None with fewer than `ENOUGH` clutches of at least one egg."""
    k, n = np.asarray(counts, dtype=float), np.asarray(numbers, dtype=float)
    k, n = k[n > 0], n[n > 0]
    if len(n) < FEWEST_SEEN:
        return None
    mu, rho = (grid.ravel() for grid in np.meshgrid(MEANS, CORRELATIONS))
    shapes = np.column_stack([mu, 1 - mu]) * (1 / rho - 1)[:, None]
    log_weights = _log_likelihood(shapes, k, n).sum(axis=1)
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    kept = weights > NEGLIGIBLE * weights.max()
    weights = weights[kept] / weights[kept].sum()
    return BetaBinomial(float(weights @ mu[kept]), float(weights @ rho[kept]), weights, shapes[kept])


def _log_likelihood(shapes: Floats, k: Floats, n: Floats) -> Floats:
    """Beta-binomial log-likelihood (points, clutches), without the binomial coefficient."""
    a, b = shapes[:, :1], shapes[:, 1:]
    return betaln(a + k, b + n - k) - betaln(a, b)


def _quantile(weights: Floats, a: Floats, b: Floats, p: float) -> Floats:
    """Quantile of mixtures of Beta distributions (points, clutches), by halving."""
    low, high = np.zeros(a.shape[1]), np.ones(a.shape[1])
    for _ in range(25):
        middle = (low + high) / 2
        below = weights @ betainc(a, b, middle) < p
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2


_MEASURES = {
    "fertility": ("fertile", "eggs_set"),
    "hatch of fertile": ("hatched", "fertile"),
    "hatch of set": ("hatched", "eggs_set"),
}
"""Each share: what is counted, of what."""
_GROUPS = ("clutch", "supplier", "pen", "origin", "season")
_AGES = (0, 1, 4, 8, 16, 26)
"""Weeks at which the spans of the table of deaths begin; the last is open."""
DIED = ("died", "lost")
REARED_WEEKS = 8
"""Age at which a chick counts as reared."""


@dataclass(frozen=True, repr=False)
class Hatch(Answer):
    """What became of the eggs.

    `rates`: group (`clutch`, `supplier`, `pen`, `origin`, `season`), of (which one), season (missing where it
    spans several), measure (`fertility`, `hatch of fertile`, `hatch of set`), clutches, eggs (counted of), hatched
    (the count), rate, low, high (90 %), expected (a clutch's rate drawn towards the others', with
    expected_low and expected_high; missing where there are too few clutches).
    `spread`: measure, clutches, mean, correlation between two eggs of a clutch (missing where too few).
    `deaths`: season (missing: all seasons together), from_weeks, to_weeks (missing: open), entered, left (sold,
    given, killed, or not yet so old), died, rate, low, high.
    `costs`: season, bills, reared, a_chick, kept, a_bird_kept, in the plan's currency; missing where nothing is
    on record.
    """

    TITLE = "What became of the eggs"
    TABLES = ("rates", "spread", "deaths", "costs")

    rates: pd.DataFrame
    spread: pd.DataFrame
    deaths: pd.DataFrame
    costs: pd.DataFrame
    currency: str
    notes: tuple[Note, ...]


def hatch(flock: Flock) -> Hatch:
    """Work out what hatched in all seasons on record.

    Parameters
    ----------
    flock : Flock
        The flock. Counts left blank are left out, never taken as 0.

    Returns
    -------
    Hatch
        `rates`: one row a group and measure, with its 90 % interval; `spread`: how clutches differ; `deaths`: by
        season and span of weeks; `costs`: by season.

    Notes
    -----
    Intervals of single clutches by Wilson (1927, Journal of the American Statistical Association 22:209, from memory);
    of several, and of clutches among each other, by a beta-binomial distribution.

    Examples
    --------
    >>> from selection import hatch
    >>> rates = hatch(flock).rates
    >>> rates["measure"].unique().tolist()
    ['fertility', 'hatch of fertile', 'hatch of set']
    """
    clutches = _clutches(flock)
    across = {m: beta_binomial(*_counts(clutches, m)) for m in _MEASURES}
    rates = pd.concat([_rates(clutches, m, across[m]) for m in _MEASURES], ignore_index=True)
    deaths, costs = deaths_by_age(flock), costs_of_rearing(flock)
    spread = pd.DataFrame(
        [
            (m, len(_counts(clutches, m)[0]), b.mean if b else np.nan, b.correlation if b else np.nan)
            for m, b in across.items()
        ],
        columns=["measure", "clutches", "mean", "correlation"],
    )
    said = _sentences(flock, rates, spread, deaths, costs)
    notes = facts(said, _cannot(flock, clutches, spread))
    return Hatch(rates, spread, deaths, costs, flock.plan.currency, notes)


def deaths_by_age(flock: Flock) -> pd.DataFrame:
    """How many chicks died or were lost in each span of age, of those that entered it, less half that left in it.

    The life table's own estimate (Cutler and Ederer 1958, Journal of Chronic Diseases 8:699, from memory), for the
    plan's season and for all. Birds without a hatch date of their own or their clutch's are left out, and
    chicks that never had a row on the birds form cannot be in it.
    """
    birds = flock.birds[flock.birds["clutch"].notna() & flock.birds["hatched"].notna()]
    end = birds["gone_on"].fillna(pd.Timestamp(flock.plan.on))
    weeks = (end - birds["hatched"]).dt.days / 7
    died = birds["gone_on"].notna() & birds["gone_why"].isin(DIED)
    seasons = [
        (float(flock.plan.season), birds["hatch_year"] == flock.plan.season),
        (np.nan, birds["clutch"].notna()),
    ]
    rows = []
    for season, own in seasons:
        for start, stop in zip(_AGES, (*_AGES[1:], np.inf), strict=True):
            here = own & (weeks >= start)
            inside = here & (weeks < stop)
            entered, dead = int(here.sum()), int((inside & died).sum())
            left = int(inside.sum()) - dead
            rows.append((season, start, stop if np.isfinite(stop) else np.nan, entered, left, dead))
    table = pd.DataFrame(rows, columns=["season", "from_weeks", "to_weeks", "entered", "left", "died"])
    table = table[table["entered"] > 0].reset_index(drop=True)
    exposed = (table["entered"] - table["left"] / 2).to_numpy(float)
    low, high = wilson(table["died"], exposed)
    return table.assign(rate=table["died"] / np.maximum(exposed, 1e-9), low=low, high=high)


def costs_of_rearing(flock: Flock) -> pd.DataFrame:
    """The bills of each season over its chicks reared and over its birds kept.

    A bill is of its clutch's season, else of the year of its date. Reared: hatched that season and not dead or
    lost before 8 weeks. Kept: decided `keep` in that year's meeting (the last word on each bird), or, while the
    plan's own meeting has not decided, as many cockerels and pullets as the plan keeps.
    The standing birds' feed is in the bills: what each bird cost by itself is shared out with the prices.
    """
    bills = _bills(flock).groupby(_bill_season(flock)).sum()
    reared = _reared(flock)
    kept = _kept(flock)
    table = pd.DataFrame({"bills": bills, "reared": reared, "kept": kept})
    table.index.name = "season"
    table = table[table["bills"].notna()].reset_index()
    for column, of in (("a_chick", "reared"), ("a_bird_kept", "kept")):
        table[column] = table["bills"] / table[of].where(table[of] > 0)
    return table[["season", "bills", "reared", "a_chick", "kept", "a_bird_kept"]]


def _clutches(flock: Flock) -> pd.DataFrame:
    """The clutches form with the groups that it is looked at by."""
    form = flock.clutches.copy()
    form["season"] = form["hatched_on"].fillna(form["set_on"] + pd.Timedelta(days=21)).dt.year
    bought = form["origin"] == "bought-in"
    form["supplier"] = form["source"].str.replace(r"/.*", "", regex=True).str.strip().where(bought)
    form["pen"] = form["pen"].where(~bought)
    return form


def _counts(clutches: pd.DataFrame, measure: str) -> tuple[np.ndarray, np.ndarray]:
    """Counts and numbers of the clutches where both are on record and there was an egg."""
    count, number = (clutches[c] for c in _MEASURES[measure])
    known = count.notna() & number.notna() & (number > 0)
    return count[known].to_numpy(), number[known].to_numpy()


def _rates(clutches: pd.DataFrame, measure: str, across: BetaBinomial | None) -> pd.DataFrame:
    """One measure by every group."""
    count, number = _MEASURES[measure]
    known = clutches[clutches[[count, number]].notna().all(axis=1) & (clutches[number] > 0)]
    parts = []
    for group in _GROUPS:
        keys = (
            ["season"]
            if group == "season"
            else [group, "season"]
            if group in ("clutch", "origin")
            else [group]
        )
        found = known.groupby(keys)
        table = found[[number, count]].sum().set_axis(["eggs", "hatched"], axis=1)
        table.insert(0, "clutches", found.size())
        table = table.reset_index()
        table["of"] = table[group].astype(str)
        parts.append(table.assign(group=group, season=table.get("season", np.nan)))
    table = pd.concat(parts, ignore_index=True).assign(measure=measure)
    table["rate"] = table["hatched"] / table["eggs"]
    eggs = table["eggs"].to_numpy(float)
    if across is not None:
        eggs = np.where(table["group"] == "clutch", eggs, across.effective(eggs, table["clutches"]))
    table["low"], table["high"] = wilson(table["rate"] * eggs, eggs)
    return _with_expected(table, across)


def _with_expected(table: pd.DataFrame, across: BetaBinomial | None) -> pd.DataFrame:
    """Clutches' own shares drawn towards the others'."""
    columns = ["expected", "expected_low", "expected_high"]
    table[columns] = np.nan
    one = table["group"] == "clutch"
    if across is not None and one.any():
        drawn = across.shares(table.loc[one, "hatched"], table.loc[one, "eggs"])
        table.loc[one, columns] = np.column_stack(drawn)
    order = [
        "group",
        "of",
        "season",
        "measure",
        "clutches",
        "eggs",
        "hatched",
        "rate",
        "low",
        "high",
        *columns,
    ]
    return table[order]


def _bills(flock: Flock) -> pd.Series:
    return flock.costs["amount"]


def _bill_season(flock: Flock) -> pd.Series:
    """The season of each bill."""
    clutches = _clutches(flock)
    of = clutches.set_index(clutches["clutch"].str.casefold())["season"]
    own = flock.costs["clutch"].str.casefold().map(of.to_dict())
    return own.astype(float).fillna(flock.costs["on"].dt.year)


def _reared(flock: Flock) -> pd.Series:
    """Chicks reared by season: of the clutches' counts where written, else of the birds form."""
    birds = flock.birds[flock.birds["clutch"].notna()]
    weeks = (birds["gone_on"] - birds["hatched"]).dt.days / 7
    lost = birds["gone_why"].isin(DIED) & (weeks < REARED_WEEKS)
    listed = pd.DataFrame({"clutch": birds["clutch"], "chicks": 1.0, "lost": lost.astype(float)})
    shares = pd.DataFrame(
        [
            (label, share * row.chicks, share * row.lost)
            for row in listed.itertuples()
            for label, share in entry_shares(row.clutch).items()
        ],
        columns=["clutch", "chicks", "lost"],
    ).astype({"clutch": "str", "chicks": float, "lost": float})
    by_clutch = shares.groupby("clutch")[["chicks", "lost"]].sum()
    clutches = _clutches(flock)
    own = by_clutch.reindex(clutches["clutch"].str.casefold()).fillna(0.0).reset_index(drop=True)
    hatched = clutches["hatched"].reset_index(drop=True).fillna(own["chicks"])
    return (hatched - own["lost"]).groupby(clutches["season"].reset_index(drop=True)).sum()


def _kept(flock: Flock) -> pd.Series:
    """Birds of the year kept, by the year of the decision; for the plan's season else as many as are planned."""
    last = flock.decisions.sort_values("on", kind="stable")
    last = last.assign(year=last["on"].dt.year).drop_duplicates(["bird", "year"], keep="last")
    born = last["bird"].map(flock.birds.drop_duplicates("bird").set_index("bird")["hatch_year"].to_dict())
    kept = ((last["decided"] == "keep") & (born == last["year"])).groupby(last["year"]).sum().astype(float)
    planned = sum(keep.number for group, keep in flock.plan.keep.items() if group in ("cockerels", "pullets"))
    return (
        kept
        if flock.plan.season in kept.index
        else pd.concat([kept, pd.Series({flock.plan.season: float(planned)})])
    )


def _sentences(
    flock: Flock, rates: pd.DataFrame, spread: pd.DataFrame, deaths: pd.DataFrame, costs: pd.DataFrame
) -> tuple[str, ...]:
    said = []
    season = rates[(rates["group"] == "season") & (rates["season"] == flock.plan.season)]
    for row in season.itertuples():
        said.append(
            f"{flock.plan.season}, {row.measure}: {row.hatched:.0f} of {row.eggs:.0f}, {row.rate:.0%} "
            f"({row.low:.0%} to {row.high:.0%})."
        )
    known = spread.dropna()
    if len(known):
        alike = "; ".join(
            f"{row.measure} {row.mean:.0%}, correlation of two eggs of one clutch {row.correlation:.2f}"
            for row in known.itertuples()
        )
        said.append(
            f"Over {known['clutches'].max()} clutches: {alike}. As eggs of one clutch fare alike, the intervals of "
            "suppliers, pens and seasons are so much wider."
        )
    own = deaths[deaths["season"] == flock.plan.season]
    if len(own):
        said.append(
            f"{own['died'].sum()} of {own['entered'].iloc[0]} chicks of {flock.plan.season} died or were lost."
        )
    for row in costs[costs["season"] == flock.plan.season].itertuples():
        said.append(
            _cost_in_words(row.bills, row.reared, row.a_chick, row.kept, row.a_bird_kept, flock.plan.currency)
        )
    return tuple(said)


def _cost_in_words(
    bills: float, reared: float, a_chick: float, kept: float, a_bird: float, currency: str
) -> str:
    words = f"The season's bills are {bills:.2f} {currency}".rstrip()
    if a_chick == a_chick:
        words += f": {a_chick:.2f} for each of {reared:.0f} chicks reared to {REARED_WEEKS} weeks"
    if a_bird == a_bird:
        words += f", {a_bird:.2f} for each of {kept:.0f} birds kept"
    return words + " (the standing birds' feed is in it)."


def _cannot(flock: Flock, clutches: pd.DataFrame, spread: pd.DataFrame) -> tuple[str, ...]:
    """What the counts do not tell."""
    said = []
    few = spread[spread["mean"].isna()]
    if len(few):
        said.append(
            f"Too few clutches to say how they differ in {', '.join(few['measure'])} (at most {few['clutches'].max()}, "
            f"needed {FEWEST_SEEN}): intervals of suppliers, pens and seasons take the eggs of a clutch to have "
            "nothing in common, and are too narrow."
        )
    for count in ("eggs_set", "fertile", "hatched"):
        blank = clutches.loc[clutches[count].isna(), "clutch"]
        if len(blank):
            name = count.replace("_", " ")
            said.append(f"{name} not written down for {', '.join(blank)}: left out where it is needed.")
    return tuple(said + _unlisted(flock, clutches))


def _unlisted(flock: Flock, clutches: pd.DataFrame) -> list[str]:
    """Clutches of the season with more chicks hatched than are on the birds form."""
    labels = [label for entry in flock.birds["clutch"].dropna() for label in entry_shares(entry)]
    listed = pd.Series(labels, dtype="str").value_counts()
    here = clutches[clutches["season"] == flock.plan.season]
    on_form = listed.reindex(here["clutch"].str.casefold()).fillna(0).to_numpy(float)
    missing = here["hatched"].to_numpy(float) - on_form
    return [
        f"{label}: {number:.0f} of the chicks hatched are not on the birds form; deaths by age leave them out."
        for label, number in zip(here["clutch"], missing, strict=True)
        if number > 0
    ]
