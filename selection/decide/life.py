"""One bird's whole life from the records: where it comes from, what was seen of it, what became of it. Facts only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from selection.answer import Answer, Kind, Note
from selection.errors import PedigreeError, RecordsError
from selection.merit.relationship.kinship import parents
from selection.merit.relationship.parentage import Parentage, parentage
from selection.merit.relationship.pedigree import Pedigree
from selection.merit.relationship.relations import LEAST, Relations
from selection.records.flock import Flock, small_frames

GENERATIONS = 3
"""Generations of ancestors that are told."""
_LIKELY = 0.05
"""Chance of a parent in common from which a bird is listed among brothers and sisters."""
Tables = Mapping[str, pd.DataFrame]
"""A meeting's tables by name."""
SIDES = {"sire": "male", "dam": "female"}


@dataclass(frozen=True)
class Ancestor:
    """One place in a bird's pedigree: "sire", "sire's dam" as a path of sides, and who may stand there.

    possible: birds of the pedigree with their chances, the likeliest first; what is short of 1 is not on record;
    places: where those of them stood that nobody here has seen.
    """

    path: tuple[str, ...]
    possible: tuple[tuple[str, float], ...]
    places: tuple[str, ...] = ()


@dataclass(frozen=True, repr=False)
class Life(Answer):
    """All that is on record of one bird up to the plan's day.

    bird: its row of the flock's birds; inbreeding: F (None: no pedigree can be made); ancestors: each place of three
    generations, a bird's own first. Frames, each with the days in order:

    rings (leg, colour, kind, size_mm, mark, since, until: NaT while worn); looks (on, judge, section, title, most,
    points, mean and birds: of its sex and hatch year seen by that judge that day, itself included); seen (on, judge,
    total, faults, note: a row a look); weights (on, grams, weeks, mean, birds, note); measures (on, trait, title, unit,
    value, judge); eggs (year, pen, whose: `own` or `pen`, eggs, days); pens (pen, since, until, males, females: who
    stood there with it); kin (other, words, relationship by the parents in
    common: its brothers and sisters); chicks (chick, sex, hatch_year,
    clutch, chance, other: the other parent's likeliest, others: how many may be it, gone); clutch (its clutches' rows);
    meetings (on, stands, proposed, sold_as, price, why: what each meeting held up to that day said of it); decisions
    and sales as recorded.
    """

    TITLE: ClassVar[str] = "A bird's life"
    TABLES: ClassVar[tuple[str, ...]] = (
        "looks", "seen", "rings", "weights", "measures", "eggs", "pens", "kin", "chicks", "clutch", "meetings",
        "decisions", "sales",
    )  # fmt: skip

    flock: Flock
    bird: Any
    inbreeding: float | None
    ancestors: tuple[Ancestor, ...]
    rings: pd.DataFrame
    looks: pd.DataFrame
    seen: pd.DataFrame
    weights: pd.DataFrame
    measures: pd.DataFrame
    eggs: pd.DataFrame
    pens: pd.DataFrame
    kin: pd.DataFrame
    chicks: pd.DataFrame
    clutch: pd.DataFrame
    meetings: pd.DataFrame
    decisions: pd.DataFrame
    sales: pd.DataFrame
    notes: tuple[Note, ...] = ()


