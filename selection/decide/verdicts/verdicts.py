"""Who is kept, who stands in reserve, who is sold, and whom to look at again before the meeting ends.

Bars first; then the set of the plan's size with the highest expected merit under the relationship ceiling;
then what another look is worth. What people decided stands, and the rest is worked out anew around it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from selection.answer import SEED, Answer, Kind, Note
from selection.decide.verdicts.another_look import Look, best_look, first_look, looks_worth
from selection.decide.verdicts.choice import Certainty, Kin, Tip, best_set, certainty, room_to_reweigh, tip
from selection.decide.wording import among_best, interval, listed, points_of_merit
from selection.merit.candidates import YOUNG, Call, called, rings_worn
from selection.merit.explain import Detail, detail
from selection.merit.ranking import Merit, chances
from selection.records.after_meeting import season_decisions
from selection.records.flock import Flock

VERDICT_COLUMNS = ["bird", "left", "right", "group", "stands", "proposed", "reason", "decided", "decided_why"]
_NEAR_BEST = 0.5
"""A look is proposed where it is worth this share of the evening's best one: few can be done. Common practice, no
source."""


@dataclass(frozen=True)
class Group:
    """One group's verdicts and what stands behind them.

    table: columns VERDICTS; open: its birds that are neither barred nor decided; places: how many of these
    stay; chances: by open bird, of being among the best `places` of them. All that follows is about the open
    birds alone: tips: what would tip each bird at the edge; looks: sets worth seeing again, best first; again:
    the set proposed for it, or None; reweigh: how far the points could be re-weighted; certainty: how sure the
    choice is (None where there is nothing to choose); detail: what the records say of each, section by section
    (None where nothing was seen by eye, or but one is open). ceiling_kept: whether the relationship ceiling could be
    kept (None: none set, or it does not apply).
    """

    name: str
    table: pd.DataFrame
    open: tuple[str, ...] = ()
    places: int = 0
    chances: pd.Series = field(default_factory=lambda: pd.Series(dtype=float))
    tips: tuple[Tip, ...] = ()
    looks: tuple[Look, ...] = ()
    again: Look | None = None
    reweigh: pd.DataFrame = field(default_factory=pd.DataFrame)
    ceiling_kept: bool | None = None
    certainty: Certainty | None = None
    detail: Detail | None = None


@dataclass(frozen=True, repr=False)
class Verdicts(Answer):
    """The meeting's verdicts: table (verdicts.csv), unsexed (unsexed.csv), the groups, and what to know."""

    TITLE = "The meeting's verdicts"
    CSV = "verdicts"
    TABLES = ("table", "unsexed")

    table: pd.DataFrame
    unsexed: pd.DataFrame
    groups: Mapping[str, Group]
    notes: tuple[Note, ...]


def propose(flock: Flock, merit: Merit, seed: int = SEED) -> Verdicts:
    """Propose a verdict on every candidate of the plan's groups.

    Parameters
    ----------
    flock : Flock
        The flock; what its decisions form says of this season stands, and the rest is worked out around it.
    merit : Merit
        Its ranking.
    seed : int
        Of the draws that another look is valued by.

    Returns
    -------
    Verdicts
        `table`: one row a candidate: bird, left, right, group, stands, proposed, reason, decided, decided_why;
        `unsexed`: chicks without a sex, which stand in no group; `groups`: by group what stands behind its verdicts.

    Examples
    --------
    >>> from selection import propose
    >>> verdicts = propose(flock, merit)
    >>> set(verdicts.table["proposed"]) <= {"keep", "reserve", "look again", "sell"}
    True
    """
    rng = np.random.default_rng(seed)
    known = _known(flock, merit)
    found = {name: _group(flock, merit, known, name, rng) for name in flock.plan.keep}
    groups = {name: _worded(flock, merit, group) for name, group in for_one_evening(found).items()}
    tables = [g.table for g in groups.values() if len(g.table)]
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=VERDICT_COLUMNS)
    return Verdicts(
        table, unsexed(flock, merit), groups, (*_notes(groups, called(flock)), *_cannot(flock, merit, groups))
    )


