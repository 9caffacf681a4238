"""Which young birds to look at or to weigh this week: what one more would be worth for the autumn's choice.

Worth is the merit that the choice of this season's group gains on average if its birds are seen or weighed once more,
as the records stand on the day. Where that is less than the plan's `worth_at_least`, it is not worth the walk.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from selection.answer import SEED, Answer, Kind, Note
from selection.decide.summer.calendar import USUAL_WEEKS
from selection.decide.verdicts.another_look import Sight, unseen, value_of
from selection.decide.wording import counted, listed
from selection.merit.candidates import YOUNG, called, carried
from selection.merit.explain import detail, lines
from selection.merit.ranking import Merit, rank
from selection.records.after_meeting import season_decisions
from selection.records.flock import Flock
from selection.standard.traits import Weighed

_DRAWS = 4_000
_MOST = 8
"""Birds of a group weighed up, those nearest the edge of the choice first."""
NEARLY_ALL = 0.9
"""The list is cut where it holds so much of what seeing all `MOST` would bring."""
LATELY = 14
"""Days within which a bird that was weighed is not weighed again: its good or bad day has not passed."""
LOOK, WEIGH = "look", "weigh"
WORTH_SEEING_COLUMNS = ["group", "do", "bird", "adds", "together"]

Value = Callable[[tuple[int, ...]], float]


@dataclass(frozen=True, repr=False)
class WorthSeeing(Answer):
    """The week's short list.

    table: one row a bird to be looked at or weighed: group, do (`look`, `weigh`), bird, adds (points of merit that the
    choice gains by taking it in, those above it in the list taken in already), together (points of the whole list).
    """

    TITLE = "Worth seeing this week"
    TABLES = ("table",)

    table: pd.DataFrame
    notes: tuple[Note, ...]


def this_week(flock: Flock) -> WorthSeeing | None:
    """The short list from the records alone; None where no group has more young birds than it keeps."""
    young = flock.birds[flock.birds["alive"] & (flock.birds["hatch_year"] == flock.plan.season)]
    counts = young["sex"].value_counts()
    open_ = [g for g, k in flock.plan.keep.items() if g in YOUNG and 0 < k.number < counts.get(YOUNG[g], 0)]
    return worth_seeing(flock, rank(flock)) if open_ else None


def worth_seeing(flock: Flock, merit: Merit, seed: int = SEED) -> WorthSeeing:
    """What one more look or weighing of each young bird is worth, as the flock stands on the plan's day.

    `merit` is :func:`selection.merit.ranking.rank` of the same flock. Birds decided on, and those barred, are left out.
    """
    rng = np.random.default_rng(seed)
    decided, of = set(season_decisions(flock)["bird"]), called(flock)
    rows: list[tuple[str, str, str, float, float]] = []
    notes: list[Note] = []
    for group, keep in flock.plan.keep.items():
        field = merit.ranking[(merit.ranking["group"] == group) & merit.ranking["bar"].isna()]
        birds = pd.Index([bird for bird in field["bird"] if bird not in decided])
        if group not in YOUNG or not 0 < keep.number < len(birds):
            continue
        birds = _nearest(field.set_index("bird")["p_kept"].reindex(birds))
        found = [
            (LOOK, _looked(flock, merit, birds, keep.number, rng)),
            (WEIGH, _weighed(flock, merit, birds, keep.number, rng)),
        ]
        for do, value in found:
            listed_birds = _short_list(value, len(birds), flock.plan.look_worth) if value else []
            together = sum(adds for _, adds in listed_birds)
            rows += [(group, do, birds[at], adds, together) for at, adds in listed_birds]
            notes += _said(group, do, [str(of(birds[at])) for at, _ in listed_birds], together)
    if not rows:
        text = "No look or weighing of a young bird is worth the walk this week, as the records stand."
        notes.append(Note(Kind.SHORT, None, text))
    return WorthSeeing(pd.DataFrame(rows, columns=WORTH_SEEING_COLUMNS), tuple(notes))


def _nearest(p_kept: pd.Series) -> pd.Index:
    """The birds nearest to the edge of the choice, at most `MOST`."""
    order = (p_kept - 0.5).abs().sort_values(kind="stable").index
    return pd.Index(order[:_MOST])


def _looked(
    flock: Flock, merit: Merit, birds: pd.Index, number: int, rng: np.random.Generator
) -> Value | None:
    """The worth of seeing some of `birds` side by side; None where nothing is judged by eye."""
    if not flock.standard.by_eye:
        return None
    ever = merit.known is not None and len(merit.known.model.observations.by_eye)
    known: Sight = detail(merit, flock, birds) if ever else unseen(flock, merit, birds)
    seed = int(rng.integers(2**32))
    return lambda some: value_of(known, some, number, np.random.default_rng(seed)) if len(some) > 1 else 0.0


def _weighed(
    flock: Flock, merit: Merit, birds: pd.Index, number: int, rng: np.random.Generator
) -> Value | None:
    """The worth of weighing some of `birds`; None where weight has no part in merit or was never recorded.

    A bird weighed within `LATELY` days teaches nothing here.
    """
    known = merit.known
    if known is None or Weighed.key not in known.model.traits:
        return None
    trait = known.model.traits.index(Weighed.key)
    picked, extra = carried(known, flock, birds, np.eye(len(known.model.traits))[:, [trait]])
    together = known.spread(np.hstack([lines(merit, birds).functionals, picked]))
    cut = len(birds)
    cross, seen = together[:cut, cut:], together[cut:, cut:] + np.diag(extra)
    hatched = flock.birds.set_index("bird")["hatched"].reindex(birds)
    day = pd.Timestamp(flock.plan.on)
    weeks = ((day - hatched).dt.days / 7).fillna(USUAL_WEEKS)
    error = merit.growth.spread.residual_sd(weeks.to_numpy()) ** 2
    last = flock.weights.groupby("bird")["on"].max().reindex(birds)
    fresh = ~(last > day - pd.Timedelta(days=LATELY)).to_numpy()
    means = merit.flock.set_index("bird").loc[birds, "merit"].to_numpy(float)
    half = rng.standard_normal((_DRAWS // 2, len(birds)))
    noise = np.concatenate([half, -half])

    def value(some: tuple[int, ...]) -> float:
        at = [i for i in some if fresh[i]]
        if not at:
            return 0.0
        root = np.linalg.solve(np.linalg.cholesky(seen[np.ix_(at, at)] + np.diag(error[at])), cross[:, at].T)
        return _gain(means, means + noise[:, : len(at)] @ root, number)

    return value


def _gain(now: np.ndarray, then: np.ndarray, number: int) -> float:
    """Merit that the best `number` gain on average by choosing on `then` (draws × L), not on `now` (L,)."""
    best = np.partition(then, -number, axis=1)[:, -number:].sum(axis=1).mean()
    return float(best - np.sort(now)[-number:].sum())


def _short_list(value: Value, count: int, worth: float) -> list[tuple[int, float]]:
    """Places of the birds to take in, and what each adds to those before it, greedily; empty if not worth the walk."""
    taken: list[int] = []
    gains = [0.0]
    whole = value(tuple(range(count)))
    while len(taken) < count and gains[-1] < NEARLY_ALL * whole:
        step = 2 if not taken else 1
        sets = _next(taken, count, step)
        best = max(sets, key=lambda some: value(tuple(sorted(some))))
        gain = value(tuple(sorted(best)))
        new = best[len(taken) :]
        gains += [gains[-1] + (gain - gains[-1]) * (i + 1) / len(new) for i in range(len(new))]
        taken = list(best)
    if gains[-1] < worth:
        return []
    return list(zip(taken, (after - before for before, after in pairwise(gains)), strict=True))


def _next(taken: Sequence[int], count: int, step: int) -> list[list[int]]:
    """The ways to take one bird more, or the first pair."""
    left = [i for i in range(count) if i not in taken]
    if step == 1:
        return [[*taken, i] for i in left]
    return [[i, j] for i in left for j in left if i < j] or [[i] for i in left]


def _said(group: str, do: str, birds: Sequence[str], together: float) -> list[Note]:
    if not birds:
        return []
    words = "look side by side at" if do == LOOK else "weigh"
    whom = f"{listed(birds)} ({counted(len(birds), group.removesuffix('s'))})"
    return [Note(Kind.LOOK, group, f"{words} {whom}: worth {together:.1f} points of merit to the choice.")]