@small_frames
def life(
    flock: Flock,
    bird: str,
    family: Parentage | None = None,
    meetings: Mapping[date, Tables] = MappingProxyType({}),
) -> Life:
    """Gather everything on record of one bird on the flock's day.

    Parameters
    ----------
    flock : Flock
        The flock. What is blank there is said to be not on record, never guessed.
    bird : str
        The bird's number as recorded; `records.rings.find_bird` finds it by its name or its colours.
    family : Parentage, optional
        The flock's parentage where it is at hand; worked out anew without it.
    meetings : mapping of date to tables, optional
        The meetings kept with the flock (`records.ledger.kept.read_meetings`): their tables `flock` and `verdicts`.

    Returns
    -------
    Life
        Its rings, looks, weighings, eggs, pens, kin, chicks, decisions and sale, a frame each. Where the parents on
        record cannot be, nothing is said of relatives, and a note says why.

    Raises
    ------
    RecordsError
        Where the bird is not on record up to the flock's day.

    Examples
    --------
    >>> from selection import life
    >>> sorted(life(flock, flock.birds["bird"].iloc[0]).tables)[:4]
    ['chicks', 'clutch', 'decisions', 'eggs']
    """
    rows = flock.birds[flock.birds["bird"] == bird]
    if rows.empty:
        raise RecordsError(f"no bird {bird} is on record up to {flock.plan.on}")
    row = next(rows.itertuples(index=False))
    notes: tuple[Note, ...] = ()
    try:
        family = family or parentage(flock)
    except PedigreeError as error:
        notes = (Note(Kind.CANNOT, bird, f"nothing of its family: {error}"),)
    return Life(
        flock=flock, bird=row, **_family(flock, bird, family), rings=_rings(flock, bird),
        looks=_looks(flock, row), seen=_seen(flock, bird), weights=_weights(flock, row),
        measures=_measures(flock, bird), eggs=eggs_of(flock, row), pens=_pens(flock, bird),
        clutch=_clutches(flock, row), meetings=_meetings(flock, bird, meetings),
        decisions=_of(flock.decisions, bird), sales=_sales(flock, bird), notes=notes,
    )  # fmt: skip


def _meetings(flock: Flock, bird: str, meetings: Mapping[date, Tables]) -> pd.DataFrame:
    """What each meeting up to the flock's day said of the bird; what an earlier version did not keep is missing."""
    told = ["stands", "sold_as", "price", "why"]
    rows = []
    for on in sorted(day for day in meetings if day <= flock.plan.on):
        everyone, verdicts = (meetings[on].get(name, pd.DataFrame()) for name in ("flock", "verdicts"))
        own = _row_of(everyone, bird, told) | _row_of(verdicts, bird, ["proposed"])
        if isinstance(own.get("stands"), str):
            rows.append({"on": pd.Timestamp(on), **own})
    return pd.DataFrame(rows, columns=["on", "stands", "proposed", *told[1:]])


def _row_of(table: pd.DataFrame, bird: str, columns: list[str]) -> dict[str, Any]:
    """Some columns of the bird's row of a table; nothing where it has none."""
    rows = table.reindex(columns=["bird", *columns])
    rows = rows[rows["bird"] == bird]
    return {} if rows.empty else rows[columns].iloc[-1].to_dict()


def _of(form: pd.DataFrame, bird: str) -> pd.DataFrame:
    """A form's rows of the bird, by day."""
    return form[form["bird"] == bird].sort_values("on", kind="stable").reset_index(drop=True)


def _rings(flock: Flock, bird: str) -> pd.DataFrame:
    """Every ring it wore: a ring put on in place of another ends it."""
    rings = flock.rings[flock.rings["bird"] == bird].sort_values(["fitted_on", "leg"], kind="stable")
    following = rings.groupby("leg")["fitted_on"].shift(-1)
    until = pd.concat([rings["removed_on"], following], axis=1).min(axis=1)
    columns = ["leg", "colour", "kind", "size_mm", "mark"]
    return rings[columns].assign(since=rings["fitted_on"], until=until).reset_index(drop=True)


def _like(flock: Flock, row: Any) -> pd.Series:
    """Which birds are its group: of its sex and hatch year."""
    birds = flock.birds
    like = (birds["sex"] == row.sex) & (birds["hatch_year"] == row.hatch_year)
    return birds.loc[like | (birds["bird"] == row.bird), "bird"]


