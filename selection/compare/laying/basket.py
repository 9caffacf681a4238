"""The egg basket as counts, and the hen-days behind each: what the laying model is fitted to.

The eggs form is summed into *cells*: consecutive counts of one pen within one fortnight while the same hens
stood there, and apart from them the own records of one hen within one fortnight. A count of several days is
never split. What a hen laid by her own record is part of her pen's count and is taken out of it, with her
hen-day, wherever the pen was counted that day too. A day without a row is not counted and is in no cell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.records.flock import Flock

LAYING_AGE = 18 * 7
"""Days from hatching before which a pullet is no hen-day."""

WHOLE_FLOCK = ""
"""The pen of counts that name none: every hen of the holding."""

Days = npt.NDArray[np.int64]


def day_number(dates: pd.Series) -> pd.Series:
    """Days since 1 January 1970 as whole numbers, with missing days missing (Int64)."""
    days = (dates - pd.Timestamp(0)).dt.days
    return days.astype("Int64")


def hens_of(flock: Flock) -> pd.DataFrame:
    """The flock's hens: bird (as typed), key (case-folded), hatch_year, alive, and her days [start, end).

    She counts from 18 weeks of age or the day she came, whichever is later, up to and with her last day. A hen
    of unknown hatch date counts as grown. Male birds and birds of unknown sex are left out.
    """
    birds = flock.birds[flock.birds["sex"] == "female"]
    grown = day_number(birds["hatched"]) + LAYING_AGE
    came = day_number(birds["came_on"])
    start = pd.concat([grown, came], axis=1).max(axis=1).fillna(-(10**6))
    end = (day_number(birds["gone_on"]) + 1).fillna(_tomorrow(flock))
    return pd.DataFrame(
        {
            "bird": birds["bird"],
            "key": birds["bird"].str.casefold(),
            "hatch_year": birds["hatch_year"],
            "alive": birds["alive"],
            "start": start.astype("int64"),
            "end": end.astype("int64"),
        }
    ).reset_index(drop=True)


def spells_of(flock: Flock, hens: pd.DataFrame, whole_flock: bool) -> pd.DataFrame:
    """Every hen's spells as a laying hen: bird, key, hatch_year, pen (case-folded), start, end.

    With `whole_flock` each hen also has one spell in :data:`WHOLE_FLOCK`, for counts that name no pen.
    """
    pens = pd.DataFrame(
        {
            "key": flock.pens["bird"].str.casefold(),
            "pen": flock.pens["pen"].str.casefold(),
            "from": day_number(flock.pens["from"]).astype("int64"),
            "to": day_number(flock.pens["to"]).fillna(_tomorrow(flock)).astype("int64"),
        }
    ).sort_values(["key", "from"], kind="stable")
    following = pens.groupby("key")["from"].shift(-1)
    pens["to"] = np.minimum(pens["to"], following.fillna(np.inf)).astype("int64")
    spells = pens.merge(hens, on="key")
    spells["start"] = np.maximum(spells["start"], spells["from"])
    spells["end"] = np.minimum(spells["end"], spells["to"])
    if whole_flock:
        spells = pd.concat([spells, hens.assign(pen=WHOLE_FLOCK)], ignore_index=True)
    kept = spells["start"] < spells["end"]
    columns = ["bird", "key", "hatch_year", "pen", "start", "end"]
    return spells.loc[kept, columns].reset_index(drop=True)


def lots_of(spells: pd.DataFrame, hens: pd.DataFrame, recorded: pd.Index) -> pd.Series:
    """The lot of each hen with a spell or records (whole numbers from 0, by key): alike in hatch year and spells.

    A hen in `recorded` (keys of hens with egg records of their own) is a lot by herself.
    """
    stood = spells["pen"] + "|" + spells["start"].astype(str) + "|" + spells["end"].astype(str)
    history = stood.groupby(spells["key"]).agg(";".join)
    history = history.reindex(history.index.union(recorded), fill_value="")
    year = hens.set_index("key")["hatch_year"].reindex(history.index).astype(str)
    alone = history.index.where(history.index.isin(recorded), "")
    return pd.Series(pd.factorize(year + ";" + history + ";" + alone)[0], index=history.index)


def hens_on(spells: pd.DataFrame, pens: pd.Series, days: pd.Series) -> Days:
    """How many hens stood in each pen on each day; `pens` (case-folded) and `days` side by side."""
    counts = np.zeros(len(days), dtype="int64")
    for here, places in _by_pen(spells, pens):
        when = days.to_numpy()[places]
        counts[places] = np.searchsorted(np.sort(here["start"]), when, "right")
        counts[places] -= np.searchsorted(np.sort(here["end"]), when, "right")
    return counts


def changes_before(spells: pd.DataFrame, pens: pd.Series, days: pd.Series) -> Days:
    """How many times the hens of each pen had changed up to each day: equal numbers, the same hens."""
    runs = np.zeros(len(days), dtype="int64")
    for here, places in _by_pen(spells, pens):
        runs[places] = np.searchsorted(np.unique(here[["start", "end"]]), days.to_numpy()[places], "right")
    return runs


def present(spells: pd.DataFrame, days: pd.DataFrame) -> tuple[Days, Days]:
    """Every spell on every counted day: positions in `spells` and in `days` (pen, day), side by side.

    `days` must be sorted by pen and day, without duplicates. Linear in hen-days.
    """
    pieces = [(np.empty(0, dtype="int64"), np.empty(0, dtype="int64"))]
    position = np.arange(len(spells))
    for here, places in _by_pen(spells.assign(position=position), days["pen"]):
        when = days["day"].to_numpy()[places]
        first = np.searchsorted(when, here["start"], "left")
        number = np.searchsorted(when, here["end"], "left") - first
        within = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
        pieces.append(
            (np.repeat(here["position"].to_numpy(), number), places[within + np.repeat(first, number)])
        )
    spell, place = (np.concatenate(side) for side in zip(*pieces, strict=True))
    return spell, place


def _by_pen(spells: pd.DataFrame, pens: pd.Series) -> Iterator[tuple[pd.DataFrame, Days]]:
    """For each pen: the spells there, and the positions in `pens` that name it."""
    here = dict(tuple(spells.groupby("pen")))
    for pen, places in pd.Series(range(len(pens))).groupby(pens.to_numpy()).indices.items():
        if pen in here:
            yield here[str(pen)], places


def _tomorrow(flock: Flock) -> int:
    """The day after the plan's: where an interval that is still open ends."""
    return (pd.Timestamp(flock.plan.on) - pd.Timestamp(0)).days + 1


