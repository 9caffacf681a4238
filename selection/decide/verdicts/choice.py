"""The best set of birds to keep under a ceiling on relationship, how sure it is, and what would tip it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain, combinations
from math import comb

import numpy as np
import pandas as pd

from selection.decide.wording import some_points
from selection.merit.candidates import Call
from selection.merit.explain import Detail
from selection.merit.ranking import Merit
from selection.merit.relationship.worst_case import SAME
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Section, Standard

MOST_SETS = 300_000
"""Up to so many possible sets are all compared; beyond, sets are bettered bird by bird until no exchange helps."""
WEIGHTS = 60
"""Weights put on relationship, from none to all, where the sets are too many to compare."""


@dataclass(frozen=True)
class Kin:
    """Relationships of n candidates: `joined` (n,) sum over the birds they join, `number` of those birds;
    `among` (n, n) with one another, its diagonal not used."""

    joined: np.ndarray
    number: int
    among: np.ndarray

    def of(self, sets: np.ndarray) -> np.ndarray:
        """Mean relationship of each set (m × k positions) with the flock it will be part of, (m,)."""
        k = sets.shape[1]
        total = self.joined[sets].sum(axis=1)
        for a, b in combinations(range(k), 2):
            total = total + 2 * self.among[sets[:, a], sets[:, b]]
        return total / (k * max(self.number + k - 1, 1))


@dataclass(frozen=True)
class Frontier:
    """Unbeaten sets, most merit first: positions (m × k), mean merit (m,), relationship (m,).

    complete: every unbeaten set is there; else they are what exchanging bird by bird found.
    """

    sets: np.ndarray
    merit: np.ndarray
    relationship: np.ndarray
    complete: bool

    def under(self, ceiling: float) -> int | None:
        """The row of most merit whose relationship is at most `ceiling`; None where there is none."""
        below = np.flatnonzero(self.relationship <= ceiling + SAME)
        return int(below[0]) if len(below) else None


def frontier(merit: np.ndarray, kin: Kin, number: int, forced: Sequence[int] = ()) -> Frontier:
    """Every unbeaten set of `number` of the n candidates of `merit` (n,), those `forced` in each of them.

    Exact by comparing all sets while they are at most `MOST_SETS`. Raises ValueError unless
    len(forced) ≤ number ≤ n.
    """
    if not len(forced) <= number <= len(merit):
        raise ValueError(f"{number} of {len(merit)} birds, {len(forced)} of them forced: no such set")
    free = [i for i in range(len(merit)) if i not in set(forced)]
    complete = comb(len(free), number - len(forced)) <= MOST_SETS
    if complete:
        sets = _all(free, number - len(forced))
        sets = np.hstack([np.tile(np.array(forced, dtype=int), (len(sets), 1)), sets])
    else:
        sets = _by_exchange(merit, kin, number, forced, free)
    return _unbeaten(np.sort(sets, axis=1), merit, kin, complete)


def _all(free: Sequence[int], number: int) -> np.ndarray:
    count = comb(len(free), number)
    flat = np.fromiter(chain.from_iterable(combinations(free, number)), dtype=int, count=count * number)
    return flat.reshape(count, number)


def _unbeaten(sets: np.ndarray, merit: np.ndarray, kin: Kin, complete: bool) -> Frontier:
    of_merit, of_kin = merit[sets].mean(axis=1), kin.of(sets)
    order = np.lexsort((of_kin.round(9), -of_merit.round(9)))
    least = np.minimum.accumulate(of_kin[order])
    better = order[np.concatenate([[True], of_kin[order][1:] < least[:-1] - SAME])]
    return Frontier(sets[better], of_merit[better], of_kin[better], complete)


def _by_exchange(
    merit: np.ndarray, kin: Kin, number: int, forced: Sequence[int], free: Sequence[int]
) -> np.ndarray:
    """For each of a row of weights on relationship, the sets that no exchange of one bird betters.

    The weights are gone through twice, from the birds of most merit up and from the least related ones down:
    each end may hold the search in a set that the other passes by.
    """
    spread = max(float(np.ptp(merit)), SAME) / max(float(np.ptp(kin.among + kin.joined[:, None])), SAME)
    weights = [0.0, *(spread * np.geomspace(1e-3, 1e4, WEIGHTS))]
    found = []
    for key, passage in ((-merit, weights), (kin.joined + kin.among.sum(axis=1), weights[::-1])):
        first = sorted(free, key=key.tolist().__getitem__)[: number - len(forced)]
        chosen = [*forced, *first]
        for weight in passage:
            chosen = _settled(chosen, set(forced), free, merit, kin, weight)
            found.append(chosen)
    return np.array(found)


def _settled(
    chosen: list[int], forced: set[int], free: Sequence[int], merit: np.ndarray, kin: Kin, weight: float
) -> list[int]:
    while True:
        out = [b for b in chosen if b not in forced]
        swaps = [[*(b for b in chosen if b != o), i] for o in out for i in free if i not in chosen]
        sets = np.array([chosen, *swaps])
        value = merit[sets].mean(axis=1) - weight * kin.of(sets)
        best = int(np.argmax(value))
        if value[best] <= value[0] + SAME:
            return chosen
        chosen = [int(i) for i in sets[best]]


TOLD_APART = 0.95
"""Chance of the right order from which two birds count as told apart."""


@dataclass(frozen=True)
class Certainty:
    """What is known of one group's choice.

    pairs: one row a pair of unbarred birds, the one of higher merit first: first, second, probability (first
    truly above second), told_apart. expected_loss: points of merit by which the best birds, were they known,
    would on average beat the chosen ones. same_choice: share of equally plausible sets of variances under
    which the same birds have the highest merit (1 where the choice hangs on none of them).
    """

    pairs: pd.DataFrame
    expected_loss: float
    same_choice: float


def certainty(draws: pd.DataFrame, scenes: pd.DataFrame, kept: list[str]) -> Certainty:
    """Certainty of keeping `kept` out of the unbarred birds.

    `draws`: draws × birds of merit, one column an unbarred bird; `scenes`: one row a set of variances as
    plausible as the others, the birds' mean merit under it.
    """
    birds = list(draws.mean().sort_values(ascending=False, kind="stable").index)
    values = draws[birds].to_numpy()
    rows = [
        (birds[i], birds[j], float((values[:, i] > values[:, j]).mean()))
        for i, j in combinations(range(len(birds)), 2)
    ]
    pairs = pd.DataFrame(rows, columns=["first", "second", "probability"])
    pairs["told_apart"] = pairs["probability"] >= TOLD_APART
    number = len(kept)
    best = np.sort(values, axis=1)[:, len(birds) - number :].sum(axis=1)
    loss = float((best - draws[kept].to_numpy().sum(axis=1)).mean()) if number else 0.0
    # `birds` stand by merit: the usual choice is the first of them
    chosen = np.argsort(-scenes[birds].to_numpy(), axis=1, kind="stable")[:, :number]
    return Certainty(pairs, loss, float((chosen < number).all(axis=1).mean()) if len(chosen) else 1.0)


@dataclass(frozen=True)
class Choice:
    """Positions of the chosen birds, and whether the ceiling could be kept (None: there was none)."""

    chosen: np.ndarray
    ceiling_kept: bool | None


def best_set(
    merit: np.ndarray,
    number: int,
    kin: Kin | None = None,
    ceiling: float | None = None,
    forced: np.ndarray | None = None,
) -> Choice:
    """The `number` birds of highest total merit whose mean relationship with their flock keeps under `ceiling`.

    `merit` (n,) in points; `kin` tells relationship with the birds they join and with one another; `forced`
    (n,) bool birds that are in whatever their merit. Ties go to the earlier bird. Where no set keeps under the
    ceiling, the least related set is taken and said so.
    """
    forced = np.zeros(len(merit), bool) if forced is None else forced
    number = max(min(number, len(merit)), int(forced.sum()))
    order = np.lexsort((np.arange(len(merit)), -merit, ~forced))
    plain = np.sort(order[:number])
    if ceiling is None or kin is None or number == 0:
        return Choice(plain, None)
    if kin.of(plain[None, :])[0] <= ceiling:
        return Choice(plain, True)
    unbeaten = frontier(merit, kin, number, np.flatnonzero(forced).tolist())
    row = unbeaten.under(ceiling)
    return Choice(unbeaten.sets[-1 if row is None else row], row is not None)


LEAST_PULL = 0.02
"""Points of merit for a point in a section under which a section is said to tip nothing."""


NEXT_TO_NOTHING = 0.05
"""Points in a section that no judge would argue over."""

MOST_POINTS = 100.0
"""Points beyond which no section is tried: what a whole standard adds up to."""


@dataclass(frozen=True)
class Tip:
    """One pair at the edge: `behind` would overtake `ahead` if its `section` had been `points` better.

    scored: anybody has judged `behind` by eye, so that there is a score to be better.
    """

    ahead: str
    behind: str
    gap: float
    section: str | None
    points: float
    scored: bool = True

    def sentence(self, of: Call = str) -> str:
        """The tip in words, each bird as `of` calls it."""
        ahead, behind = of(self.ahead), of(self.behind)
        if not self.scored:
            return (
                f"{behind} was never scored: only a look can tell whether it belongs before {ahead}, "
                f"{self.gap:.1f} points of merit ahead"
            )
        if self.section is None:
            return (
                f"even full points in any one section would leave {behind} behind {ahead}, now {self.gap:.1f} "
                f"points of merit ahead"
            )
        if self.points < NEXT_TO_NOTHING:
            return f"{behind} stands level with {ahead}"
        return f"{behind} would overtake {ahead} if its {self.section} were {some_points(self.points)} better"


def tip(merit: Merit, known: Detail, standard: Standard, ahead: str, behind: str) -> Tip:
    """The section in which the least improvement, as a share of its points, lets `behind` overtake `ahead`.

    The improvement is on all of the bird's looks; its pull on merit is what the mixed model gives those
    looks, and none of them can rise above the section's points. A bird that nobody has scored has nothing to improve:
    section None, as where no score would do.
    """
    i, j = known.birds.get_loc(ahead), known.birds.get_loc(behind)
    gap = float(known.merit[i] - known.merit[j])
    pulls, given = _pulls(merit, known, i, j), _most_given(merit, behind)
    best: tuple[float, str | None, float] = (np.inf, None, np.nan)
    for name, pull in pulls.items():
        most = standard.section(str(name)).points
        needed = max(gap, 0.0) / pull if pull > LEAST_PULL else np.inf
        if needed / most < best[0] and needed <= most - given.get(name, most):
            best = (needed / most, str(name), needed)
    scored = not set(given).isdisjoint(known.by_eye)
    return Tip(ahead, behind, gap, best[1], best[2], scored)


def _most_given(merit: Merit, bird: str) -> dict[object, float]:
    """The most points a bird was given in each section, by section: what its looks can rise by is the rest."""
    assert merit.known is not None
    rows = merit.known.model.observations.rows
    return rows[rows["bird"] == bird].groupby("series")["value"].max().to_dict()


def _pulls(merit: Merit, known: Detail, i: int, j: int) -> pd.Series:
    """Change of the merit of bird j less bird i for a point more in each section of all looks at j."""
    fitted = merit.known
    assert fitted is not None
    model = fitted.model
    contrast = known.functionals[:, j] - known.functionals[:, i]
    weights = fitted.solution.factor.solve(contrast)
    design = np.zeros(len(model.y))
    for name, place in fitted.solution.slices.items():
        term = model.fixed if name == "fixed" else model.designs[name]
        design += term @ weights[place]
    rows = model.observations.rows
    own = rows["bird"].to_numpy() == known.birds[j]
    pull = pd.Series(fitted.residual_precision @ design)[own].groupby(rows.loc[own, "series"]).sum()
    return pull[pull.index.isin(model.observations.by_eye)]


def planned_counts(standard: Standard, plan: Plan) -> dict[str, float]:
    """The points each section counts for in merit as planned: its points times its worth."""
    return {s.name: s.points * plan.worth.get(s.name, 1.0) for s in standard.sections}


def room_to_reweigh(known: Detail, kept: np.ndarray, standard: Standard, plan: Plan) -> pd.DataFrame:
    """How far the points that each section counts for could be changed before the kept birds change.

    One row a section that was seen: section, points (it counts for now: its own times its worth), lowest and
    highest points (0 to MOST_POINTS) at which the same birds are kept, merit linear in the section's weight;
    `first`: the bird that would come in above. Missing: never in that range.
    """
    rows = []
    for section in standard.sections:
        if section.name not in known.traits and section.name not in known.banded:
            continue
        now = section.points * plan.worth.get(section.name, 1.0)
        low, high, who = _range(known.merit, _per_point(known, section, now), kept)
        rows.append(
            {
                "section": section.name,
                "points": now,
                "lowest": max(now + low, 0.0),
                "highest": min(now + high, MOST_POINTS),
                "first": None if who is None or now + high > MOST_POINTS else known.birds[who],
            }
        )
    return pd.DataFrame(rows)


def _per_point(known: Detail, section: Section, now: float) -> np.ndarray:
    """Merit (L,) that each bird gains where a section counts for a point more; nought for a band worth nothing."""
    if section.measured is not None:
        return known.banded[section.name] / now if now else np.zeros(len(known.birds))
    return known.values[:, known.traits.index(section.name)] / section.points


def _range(merit: np.ndarray, slope: np.ndarray, kept: np.ndarray) -> tuple[float, float, int | None]:
    """Steps down (≤ 0) and up (≥ 0) of one section's points between which every kept bird stays ahead of the others."""
    inside, outside = np.flatnonzero(kept), np.flatnonzero(~kept)
    gap = merit[inside][:, None] - merit[outside]
    lean = slope[inside][:, None] - slope[outside]
    with np.errstate(divide="ignore", invalid="ignore"):
        step = -gap / lean
    down = np.where((lean > 0) & (step <= 0), step, -np.inf).max(initial=-np.inf)
    up = np.where((lean < 0) & (step >= 0), step, np.inf)
    who = int(outside[np.unravel_index(np.argmin(up), up.shape)[1]]) if np.isfinite(up).any() else None
    return float(down), float(up.min(initial=np.inf)), who