def _looks(flock: Flock, row: Any) -> pd.DataFrame:
    sections = flock.standard.by_eye
    names = [section.name for section in sections]
    long = flock.scores[["on", "judge", "bird"]].join(
        flock.scores[names].set_axis(range(len(names)), axis=1)  # a section may bear any name, a column's too
    )
    long = long.melt(["on", "judge", "bird"], list(range(len(names))), "section", "points").dropna(
        subset="points"
    )
    group = long[long["bird"].isin(_like(flock, row))].groupby(["on", "judge", "section"])["points"]
    means = group.agg(mean="mean", birds="size").reset_index()
    own = _of(long, row.bird).merge(means, on=["on", "judge", "section"])
    place = own["section"].astype(int)
    own = own.assign(
        section=[sections[k].name for k in place],
        title=[sections[k].title for k in place],
        most=[float(sections[k].points) for k in place],
    )
    order = own.assign(place=place).sort_values(["on", "judge", "place"], kind="stable").index
    columns = ["on", "judge", "section", "title", "most", "points", "mean", "birds"]
    return own.loc[order, columns].reset_index(drop=True)


def _seen(flock: Flock, bird: str) -> pd.DataFrame:
    return _of(flock.scores, bird)[["on", "judge", "total", "faults", "note"]]


def _weights(flock: Flock, row: Any) -> pd.DataFrame:
    """Its weighings, beside the mean of its group weighed that day."""
    like = flock.weights[flock.weights["bird"].isin(_like(flock, row))]
    means = like.groupby("on")["grams"].agg(mean="mean", birds="size").reset_index()
    own = _of(flock.weights, row.bird)[["on", "grams", "note"]].merge(means, on="on", how="left")
    return own.assign(weeks=(own["on"] - row.hatched).dt.days / 7)


def _measures(flock: Flock, bird: str) -> pd.DataFrame:
    own = _of(flock.measures, bird)
    known = {m.name.casefold(): m for m in flock.standard.measured}
    traits = [known.get(str(name).casefold()) for name in own["trait"]]
    own = own.assign(
        title=[(t.title or t.name) if t else name for t, name in zip(traits, own["trait"], strict=True)],
        unit=[t.unit if t else "" for t in traits],
    )
    return own[["on", "trait", "title", "unit", "value", "judge", "note"]]


def eggs_of(flock: Flock, row: Any) -> pd.DataFrame:
    """A hen's own eggs by year, and those counted in her pens while she stood there."""
    columns = ["year", "pen", "whose", "eggs", "days"]
    if row.sex != "female" or flock.eggs.empty:
        return pd.DataFrame(columns=columns)
    eggs = flock.eggs.assign(days=flock.eggs["days"].fillna(1), year=flock.eggs["on"].dt.year)
    own = eggs[eggs["bird"] == row.bird].assign(whose="own")
    counted, pens = eggs[eggs["bird"].isna()], eggs["pen"].str.casefold()
    stays = flock.pens[flock.pens["bird"] == row.bird].rename(columns={"from": "since"})
    laid = pd.Series(False, index=counted.index)
    for stay in stays.itertuples():
        ends = [day for day in (stay.to, row.gone_on) if pd.notna(day)]
        here = (counted["on"] >= stay.since) & (pens[counted.index] == str(stay.pen).casefold())
        laid |= here & (counted["on"] < min(ends)) if ends else here
    rows = pd.concat([own, counted[laid].assign(whose="pen")])
    grouped = rows.groupby(["year", "pen", "whose"], dropna=False)[["eggs", "days"]].sum().reset_index()
    return grouped[columns]


