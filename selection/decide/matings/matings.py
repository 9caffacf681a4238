"""Whom the chosen birds can be put to: every cock × hen, and the best allotment of hens to cocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy import sparse

from selection.answer import SEED, Answer, Note, facts
from selection.decide.fates import fates
from selection.decide.matings.depression import Depression, depression
from selection.decide.verdicts.verdicts import Verdicts
from selection.decide.wording import counted, listed
from selection.errors import ModelError
from selection.merit.candidates import Call, bars, called
from selection.merit.ranking import Merit
from selection.merit.relationship.kinship import Descent, degree
from selection.merit.relationship.worst_case import SAME, Worst, WorstCase, chance_over
from selection.records.flock import Flock

TIE = 1e-6
"""Between allotments of equal value the less inbred one is taken: so many points for each unit of F."""


@dataclass(frozen=True)
class Allotment:
    """Which hen to which cock.

    table: one row a hen: hen, cock (missing: none may have her), inbreeding, merit (of the chicks), value
    (merit less depression, points), why. total: the sum of values over the hens that have a cock.
    """

    table: pd.DataFrame
    total: float
    sentences: tuple[str, ...]


def allot(
    pairs: pd.DataFrame,
    cocks: Sequence[str],
    hens: Sequence[str],
    pen_sizes: int | Mapping[str, int] | None = None,
    depression: float = 0.0,
    of: Call = str,
) -> Allotment:
    """Put as many `hens` as may be to the `cocks`, and of all ways of that the one of greatest value.

    pairs: cock, hen, inbreeding, merit, allowed, why (as `Matings.table`); pen_sizes: the most hens a cock
    may have (None: any number; a cock that a mapping leaves out has none); depression: points lost for each
    unit of F; of: how a bird is called in words. A pair whose merit is missing counts as the mean of the others.
    Each hen has one cock at most; only allowed pairs are made. Equal values: the less inbred way.
    """
    most = _room(pen_sizes, cocks, len(hens))
    options = pairs[pairs["cock"].isin(cocks) & pairs["hen"].isin(hens)]
    open_ = options[options["allowed"] == "yes"].reset_index(drop=True)
    open_ = open_.assign(value=_value(open_, depression))
    chosen = open_[_solve(open_, most)]
    table = pd.DataFrame({"hen": pd.Series(list(hens), dtype="str")}).merge(
        chosen.drop(columns="why"), on="hen", how="left"
    )
    table["why"] = _why(table, open_, most, of)
    table = table[["hen", "cock", "inbreeding", "merit", "value", "why"]]
    return Allotment(table, float(chosen["value"].sum()), _about_pens(table, cocks, of))


def _room(pen_sizes: int | Mapping[str, int] | None, cocks: Sequence[str], hens: int) -> dict[str, int]:
    if pen_sizes is None:
        return dict.fromkeys(cocks, hens)
    if isinstance(pen_sizes, Mapping):
        return {cock: int(pen_sizes.get(cock, 0)) for cock in cocks}
    return dict.fromkeys(cocks, int(pen_sizes))


def _value(pairs: pd.DataFrame, depression: float) -> pd.Series:
    merit = pairs["merit"].astype(float)
    middle = merit.mean() if merit.notna().any() else 0.0
    return merit.fillna(middle) - depression * pairs["inbreeding"].astype(float)


def _solve(pairs: pd.DataFrame, most: Mapping[str, int]) -> np.ndarray:
    """Which pairs are made (bool, one a pair), by an exact mixed-integer programme."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    if pairs.empty:
        return np.zeros(0, dtype=bool)
    worth = (pairs["value"] - TIE * pairs["inbreeding"]).to_numpy(dtype=float)
    # one more hen put to a cock outweighs any change of who is put to whom
    worth = worth + (np.ptp(worth) + 1) * (pairs["hen"].nunique() + 1) - worth.min()
    once, _ = _incidence(pairs["hen"])
    room, cocks = _incidence(pairs["cock"])
    limits = [
        LinearConstraint(once, ub=np.ones(once.shape[0])),
        LinearConstraint(room, ub=np.array([most[c] for c in cocks], dtype=float)),
    ]
    found = milp(-worth, constraints=limits, integrality=np.ones(len(pairs)), bounds=Bounds(0, 1))
    if not found.success:
        raise ModelError(f"the hens could not be allotted to the cocks: {found.message}")
    return found.x > 0.5


