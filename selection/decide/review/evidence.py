"""What came after a meeting, beside what its predictions would have shown had they been right.

A bird's later looks hold its permanent part as well as its breeding value, and so does what the meeting had seen of
it: a right prediction then has a slope above 1. Slope and correlation of a right prediction are worked out by the
model, from the records as they stood on the meeting's day: with x the prediction and p the expected outcome, both
given those records, the slope is Σ x·p ÷ Σ x² within groups, whatever was seen later. The outcome's covariance about
p widens the interval of the slope where chicks of one family or looks of one day hang together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri, stdtrit

from selection.answer import LEVEL, Floats
from selection.decide.review.hindsight import as_of
from selection.merit.candidates import YOUNG, carried
from selection.merit.observations import observe, worths
from selection.merit.posterior import Known, given
from selection.merit.ranking import Merit
from selection.merit.relationship.parentage import parentage
from selection.merit.season_model import Variances, season_model
from selection.merit.selection_index import index_of
from selection.records.flock import Flock
from selection.standard.growth import fit_growth
from selection.standard.judges import Looks

_MOSTLY = 0.75
"""Share of the chicks that must have points in the measured sections for these to count."""

_ROWS = ["on", "group", "cell", "bird", "merit", "seen"]


@dataclass(frozen=True)
class Evidence:
    """Outcomes of one check beside their predictions.

    `check`: as review.csv calls it. `rows`: one an outcome: on (the meeting), group, cell (within which they are
    compared), bird, merit (predicted), seen, and right, shown: what the model, knowing what was known then, would
    have predicted and expected to see (missing: not worked out, 1 to 1). `covariance` (n × n) of `seen` about
    `shown`, None where not known.
    """

    check: str
    rows: pd.DataFrame
    covariance: Floats | None = None

    def part(self, mine: npt.NDArray[np.bool_]) -> Evidence:
        """The outcomes `mine` (n,) alone."""
        own = None if self.covariance is None else self.covariance[np.ix_(mine, mine)]
        return Evidence(self.check, self.rows[mine].reset_index(drop=True), own)


@dataclass(frozen=True)
class Then:
    """The model with the records up to a meeting's day, at the variances known now.

    `line` (T,): points of merit for each unit of a trait; `eye` (T,): the same of those judged by eye alone.
    """

    flock: Flock
    known: Known
    line: Floats
    eye: Floats

    def bred(self, birds: pd.Index, weights: Floats) -> Floats:
        """Functionals (m × L) of breeding values; a bird that the model does not hold has a column of noughts."""
        count = len(weights)
        picked = np.zeros((len(self.known.solution.effects), len(birds)))
        start = self.known.solution.slices["genetic"].start
        for i, node in enumerate(self.known.model.kinship.birds.get_indexer(birds)):
            if node >= 0:
                picked[start + node * count : start + (node + 1) * count, i] = weights
        return picked

    def variance(self, effect: str, weights: Floats) -> float:
        """Variance of one effect's weighed sum over the traits."""
        return float(weights @ self.known.variances.covariance(effect) @ weights)


class Past:
    """The model as it stood on earlier days: each day is worked out once, when it is first asked for."""

    def __init__(self, flock: Flock, merit: Merit) -> None:
        self.flock, self.merit = flock, merit
        self._then: dict[pd.Timestamp, Then | None] = {}

    def on(self, day: pd.Timestamp) -> Then | None:
        """What the model says of the records up to `day`; None where nothing had been seen."""
        if day not in self._then:
            self._then[day] = known_then(self.flock, self.merit, day)
        return self._then[day]


def known_then(flock: Flock, merit: Merit, on: pd.Timestamp) -> Then | None:
    """What the model says of the records up to the day `on`; None where nothing had been seen."""
    if merit.known is None:
        return None
    then = as_of(flock, on.date(), on.year)
    growth = fit_growth(then)
    seen = observe(then, growth)
    if seen.rows.empty:
        return None
    model = season_model(seen, parentage(then), pd.Index(then.birds["bird"]))
    known = given(model, _of_traits(merit.known, model.traits))
    worth = worths(then.standard, then.plan)
    eye = np.array([worth[t.key] if t.by_eye else 0.0 for t in model.observations.asked])
    return Then(then, known, index_of(then, known, growth).line(), eye)


