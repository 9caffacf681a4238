"""From a flock's forms to shares in possible parents, unseen stock included.

- A known sire or dam has the whole half.
- Home-bred clutch: dams by the days each hen stood in the pen while the eggs were laid (the `egg_days` before
  setting), sires by what each hen carries on each of those days (see `pens`).
- Bought-in clutch: the supplier's unseen birds, as many as the form tells, else 1 cock and 6 hens. Clutches of
  one supplier's pen in one spring share them; in another year each is the same bird with probability
  `same_pen`.
- Nothing on record: unseen founders of the home flock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from scipy import sparse

from selection.errors import PedigreeError
from selection.merit.relationship.pedigree import Pedigree, Shares, from_shares
from selection.merit.relationship.pens import Pens
from selection.records.flock import Flock

UNSEEN_COCKS, UNSEEN_HENS = 1, 6
"""How many birds stood in a supplier's pen that told nothing (method; an assumption the output states)."""

SURELY_THE_SAME = 0.999
"""A chance of 1 would leave two names for one bird and no variance between them; this is as good."""


@dataclass(frozen=True)
class Parentage:
    """A flock's pedigree with what it took to write it.

    pedigree: real birds, unseen parents and groups of unnamed chicks; `bases`: birds of the pedigree × bases,
    the share of blood each has from `home` and from every supplier (rows add up to 1); `suppliers`: names of
    the bases; `unseen`: ids of unseen parents; `chicks`: one row for each group of unnamed chicks (id, clutch,
    sex, n); `sentences`: what was assumed, in words.
    """

    pedigree: Pedigree
    bases: sparse.csr_array
    suppliers: tuple[str, ...]
    unseen: tuple[str, ...]
    chicks: pd.DataFrame
    sentences: tuple[str, ...]


_Parents = Callable[[str | None, str | None], tuple[Shares, Shares]]
"""From the known sire and the known dam (or None) to a clutch's shares in its possible sires and dams."""


@dataclass
class _Draft:
    """Shares as they are being written down."""

    same_pen: float
    sires: dict[str, Shares] = field(default_factory=dict)
    dams: dict[str, Shares] = field(default_factory=dict)
    partial: dict[str, Shares] = field(default_factory=dict)
    base: dict[str, str] = field(default_factory=dict)  # of founders and unseen birds
    pens: dict[tuple[str, str], tuple[Shares, Shares]] = field(default_factory=dict)  # suppliers', by spring
    springs: dict[tuple[str, str, int], list[str]] = field(
        default_factory=dict
    )  # one unseen bird, spring by spring
    stood: dict[str, str] = field(default_factory=dict)  # of unseen birds
    assumed: set[str] = field(default_factory=set)

    def founder(self, bird: str, base: str) -> str:
        self.sires[bird], self.dams[bird], self.base[bird] = {}, {}, base
        return bird

    def unseen(self, bird: str, base: str, place: str = "") -> str:
        """A founder that nobody here has seen, with the place where it stood (blank: nothing tells it)."""
        self.stood[bird] = place
        return self.founder(bird, base)


def chick_group(frame: pd.DataFrame) -> pd.Series:
    """Id of the group of unnamed chicks each row speaks for (missing where a row names a bird).

    Rows of one clutch, sex and number speak for the same chicks, whatever the day.
    """
    unnamed = frame["bird"].isna() & frame["clutch"].notna()
    if not unnamed.any():
        return pd.Series(np.nan, frame.index, dtype="str")
    number = frame["n"].fillna(1).astype(int).astype(str)
    sex = frame["sex"].fillna("unknown")
    return ("chicks of " + frame["clutch"].str.casefold() + ", " + sex + ", n=" + number).where(unnamed)