def _incidence(names: pd.Series) -> tuple[sparse.csr_array, pd.Index]:
    """Names × pairs, 1 where the pair is of that name."""
    codes, labels = pd.factorize(names)
    ones = np.ones(len(codes))
    return sparse.csr_array((ones, (codes, np.arange(len(codes)))), shape=(len(labels), len(codes))), labels


def _best_for_her(allowed: int, kept: int) -> str:
    """Why a hen stands with this cock, of those that are kept; older ones and the reserve she may go to as well."""
    if allowed > 1:
        return "the best for her"
    return "he is the one cock kept" if kept == 1 else "of the cocks kept he is the only one allowed her"


def _why(table: pd.DataFrame, open_: pd.DataFrame, most: Mapping[str, int], of: Call) -> list[str]:
    """Why each hen is put where she is: the best there is for her, or what stands in the way of it."""
    put = table["cock"].value_counts()
    full = [cock for cock, room in most.items() if put.get(cock, 0) >= room]
    said = []
    for hen, cock, value in zip(table["hen"], table["cock"], table["value"], strict=True):
        hers = open_[open_["hen"] == hen]
        better = hers.loc[(hers["value"] > value) & hers["cock"].isin(full), "cock"]
        if isinstance(cock, str) and len(better):
            said.append(f"the pen of {listed(map(of, better))} is full")
        elif isinstance(cock, str):
            said.append(_best_for_her(len(hers), len(most)))
        elif len(hers):
            said.append("every pen she could go to is full")
        else:
            said.append(
                "too close to every cock that is kept, or refused with him" if most else "no cock is kept"
            )
    return said


def _about_pens(table: pd.DataFrame, cocks: Sequence[str], of: Call) -> tuple[str, ...]:
    placed = table[table["cock"].notna()]
    said = [
        f"{of(cock)} with {listed(map(of, with_him['hen']))} (mean F of the chicks "
        f"{with_him['inbreeding'].mean():.3f})."
        for cock, with_him in placed.groupby("cock", sort=False)
    ]
    idle = [c for c in cocks if c not in set(placed["cock"])]
    said += [f"{of(cock)} has no hens." for cock in idle]
    if not cocks and len(table):
        return ("No cock is kept, so that no hen has one.",)
    without = table[table["cock"].isna()]
    said += [f"{of(row.hen)} has no cock: {row.why}." for row in without.itertuples()]
    return tuple(said)


RISKY = 0.1
"""A chance of more inbreeding than allowed that is worth a warning (common practice, no source)."""
MATING_COLUMNS = (
    "cock",
    "hen",
    "inbreeding",
    "inbreeding_most",
    "chance_over",
    "known",
    "merit",
    "merit_se",
    "allowed",
    "why",
)


@dataclass(frozen=True, repr=False)
class Matings(Answer):
    """Every pair of the birds that stay, and who is best put to whom.

    table: one row a pair: cock, hen, inbreeding (F of the chicks), inbreeding_most (over possible parents),
    chance_over (that F is above the plan's `most_inbreeding`, by what is known of parents), known (`yes`: no doubt
    about a parent bears on it), merit and merit_se (expected merit of the chicks on one base, points; missing where
    it is not known), allowed, why. allotment: the best of it under the pen sizes; depression: what inbreeding is held
    to cost; relationship: the same birds two by two (their A); call: how
    each is called in words.
    """

    TITLE = "Whom the chosen birds can be put to"
    CSV = "matings"
    TABLES = ("table", "relationship")

    table: pd.DataFrame
    allotment: Allotment
    depression: Depression
    relationship: pd.DataFrame
    notes: tuple[Note, ...]
    call: Call = str