FORTNIGHT = 14
"""Days summed together. Day-to-day correlation is mostly used up within them, so that the spread from fortnight
to fortnight can be measured as it stands."""


@dataclass(frozen=True)
class Basket:
    """Counted eggs and the hen-days behind them.

    - `cells` (index 0..n−1): season (year of the count), fortnight (0..25 of the year), of_pen (False: a hen's own
      records), eggs, first, last (days counted)
    - `exposure`: cell, lot, hen_days: one row for each cell and lot that stood there
    - `lots` (index 0..n−1): hatch_year (missing: not known), hens (number), birds (tuple of names as typed)
    - `days`: one row for each pen and day between a season's first and last count: on, season, pen, counted,
      hens, eggs (a count of several days spread evenly; missing where not counted)
    - `own`: own records used: bird, on, season, eggs, days, broody (days noted broody)
    - `weighed`: counts with a weight: on, season, pen, bird, eggs, grams
    - `warnings`: what does not add up, each naming day and pen
    """

    cells: pd.DataFrame
    exposure: pd.DataFrame
    lots: pd.DataFrame
    days: pd.DataFrame
    own: pd.DataFrame
    weighed: pd.DataFrame
    warnings: tuple[str, ...]


def count(flock: Flock) -> Basket:
    """The flock's egg basket up to the plan's day, in time linear in the counted hen-days."""
    warnings: list[str] = []
    hens = hens_of(flock)
    rows = _rows_of(flock.eggs)
    of_all = rows["key"].isna() & (rows["pen_key"] == WHOLE_FLOCK)
    spells = spells_of(flock, hens, whole_flock=bool(of_all.any()))
    own = _own_rows(rows, spells, hens, warnings)
    counts = _with_cells(_counts(rows, spells, warnings), spells)
    days = _days_of(counts, warnings)
    own_days = _own_days(own, days)
    lots = lots_of(spells, hens, pd.Index(own["key"].unique()))
    cells = _pen_cells(counts, own_days, warnings)
    own_cells, own_exposure = _own_cells(own, lots, len(cells))
    taken = pd.DataFrame({"cell": own_days["cell"], "lot": own_days["key"].map(lots), "hen_days": -1.0})
    exposure = pd.concat([_stood(spells, lots, days), taken[taken["cell"] >= 0], own_exposure])
    exposure = exposure.groupby(["cell", "lot"], as_index=False)["hen_days"].sum()
    exposure = exposure[exposure["hen_days"] > 0].astype({"cell": "int64", "lot": "int64"})
    nobody_left = ~cells.index.isin(exposure["cell"]) & (cells["eggs"] > 1e-9)
    more = "eggs more over that fortnight than the rows of its hens, all recorded singly; left out"
    _warn(cells[nobody_left].rename(columns={"last": "on"}), more, warnings)
    return Basket(
        cells=pd.concat([cells.drop(columns="pen"), own_cells], ignore_index=True),
        exposure=exposure.reset_index(drop=True),
        lots=_describe(lots, hens),
        days=_calendar(counts, days, spells),
        own=own[["bird", "on", "season", "eggs", "days", "broody"]].reset_index(drop=True),
        weighed=rows.loc[
            rows["grams"].notna() & (rows["eggs"] > 0), ["on", "season", "pen", "bird", "eggs", "grams"]
        ],
        warnings=tuple(warnings),
    )