def parentage(flock: Flock) -> Parentage:
    """Work out every bird's shares in its possible parents, and the pedigree that they make.

    Parameters
    ----------
    flock : Flock
        The flock; where the forms name no parent, the pens on the day of setting do, and else an unseen bird.

    Returns
    -------
    Parentage
        `pedigree`, and what it took to write it: the bases, unseen parents, groups of unnamed chicks, assumptions.

    Raises
    ------
    PedigreeError
        All faults at once: a parent that is not on record, a sire recorded female or a dam recorded male, a parent
        younger than its chick, and loops.

    Examples
    --------
    >>> from selection import parentage
    >>> family = parentage(flock)
    >>> set(flock.birds["bird"]) <= set(family.pedigree.birds)
    True
    """
    _refuse_impossible(flock)
    draft = _Draft(flock.plan.same_pen)
    by_clutch = _clutch_parents(flock, draft)
    for bird in flock.birds.itertuples():
        _add_bird(bird, by_clutch, draft)
    chicks = _chick_groups(flock)
    for group in chicks.itertuples():
        draft.sires[group.id], draft.dams[group.id] = by_clutch(group.clutch)
    pedigree = _shrink_groups(from_shares(draft.sires, draft.dams, draft.partial), chicks)
    pedigree = replace(pedigree, stood=draft.stood)
    bases, names = _bases(pedigree, draft)
    real = set(flock.birds["bird"]) | set(chicks["id"])
    unseen = tuple(b for b in pedigree.birds if b not in real)
    return Parentage(pedigree, bases, names, unseen, chicks, _sentences(draft))


def _add_bird(bird: Any, by_clutch: Callable[..., tuple[Shares, Shares]], draft: _Draft) -> None:
    known_sire, known_dam = _text(bird.sire), _text(bird.dam)
    if _text(bird.clutch):
        sires, dams = by_clutch(bird.clutch, known_sire, known_dam)
    elif _text(bird.source):
        spring = bird.hatch_year if bird.hatch_year == bird.hatch_year else _year(bird.came_on)
        sires, dams = _supplier_pen(draft, bird.source, spring)
    elif known_sire or known_dam:
        sires = {} if known_sire else {draft.unseen(f"sire of {bird.bird}", "home"): 0.5}
        dams = {} if known_dam else {draft.unseen(f"dam of {bird.bird}", "home"): 0.5}
    else:
        draft.founder(bird.bird, "home")
        return
    draft.sires[bird.bird] = {known_sire: 0.5} if known_sire else sires
    draft.dams[bird.bird] = {known_dam: 0.5} if known_dam else dams


def _clutch_parents(flock: Flock, draft: _Draft) -> Callable[..., tuple[Shares, Shares]]:
    """A function from a bird's clutch entry (`26-H1;26-H2` where never told apart) to shares in parents.

    It also takes the sire and the dam where they are known: each tells something of the other.
    """
    pens, of = Pens(flock), dict[str, _Parents]()
    stock = flock.clutches[flock.clutches["source"].notna()]
    for (source, year), group in stock.groupby(["source", stock["set_on"].dt.year]):
        _supplier_pen(draft, source, year, group["cocks"].max(), group["hens"].max())
    for clutch in flock.clutches.itertuples():
        of[clutch.clutch.casefold()] = _parents_of(clutch, pens, draft)

    @cache  # most chicks of a clutch have the same known parents: none
    def by_clutch(entry: str, sire: str | None = None, dam: str | None = None) -> tuple[Shares, Shares]:
        labels = [label.strip().casefold() for label in entry.split(";") if label.strip()]
        found = [of[label] for label in labels if label in of]
        if not found:
            cock, hen = (draft.unseen(f"{side} of clutch {entry}", "home") for side in ("sire", "dam"))
            found = [_always({cock: 0.5}, {hen: 0.5})]
            of[labels[0] if labels else entry] = found[0]
        # of a brood never told apart a known parent says which clutch a chick came from
        chances = [_chance(parents(None, None), sire, dam) for parents in found]
        chances = chances if sum(chances) > 0 else [1.0] * len(found)
        pairs = [parents(sire, dam) for parents in found]
        return _mean([p[0] for p in pairs], chances), _mean([p[1] for p in pairs], chances)

    return by_clutch