def unsexed(flock: Flock, merit: Merit) -> pd.DataFrame:
    """Living chicks of the season without a sex: bird, left, right, note. They stand in no group."""
    birds = flock.birds
    chicks = birds[birds["alive"] & (birds["hatch_year"] == flock.plan.season) & (birds["sex"] == "unknown")]
    table = chicks[["bird"]].join(rings_worn(flock), on="bird")
    return table.assign(note="sex not recorded: record it, and the bird joins its group").reset_index(
        drop=True
    )


def _known(flock: Flock, merit: Merit) -> Detail | None:
    """What the records say of every unbarred candidate, section by section; None where nothing was seen by eye."""
    unbarred = merit.ranking.loc[merit.ranking["bar"].isna(), "bird"]
    if merit.known is None or not merit.known.model.observations.by_eye or unbarred.empty:
        return None
    return detail(merit, flock, pd.Index(unbarred))


def _group(flock: Flock, merit: Merit, known: Detail | None, name: str, rng: np.random.Generator) -> Group:
    rows = merit.ranking[merit.ranking["group"] == name].reset_index(drop=True)
    if rows.empty:
        return Group(name, pd.DataFrame(columns=VERDICT_COLUMNS))
    keep = flock.plan.keep[name]
    rows = rows.merge(_decided(flock), on="bird", how="left")
    kept, ceiling_kept = _kept(flock, merit, rows, name)
    rows["stands"] = _stands(rows, kept, keep.reserve)
    return replace(_explained(flock, merit, known, rows, name, rng), ceiling_kept=ceiling_kept)


def for_one_evening(groups: Mapping[str, Group]) -> dict[str, Group]:
    """The groups with the looks that are most worth the evening: the best of them, and what comes near it.

    Where nothing was seen of a group (it has no `looks` among its birds) its first look stays: its order is chance.
    """
    most = max((g.again.value for g in groups.values() if g.again is not None), default=0.0)
    return {
        name: replace(group, again=None)
        if group.again is not None and group.looks and group.again.value < _NEAR_BEST * most
        else group
        for name, group in groups.items()
    }


def _worded(flock: Flock, merit: Merit, group: Group) -> Group:
    """The group with what is proposed for each bird, and why, in its table."""
    rows, again = group.table, group.again
    if rows.empty:
        return group
    proposed = rows["stands"].mask(rows["bird"].isin(() if again is None else again.birds), "look again")
    rows, of = rows.assign(proposed=proposed), called(flock)
    rows["reason"] = [_reason(row, rows, group, merit, of) for _, row in rows.iterrows()]
    return replace(group, table=rows[VERDICT_COLUMNS])


def _decided(flock: Flock) -> pd.DataFrame:
    """The season's last decision on each bird: bird, decided, decided_why, decided_on, settled."""
    last = season_decisions(flock)
    return last.rename(columns={"why": "decided_why", "on": "decided_on"})[
        ["bird", "decided", "decided_why", "decided_on", "settled"]
    ]


def _kept(flock: Flock, merit: Merit, rows: pd.DataFrame, name: str) -> tuple[np.ndarray, bool | None]:
    """Which rows are kept (bool), and whether the relationship ceiling held."""
    free = (rows["bar"].isna() & rows["decided"].isna()) | (rows["decided"] == "keep")
    at = np.flatnonzero(free)
    ceiling = flock.plan.most_relationship if name in YOUNG else None
    kin = _kin(flock, merit, rows.loc[at, "bird"]) if ceiling is not None else None
    choice = best_set(
        rows.loc[at, "merit"].to_numpy(),
        flock.plan.keep[name].number,
        kin,
        ceiling,
        (rows.loc[at, "decided"] == "keep").to_numpy(),
    )
    kept = np.zeros(len(rows), bool)
    kept[at[choice.chosen]] = True
    return kept, choice.ceiling_kept


def _kin(flock: Flock, merit: Merit, birds: pd.Series) -> Kin | None:
    """Relationship of candidates with the standing flock they would join (the older living birds) and each other."""
    older = flock.birds["alive"] & (flock.birds["hatch_year"] != flock.plan.season)
    standing = flock.birds.loc[older, "bird"]
    if standing.empty or birds.empty:
        return None
    joined = merit.pedigree.relationship(list(birds), list(standing)).sum(axis=1)
    return Kin(joined, len(standing), merit.pedigree.relationship(list(birds)))