def matings(
    flock: Flock,
    merit: Merit,
    verdicts: Verdicts,
    pen_sizes: int | Mapping[str, int] | None = None,
    seed: int = SEED,
) -> Matings:
    """Set out the matings of the birds that stay, and the best allotment of hens to cocks.

    A pair is refused above the plan's `most_inbreeding`.

    Parameters
    ----------
    flock, merit, verdicts : Flock, Merit and Verdicts
        The flock, its ranking and its verdicts: proposed keep and reserve, and the standing birds, take part.
    pen_sizes : int, or mapping of str to int, optional
        The most hens one cock may have, for all or by cock (None: any number).
    seed : int
        Of the parents drawn for `chance_over`.

    Returns
    -------
    Matings
        `table`: one row a pair: cock, hen, inbreeding (F of the chicks), inbreeding_most, known, merit, merit_se,
        allowed, why. `allotment`: the hens that stay put to the cocks that are kept; the reserve is in the table
        alone, and so are older cocks unless none is kept.

    Examples
    --------
    >>> from selection import matings
    >>> pairs = matings(flock, merit, verdicts).table
    >>> bool((pairs["inbreeding"] <= pairs["inbreeding_most"]).all())
    True
    """
    staying, of = stay(flock, verdicts), called(flock)
    cocks, hens = (staying.loc[staying["sex"] == sex, "bird"].tolist() for sex in ("male", "female"))
    table = _table(flock, merit, cocks, hens, np.random.default_rng(seed))
    cost = depression(flock, merit)
    kept = staying.loc[staying["role"] != "reserve"]
    best = allot(
        table,
        first_of(kept[kept["sex"] == "male"]),
        kept.loc[kept["sex"] == "female", "bird"].tolist(),
        pen_sizes,
        cost.points,
        of,
    )
    birds = [*cocks, *hens]
    among = pd.DataFrame(merit.pedigree.relationship(birds), index=birds, columns=birds)
    sentences = (*_sentences(flock, table), *best.sentences, *cost.sentences)
    return Matings(table, best, cost, among, facts(sentences, (*_cannot(cocks, hens), *cost.cannot)), of)


def stay(flock: Flock, verdicts: Verdicts) -> pd.DataFrame:
    """The birds that stay to breed: bird, sex, role (`keep`, `reserve`, or `standing`: an older bird that stands open).

    None barred, none of unknown sex, none that is to go.
    """
    found = fates(flock, verdicts).merge(flock.birds[["bird", "sex", "hatch_year"]], on="bird")
    open_older = (found["stands"] == "open") & (found["hatch_year"] != flock.plan.season)
    found["role"] = found["stands"].mask(open_older, "standing")
    order = {"keep": 0, "standing": 1, "reserve": 2}
    breeds = found["sex"].isin(["male", "female"]) & ~found["bird"].isin(bars(flock).index)
    found = found.loc[breeds & found["role"].isin(order), ["bird", "sex", "role"]]
    return found.sort_values("role", key=lambda r: r.map(order), kind="stable").reset_index(drop=True)


def first_of(cocks: pd.DataFrame) -> list[str]:
    """The cocks proposed for keeping; the standing ones where none is."""
    kept = cocks[cocks["role"] == "keep"]
    return (cocks if kept.empty else kept)["bird"].tolist()


def _table(
    flock: Flock, merit: Merit, cocks: Sequence[str], hens: Sequence[str], rng: np.random.Generator
) -> pd.DataFrame:
    if not (cocks and hens):
        return pd.DataFrame(columns=list(MATING_COLUMNS))
    pedigree = merit.pedigree
    F = 0.5 * pedigree.relationship(cocks, hens)
    of = called(flock)
    worst = WorstCase(pedigree, [*cocks, *hens], of)
    over = chance_over(pedigree, cocks, hens, flock.plan.most_inbreeding, rng)
    words = _Words(flock, merit, of)
    rows = []
    for (i, cock), (j, hen) in product(enumerate(cocks), enumerate(hens)):
        case = worst.pair(cock, hen)
        allowed, why = words.of(cock, hen, float(F[i, j]), case, float(over[i, j]))
        most = max(0.5 * case.relationship, F[i, j])
        rows.append((cock, hen, F[i, j], most, over[i, j], allowed, why))
    columns = ["cock", "hen", "inbreeding", "inbreeding_most", "chance_over", "allowed", "why"]
    table = pd.DataFrame(rows, columns=columns)
    table["known"] = np.where(table["inbreeding_most"] - table["inbreeding"] > SAME, "no", "yes")
    return table.assign(**_chicks(merit, table))[list(MATING_COLUMNS)]