def _chance(shares: tuple[Shares, Shares], sire: str | None, dam: str | None) -> float:
    """How much the known parents speak for a clutch with these shares."""
    return (shares[0].get(sire, 0.0) if sire else 0.5) * (shares[1].get(dam, 0.0) if dam else 0.5)


def _always(sires: Shares, dams: Shares) -> _Parents:
    """The same shares whatever is known of one side."""
    return lambda sire, dam: (sires, dams)


def _parents_of(clutch: Any, pens: Pens, draft: _Draft) -> _Parents:
    if clutch.origin != "bought-in":
        return _home_parents(clutch, pens, draft)
    source = _text(clutch.source) or f"unknown supplier of {clutch.clutch}"
    return _always(*_supplier_pen(draft, source, clutch.set_on.year, clutch.cocks, clutch.hens))


def _home_parents(clutch: Any, pens: Pens, draft: _Draft) -> _Parents:
    """Parents of a home-bred clutch: as the pens form has it, else unseen birds of the home flock."""
    laid = pens.laid(clutch.pen, clutch.set_on)
    unseen_sires, unseen_dams = {}, {}
    pen, year = _text(clutch.pen) or "no pen", str(clutch.set_on.year)
    if not laid.sires():
        unseen_sires = _unseen(draft, "cock", pen, year, 1)
        draft.assumed.add(f"no cock on record for clutch {clutch.clutch}: one unseen cock of the home flock")
    if not laid.dams():
        unseen_dams = _unseen(draft, "hen", pen, year, UNSEEN_HENS)
        draft.assumed.add(
            f"no hens on record for clutch {clutch.clutch}: {UNSEEN_HENS} unseen hens of the home flock"
        )

    def of(sire: str | None, dam: str | None) -> tuple[Shares, Shares]:
        # a dam known from another pen brings the cocks she stood with there
        elsewhere = {} if dam is None or dam in laid.hens else pens.sires_of(dam, clutch.set_on)
        return elsewhere or laid.sires(dam) or unseen_sires, laid.dams(sire) or unseen_dams

    return of


def _supplier_pen(
    draft: _Draft, source: str, year: float, cocks: float = np.nan, hens: float = np.nan
) -> tuple[Shares, Shares]:
    """The unseen cocks and hens of a supplier's pen in one spring, made when first met."""
    spring = f"{year:.0f}" if year == year else "year not told"
    if (source, spring) not in draft.pens:
        if not (cocks == cocks or hens == hens):
            draft.assumed.add(
                f"{source} did not say how many stood in the pen in {spring}: "
                f"taken as {UNSEEN_COCKS} cock and {UNSEEN_HENS} hens"
            )
        draft.pens[source, spring] = (
            _unseen_supplier(draft, source, "cock", spring, int(cocks if cocks == cocks else UNSEEN_COCKS)),
            _unseen_supplier(draft, source, "hen", spring, int(hens if hens == hens else UNSEEN_HENS)),
        )
    return draft.pens[source, spring]


def _unseen_supplier(draft: _Draft, source: str, side: str, spring: str, number: int) -> Shares:
    """Equal shares in a supplier's unseen birds, each perhaps the same bird as in another spring.

    Equal chance p between any two springs: the bird of a further spring takes p/(1 + (k−1)·p) of each of the
    k already there, so that A = p between any two of them.
    """
    shares = _unseen(draft, side, source, spring, number, source.split("/")[0].strip())
    for i, bird in enumerate(shares):
        earlier = draft.springs.setdefault((source, side, i), [])
        p = min(draft.same_pen, SURELY_THE_SAME)
        draft.partial[bird] = {other: p / (1 + (len(earlier) - 1) * p) for other in earlier}
        earlier.append(bird)
    return shares