def _pens(flock: Flock, bird: str) -> pd.DataFrame:
    """The pens it stood in, and who stood there on a day with it."""
    stays = flock.pens.merge(flock.birds[["bird", "sex", "gone_on"]], on="bird")
    gone = stays["gone_on"] + pd.Timedelta(days=1)
    ends = pd.concat([stays["to"], gone], axis=1).min(axis=1)
    stays = stays.assign(key=stays["pen"].str.casefold(), since=stays["from"], until=ends)
    rows = []
    for stay in stays[stays["bird"] == bird].sort_values("since").itertuples():
        together = (stays["key"] == stay.key) & (stays["bird"] != bird)
        together &= ~(stays["since"] >= stay.until) & ~(stays["until"] <= stay.since)
        with_it = stays[together]
        mates = {sex: sorted(set(with_it.loc[with_it["sex"] == sex, "bird"])) for sex in SIDES.values()}
        rows.append((stay.pen, stay.since, stay.to, mates["male"], mates["female"]))
    return pd.DataFrame(rows, columns=["pen", "since", "until", "males", "females"])


def _clutches(flock: Flock, row: Any) -> pd.DataFrame:
    labels = [c.strip().casefold() for c in row.clutch.split(";")] if isinstance(row.clutch, str) else []
    return flock.clutches[flock.clutches["clutch"].str.casefold().isin(labels)].reset_index(drop=True)


def _sales(flock: Flock, bird: str) -> pd.DataFrame:
    """Its sales, with the other birds of the lot."""
    own = _of(flock.sales, bird)
    lots = flock.sales.dropna(subset="lot").groupby(["on", "lot"])["bird"].agg(list)
    others = [
        [b for b in lots.get((r.on, r.lot), []) if b != bird] if isinstance(r.lot, str) else []
        for r in own.itertuples()
    ]
    return own.assign(others=pd.Series(others, index=own.index, dtype=object))


def _family(flock: Flock, bird: str, family: Parentage | None) -> dict[str, Any]:
    kin = pd.DataFrame(columns=["other", "words", "relationship"])
    chicks = pd.DataFrame(
        columns=["chick", "sex", "hatch_year", "clutch", "chance", "other", "others", "gone"]
    )
    if family is None:
        return {"inbreeding": None, "ancestors": (), "kin": kin, "chicks": chicks}
    pedigree = family.pedigree
    at = int(pedigree.positions([bird])[0])
    return {
        "inbreeding": float(pedigree.inbreeding[at]),
        "ancestors": ancestors(pedigree, bird),
        "kin": _kin(flock, bird, family) if pedigree.sires[[at]].nnz else kin,
        "chicks": _chicks(flock, bird, family) if pedigree.weights[:, [at]].nnz else chicks,
    }


def ancestors(pedigree: Pedigree, bird: str, generations: int = GENERATIONS) -> tuple[Ancestor, ...]:
    """Every place of so many generations of a bird's pedigree, with who may stand there; generation by generation."""
    level: dict[tuple[str, ...], dict[int, float]] = {(): {int(pedigree.positions([bird])[0]): 1.0}}
    found = []
    for _ in range(generations):
        above: dict[tuple[str, ...], dict[int, float]] = {}
        for path, places in level.items():
            for side in SIDES:
                reached: dict[int, float] = {}
                for young, chance in places.items():
                    for parent, share in parents(pedigree, side, young):
                        reached[parent] = reached.get(parent, 0.0) + chance * share
                above[(*path, side)] = reached
        for path, places in above.items():
            likely = sorted(places.items(), key=lambda pair: (-round(pair[1], 9), pair[0]))
            possible = tuple((pedigree.birds[k], chance) for k, chance in likely)
            stood = (pedigree.stood.get(name, "") for name, _ in possible)
            found.append(Ancestor(path, possible, tuple(place for place in stood if place)))
        level = above
    return tuple(found)


@dataclass(frozen=True)
class _Laid:
    """Eggs counted in pens where possible dams stood: eggs, hen-days, hens (most at once), first and last day."""

    eggs: float
    hen_days: float
    hens: int
    first: pd.Timestamp
    last: pd.Timestamp


