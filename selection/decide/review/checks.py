"""Predictions of earlier meetings held against what came later, and home-bred birds by hatch year."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from selection.answer import REACH
from selection.decide.review.evidence import (
    FEWEST,
    Estimate,
    Evidence,
    Past,
    chicks,
    correlation_of,
    expected_of,
    later_looks,
    later_merit,
    mean_of,
    slope_of,
    worth_of_looks,
)
from selection.merit.ranking import Merit
from selection.records.flock import Flock

CHANCES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
"""Bounds between which birds of like chances are put together."""

ENOUGH = 0.5
"""Share of the doubt that must have gone before what is known now is proof of what was told then."""

LATER_MERIT = "later merit"
_NAMES = {LATER_MERIT: LATER_MERIT, "later looks": "own looks since", "chicks": "looks at their chicks"}
"""What each check is called where people read of it."""


def with_since(standings: pd.DataFrame, since: pd.DataFrame) -> pd.DataFrame:
    """`standings` of birds the records tell of now, with what they say: later, later_best, later_kept, doubt_left.

    later: merit about the mean of the same birds; later_best, later_kept: chance now that it was the best,
    or among the best `number`; doubt_left: variance of its merit now beside what it was at the meeting.
    Groups of one are left out, and merit is put about the mean of the birds that are left.
    """
    parts = []
    for _, rows in standings.groupby(["on", "group"], sort=False):
        told = rows[rows["bird"].isin(since.columns)]
        if len(told) > 1:
            parts.append(_group_since(told, since))
    columns = [*standings.columns, "later", "later_best", "later_kept", "doubt_left"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _group_since(rows: pd.DataFrame, since: pd.DataFrame) -> pd.DataFrame:
    draws = since[rows["bird"]].to_numpy()
    off = draws - draws.mean(axis=1, keepdims=True)
    order = np.argsort(-off, axis=1, kind="stable")
    number = int(min(max(rows["number"].iloc[0], 1), len(rows)))
    count = len(rows)
    return rows.assign(
        merit=rows["merit"] - rows["merit"].mean(),
        later=off.mean(axis=0),
        later_best=np.bincount(order[:, 0], minlength=count) / len(off),
        later_kept=np.bincount(order[:, :number].ravel(), minlength=count) / len(off),
        doubt_left=off.var(axis=0) / rows["merit_se"].to_numpy(dtype=float) ** 2,
    )


def gather_evidence(flock: Flock, merit: Merit, told: pd.DataFrame) -> tuple[Evidence, ...]:
    """Everything that came after the meetings, beside what right predictions would have shown."""
    past, looks = Past(flock, merit), worth_of_looks(flock, merit)
    proof = learned(told) >= ENOUGH
    return later_merit(past, told, proof), later_looks(past, told, looks), chicks(past, told, looks)


def checks(found: tuple[Evidence, ...], told: pd.DataFrame) -> pd.DataFrame:
    """evidence, quantity (`bias`, `slope`, `correlation`), value, low, high, n, expected, says.

    bias: prediction less outcome, over the birds kept; slope: of outcome on prediction; both within a meeting's
    groups, merit of each bird by its first meeting. expected: what right predictions would have.
    """
    parts = []
    for evidence in found:
        kept, proof = None, True
        if evidence.check == LATER_MERIT:
            if told.empty:
                continue
            first = ~told["bird"].duplicated().to_numpy()
            evidence, kept = evidence.part(first), told["kept"].to_numpy(dtype=bool)[first]
            proof = learned(told) >= ENOUGH
        parts.append(_figures(_NAMES[evidence.check], held_against(evidence, kept), proof))
    return pd.concat(parts, ignore_index=True)


@dataclass(frozen=True)
class Held:
    """The figures of one check: slope and correlation with what right predictions would have, bias of the kept."""

    n: int
    slope: Estimate
    slope_expected: float
    correlation: Estimate
    correlation_expected: float
    bias: Estimate | None = None


def held_against(evidence: Evidence, kept: np.ndarray | None = None) -> Held:
    """Predictions against outcomes; `kept` (n,): whose bias is asked for (None: of relative outcomes it has none)."""
    rows, groups = evidence.rows, evidence.rows["cell"].to_numpy()
    x, y, right, shown = (rows[c].to_numpy(dtype=float) for c in ("merit", "seen", "right", "shown"))
    slope, correlation = (1.0, np.nan)
    if len(rows) and np.isfinite(right).all():
        slope, correlation = expected_of(right, shown, groups, evidence.covariance)
    return Held(
        len(rows),
        slope_of(x, y, groups, evidence.covariance),
        slope,
        correlation_of(x, y, groups),
        correlation,
        None if kept is None else mean_of((x - y)[kept]),
    )


def _figures(evidence: str, held: Held, proof: bool) -> pd.DataFrame:
    """One row a quantity; `proof` False: most of it was known already then."""
    quantities = {
        "bias": (held.bias, 0.0),
        "slope": (held.slope, held.slope_expected),
        "correlation": (held.correlation, held.correlation_expected),
    }
    rows = [
        {
            "evidence": evidence, "quantity": name, "value": e.value, "low": e.low, "high": e.high,
            "n": e.n, "expected": want, "says": _says(name, e, want, proof),
        }
        for name, (e, want) in quantities.items()
        if e is not None
    ]  # fmt: skip
    return pd.DataFrame(rows)


def _says(name: str, of: Estimate, expected: float, proof: bool) -> str:
    if of.why:
        return of.why
    if not proof:
        return "no proof yet: most of what is known now was known then"
    if name == "correlation":
        return "what was told then and what is known now go together" if of.low > 0 else "no clear connection"
    if of.low <= expected <= of.high:
        return f"in agreement with {expected:.2g}"
    if name == "bias":
        return "kept birds were promised too much" if of.low > 0 else "kept birds were promised too little"
    return "predictions were too bold" if of.high < expected else "predictions were too timid"


RIGHT, BOLD, TIMID, FEW = "right", "too bold", "too timid", "too few"
TABLE = [
    "meeting", "check", "group", "n", "bias", "bias_low", "bias_high", "slope", "slope_low", "slope_high",
    "slope_expected", "correlation", "correlation_low", "correlation_high", "correlation_expected", "says",
]  # fmt: skip
"""The columns of review.csv."""


def check_table(found: tuple[Evidence, ...], told: pd.DataFrame) -> pd.DataFrame:
    """review.csv: one row a meeting, check and group (of chicks: their own)."""
    rows = []
    for evidence in found:
        for (on, group), of in evidence.rows.groupby(["on", "group"], sort=True):
            mine = evidence.rows.index.isin(of.index)
            if evidence.check == LATER_MERIT:
                here = told[mine]
                held = held_against(evidence.part(mine), here["kept"].to_numpy(dtype=bool))
                rows.append(
                    _row(on, evidence.check, group, held, min(learned(here), learned(told)) >= ENOUGH)
                )
            else:
                rows.append(_row(on, evidence.check, group, held_against(evidence.part(mine)), True))
    rows += [_chances_row(on, group, of) for (on, group), of in told.groupby(["on", "group"], sort=True)]
    frame = pd.DataFrame(rows, columns=TABLE)
    return frame.sort_values(["meeting", "group", "check"], kind="stable", ignore_index=True)


def _row(on: pd.Timestamp, check: str, group: object, held: Held, proof: bool) -> dict[str, object]:
    says = FEW
    if proof and not held.slope.why and np.isfinite(held.slope_expected):
        bold, timid = held.slope.high < held.slope_expected, held.slope.low > held.slope_expected
        says = BOLD if bold else TIMID if timid else RIGHT
    return {
        "meeting": f"{on:%Y-%m-%d}", "check": check, "group": group, "n": held.n,
        **(_ends("bias", held.bias) if held.bias else {}),
        **_ends("slope", held.slope), "slope_expected": held.slope_expected,
        **_ends("correlation", held.correlation), "correlation_expected": held.correlation_expected,
        "says": says,
    }  # fmt: skip


def _chances_row(on: pd.Timestamp, group: object, told: pd.DataFrame) -> dict[str, object]:
    """Chances of a place against what they are now: bias of the birds that were given one by half or more."""
    given, later = (told[c].to_numpy(dtype=float) for c in ("p_kept", "later_kept"))
    bias = mean_of((given - later)[given >= 0.5])
    says = FEW
    if learned(told) >= ENOUGH and not bias.why:
        says = BOLD if bias.low > 0 else TIMID if bias.high < 0 else RIGHT
    one = np.zeros(len(told))
    return {
        "meeting": f"{on:%Y-%m-%d}", "check": "chances", "group": group, "n": len(told), "says": says,
        **_ends("bias", bias), **_ends("correlation", correlation_of(given, later, one)),
    }  # fmt: skip


def _ends(name: str, of: Estimate) -> dict[str, float]:
    return {name: of.value, f"{name}_low": of.low, f"{name}_high": of.high}


def learned(told: pd.DataFrame) -> float:
    """Share of the doubt about these birds' merit that the records since have taken away; 0 for none."""
    return max(0.0, 1 - float(told["doubt_left"].astype(float).mean())) if len(told) else 0.0