def _of_traits(known: Known, traits: tuple[str, ...]) -> Variances:
    """The variances of some of the model's traits."""
    at = [known.model.traits.index(t) for t in traits]
    all_, pairs = known.variances, np.ix_(at, at)
    return replace(
        all_,
        parts=all_.parts[at],
        genetic=all_.genetic[pairs],
        permanent=all_.permanent[pairs],
        residual=all_.residual[pairs],
    )


def worth_of_looks(flock: Flock, merit: Merit) -> pd.DataFrame:
    """One row a look with every section that has a worth: bird, on, judge, season, sex, seen (worth × points).

    Points have judges' levels taken off; sections judged by eye alone. Worths are the plan's.
    """
    worth = {s.name: flock.plan.worth.get(s.name, 1.0) for s in flock.standard.by_eye}
    worth = {name: value for name, value in worth.items() if value}
    if not hasattr(merit, "points"):
        return pd.DataFrame({name: [] for name in ("bird", "on", "judge", "season", "sex", "seen")})
    looks = merit.points.looks
    points = Looks(looks, merit.points.given).matrix(list(worth), "adjusted")
    seen = points @ np.array(list(worth.values()))
    whole = looks["bird"].notna() & ~np.isnan(seen)
    rows = looks.loc[whole, ["bird", "on", "judge", "season"]].reset_index(drop=True)
    sex = rows["bird"].map(flock.birds.set_index("bird")["sex"])
    return rows.assign(sex=sex, seen=seen[whole])


def later_merit(past: Past, told: pd.DataFrame, proof: bool) -> Evidence:
    """Merit as it is known now of birds that stood at a meeting: a right prediction has slope 1.

    The covariance is worked out only where there is `proof`: where most of it was known then, nothing rests on it.
    """
    rows = told.rename(columns={"later": "seen"}).assign(right=told["merit"], shown=told["merit"])
    rows["cell"] = rows["on"].astype(str) + rows["group"]
    covariance = np.zeros((len(rows), len(rows)))
    for on in rows["on"].unique():
        at, then = np.flatnonzero(rows["on"] == on), past.on(on)
        if past.merit.known is None or past.merit.index is None or not proof:
            return Evidence("later merit", _rows(rows))
        if then is None:
            continue  # nothing had been seen: all were told alike
        birds = pd.Index(rows["bird"].iloc[at])
        now = Then(past.flock, past.merit.known, past.merit.index.line(), then.eye)
        covariance[np.ix_(at, at)] = sum(
            sign * of.known.solution.spread(of.bred(birds, of.line)) for sign, of in ((1, then), (-1, now))
        )
    return Evidence("later merit", _rows(rows), covariance)


def later_looks(past: Past, told: pd.DataFrame, looks: pd.DataFrame) -> Evidence:
    """Birds of a meeting's group looked at after it: the mean of what was seen, year by year."""
    if told.empty or looks.empty:
        return Evidence("later looks", _rows(told))
    after = told[["on", "group", "bird", "merit"]].merge(looks.rename(columns={"on": "seen_on"}), on="bird")
    after = after[after["seen_on"] > after["on"]]
    if after.empty:
        return Evidence("later looks", _rows(after))
    after = after.assign(year=after["seen_on"].dt.year)
    by = ["on", "group", "year", "bird"]
    rows = after.groupby(by, as_index=False)[["merit", "seen"]].mean()
    rows["cell"] = rows["on"].astype(str) + rows["group"] + rows["year"].astype(str)
    days = _days(rows.reset_index().merge(after[[*by, "seen_on", "judge"]], on=by))
    return _by_meeting("later looks", past, rows, days, _lasting)


