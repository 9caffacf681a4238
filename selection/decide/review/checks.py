"""Predictions of earlier meetings held against what came later: bias, slope, correlation, chances, differentials."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd

from selection.decide.review.intervals import Estimate, correlation_of, mean_of, slope_of
from selection.merit.ranking import Merit
from selection.records.flock import Flock
from selection.standard.judges import Looks

CHANCES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
"""Bounds between which birds of like chances are put together."""

ENOUGH = 0.5
"""Share of the doubt that must have gone before what is known now is proof of what was told then."""

LATER_MERIT = "later merit"
OWN_LOOKS = "own looks since"
CHICKS_LOOKS = "looks at their chicks"


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


def checks(flock: Flock, merit: Merit, told: pd.DataFrame) -> pd.DataFrame:
    """evidence, quantity (`bias`, `slope`, `correlation`), value, low, high, n, expected, says.

    bias: prediction less outcome, over the birds kept; slope: of outcome on prediction, 1 where predictions
    are neither too bold nor too timid; both within a meeting's groups, each bird by its first meeting.
    """
    looks = worth_of_looks(flock, merit)
    own = _own_looks(told, looks)
    chicks = _chicks_looks(flock, merit, told, looks)
    parts = [
        _of_evidence(OWN_LOOKS, own, own["seen"], 1.0),
        _of_evidence(CHICKS_LOOKS, chicks, chicks["seen"], 1.0),
    ]
    if len(told):
        first = told.drop_duplicates("bird")
        proof = learned(told) >= ENOUGH
        parts.insert(0, _of_evidence(LATER_MERIT, first, first["later"], 1.0, proof))
    return pd.concat(parts, ignore_index=True)


def _of_evidence(
    evidence: str, rows: pd.DataFrame, outcome: pd.Series, expected: float, proof: bool = True
) -> pd.DataFrame:
    """The checks against one kind of evidence; `proof` False: most of it was known already then."""
    x, y = rows["merit"].to_numpy(dtype=float), outcome.to_numpy(dtype=float)
    groups = (
        rows["cell"].to_numpy() if "cell" in rows else (rows["on"].astype(str) + rows["group"]).to_numpy()
    )
    found = {
        "slope": (slope_of(x, y, groups), expected),
        "correlation": (correlation_of(x, y, groups), np.nan),
    }
    if evidence == LATER_MERIT:
        kept = rows["kept"].to_numpy(dtype=bool)
        found = {"bias": (mean_of((x - y)[kept]), 0.0), **found}
    return pd.DataFrame(
        [
            {
                "evidence": evidence, "quantity": name, "value": e.value, "low": e.low, "high": e.high,
                "n": e.n, "expected": want, "says": _says(name, e, want, proof),
            }
            for name, (e, want) in found.items()
        ]
    )  # fmt: skip


def _says(name: str, of: Estimate, expected: float, proof: bool) -> str:
    if of.why:
        return of.why
    if not proof:
        return "no proof yet: most of what is known now was known then"
    if name == "correlation":
        return "what was told then and what is known now go together" if of.low > 0 else "no clear connection"
    if of.low <= expected <= of.high:
        return f"in agreement with {expected:g}"
    if name == "bias":
        return "kept birds were promised too much" if of.low > 0 else "kept birds were promised too little"
    return "predictions were too bold" if of.high < expected else "predictions were too timid"


def worth_of_looks(flock: Flock, merit: Merit) -> pd.DataFrame:
    """One row a look with every section that has a worth: bird, on, season, sex, seen (worth × points).

    Points have judges' levels taken off; sections judged by eye alone. Worths are the plan's.
    """
    worth = {s.name: flock.plan.worth.get(s.name, 1.0) for s in flock.standard.by_eye}
    worth = {name: value for name, value in worth.items() if value}
    if not hasattr(merit, "points"):
        return pd.DataFrame({"bird": [], "on": [], "sex": [], "seen": []})
    looks = merit.points.looks
    points = Looks(looks, merit.points.given).matrix(list(worth), "adjusted")
    seen = points @ np.array(list(worth.values()))
    whole = looks["bird"].notna() & ~np.isnan(seen)
    rows, seen = looks[whole], seen[whole]
    sex = rows["bird"].map(flock.birds.set_index("bird")["sex"])
    return pd.DataFrame({"bird": rows["bird"], "on": rows["on"], "sex": sex, "seen": seen})


def _own_looks(told: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """Birds of a meeting's group looked at again in a later year: the mean of what was seen, year by year."""
    both = told.merge(looks.rename(columns={"on": "seen_on"}), on="bird")
    both["year"] = both["seen_on"].dt.year if len(both) else pd.Series(dtype=float)
    both = both[both["year"] > both["on"].dt.year] if len(both) else both
    mean = both.groupby(["on", "group", "year", "bird"], as_index=False)[["merit", "seen"]].mean()
    return mean.assign(cell=mean["on"].astype(str) + mean["group"] + mean["year"].astype(str))


def _chicks_looks(flock: Flock, merit: Merit, told: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """Home-bred chicks of birds that had stood at a meeting: expected merit by their shares in them, and looks.

    A chick counts where at least one half of its parentage had stood at a meeting before it hatched; chicks
    are compared within their season and sex.
    """
    stood = told.drop_duplicates("bird", keep="last").set_index("bird")
    home = flock.birds[(flock.birds["origin_of"] == "home-bred") & flock.birds["clutch"].notna()]
    seen = looks[looks["bird"].isin(home["bird"])].groupby(["bird", "sex"], as_index=False)["seen"].mean()
    pedigree = merit.pedigree
    rows = pedigree.weights[pedigree.positions(seen["bird"])].tocsc()
    known = pedigree.index.isin(stood.index)
    parents = np.flatnonzero(known)
    values = stood["merit_flock"].reindex(pedigree.index[parents]).to_numpy(dtype=float)
    share = np.asarray(rows[:, parents].sum(axis=1)).ravel()
    seen = seen.assign(merit=rows[:, parents] @ values)[share > 0.5 - 1e-9]
    year = seen["bird"].map(flock.birds.set_index("bird")["hatch_year"])
    return seen.assign(cell=year.astype(str) + seen["sex"])


def learned(told: pd.DataFrame) -> float:
    """Share of the doubt about these birds' merit that the records since have taken away; 0 for none."""
    return max(0.0, 1 - float(told["doubt_left"].astype(float).mean())) if len(told) else 0.0


def chances(told: pd.DataFrame) -> pd.DataFrame:
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
