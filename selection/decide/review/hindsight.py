"""Earlier meetings with what is known now: who stood then, who stayed, and what the records say of them since."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from selection.decide.life import eggs_of
from selection.decide.wording import each
from selection.merit.candidates import YOUNG, bars
from selection.merit.posterior import draw
from selection.merit.ranking import Merit
from selection.records.flock import Flock, assemble
from selection.records.forms.columns import FORMS

Meetings = Mapping[date, Mapping[str, pd.DataFrame]]
"""By its day, a meeting's tables by name: at least `ranking`, and `verdicts` where they were kept."""

STANDING = ["on", "group", "bird", "merit", "merit_se", "merit_flock", "p_best", "p_kept", "kept", "number"]

SETTLED = pd.DateOffset(months=2)
"""A decision made so long before a meeting's day, or until the winter's end after it, is that meeting's."""
WINTERED = pd.DateOffset(months=4)
"""A bird that was still there so long after a meeting stayed for the next season."""


def as_of(flock: Flock, on: date, season: int) -> Flock:
    """The flock as its rows tell it of the day `on`, with that season's plan.

    What was entered late counts as if it had been known; groups, numbers and worths are those of today's
    plan.
    """
    forms = {name: getattr(flock, name) for name in FORMS}
    # a bird whose clutch is not yet set would otherwise stand there without a hatch day
    forms["birds"] = flock.birds[~(flock.birds["hatched"] > pd.Timestamp(on))]
    return assemble(flock.standard, replace(flock.plan, on=on, season=season), forms)


