"""Merit against relationship: what a lower ceiling costs, and where the chosen birds stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.verdicts.choice import Frontier, Kin, frontier
from selection.decide.verdicts.verdicts import Verdicts
from selection.decide.years.prospects import genetics_of
from selection.merit.candidates import YOUNG, Call, called
from selection.merit.ranking import Merit
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.relationship.worst_case import SAME
from selection.records.flock import Flock

_COLUMNS = ["step", "birds", "merit", "relationship", "inbreeding", "cost", "chosen"]


@dataclass(frozen=True)
class Tradeoff:
    """The sets of which none is better in both merit and relationship, from the most merit down.

    table: step, birds (parted by `; `), merit (their mean, points within the group), relationship (mean with
    the flock they join and with one another), inbreeding (of chicks from matings at random within that flock:
    half the relationship), cost (points of merit a bird given up against step 1), chosen (`yes` or `no`).
    complete: every such set is there. sentences say where the chosen set stands.
    """

    table: pd.DataFrame
    complete: bool
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]


def tradeoffs(flock: Flock, merit: Merit, verdicts: Verdicts) -> dict[str, Tradeoff]:
    """The trade-off of every group of young birds that the plan keeps, with what the meeting proposes of it."""
    older = flock.birds["alive"] & (flock.birds["hatch_year"] != flock.plan.season)
    standing = flock.birds.loc[older, "bird"].tolist()
    table, of = verdicts.table, called(flock)
    found = {}
    for group in (g for g in flock.plan.keep if g in YOUNG):
        kept = table.loc[(table["group"] == group) & (table["stands"] == "keep"), "bird"].tolist()
        found[group] = tradeoff(merit, merit.pedigree, group, len(kept), standing, kept, of)
    return found


def fair_price(merit: Merit) -> float | None:
    """Points of mean merit that 0.01 of mean relationship is worth in a closed flock; None where nothing is known.

    A twenty-fifth of the spread of merit: the price at which ten simulated years gained no less than choosing by
    raw points does, with two thirds of unrestricted merit's inbreeding where dams are on record
    (`tests/benchmarks/simulate_policies.py`).
    """
    genetics = genetics_of(merit)
    return None if genetics is None else genetics.additive_sd / 25


def tradeoff(
    merit: Merit,
    pedigree: Pedigree,
    group: str,
    number: int,
    flock_birds: Sequence[str],
    chosen: Sequence[str] | None = None,
    of: Call = str,
) -> Tradeoff:
    """Best sets of `number` unbarred candidates of `group` as the ceiling on relationship is lowered.

    `flock_birds`: the birds they join; `chosen`: the set the meeting proposes or has decided on (None: the
    one of most merit). A chosen set that is not on the curve is a row of its own, without a step. `of`: how the
    sentences call a bird.
    """
    rows = merit.ranking[(merit.ranking["group"] == group) & merit.ranking["bar"].isna()]
    birds, values = rows["bird"].tolist(), rows["merit"].to_numpy(dtype=float)
    if len(birds) <= number or not len(flock_birds) or number < 1:
        return _nothing(group, number, len(birds), len(flock_birds))
    joined = pedigree.relationship(birds, list(flock_birds)).sum(axis=1)
    kin = Kin(joined, len(flock_birds), pedigree.relationship(birds))
    curve = frontier(values, kin, number)
    at = curve.sets[0].tolist() if chosen is None else [birds.index(b) for b in chosen if b in birds]
    table = _table(birds, values, kin, curve, sorted(at))
    return Tradeoff(table, curve.complete, _sentences(group, table, of), _cannot(group, curve))


def _table(birds: list[str], merit: np.ndarray, kin: Kin, curve: Frontier, chosen: list[int]) -> pd.DataFrame:
    sets = curve.sets.tolist()
    listed = sets if chosen in sets or not chosen else [*sets, chosen]
    table = pd.DataFrame(
        {
            "step": [float(i + 1) if i < len(sets) else np.nan for i in range(len(listed))],
            "birds": ["; ".join(birds[i] for i in s) for s in listed],
            "merit": [merit[s].mean() for s in listed],
            "relationship": [kin.of(np.array([s]))[0] for s in listed],
            "chosen": ["yes" if s == chosen else "no" for s in listed],
        }
    )
    table["inbreeding"] = table["relationship"] / 2
    table["cost"] = table["merit"].iloc[0] - table["merit"]
    return table[_COLUMNS]


def _sentences(group: str, table: pd.DataFrame, of: Call) -> tuple[str, ...]:
    curve = table[table["step"].notna()]
    if not (table["chosen"] == "yes").any():
        return (f"{group}: none of them is chosen; the curve has {len(curve)} steps.",)
    now = table[table["chosen"] == "yes"].iloc[0]
    has = "have a mean merit" if ";" in now["birds"] else "has a merit"
    said = [
        f"{group}: {_birds(now, of)} {has} of {now['merit']:+.1f} and a relationship of "
        f"{now['relationship']:.3f} with the flock they join."
    ]
    if pd.isna(now["step"]):
        no_worse = (curve["relationship"] <= now["relationship"] + SAME) & (
            curve["merit"] >= now["merit"] - SAME
        )
        better = curve[no_worse].head(1)
        said += [
            f"{_birds(b, of)} would do better: merit {b['merit']:+.1f}, relationship {b['relationship']:.3f}."
            for _, b in better.iterrows()
        ]
        return tuple(said)
    if len(curve) == 1:
        return (*said, "No other set of as many has either more merit or less relationship.")
    said.append(f"That is step {now['step']:.0f} of {len(curve)}, step 1 being the most merit.")
    for off, which in ((1, "less related"), (-1, "more merit")):
        beside = curve[curve["step"] == now["step"] + off]
        said += [_step(now, other, which, of) for _, other in beside.iterrows()]
    return tuple(said)


def _birds(row: pd.Series, of: Call) -> str:
    """The birds of one set as they are called."""
    return "; ".join(str(of(bird)) for bird in row["birds"].split("; "))


def _step(now: pd.Series, other: pd.Series, which: str, of: Call) -> str:
    merit, kin = other["merit"] - now["merit"], other["relationship"] - now["relationship"]
    more, higher = ("more" if merit > 0 else "less"), ("higher" if kin > 0 else "lower")
    return (
        f"One step to {which}: {_birds(other, of)}, {abs(merit):.2f} points of merit a bird {more}, "
        f"relationship {abs(kin):.3f} {higher}: "
        f"{abs(merit / kin) / 100:.2f} points for each 0.01 of relationship."
    )


def _cannot(group: str, curve: Frontier) -> tuple[str, ...]:
    if curve.complete:
        return ()
    return (f"{group}: too many sets to compare all; these are what exchanging bird by bird found.",)


def _nothing(group: str, number: int, birds: int, joined: int) -> Tradeoff:
    if not joined:
        why = f"{group}: there is no flock to join, so that no relationship has to be weighed."
    elif number < 1:
        why = f"{group}: none is to be kept."
    else:
        why = (
            f"{group}: {birds} unbarred for {number} place{'' if number == 1 else 's'}, so that there is nothing "
            "to choose."
        )
    return Tradeoff(pd.DataFrame(columns=_COLUMNS), True, (), (why,))