def laid_by_dams(flock: Flock, pedigree: Pedigree, bird: str, days: int = 365) -> _Laid | None:
    """What the hens that stood with a bird's possible dams laid in the `days` up to the plan's day; None: not counted.

    Counts of whole pens only: a row for one hen is part of her pen's. Every hen there that day counts as a hen-day.
    """
    at = int(pedigree.positions([bird])[0])
    dams = {pedigree.birds[k] for k, _ in parents(pedigree, "dam", at)}
    day = pd.Timestamp(flock.plan.on)
    counted = flock.eggs[flock.eggs["bird"].isna() & (flock.eggs["on"] > day - pd.Timedelta(days=days))]
    stays = flock.pens.merge(flock.birds[["bird", "sex", "gone_on"]], on="bird")
    stays = stays[stays["sex"] == "female"].rename(columns={"from": "since", "bird": "hen"})
    here = counted.assign(count=counted.index, key=counted["pen"].str.casefold()).merge(
        stays.assign(key=stays["pen"].str.casefold())[["key", "hen", "since", "to", "gone_on"]], on="key"
    )
    here = here[(here["since"] <= here["on"]) & ~(here["to"] <= here["on"]) & ~(here["gone_on"] < here["on"])]
    hens = here.groupby("count")["hen"].agg(lambda hens: len(set(hens)))
    with_dam = here.loc[here["hen"].isin(dams), "count"].unique()
    if not len(with_dam):
        return None
    rows, hens = counted.loc[with_dam], hens.loc[with_dam]
    hen_days = float((hens * rows["days"].fillna(1)).sum())
    return _Laid(float(rows["eggs"].sum()), hen_days, int(hens.max()), rows["on"].min(), rows["on"].max())


def _kin(flock: Flock, bird: str, family: Parentage) -> pd.DataFrame:
    """Its brothers and sisters, full before half, the surest first; those that only may be among them, too."""
    pedigree = family.pedigree
    relations = Relations(pedigree, dict(zip(flock.birds["bird"], flock.birds["sex"], strict=True)))
    at = int(pedigree.positions([bird])[0])
    everyone = pedigree.positions(flock.birds["bird"])
    related = pedigree.relationship(flock.birds["bird"].tolist(), [bird])[:, 0]
    near = [int(k) for k, a in zip(everyone, related, strict=True) if a > LEAST and k != at]
    rows = []
    for k in near:
        sibs = relations.sibs(at, k)
        if sibs.any > _LIKELY:
            rows.append((pedigree.birds[k], relations.sibling(k, sibs), sibs.related))
    frame = pd.DataFrame(rows, columns=["other", "words", "relationship"])
    return frame.sort_values(["relationship", "other"], ascending=[False, True], ignore_index=True)


def _chicks(flock: Flock, bird: str, family: Parentage) -> pd.DataFrame:
    """Birds on record that it may have fathered or mothered, with the other parent that is likeliest."""
    pedigree = family.pedigree
    at = int(pedigree.positions([bird])[0])
    column = pedigree.weights[:, [at]].tocoo()
    chance = {
        pedigree.birds[int(k)]: 2 * float(w) for k, w in zip(column.coords[0], column.data, strict=True)
    }
    own = flock.birds[flock.birds["bird"].isin(chance)].sort_values(["hatched", "bird"], kind="stable")
    side = "dam" if bool(np.isin(at, pedigree.sires.indices)) else "sire"
    others = [parents(pedigree, side, int(k)) for k in pedigree.positions(own["bird"])]
    return pd.DataFrame(
        {
            "chick": own["bird"].to_numpy(),
            "sex": own["sex"].to_numpy(),
            "hatch_year": own["hatch_year"].to_numpy(),
            "clutch": own["clutch"].to_numpy(),
            "chance": [chance[chick] for chick in own["bird"]],
            "other": [pedigree.birds[p[0][0]] if p else "" for p in others],
            "others": [len(p) for p in others],
            "gone": (~own["alive"]).to_numpy(),
        }
    )