def _chicks(merit: Merit, table: pd.DataFrame) -> dict[str, pd.Series]:
    """Expected merit of each pair's chicks, and its posterior standard deviation from the joint draws."""
    of = merit.flock.set_index("bird")["merit"]
    draws = merit.living
    known = table["cock"].isin(draws.columns) & table["hen"].isin(draws.columns)
    cock, hen = (draws[table.loc[known, side]].to_numpy() for side in ("cock", "hen"))
    se = pd.Series((0.5 * (cock + hen)).std(axis=0), index=table.index[known])
    # a single draw is what a ranking gives that has seen nothing: no spread is known then
    se = se if len(draws) > 1 else se * np.nan
    mean = 0.5 * (table["cock"].map(of) + table["hen"].map(of))
    return {"merit": mean, "merit_se": se.reindex(table.index)}


class _Words:
    """Whether each pair is allowed, and why, in words."""

    def __init__(self, flock: Flock, merit: Merit, of: Call) -> None:
        self.most = flock.plan.most_inbreeding
        sexes = dict(zip(flock.birds["bird"], flock.birds["sex"], strict=True))
        self.descent = Descent(merit.pedigree, sexes, of)

    def of(self, cock: str, hen: str, inbreeding: float, worst: Worst, chance: float) -> tuple[str, str]:
        over = inbreeding > self.most + SAME
        how = degree(inbreeding)
        if inbreeding > SAME:
            how += f" (F {inbreeding:.3f}{f', above the ceiling of {self.most:g}' if over else ''})"
            how += ": " + "; ".join(self.descent.common_ancestors(cock, hen))
        parts = [how, *self._doubt(inbreeding, worst, chance)]
        return "no" if over else "yes", "; ".join(parts)

    def _doubt(self, inbreeding: float, worst: Worst, chance: float) -> list[str]:
        most = 0.5 * worst.relationship
        if most <= inbreeding + SAME:
            return []
        about = "as high as" if worst.exact else "no higher than"
        told = f"{chance:.2f}" if chance >= 0.005 else "under 0.005"
        above = f" and above the ceiling (chance {told})" if inbreeding <= self.most + SAME < most else ""
        supposing = f" if {' and '.join(worst.supposing[:2])}" if worst.supposing else ""
        left = len(worst.supposing) - 2
        more = f", and {counted(left, 'more such doubt')} all went against the pair" if left > 0 else ""
        return [f"F may be {about} {most:.3f}{above}{supposing}{more}"]


def _sentences(flock: Flock, table: pd.DataFrame) -> tuple[str, ...]:
    most = flock.plan.most_inbreeding
    if table.empty:
        return ()
    refused = int((table["allowed"] == "no").sum())
    said = [f"{len(table)} pairs; {refused or 'none'} refused."]
    allowed = table[table["allowed"] == "yes"]
    may = int((allowed["inbreeding_most"] > most + SAME).sum())
    risky = int((allowed["chance_over"] >= RISKY).sum())
    if may:
        said.append(
            f"Parents are in doubt: at worst, the chicks of {counted(may, 'allowed pair')} would be more inbred than "
            f"{most:g}; for {risky or 'none'} of them the chance of that is {RISKY:g} or more."
        )
    return tuple(said)


def _cannot(cocks: Sequence[str], hens: Sequence[str]) -> tuple[str, ...]:
    missing = [kind for kind, birds in (("cock", cocks), ("hen", hens)) if not birds]
    return tuple(f"No {kind} stays, so that no pair can be made." for kind in missing)