def chances_kept(told: pd.DataFrame) -> pd.DataFrame:
    """Chances that were given, and what share proved so: kind, low_given, high_given, birds, given, proved, …

    proved: the mean of today's chances of the same thing, so that what is still in doubt counts as doubt;
    with its interval (low, high) over birds, and says. `p_best` and `p_kept` in turn. Where little has been
    learned since, today's chances are mostly those of the meeting, and `says` does not call them proof.
    """
    rows, proof = [], learned(told) >= ENOUGH
    for kind, later in (("p_best", "later_best"), ("p_kept", "later_kept")):
        for low, high in pairwise(CHANCES):
            given = told[kind].astype(float)
            of = told[(given >= low) & ((given < high) | (high == 1.0))]
            if len(of):
                rows.append(_chance(kind, low, high, of[kind].astype(float), of[later].astype(float), proof))
    columns = ["kind", "low_given", "high_given", "birds", "given", "proved", "low", "high", "says"]
    return pd.DataFrame(rows, columns=columns)


def _chance(kind: str, low: float, high: float, given: pd.Series, later: pd.Series, proof: bool) -> tuple:
    proved = mean_of(later.to_numpy())
    what = "the best" if kind == "p_best" else "among the best that were wanted"
    birds = "bird" if len(given) == 1 else "birds"
    says = f"of {len(given)} {birds} given {given.mean():.2f} to be {what}, {later.mean():.2f} " + (
        "proved so" if proof else "are so by what is known now, most of which was known then"
    )
    if proved.why:
        says += f" ({proved.why})"
    ends = np.clip([proved.low, proved.high], 0, 1)
    return (kind, low, high, len(given), given.mean(), later.mean(), *ends, says)