def chicks(past: Past, told: pd.DataFrame, looks: pd.DataFrame) -> Evidence:
    """Home-bred chicks hatched after a meeting of birds that stood there: expected merit by their shares, and looks.

    A chick counts for the last meeting before it hatched, where at least half of its parentage had stood at a
    meeting by then; parents go by their latest standing. The group is the chick's, compared within season and sex.
    Points in measured sections count where three in four of the chicks have them.
    """
    flock, merit = past.flock, past.merit
    if told.empty or looks.empty:
        return Evidence("chicks", _rows(told))
    birds = flock.birds.set_index("bird")
    home = birds[(birds["origin_of"] == "home-bred") & birds["clutch"].notna()]
    of_chicks = looks[looks["bird"].isin(home.index)]
    hatched = of_chicks["bird"].map(birds["hatched"])
    days = np.sort(told["on"].unique())
    of_chicks = of_chicks[(hatched > days[0]).to_numpy()]
    if of_chicks.empty:
        return Evidence("chicks", _rows(told.head(0)))
    rows = of_chicks.groupby(["bird", "sex"], as_index=False)["seen"].mean()
    born = rows["bird"].map(birds["hatched"])
    rows["on"] = days[np.searchsorted(days, born.to_numpy(), side="left") - 1]
    rows["group"] = rows["sex"].map({sex: group for group, sex in YOUNG.items()})
    rows["cell"] = born.dt.year.astype(str) + rows["sex"]
    measured = _measured(flock, merit, rows["bird"])
    with_size = measured.notna().mean() >= _MOSTLY
    if with_size:
        rows = rows.assign(seen=rows["seen"] + measured.to_numpy())[measured.notna().to_numpy()]
    rows = _expected(merit, told, rows[rows["group"].notna()].reset_index(drop=True))
    seen_on = rows[["bird"]].reset_index().merge(of_chicks.rename(columns={"on": "seen_on"}), on="bird")
    return _by_meeting("chicks", past, rows, _days(seen_on), _offspring(flock, merit, told, with_size))


def _measured(flock: Flock, merit: Merit, birds: pd.Series) -> pd.Series:
    """Worth × points of each bird in the measured sections together; missing where any is, 0 without such sections."""
    total = pd.Series(0.0, index=birds.index)
    for section in flock.standard.by_measure:
        if worth := flock.plan.worth.get(section.name, 1.0):
            total = total + worth * birds.map(merit.points.in_section(section.name)["points"]).astype(float)
    return total