def meetings_as_of(
    flock: Flock,
    rank: Callable[[Flock], Merit],
    seasons: Sequence[int] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> dict[date, dict[str, pd.DataFrame]]:
    """Meetings that were never held, as they would have gone: each earlier season ranked as of its day.

    The day is today's plan's in that year. `seasons`: None for all before the plan's that have looks. One
    ranking a season: the slow part.
    """
    on, looked = flock.plan.on, flock.scores["on"].dt.year
    wanted = sorted(set(looked[looked < flock.plan.season].astype(int))) if seasons is None else list(seasons)
    held: dict[date, dict[str, pd.DataFrame]] = {}
    for i, season in enumerate(wanted):
        day = on.replace(year=on.year - (flock.plan.season - season))
        ranking = rank(as_of(flock, day, season)).ranking
        held[day] = {"ranking": ranking}
        if progress:
            progress(f"the meeting of {season}", (i + 1) / len(wanted))
    return held


def _as_it_went(flock: Flock, ranking: pd.DataFrame, day: date) -> dict[str, str]:
    """What the birds form tells of each bird's staying: kept where it was still there for the next season.

    Nothing of birds that are not on record, nor while that season has not yet come.
    """
    until = pd.Timestamp(day) + WINTERED
    if until > pd.Timestamp(flock.plan.on):
        return {}
    birds = flock.birds[flock.birds["bird"].isin(ranking["bird"])]
    stayed = birds["gone_on"].isna() | (birds["gone_on"] > until)
    return dict(zip(birds["bird"], np.where(stayed, "keep", "sell"), strict=True))


def standings(flock: Flock, meetings: Meetings) -> pd.DataFrame:
    """Everyone who stood at an earlier meeting, one row a season: columns STANDING.

    Barred birds are left out; kept is what was decided, else what happened (a bird still there four months
    on), else what the meeting proposed; number: how many places there were.
    """
    parts = [_standing(flock, *held) for held in earlier(flock, meetings).values()]
    return pd.concat(parts, ignore_index=True)[STANDING] if parts else pd.DataFrame(columns=STANDING)


def earlier(flock: Flock, meetings: Meetings) -> dict[int, tuple[date, Mapping[str, pd.DataFrame]]]:
    """The meetings that can be looked back on, by season: its last one's day and tables.

    A bird whose meeting was held again is so not counted twice. Meetings on or after the plan's day, and those
    of the plan's own season, are left out.
    """
    held = {
        _season_of(flock, day, tables["ranking"]): (day, tables)
        for day, tables in sorted(meetings.items())
        if day < flock.plan.on and len(tables.get("ranking", ()))
    }
    return {season: of for season, of in sorted(held.items()) if season < flock.plan.season}


def _season_of(flock: Flock, day: date, ranking: pd.DataFrame) -> int:
    """The season a meeting closed: the year its youngest candidates hatched in, its day's where none is told.

    A meeting may fall in the winter after, so that the day alone does not tell it; one of grown birds alone
    is taken to be its day's year's.
    """
    young = (
        ranking.loc[ranking["group"].isin(YOUNG), "bird"] if "group" in ranking else pd.Series(dtype="str")
    )
    hatched = flock.birds.loc[flock.birds["bird"].isin(young), "hatch_year"]
    return int(hatched.max()) if hatched.notna().any() else day.year


def _standing(flock: Flock, day: date, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    rows = tables["ranking"]
    rows = rows[rows["bar"].isna()].assign(on=pd.Timestamp(day)) if "bar" in rows else rows
    verdicts = tables.get("verdicts", pd.DataFrame(columns=["bird", "stands"]))
    proposed = verdicts.drop_duplicates("bird").set_index("bird")["stands"].to_dict()
    made = flock.decisions["on"].between(pd.Timestamp(day) - SETTLED, pd.Timestamp(day) + WINTERED)
    decided = flock.decisions[made].sort_values("on", kind="stable")
    last = decided.drop_duplicates("bird", keep="last").set_index("bird")["decided"].to_dict()
    final = rows["bird"].map({**proposed, **_as_it_went(flock, rows, day), **last})
    number = rows.groupby("group")["p_kept"].transform("sum").round()
    return rows.assign(kept=(final == "keep").to_numpy(), number=number)


def merit_since(merit: Merit, birds: Sequence[str], seed: int) -> pd.DataFrame:
    """What is known of `birds` now: draws of merit on one base, one column a bird that the records tell of.

    From today's joint posterior at the mode of its variances; a bird without records of its own or chicks
    among the birds seen has no column. Without any records: no columns.
    """
    if merit.known is None or merit.index is None:
        return pd.DataFrame()
    told = pd.Index([b for b in dict.fromkeys(birds) if b in merit.known.model.kinship.birds])
    if told.empty:
        return pd.DataFrame()
    rng = np.random.default_rng(seed)
    drawn = draw(merit.known, told, merit.index.weights, rng, quick=True)
    return pd.DataFrame(merit.index.merit(drawn.draws), columns=told)


_COLUMNS = ["season", "group", "birds", "stayed", "differential", "possible", "share", "says"]


def choosing(flock: Flock, merit: Merit, told: Iterable[int] = ()) -> pd.DataFrame:
    """One row an earlier season and group of young birds: columns COLUMNS, merit in points.

    Those are birds out of clutches on record, of the plan's sex and origins and never barred, there on the
    plan's day of that year; stayed: still there four months on. differential: mean merit now of those that
    stayed above that of all; possible: the same of as many of the highest merit now; share: the first over the
    second, missing where there was nothing to choose. `told`: seasons that a kept meeting tells of, left out.
    """
    if merit.known is None:
        return pd.DataFrame(columns=_COLUMNS)
    # of birds from before the records, or bought grown, nobody wrote down those that were not chosen
    birds = flock.birds[flock.birds["clutch"].notna() & ~flock.birds["bird"].isin(bars(flock).index)]
    birds = birds.assign(merit=birds["bird"].map(merit.flock.set_index("bird")["merit"])).dropna(
        subset="merit"
    )
    seasons = sorted(set(birds["hatch_year"].dropna().astype(int)) - set(told))
    rows = [
        _season(flock, birds, season, group)
        for season in seasons
        if season < flock.plan.season
        for group in flock.plan.keep
        if group in YOUNG
    ]
    return pd.DataFrame([row for row in rows if row is not None], columns=_COLUMNS)


def _season(flock: Flock, birds: pd.DataFrame, season: int, group: str) -> tuple | None:
    day = pd.Timestamp(meeting_day(flock, season))
    of = birds[(birds["hatch_year"] == season) & (birds["sex"] == YOUNG[group]) & ~(birds["gone_on"] <= day)]
    if origins := flock.plan.keep[group].origins:
        of = of[of["origin_of"].isin(origins)]
    stayed = of["gone_on"].isna() | (of["gone_on"] > day + WINTERED)
    if len(of) < 2 or not stayed.any():
        return None
    gained = of.loc[stayed, "merit"].mean() - of["merit"].mean()
    best = of["merit"].nlargest(int(stayed.sum())).mean() - of["merit"].mean()
    if stayed.all():
        return (
            season,
            group,
            len(of),
            len(of),
            np.nan,
            np.nan,
            np.nan,
            "all of them stayed: nothing was chosen",
        )
    says = (
        f"{int(stayed.sum())} of {len(of)} stayed: {gained:+.1f} points beside the mean of all of them, of "
        f"{best:+.1f} possible, by what is known now"
    )
    return (season, group, len(of), int(stayed.sum()), gained, best, gained / best, says)


def meeting_day(flock: Flock, season: int) -> date:
    """The plan's day in the year of an earlier season."""
    year = flock.plan.on.year - (flock.plan.season - season)
    # a plan of 29 February has no such day in most years
    return flock.plan.on.replace(year=year, day=min(flock.plan.on.day, 28))


CAME = [
    "on", "bird", "group", "p_best", "p_kept", "stood", "decided", "settled", "who", "why", "looks", "points", "chicks",
    "chicks_expected", "eggs", "laid", "alive", "gone_on", "gone_why", "sold_as", "price", "lot",
]  # fmt: skip


def what_came(flock: Flock, meetings: Meetings, merit: Merit) -> pd.DataFrame:
    """Bird by bird what became of the last earlier season's choice: columns CAME, one row a bird kept, reserved, sold.

    The birds are those of the last meeting kept; where none was, those that the last earlier season's decisions name,
    with chances missing. stood: what stood at that meeting; decided, settled, who, why: the decision on it (missing:
    none). Then what the records tell since: looks and points (the mean of their sums, of looks with every section),
    chicks (that may be its own) and chicks_expected (by its share in them), eggs and laid (`own`, or `pen`: all that
    were counted where she stood), and how it went: gone_on, gone_why, sold_as, price (the lot's), lot.
    """
    held = earlier(flock, meetings)
    day, tables = held[max(held)] if held else (None, {})
    made = _made(flock, day)
    stood = _stood(tables) if day else made.rename(columns={"decided": "stood"})[["bird", "stood", "on"]]
    stood = stood[stood["stood"].isin(["keep", "reserve", "sell"])]
    if stood.empty:
        return pd.DataFrame(columns=CAME)
    rows = stood.assign(on=pd.Timestamp(day)) if day else stood
    rows = rows.merge(made.drop(columns="on"), on="bird", how="left").reset_index(drop=True)
    birds = flock.birds.set_index("bird").reindex(rows["bird"])
    for column in ("alive", "gone_on", "gone_why"):
        rows[column] = birds[column].to_numpy()
    rows = rows.join(_sold(flock, rows["on"].min()), on="bird")
    rows = rows.join(_looked(flock, rows["on"].min()), on="bird")
    rows = rows.join(_fathered(flock, merit, rows["bird"], rows["on"].min()), on="bird")
    rows = rows.join(_laid(flock, birds, rows["on"].min()), on="bird")
    order = {"keep": 0, "reserve": 1, "sell": 2}
    decided = rows["decided"].where(rows["decided"].notna(), rows["stood"])
    return (
        rows.assign(order=decided.map(order))
        .sort_values("order", kind="stable", ignore_index=True)
        .reindex(columns=CAME)
    )


def _made(flock: Flock, day: date | None) -> pd.DataFrame:
    """The last decision on each bird that belongs to the meeting of `day`; without one, to the last earlier season."""
    decisions = flock.decisions.dropna(subset=["bird", "decided"]).sort_values("on", kind="stable")
    if day is None:
        before = decisions[decisions["on"].dt.year < flock.plan.season]
        of = before[before["on"].dt.year == before["on"].dt.year.max()]
    else:
        start = pd.Timestamp(day)
        of = decisions[decisions["on"].between(start - SETTLED, start + WINTERED)]
    last = of.drop_duplicates("bird", keep="last")
    return last[["on", "bird", "decided", "settled", "who", "why"]].reset_index(drop=True)


def _stood(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """What stood at a kept meeting, bird by bird, with the chances given; candidates alone where no more is kept."""
    chances = tables["ranking"].reindex(columns=["bird", "group", "p_best", "p_kept"]).drop_duplicates("bird")
    table = next((tables[name] for name in ("flock", "verdicts") if name in tables), None)
    if table is None:
        return chances.assign(stood=None)
    stood = table[["bird", "stands"]].drop_duplicates("bird").rename(columns={"stands": "stood"})
    return stood.merge(chances, on="bird", how="left")


def _sold(flock: Flock, day: pd.Timestamp) -> pd.DataFrame:
    sales = flock.sales[flock.sales["on"] >= day].sort_values("on", kind="stable")
    return sales.drop_duplicates("bird", keep="last").set_index("bird")[["sold_as", "price", "lot"]]


def _looked(flock: Flock, day: pd.Timestamp) -> pd.DataFrame:
    """Looks since the day, by bird, and the mean sum of those with every section."""
    since = flock.scores[(flock.scores["on"] > day) & flock.scores["bird"].notna()]
    sums = since[[section.name for section in flock.standard.by_eye]].sum(axis=1, skipna=False)
    grouped = pd.DataFrame({"bird": since["bird"], "sum": sums}).groupby("bird")["sum"]
    return pd.DataFrame({"looks": grouped.size(), "points": grouped.mean()})


def _fathered(flock: Flock, merit: Merit, birds: pd.Series, day: pd.Timestamp) -> pd.DataFrame:
    """Chicks hatched since that may be each bird's, and how many are expected to be."""
    pedigree = merit.pedigree
    young = flock.birds.loc[flock.birds["hatched"] > day, "bird"]
    known = [bird for bird in birds if bird in set(pedigree.birds)]
    shares = 2 * pedigree.weights[pedigree.positions(young)][:, pedigree.positions(known)].toarray()
    return pd.DataFrame(
        {"chicks": (shares > 0).sum(axis=0), "chicks_expected": shares.sum(axis=0)}, index=known
    )


def _laid(flock: Flock, birds: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Eggs counted since of each hen that stayed: her own where they were told, else all of the pens she stood in."""
    since = replace(flock, eggs=flock.eggs[flock.eggs["on"] > day])
    told = {}
    for row in each(birds[(birds["sex"] == "female") & ~(birds["gone_on"] <= day)].reset_index()):
        eggs = eggs_of(since, row).groupby("whose")["eggs"].sum()
        if len(eggs):
            whose = "own" if "own" in eggs.index else "pen"
            told[row.bird] = (float(eggs[whose]), whose)
    return pd.DataFrame.from_dict(told, orient="index", columns=["eggs", "laid"])