def fortnight_of(on: pd.Series) -> pd.Series:
    """The fortnight of the year, 0..25; the odd days at its end belong to the last."""
    return np.minimum((on.dt.day_of_year - 1) // FORTNIGHT, 25)


def _rows_of(eggs: pd.DataFrame) -> pd.DataFrame:
    """The eggs form with case-folded keys, blank days as one, and the first and last day of each count."""
    last = day_number(eggs["on"]).astype("int64")
    days = eggs["days"].fillna(1).astype("int64")
    broody = eggs["note"].str.contains("broody", case=False).fillna(False).astype(bool)
    return eggs.assign(
        days=days,
        last=last,
        first=last - days + 1,
        begins=eggs["on"] - pd.to_timedelta(days - 1, unit="D"),
        season=eggs["on"].dt.year,
        fortnight=fortnight_of(eggs["on"]),
        key=eggs["bird"].str.casefold(),
        pen_key=eggs["pen"].str.casefold().fillna(WHOLE_FLOCK),
        broody=days.where(broody, 0),
    )


def _own_rows(
    rows: pd.DataFrame, spells: pd.DataFrame, hens: pd.DataFrame, warnings: list[str]
) -> pd.DataFrame:
    """Rows that name a laying hen; a blank pen becomes the one she stood in that day."""
    own = rows[rows["key"].notna()].merge(hens[["key", "start", "end"]], on="key", how="left")
    laying = (own["first"] >= own["start"]) & (own["last"] < own["end"])
    for row in own[~laying].itertuples():
        warnings.append(
            f"{row.on:%Y-%m-%d}, {row.bird}: eggs of a bird that is no hen of 18 weeks here on those days; "
            "left in the count of its pen"
        )
    stands = spells.loc[spells["pen"] != WHOLE_FLOCK, ["key", "pen", "start", "end"]]
    stands = stands.rename(columns={"pen": "stood", "start": "since", "end": "until"}).sort_values("since")
    own = own[laying].drop(columns=["start", "end"]).sort_values("last")
    own = pd.merge_asof(own, stands, left_on="last", right_on="since", by="key")
    blank = (own["pen_key"] == WHOLE_FLOCK) & (own["last"] < own["until"])
    own["pen_key"] = own["pen_key"].where(~blank, own["stood"])
    return own


def _counts(rows: pd.DataFrame, spells: pd.DataFrame, warnings: list[str]) -> pd.DataFrame:
    """Rows that count a pen, each with its hen-days; those without a hen are left out, with a warning."""
    counts = rows[rows["key"].isna()].sort_values(["pen_key", "last"], kind="stable").reset_index(drop=True)
    of_all = counts["pen_key"] == WHOLE_FLOCK
    twice = of_all & counts["last"].isin(counts.loc[~of_all, "last"])
    _warn(counts[twice], "eggs without a pen on a day when pens were counted; left out", warnings)
    counts = counts[~twice].reset_index(drop=True)
    span = _each_day(counts)
    hens = pd.Series(hens_on(spells, counts["pen_key"].loc[span.index], span), index=span.index)
    counts["hen_days"] = hens.groupby(level=0).sum().reindex(counts.index, fill_value=0)
    nobody = counts["hen_days"] == 0
    _warn_of_empty_pens(counts[nobody & (counts["eggs"] > 0)], warnings)
    counts = counts[~nobody].reset_index(drop=True)
    for row in counts[counts["eggs"] > counts["hen_days"]].itertuples():
        hens_there = f"{row.hen_days} {'hens' if row.days == 1 else 'hen-days'}"
        _warn(counts.loc[[row.Index]], f"eggs from {hens_there}; look at the eggs and pens forms", warnings)
    return counts


def _warn_of_empty_pens(counts: pd.DataFrame, warnings: list[str]) -> None:
    """Adds one warning for each pen whose eggs nobody can have laid."""
    for _, of in counts.groupby("pen_key"):
        first, last = of["on"].min(), of["on"].max()
        when = (
            f"{first:%Y-%m-%d}"
            if first == last
            else f"{len(of)} days from {first:%Y-%m-%d} to {last:%Y-%m-%d}"
        )
        warnings.append(
            f"{when}, {_pen(of['pen'].iloc[0])}: {of['eggs'].sum():.0f} eggs, but no hen of 18 weeks "
            "stood there by the pens form; left out"
        )


def _with_cells(counts: pd.DataFrame, spells: pd.DataFrame) -> pd.DataFrame:
    """The counts with their cell: one pen, one season, one fortnight, the same hens."""
    began = changes_before(spells, counts["pen_key"], counts["first"])
    ended = changes_before(spells, counts["pen_key"], counts["last"])
    keys = counts[["pen_key", "season", "fortnight"]].assign(began=began, ended=ended)
    return counts.assign(cell=keys.groupby(list(keys), sort=False).ngroup())


def _each_day(rows: pd.DataFrame) -> pd.Series:
    """Every day of every row as day numbers, under the row's index."""
    first = rows["first"].loc[rows.index.repeat(rows["days"])]
    return first + first.groupby(level=0).cumcount()


def _days_of(counts: pd.DataFrame, warnings: list[str]) -> pd.DataFrame:
    """One row for each counted day of each pen: pen, day, cell, eggs (a longer count spread evenly)."""
    day = _each_day(counts)
    days = pd.DataFrame(
        {"pen": counts["pen_key"].loc[day.index], "day": day, "cell": counts["cell"].loc[day.index]}
    )
    days["eggs"] = counts["eggs"] / counts["days"]
    days = days.rename_axis("row").reset_index().sort_values(["pen", "day"], kind="stable")
    again = days.duplicated(["pen", "day"])
    _warn(counts.loc[days.loc[again, "row"].unique()], "eggs counted over days of another row", warnings)
    return days[~again].drop(columns="row").reset_index(drop=True)


def _own_days(own: pd.DataFrame, days: pd.DataFrame) -> pd.DataFrame:
    """One row for each day of own records: key, day, eggs, and the cell they are part of (−1: not counted)."""
    day = _each_day(own)
    each = own.loc[day.index, ["key", "pen_key"]].assign(day=day, eggs=own["eggs"] / own["days"])
    each = each.drop_duplicates(["key", "day"]).reset_index(drop=True)
    cell = days.set_index(["pen", "day"])["cell"]
    in_pen = cell.reindex(pd.MultiIndex.from_frame(each[["pen_key", "day"]])).to_numpy(dtype=float)
    in_all = cell.reindex(pd.MultiIndex.from_product([[WHOLE_FLOCK], each["day"]])).to_numpy(dtype=float)
    each["cell"] = np.nan_to_num(np.where(np.isnan(in_pen), in_all, in_pen), nan=-1)
    return each


def _stood(spells: pd.DataFrame, lots: pd.Series, days: pd.DataFrame) -> pd.DataFrame:
    """The hen-days of each lot in each cell of a pen's count: cell, lot, hen_days."""
    spells = spells.assign(lot=spells["key"].map(lots))
    alike = spells.groupby(["lot", "pen", "start", "end"], as_index=False).size()
    spell, place = present(alike, days)
    pairs = pd.DataFrame({"cell": days["cell"].to_numpy()[place], "lot": alike["lot"].to_numpy()[spell]})
    pairs["hen_days"] = alike["size"].to_numpy(dtype=float)[spell]
    return pairs.groupby(["cell", "lot"], as_index=False).sum()


def _pen_cells(counts: pd.DataFrame, own_days: pd.DataFrame, warnings: list[str]) -> pd.DataFrame:
    """The cells of pens: their eggs less what hens with own records laid there."""
    of = counts.groupby("cell")
    cells = (
        of[["season", "fortnight", "pen"]]
        .first()
        .assign(of_pen=True, first=of["begins"].min(), last=of["on"].max())
    )
    own = own_days[own_days["cell"] >= 0].groupby("cell")["eggs"].sum()
    rest = of["eggs"].sum().sub(own, fill_value=0.0)
    over = counts[counts["cell"].isin(rest.index[rest < -1e-9])].drop_duplicates("cell", keep="last")
    _warn(over, "eggs and less over that fortnight than its hens have by their own rows", warnings)
    return cells.assign(eggs=rest.clip(lower=0.0)).reset_index(drop=True)


def _own_cells(own: pd.DataFrame, lots: pd.Series, first: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The cells of own records (numbered from `first`) and their exposure."""
    of = own.groupby(["key", "season", "fortnight"], as_index=False).agg(
        first=("begins", "min"), last=("on", "max"), eggs=("eggs", "sum"), days=("days", "sum")
    )
    lot = of["key"].map(lots).astype("int64")
    exposure = pd.DataFrame({"cell": of.index + first, "lot": lot, "hen_days": of["days"].astype(float)})
    return of.drop(columns=["key", "days"]).assign(of_pen=False), exposure


def _describe(lots: pd.Series, hens: pd.DataFrame) -> pd.DataFrame:
    """Each lot's hatch year, number of hens and their names."""
    of = hens.assign(lot=hens["key"].map(lots)).dropna(subset=["lot"]).astype({"lot": "int64"}).groupby("lot")
    return pd.DataFrame(
        {"hatch_year": of["hatch_year"].first(), "hens": of.size(), "birds": of["bird"].agg(tuple)}
    ).sort_index()


def _calendar(counts: pd.DataFrame, days: pd.DataFrame, spells: pd.DataFrame) -> pd.DataFrame:
    """Every day of every pen between the season's first and last count, whether counted or not."""
    season = counts.groupby("season").agg(first=("first", "min"), last=("last", "max"))
    pens = (
        counts.groupby(["season", "pen_key"], as_index=False)
        .agg(pen=("pen", "first"))
        .join(season, on="season")
    )
    pens["days"] = pens["last"] - pens["first"] + 1
    day = _each_day(pens)
    grid = pens.loc[day.index, ["season", "pen_key", "pen"]].assign(day=day).reset_index(drop=True)
    eggs = days.set_index(["pen", "day"])["eggs"]
    grid["eggs"] = eggs.reindex(pd.MultiIndex.from_frame(grid[["pen_key", "day"]])).to_numpy()
    return pd.DataFrame(
        {
            "on": pd.to_datetime(grid["day"], unit="D").astype("datetime64[s]"),
            "season": grid["season"],
            "pen": grid["pen"],
            "counted": grid["eggs"].notna(),
            "hens": hens_on(spells, grid["pen_key"], grid["day"]),
            "eggs": grid["eggs"],
        }
    )


def _warn(rows: pd.DataFrame, what: str, warnings: list[str]) -> None:
    """Adds one warning a row: its day, its pen, its eggs and what is odd about them."""
    for row in rows.itertuples():
        warnings.append(f"{row.on:%Y-%m-%d}, {_pen(row.pen)}: {row.eggs:.0f} {what}")


def _pen(name: object) -> str:
    return name if isinstance(name, str) else "no pen"