def _unseen(draft: _Draft, side: str, place: str, spring: str, number: int, base: str = "home") -> Shares:
    """Equal shares in `number` unseen birds of a place in one spring (the same ones when asked for again)."""
    label = f"unseen {side} of {place}, {spring}"
    birds = [label, *(f"{label} ({i})" for i in range(2, number + 1))]
    return {bird if bird in draft.base else draft.unseen(bird, base, place): 0.5 / number for bird in birds}


def _chick_groups(flock: Flock) -> pd.DataFrame:
    """One row for each group of unnamed chicks on scores, weights and measures: id, clutch, sex, n."""
    forms = [f.assign(id=chick_group(f)) for f in (flock.scores, flock.weights, flock.measures)]
    rows = pd.concat([f.loc[f["id"].notna(), ["id", "clutch", "sex", "n", "on"]] for f in forms])
    rows["n"] = rows["n"].fillna(1)
    return rows.drop_duplicates("id").reset_index(drop=True)


def _shrink_groups(pedigree: Pedigree, chicks: pd.DataFrame) -> Pedigree:
    """Give a group of n chicks the Mendelian variance of a mean: d/n. Its id stands for that mean."""
    if chicks.empty:
        return pedigree
    mendelian = pedigree.mendelian.copy()
    mendelian[pedigree.positions(chicks["id"])] /= chicks["n"].to_numpy()
    return replace(pedigree, mendelian=mendelian)


def _bases(pedigree: Pedigree, draft: _Draft) -> tuple[sparse.csr_array, tuple[str, ...]]:
    """q: each bird's share of blood from home and from every supplier, carried down by descent."""
    names = ("home", *sorted(set(draft.base.values()) - {"home"}))
    own = np.zeros((len(pedigree.birds), len(names)))
    founders = [b for b in pedigree.birds if b in draft.base]
    own[pedigree.positions(founders), [names.index(draft.base[b]) for b in founders]] = 1.0
    shares = own.copy()
    founder = np.isin(np.arange(len(own)), pedigree.positions(founders))
    for level in pedigree.levels[1:]:
        chicks = level[~founder[level]]
        shares[chicks] = pedigree.weights[chicks] @ shares
    return sparse.csr_array(shares), names


def _refuse_impossible(flock: Flock) -> None:
    """Raise one PedigreeError that names every impossible parent."""
    birds = flock.birds.set_index("bird")
    faults: list[str] = []
    for side, wrong in (("sire", "female"), ("dam", "male")):
        named = birds[birds[side].notna()]
        unknown = ~named[side].isin(birds.index)
        faults += [f"{side} {p} of {b} is not on the birds form" for b, p in named.loc[unknown, side].items()]
        parents = birds.loc[named.loc[~unknown, side]]
        chicks = named[~unknown]
        sexes = (parents["sex"] == wrong).to_numpy()
        faults += [f"{p}, {side} of {b}, is recorded {wrong}" for b, p in chicks.loc[sexes, side].items()]
        younger = parents["hatched"].to_numpy() >= chicks["hatched"].to_numpy()
        faults += [
            f"{p}, {side} of {b}, hatched no earlier than it" for b, p in chicks.loc[younger, side].items()
        ]
    if faults:
        raise PedigreeError("impossible parents: " + "; ".join(faults))


def _sentences(draft: _Draft) -> tuple[str, ...]:
    return tuple(sorted(draft.assumed))


def _mean(shares: Sequence[Shares], weights: Sequence[float]) -> Shares:
    """The weighted mean of shares."""
    total: Shares = {}
    for one, weight in zip(shares, weights, strict=True):
        for parent, w in one.items():
            total[parent] = total.get(parent, 0.0) + w * weight / sum(weights)
    return {parent: w for parent, w in total.items() if w > 0}


def _text(cell: object) -> str | None:
    """The cell's text, or None where it is missing."""
    return cell if isinstance(cell, str) and cell else None


def _year(day: pd.Timestamp) -> float:
    return float("nan") if pd.isna(day) else float(day.year)