def differentials(told: pd.DataFrame) -> pd.DataFrame:
    """What choosing gained: on, group, number, kept, differential, possible, share, later, later_possible, says.

    differential: mean merit of the kept above the group's, as it was told then; possible: of as many of the
    highest merit; later, later_possible: the same by what is known now. Points; share: differential/possible.
    """
    rows = [_differential(on, group, of) for (on, group), of in told.groupby(["on", "group"], sort=False)]
    columns = ["on", "group", "number", "kept", "differential", "possible", "share"]
    return pd.DataFrame(rows, columns=[*columns, "later", "later_possible", "says"])


def _differential(on: object, group: object, of: pd.DataFrame) -> tuple:
    kept = of[of["kept"].astype(bool)]
    if kept.empty:
        missing = (np.nan,) * 5
        return (on, group, int(of["number"].iloc[0]), 0, *missing, "none of them was kept")
    best, best_later = (of[c].nlargest(len(kept)).mean() for c in ("merit", "later"))
    if of["merit"].max() - of["merit"].min() < 1e-9:
        return (on, group, int(of["number"].iloc[0]), len(kept), *(np.nan,) * 5, "all stood alike then")
    gained, later = kept["merit"].mean(), kept["later"].mean()
    share = gained / best if best > 1e-9 else np.nan  # as many kept as there were
    says = f"kept {gained:+.1f} of {best:+.1f} points possible; now seen as {later:+.1f} of {best_later:+.1f}"
    return (on, group, int(of["number"].iloc[0]), len(kept), gained, best, share, later, best_later, says)


_COLUMNS = [
    "hatch_year",
    "birds",
    "merit",
    "low",
    "high",
    "seen",
    "genetic",
    "rearing",
    "rearing_low",
    "rearing_high",
    "says",
]


@dataclass(frozen=True)
class HatchYears:
    """Home-bred chicks by hatch year.

    table: one row a hatch year, everything about the mean of the years listed, in points. merit, low, high:
    mean breeding value and its 90 % interval; seen: mean of the looks of their first season (worth × points as
    given, both sexes alike); genetic: the part of merit that those sections hold; rearing: seen − genetic,
    with its interval: rearing, season and judges together, missing with a word in `says` where fewer than five
    birds were looked at in full. gain: points of merit a hatch year (least squares over the years, with the
    posterior interval of just that slope); missing for fewer than three years.
    """

    table: pd.DataFrame
    gain: Estimate