def _expected(merit: Merit, told: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """The chicks whose parentage stood by half or more, with their expected merit."""
    parts = []
    for on, mine in rows.groupby("on"):
        shares, parents = _shares(merit, mine["bird"], _stood(told, on))
        value = _stood(told, on)["merit_flock"].reindex(parents).to_numpy(dtype=float)
        enough = shares.sum(axis=1) > 0.5 - 1e-9
        parts.append(mine.assign(merit=shares @ value)[enough])
    return pd.concat(parts).sort_index().reset_index(drop=True) if parts else rows.assign(merit=[])


def _stood(told: pd.DataFrame, on: pd.Timestamp) -> pd.DataFrame:
    """Everyone's latest standing up to a meeting, by bird."""
    return (
        told[told["on"] <= on]
        .sort_values("on", kind="stable")
        .drop_duplicates("bird", keep="last")
        .set_index("bird")
    )


def _shares(merit: Merit, birds: pd.Series, among: pd.DataFrame | None = None) -> tuple[Floats, pd.Index]:
    """Shares (n × P) of chicks in their possible parents, and who these are; `among`: those of its index alone."""
    pedigree = merit.pedigree
    rows = pedigree.weights[pedigree.positions(birds)].tocsc()
    used = np.diff(rows.indptr) > 0
    known = used if among is None else used & pedigree.index.isin(among.index)
    at = np.flatnonzero(known)
    return rows[:, at].toarray(), pedigree.index[at]


def _days(seen: pd.DataFrame) -> Floats:
    """Share (n × days) of each outcome's looks on each judge's day; `seen` has index, seen_on, judge, a row a look."""
    label = seen["judge"].astype(str) + " " + seen["seen_on"].astype(str)
    return pd.crosstab(seen["index"], label, normalize="index").sort_index().to_numpy(dtype=float)


Expects = Callable[[Then, pd.DataFrame], tuple[Floats, Floats, Floats, Floats]]
"""Of a meeting's rows: what right predictions are (n,), what is expected of the outcomes (n,), their covariance
(n × n) but for the looks' own, and the weights (T,) of the traits in the outcome."""


def _by_meeting(check: str, past: Past, rows: pd.DataFrame, days: Floats, expects: Expects) -> Evidence:
    """The evidence with what a right prediction would have shown, meeting by meeting."""
    rows = rows.assign(right=np.nan, shown=np.nan)
    covariance = np.zeros((len(rows), len(rows)))
    number = 1 / np.maximum((days**2).sum(axis=1), 1e-9)  # looks, had each been on a day of its own
    for on in rows["on"].unique():
        at = np.flatnonzero(rows["on"] == on)
        then = past.on(on)
        if then is None:
            continue
        right, shown, about, weights = expects(then, rows.iloc[at])
        rows.loc[rows.index[at], "right"], rows.loc[rows.index[at], "shown"] = right, shown
        noise = np.diag(then.variance("residual", weights) / number[at])
        of_day = then.variance("day", weights) * days[at] @ days[at].T
        covariance[np.ix_(at, at)] = about + noise + of_day
    told = rows["right"].notna().to_numpy()  # where nothing had been seen, all were told alike
    if past.merit.known is None:
        return Evidence(check, _rows(rows))
    return Evidence(check, _rows(rows), covariance).part(told)


def _lasting(then: Then, rows: pd.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
    """Of birds' own later looks: all that they carry for good."""
    birds, back = np.unique(rows["bird"].to_numpy(dtype=object), return_inverse=True)
    picked, extra = carried(then.known, then.flock, pd.Index(birds), then.eye[:, None])
    effects = then.known.solution.effects
    about = then.known.solution.spread(picked) + np.diag(extra)
    right = then.bred(pd.Index(birds), then.line).T @ effects
    return right[back], (picked.T @ effects)[back], about[np.ix_(back, back)], then.eye


def _offspring(flock: Flock, merit: Merit, told: pd.DataFrame, with_size: bool) -> Expects:
    """Of chicks' looks: half of each parent, and what else makes chicks differ."""
    clutches = flock.birds.set_index("bird")["clutch"]

    def expects(then: Then, rows: pd.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
        weights = then.line if with_size else then.eye
        effects, genetic = then.known.solution.effects, then.variance("genetic", weights)
        shares, parents = _shares(merit, rows["bird"], _stood(told, rows["on"].iloc[0]))
        right = shares @ (then.bred(parents, then.line).T @ effects)
        shown = shares @ (then.bred(parents, weights).T @ effects)
        every, all_parents = _shares(merit, rows["bird"])
        picked = then.bred(all_parents, weights)
        unseen = np.where(picked.any(axis=0), 0.0, genetic)
        about = every @ (then.known.solution.spread(picked) + np.diag(unseen)) @ every.T
        own = merit.pedigree.mendelian[merit.pedigree.positions(rows["bird"])] * genetic
        own_clutch = rows["bird"].map(clutches).to_numpy(dtype=object)
        alike = own_clutch[:, None] == own_clutch[None, :]
        about = about + alike * (then.variance("clutch", weights) + then.variance("brooder", weights))
        return right, shown, about + np.diag(own + then.variance("permanent", weights)), weights

    return expects


def _rows(rows: pd.DataFrame) -> pd.DataFrame:
    """The columns of an evidence's rows; what a right prediction would show missing where not worked out."""
    return rows.reindex(columns=[*_ROWS, "right", "shown"]).reset_index(drop=True)


FEWEST = 5
"""Birds under which no interval is given: it would only say that nothing is known."""


@dataclass(frozen=True)
class Estimate:
    """A value with its 90 % interval and n; all three missing with `why` where too few were seen."""

    value: float
    low: float
    high: float
    n: int
    why: str = ""


def too_few(n: int, fewest: int = FEWEST) -> Estimate:
    """No estimate, and the words for it."""
    return Estimate(np.nan, np.nan, np.nan, n, f"too few to say: {n} of at least {fewest} birds")


def mean_of(values: np.ndarray) -> Estimate:
    """Mean with Student's t interval."""
    n = len(values)
    if n < FEWEST:
        return too_few(n)
    reach = stdtrit(n - 1, 0.5 + LEVEL / 2) * values.std(ddof=1) / np.sqrt(n)
    return Estimate(float(values.mean()), float(values.mean() - reach), float(values.mean() + reach), n)


def slope_of(
    x: np.ndarray, y: np.ndarray, groups: np.ndarray, covariance: np.ndarray | None = None
) -> Estimate:
    """Least-squares slope of y on x within groups, with Student's t interval on n − groups − 1 degrees.

    Where the `covariance` (n × n) of y about its expectation is known, the interval is no narrower than that says:
    outcomes that hang together tell less than as many that do not.
    """
    x, y, free, many = _within(x, y, groups)
    if free < FEWEST - 2:
        return too_few(len(x))
    if not x @ x > 1e-12:
        return Estimate(
            np.nan,
            np.nan,
            np.nan,
            len(x),
            "nothing to compare: within each season and sex all were expected alike",
        )
    slope = float(x @ y / (x @ x))
    rest = y - slope * x
    reach = stdtrit(free, 0.5 + LEVEL / 2) * np.sqrt(rest @ rest / free / (x @ x))
    if covariance is not None:
        by_model = max(float(x @ covariance[np.ix_(many, many)] @ x), 0.0)
        reach = max(reach, ndtri(0.5 + LEVEL / 2) * np.sqrt(by_model) / (x @ x))
    return Estimate(slope, float(slope - reach), float(slope + reach), len(x))


def expected_of(
    right: np.ndarray, shown: np.ndarray, groups: np.ndarray, covariance: np.ndarray | None
) -> tuple[float, float]:
    """Slope and correlation that right predictions would have within groups; missing where not to be told.

    right (n,): what the model would have predicted; shown (n,): what it expected of the outcomes; covariance (n × n)
    of the outcomes about that.
    """
    x, y, _, many = _within(right, shown, groups)
    if not x @ x > 1e-12:
        return np.nan, np.nan
    slope = float(x @ y / (x @ x))
    if covariance is None:
        return slope, np.nan
    codes = np.unique(groups[many], return_inverse=True)[1]
    same = (codes[:, None] == codes[None, :]) / np.bincount(codes)[codes]
    about = np.trace((np.eye(len(x)) - same) @ covariance[np.ix_(many, many)])
    return slope, float(x @ y / np.sqrt(x @ x * (y @ y + max(about, 0.0)))) if y @ y + about > 0 else np.nan


def correlation_of(x: np.ndarray, y: np.ndarray, groups: np.ndarray) -> Estimate:
    """Correlation within groups, with Fisher's z interval on n − groups + 1 birds (Fisher 1921, from memory)."""
    x, y, free, _ = _within(x, y, groups)
    if free < FEWEST - 2:
        return too_few(len(x))
    if not (x @ x > 1e-12 and y @ y > 1e-12):
        return Estimate(np.nan, np.nan, np.nan, len(x), "nothing to compare: all were alike")
    r = float(np.clip(x @ y / np.sqrt((x @ x) * (y @ y)), -1, 1))
    reach = ndtri(0.5 + LEVEL / 2) / np.sqrt(free - 1)
    z = np.arctanh(np.clip(r, -0.999999, 0.999999))
    return Estimate(r, float(np.tanh(z - reach)), float(np.tanh(z + reach)), len(x))


def _within(
    x: np.ndarray, y: np.ndarray, groups: np.ndarray
) -> tuple[np.ndarray, np.ndarray, int, np.ndarray]:
    """Both about their group's mean, groups of one left out; degrees of freedom of a slope; which were not left out."""
    codes, counts = np.unique(groups, return_inverse=True, return_counts=True)[1:]
    many = counts[codes] > 1
    x, y, codes = x[many], y[many], codes[many]
    means = np.maximum(np.bincount(codes, minlength=len(counts)), 1)
    x = x - (np.bincount(codes, x, len(counts)) / means)[codes]
    y = y - (np.bincount(codes, y, len(counts)) / means)[codes]
    return x, y, len(x) - int((counts > 1).sum()) - 1, many