def _stands(rows: pd.DataFrame, kept: np.ndarray, reserve: int) -> np.ndarray:
    """keep, reserve or sell for every row: reserves are those decided, then the next by merit."""
    stands = np.where(kept, "keep", "sell").astype(object)
    named = np.flatnonzero((rows["decided"] == "reserve").to_numpy())
    free = np.flatnonzero(~kept & rows["bar"].isna().to_numpy() & rows["decided"].isna().to_numpy())
    by_merit = free[np.argsort(-rows.loc[free, "merit"].to_numpy(), kind="stable")]
    stands[[*named, *by_merit[: max(reserve - len(named), 0)]]] = "reserve"
    return stands


def _explained(
    flock: Flock,
    merit: Merit,
    known: Detail | None,
    rows: pd.DataFrame,
    name: str,
    rng: np.random.Generator,
) -> Group:
    """Tips, looks worth taking and re-weighing among the birds of one group that are still open."""
    free = rows[rows["bar"].isna() & rows["decided"].isna()].reset_index(drop=True)
    places = max(flock.plan.keep[name].number - int((rows["decided"] == "keep").sum()), 0)
    group = Group(
        name, rows, tuple(free["bird"]), places, _chances(merit.draws[name][list(free["bird"])], places)
    )
    if len(free) < 2:
        return group
    if known is None:
        again = first_look(flock, merit, pd.Index(free["bird"]), places, rng)
        return replace(group, again=_worth_it(again, flock))
    known = known.among(pd.Index(free["bird"]))
    kept = (free["stands"] == "keep").to_numpy()
    looks = looks_worth(known, places, group.chances.to_numpy(), rng)
    choice = 0 < kept.sum() < len(kept)
    return replace(
        group,
        tips=_tips(flock, merit, known, free, kept),
        looks=looks,
        again=_worth_it(best_look(looks), flock),
        reweigh=room_to_reweigh(known, kept, flock.standard, flock.plan) if choice else pd.DataFrame(),
        certainty=certainty(
            merit.draws[name][list(free["bird"])], merit.scenes, list(free.loc[kept, "bird"])
        ),
        detail=known,
    )


def _worth_it(look: Look | None, flock: Flock) -> Look | None:
    """The look where it is worth what the plan asks for, else None."""
    return look if look is not None and look.value >= flock.plan.look_worth else None


def _chances(draws: pd.DataFrame, places: int) -> pd.Series:
    """Chance of each bird of `draws` (draws × birds) of being among the best `places` of them; missing for none."""
    return chances(draws, places)[1] if places else pd.Series(np.nan, index=draws.columns)


def _tips(flock: Flock, merit: Merit, known: Detail, free: pd.DataFrame, kept: np.ndarray) -> tuple[Tip, ...]:
    """For each pair at the edge: the last kept against every open bird not kept that has a fair chance."""
    if not kept.any() or kept.all():
        return ()
    last = free.loc[kept].sort_values("merit").iloc[0]["bird"]
    rivals = free.loc[~kept].sort_values("merit", ascending=False)["bird"].head(3)
    return tuple(tip(merit, known, flock.standard, last, rival) for rival in rivals)


def _reason(row: pd.Series, rows: pd.DataFrame, group: Group, merit: Merit, of: Call) -> str:
    """One sentence: the figures behind a verdict, who stands next, and what would tip it."""
    barred = f"barred from breeding: {row['bar']}" if isinstance(row["bar"], str) else ""
    if isinstance(row["decided"], str):
        return decision_words(row) + (f"; {barred}" if barred else "")
    if barred:
        return barred
    if rows["bar"].isna().sum() == 1:
        return "the only one of its group: nothing to compare with"
    parts = [_figures(row, rows, group, merit), _next(row, rows, group.tips, of)]
    again = group.again
    if again is not None and row["bird"] in again.birds:
        more = "side by side" if merit.known is None else "side by side once more"
        parts.append(
            f"seeing {listed(map(of, again.birds))} {more} is worth {again.value:.1f} points of merit"
        )
    return "; ".join(p for p in parts if p)