def by_hatch_year(flock: Flock, merit: Merit) -> HatchYears:
    """Merit by hatch year, its gain, and apart from it what rearing, season and judges made of the birds."""
    nothing = HatchYears(pd.DataFrame(columns=_COLUMNS), gain_of(np.zeros(0), np.zeros((0, 0)), []))
    if merit.known is None or merit.index is None:
        return nothing
    home = flock.birds[(flock.birds["origin_of"] == "home-bred") & flock.birds["clutch"].notna()]
    home = home[home["bird"].isin(merit.known.model.kinship.birds)]
    years = sorted(home["hatch_year"].dropna().unique())
    if len(years) < 2:
        return nothing
    of_year = [home.loc[home["hatch_year"] == y, "bird"].tolist() for y in years]
    worth, by_eye = _worths(flock, merit)
    value, covariance = _means(merit, of_year, worth)
    se = np.sqrt(np.diag(covariance))
    genetic, genetic_covariance = _means(merit, of_year, by_eye)
    seen, seen_se, counts = _seen(flock, home, years)
    rearing = seen - genetic
    off = rearing - np.nanmean(rearing) if np.isfinite(rearing).any() else rearing
    reach = REACH * np.sqrt(np.diag(genetic_covariance) + seen_se**2)
    says = [_year_says(n) for n in counts]
    table = pd.DataFrame(
        {
            "hatch_year": [int(y) for y in years], "birds": [len(b) for b in of_year], "merit": value,
            "low": value - REACH * se, "high": value + REACH * se, "seen": seen, "genetic": genetic,
            "rearing": off, "rearing_low": off - reach, "rearing_high": off + reach, "says": says,
        }
    )  # fmt: skip
    return HatchYears(table, gain_of(value, covariance, years))


def gain_of(merit: np.ndarray, covariance: np.ndarray, years: list[float]) -> Estimate:
    """Least-squares slope of mean merit (Y,) on the year, its interval from the means' covariance (Y × Y)."""
    if len(years) < 3:
        return Estimate(np.nan, np.nan, np.nan, len(years), "too few to say: fewer than three hatch years")
    off = np.array(years) - np.mean(years)
    weights = off / (off @ off)
    value, reach = float(weights @ merit), float(REACH * np.sqrt(weights @ covariance @ weights))
    return Estimate(value, value - reach, value + reach, len(years))


def _worths(flock: Flock, merit: Merit) -> tuple[np.ndarray, np.ndarray]:
    """Worth of each trait (T,), a banded one by its slope, and that of the sections judged by eye alone."""
    assert merit.known is not None and merit.index is not None
    worth = merit.index.line()
    return worth, np.where([t.by_eye for t in merit.known.model.observations.asked], worth, 0.0)


def _means(merit: Merit, groups: list[list[str]], worth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean of worth × breeding values of each group about the mean of all groups, and their covariance."""
    assert merit.known is not None
    known, count = merit.known, len(worth)
    place, birds = known.solution.slices["genetic"], known.model.kinship.birds
    picked = np.zeros((len(known.solution.effects), len(groups)))
    for g, group in enumerate(groups):
        at = place.start + birds.get_indexer(group)[:, None] * count + np.arange(count)
        picked[at, g] = worth / len(group)
    picked -= picked.mean(axis=1, keepdims=True)
    return picked.T @ known.solution.effects, known.solution.spread(picked)


def _seen(flock: Flock, home: pd.DataFrame, years: list[float]) -> tuple[np.ndarray, np.ndarray, list[int]]:
    """Mean of first-season looks of each year about their mean, its standard error, and the birds seen in full."""
    worth = {s.name: flock.plan.worth.get(s.name, 1.0) for s in flock.standard.by_eye}
    names = [name for name, value in worth.items() if value]
    given = flock.scores[names].astype(float).to_numpy() @ np.array([worth[name] for name in names])
    looks = flock.scores[["on", "bird"]].assign(seen=given).dropna()
    looks = looks.merge(home[["bird", "sex", "hatch_year"]], on="bird")
    looks = looks[looks["on"].dt.year == looks["hatch_year"]]
    birds = looks.groupby(["hatch_year", "sex", "bird"], as_index=False)["seen"].mean()
    # cocks and pullets are judged apart: every year counts both sexes alike
    birds["seen"] -= birds.groupby("sex")["seen"].transform("mean")
    of = birds.groupby("hatch_year")["seen"].agg(["mean", "std", "size"]).reindex(years)
    few = ~(of["size"] >= FEWEST)
    mean, se = of["mean"].mask(few).to_numpy(), (of["std"] / np.sqrt(of["size"])).mask(few).to_numpy()
    return (
        mean - np.nanmean(mean) if np.isfinite(mean).any() else mean,
        se,
        of["size"].fillna(0).astype(int).tolist(),
    )


def _year_says(count: int) -> str:
    if count < FEWEST:
        return f"too few to say what rearing did: {count} looked at in full, of at least {FEWEST}"
    return ""