def decision_words(row: pd.Series) -> str:
    """A decision of the season with its reason; one that settling recorded, with what was proposed then."""
    told = isinstance(row["decided_why"], str)
    if row["settled"] == "yes":
        why = f" ({row['decided_why']})" if told else ""
        return f"settled as proposed on {row['decided_on']:%Y-%m-%d}: {row['decided']}{why}"
    return f"decided by the meeting: {row['decided']} ({row['decided_why'] if told else 'no reason given'})"


def _figures(row: pd.Series, rows: pd.DataFrame, group: Group, merit: Merit) -> str:
    """Rank, merit and chance of a place, and what they do not rest on."""
    chance = _place(row["bird"], group)
    if merit.known is None:
        return f"nothing has been seen of any bird, so its place is chance: {chance}"
    said = (
        f"ranked {row['rank']:.0f} of {rows['bar'].isna().sum()}, merit "
        f"{points_of_merit(row['merit'])}, 90 % interval {interval(row['merit'], row['merit_se'])}, {chance}"
    )
    return said if row["points_seen"] > 0 else f"{said}; never scored, so it is judged by its relatives alone"


def _place(bird: str, group: Group) -> str:
    """The bird's chance of one of the places that are still open, in words."""
    if not group.places:
        return "no place is left open"
    decided = " of those still open" if group.table["decided"].notna().any() else ""
    return among_best(group.chances[bird], group.places) + decided


def _next(row: pd.Series, rows: pd.DataFrame, tips: tuple[Tip, ...], of: Call) -> str:
    """Who stands next and what would tip the pair, for birds at the edge."""
    for one in tips:
        if row["bird"] == one.behind or (row["bird"] == one.ahead and one is tips[0]):
            return one.sentence(of)
    if row["stands"] != "keep":
        return ""
    after = rows[rows["bar"].isna() & rows["decided"].isna() & (rows["rank"] > row["rank"])]
    return f"{of(after.iloc[0]['bird'])} stands next" if len(after) else ""


def _notes(groups: Mapping[str, Group], of: Call) -> list[Note]:
    """Who is kept, whom to see again and how firm that is, each about its group."""
    said = []
    for group in groups.values():
        kept = group.table.loc[group.table["stands"] == "keep", "bird"]
        if len(kept):
            said.append(Note(Kind.PROPOSED, group.name, f"keep {listed(map(of, kept))}"))
        if group.again is not None:
            birds, value = listed(map(of, group.again.birds)), group.again.value
            text = f"look again at {birds} side by side, worth {value:.1f} points of merit"
            said.append(Note(Kind.LOOK, group.name, text))
        said += [Note(Kind.FOUND, group.name, text) for text in _how_sure(group)]
        if group.ceiling_kept is False:
            text = "no choice keeps under the relationship ceiling; the least related are kept"
            said.append(Note(Kind.FOUND, group.name, text))
    return said


def _how_sure(group: Group) -> list[str]:
    """What the choice may cost, and whether it hangs on the variances, in words."""
    sure = group.certainty
    if sure is None:
        return []
    apart = int(sure.pairs["told_apart"].sum())
    said = [
        f"the best birds, were they known, would beat these by {sure.expected_loss:.1f} points of "
        f"merit on average; {apart} of {len(sure.pairs)} pairs can be told apart"
    ]
    if sure.same_choice < 1:
        said.append(
            f"with other heritabilities that are as likely, the same birds come first in "
            f"{100 * sure.same_choice:.0f} cases of 100"
        )
    return said


def _cannot(flock: Flock, merit: Merit, groups: Mapping[str, Group]) -> list[Note]:
    said = []
    free = merit.ranking[merit.ranking["bar"].isna()].groupby("group").size()
    for group in groups.values():
        wanted, unbarred = flock.plan.keep[group.name].number, int(free.get(group.name, 0))
        if not len(group.table):
            text = f"no candidates on {flock.plan.on}: nobody living has the plan's sex and origin"
            said.append(Note(Kind.CANNOT, group.name, text))
        elif unbarred < wanted:
            said.append(Note(Kind.CANNOT, group.name, f"{wanted} wanted, {unbarred} unbarred"))
    return said
