"""From two colours and a day to a bird, and when each bird hatched and when it went.

Ring colours are reused, so a pair means a bird only as of a day: a ring is on from `fitted_on` and off on
`removed_on`, the first day it is no longer worn. A leg shows what was fitted on it last, so a ring put on in
place of another ends it, said or not: a day has one answer. Only birds alive that day are looked for; birds
gone leave their colours free.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches

import numpy as np
import pandas as pd

from selection.errors import RecordsError
from selection.records.forms.columns import LEGS
from selection.records.forms.schema import folded

FEW = 0.2
"""Share of a left colour's pairs still free up to which it is said to be running out."""
NEAREST = 6
"""Birds with nearly the colours asked for that are named."""
NEVER = pd.Timestamp("2262-01-01").as_unit("s")
"""Later than any day on record."""


@dataclass(frozen=True)
class Named:
    """What each row's colours name: `bird` (blank: not one bird), and by row in words why not, or how."""

    bird: pd.Series
    faults: Mapping[int, str]
    notes: Mapping[int, str]


def ring_colours(cell: object) -> list[str]:
    """Colours on one leg, upper first; none where the cell is blank."""
    return [part.strip() for part in cell.split("/") if part.strip()] if isinstance(cell, str) else []


BARE = "–"
"""A leg without a ring."""


@dataclass(frozen=True, slots=True)
class Called:
    """One bird: its number, its name (None: it has none), and what its legs wear (blank: nothing)."""

    bird: str
    name: str | None = None
    left: str | None = None
    right: str | None = None

    @property
    def colours(self) -> str:
        """Its colours in words, left then right, the upper of two on one leg first: `green, yellow/blue`."""
        legs = ["/".join(ring_colours(leg)) for leg in (self.left, self.right)]
        return ", ".join(leg or BARE for leg in legs) if any(legs) else ""

    @property
    def title(self) -> str:
        """Its number and its name: `24-007 Bramble`."""
        return f"{self.bird} {self.name}" if self.name else self.bird

    def __str__(self) -> str:
        return f"{self.title} ({self.colours})" if self.colours else self.title


def folded_colour(colours: pd.Series) -> pd.Series:
    """Colours as compared: case-folded, no blanks around the stroke between two rings of one leg."""
    return colours.str.casefold().str.replace(r"\s*/\s*", "/", regex=True).str.strip()


def single_colours(rings: pd.DataFrame) -> list[str]:
    """Every colour ever worn as a ring by itself, folded, in order: what is taken to be in stock, untold."""
    used = folded_colour(rings["colour"])
    return sorted(used[~used.str.contains("/", na=True)].unique())


def worn(rings: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """What each bird wears on `day`: one row a bird (its label case-folded), folded colours `left`, `right`.

    `rings` has the columns of the form; a leg without a ring is blank.
    """
    on = rings[rings["fitted_on"] <= day].sort_values("fitted_on", kind="stable")
    on = on.assign(bird=on["bird"].str.casefold(), colour=folded_colour(on["colour"]))
    last = on.drop_duplicates(["bird", "leg"], keep="last")
    last = last[~(last["removed_on"] <= day)]
    legs = last.pivot(index="bird", columns="leg", values="colour")
    return legs.reindex(columns=list(LEGS)).astype("str")


def living(birds: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    """The birds alive on `day`, case-folded label to label as recorded; a bird still counts on `gone_on`.

    `birds` has `bird`, `hatched` (blank: long ago) and `gone_on`.
    """
    here = ~(birds["hatched"] > day) & ~(birds["gone_on"] < day)
    names = birds.loc[here, "bird"]
    return pd.Series(names.to_numpy(), index=names.str.casefold(), dtype="str")


def name_birds(rows: pd.DataFrame, rings: pd.DataFrame, birds: pd.DataFrame) -> Named:
    """The bird that each row means by its colours.

    `rows` has `on`, `left`, `right` (one of the two may be blank); `rings` and `birds` are everything known,
    `birds` with `hatched`. A colour on one leg alone is taken where it fits one living bird, and reported.
    """
    named: dict[int, str] = {}
    faults: dict[int, str] = {}
    notes: dict[int, str] = {}
    asked = rows[["on"]].assign(**{leg: folded_colour(rows[leg]).fillna("") for leg in LEGS})
    for on, that_day in asked.groupby("on", sort=False):
        day = pd.Timestamp(str(on))
        wearers = _wearers(worn(rings, day), living(birds, day))
        for row, left, right in zip(that_day.index, that_day["left"], that_day["right"], strict=True):
            fits = wearers.get((left, right), [])
            if len(fits) != 1:
                faults[row] = _why_not(left, right, wearers, day)
                continue
            named[row] = fits[0]
            if not (left and right):
                notes[row] = f"taken as {fits[0]}, the only living bird with it on {day:%Y-%m-%d}"
    return Named(pd.Series(named, index=rows.index, dtype="str"), faults, notes)


def find_bird(said: str, birds: pd.DataFrame, rings: pd.DataFrame, on: date) -> str:
    """The number of the one bird that `said` means on the day `on`.

    Parameters
    ----------
    said
        A bird's number; or its name; or its colours as worn that day, left then right: `green blue`, a leg with two
        rings as `green yellow/blue` or `green yellow over blue`; `green/blue`, or one colour alone, where it fits one
        living bird. Capitals and blanks do not matter. An exact number goes before a name, a name before a number that
        has lost its leading zeros, and that before colours.
    birds, rings
        The forms as a flock has them on that day: `birds` with `bird`, `name`, `hatched`, `gone_on`.
    on
        The day.

    Raises
    ------
    RecordsError
        Where no bird or several are meant; the text names those that may be.
    """
    wanted = said.strip().casefold()
    named = birds["name"].notna() & (folded(birds["name"]) == wanted)
    ways = (folded(birds["bird"]) == wanted, named, _without_zeros(birds, wanted))
    found = next((birds.loc[fits, "bird"].tolist() for fits in ways if fits.any()), None)
    if found is None:
        found = _by_colours(said, birds, rings, pd.Timestamp(on)) if wanted else []
    if len(found) == 1:
        return str(found[0])
    if found:
        raise RecordsError(
            f"“{said}” means several birds on {on}: {_worn_by(found, birds, rings, on)}; give the number of one"
        )
    near = get_close_matches(wanted, [*folded(birds["bird"]), *folded(birds["name"].dropna())], n=3)
    fits = folded(birds["bird"]).isin(near) | folded(birds["name"]).isin(near)
    perhaps = [f"perhaps {_told(birds.loc[fits, 'bird'].tolist(), birds)}"] if fits.any() else []
    seen = "".join(f"; {part}" for part in (*perhaps, *_worn_before(said, birds, rings, pd.Timestamp(on))))
    raise RecordsError(
        f"“{said}” is no bird's number or name, and no living bird's colours on {on}{seen}; give a number, a "
        'name, or colours as left then right: "green blue"'
    )


def _without_zeros(birds: pd.DataFrame, wanted: str) -> pd.Series:
    """Which birds' numbers are `wanted` but for zeros before it, which a spreadsheet takes off."""
    if not wanted.isdecimal():
        return pd.Series(False, index=birds.index)
    return birds["bird"].str.fullmatch("0*" + (wanted.lstrip("0") or "0")).fillna(False).astype(bool)


def _by_colours(said: str, birds: pd.DataFrame, rings: pd.DataFrame, day: pd.Timestamp) -> list[str]:
    """The living birds that some reading of `said` as colours fits."""
    wearers = _wearers(worn(rings, day), living(birds, day))
    found = [bird for pair in _readings(said) for bird in wearers.get(pair, [])]
    return list(dict.fromkeys(found))


def _readings(said: str) -> list[tuple[str, str]]:
    """Every way of reading words as colours on the left and the right leg; one of the two may be blank."""
    plain, over = re.subn(r"\s+over\s+", "/", said.replace(",", " "), flags=re.IGNORECASE)
    text = str(folded_colour(pd.Series([plain])).iloc[0])
    words = text.split()
    pairs = [(" ".join(words[:i]), " ".join(words[i:])) for i in range(len(words) + 1)]
    # two legs, unless it is one leg with two rings: both readings are tried
    if text.count("/") == 1 and not over:
        left, right = text.split("/")
        pairs.append((left, right))
    return list(dict.fromkeys(pairs))


def _worn_before(said: str, birds: pd.DataFrame, rings: pd.DataFrame, day: pd.Timestamp) -> list[str]:
    """Of colours that no living bird wears on `day`: who wore them last and when, and who wears the nearest now."""
    readings = _readings(said)
    told = []
    if before := _last_wearer(readings, birds, rings, day):
        told.append(before)
    legs = worn(rings, day).fillna("")
    here = living(birds, day)
    legs = legs[legs.index.isin(here.index)]
    near: dict[str, str] = {}
    for left, right in (pair for pair in readings if all(pair)):
        alike = (
            legs[(legs["left"] == right) & (legs["right"] == left)],
            legs[(legs["right"] == right) & (legs["left"] != left)],
            legs[(legs["left"] == left) & (legs["right"] != right)],
        )
        for rows in alike:
            for bird, own_left, own_right in zip(rows.index, rows["left"], rows["right"], strict=True):
                near.setdefault(str(here[bird]), f"left {own_left or 'bare'}, right {own_right or 'bare'}")
    if near:
        some = [f"{bird} ({colours})" for bird, colours in list(near.items())[:NEAREST]]
        more = f" and {len(near) - NEAREST} more" if len(near) > NEAREST else ""
        told.append(f"nearest now: {', '.join(some)}{more}")
    return told


def _last_wearer(
    readings: Sequence[tuple[str, str]], birds: pd.DataFrame, rings: pd.DataFrame, day: pd.Timestamp
) -> str:
    """Who wore one of these pairs last before `day`, and until when; blank where nobody did."""
    spans = _pair_spans(rings, birds)
    asked = {f"{left} and {right}" for left, right in readings if left and right}
    own = spans[spans["pair"].isin(asked) & (spans["start"] <= day) & (spans["end"] <= day)]
    if own.empty:
        return ""
    last = own.sort_values("end", kind="stable").iloc[-1]
    until = last["end"] - pd.Timedelta(days=1)
    return f"worn last by {_told([str(last['bird'])], birds)}, until {until:%Y-%m-%d}"


def _told(found: Sequence[str], birds: pd.DataFrame) -> str:
    """Birds by number, with their names where they have one."""
    names = dict(zip(birds["bird"], birds["name"], strict=True))
    told = [f"{bird} ({name})" if isinstance(name := names.get(bird), str) else bird for bird in found]
    return ", ".join(sorted(told))


def _worn_by(found: Sequence[str], birds: pd.DataFrame, rings: pd.DataFrame, on: date) -> str:
    """Birds as they are called, with what they wear on the day."""
    legs = worn(rings, pd.Timestamp(on)).fillna("").to_dict("index")
    names = dict(zip(birds["bird"], birds["name"], strict=True))
    told = []
    for bird in sorted(found):
        name, own = names.get(bird), legs.get(bird.casefold(), {})
        told.append(
            str(Called(bird, name if isinstance(name, str) else None, own.get("left"), own.get("right")))
        )
    return "; ".join(told)


def _wearers(legs: pd.DataFrame, here: pd.Series) -> dict[tuple[str, str], list[str]]:
    """Which living birds fit a pair of colours, or one colour with the other leg left open (empty)."""
    fits: dict[tuple[str, str], list[str]] = {}
    legs = legs[legs.index.isin(here.index)].fillna("")
    for bird, left, right in zip(here[legs.index], legs["left"], legs["right"], strict=True):
        for pair in {(left, right), (left, ""), ("", right)}:
            fits.setdefault(pair, []).append(bird)
    return fits


def _why_not(left: str, right: str, wearers: Mapping[tuple[str, str], list[str]], day: pd.Timestamp) -> str:
    """In words why a pair names no bird: several fit, or none; then those that share one colour."""
    if found := wearers.get((left, right)):
        several = f"on {day:%Y-%m-%d} it fits {_some(found)}"
        return f"{several}; give the bird's number, or both colours, or clutch, sex and n for unnamed chicks"
    near = [
        f"{leg} {colour} on {_some(wearers[pair])}"
        for leg, colour, pair in (("left", left, (left, "")), ("right", right, ("", right)))
        if colour and pair in wearers
    ]
    seen = f"; there was {' and '.join(near)}" if near else ""
    return (
        f"no living bird wore it on {day:%Y-%m-%d}{seen}; give the bird's number, or record its rings first"
    )


def _some(birds: list[str], most: int = 8) -> str:
    birds = sorted(birds)
    return ", ".join(birds[:most]) + (f" and {len(birds) - most} more" if len(birds) > most else "")


def shared_pairs(rings: pd.DataFrame, birds: pd.DataFrame) -> pd.DataFrame:
    """Where two living birds wore one pair of colours at once.

    Returns columns `first`, `second` (birds), `pair` (in words), `on` (the first such day), from `rings` and
    `birds` as in :func:`name_birds`. A bird with a ring on one leg only has no pair.
    """
    spans = _pair_spans(rings, birds)
    both = spans.merge(spans, on="pair", suffixes=("", "_other"))
    first = (both["start"] < both["start_other"]) | (
        (both["start"] == both["start_other"]) & (both["bird"] < both["bird_other"])
    )
    clash = both[first & (both["bird"] != both["bird_other"]) & (both["end"] > both["start_other"])]
    return pd.DataFrame(
        {
            "first": clash["bird"],
            "second": clash["bird_other"],
            "pair": clash["pair"],
            "on": clash["start_other"],
        }
    ).reset_index(drop=True)


def _pair_spans(rings: pd.DataFrame, birds: pd.DataFrame) -> pd.DataFrame:
    """From when until before when each bird wore each pair while it lived: bird, pair, start, end."""
    worn_by = {leg: _leg_spans(rings[rings["leg"] == leg]) for leg in LEGS}
    both = worn_by["left"].merge(worn_by["right"], on="key", suffixes=("_left", "_right"))
    known = birds.assign(key=birds["bird"].str.casefold())[["key", "bird", "gone_on"]]
    both = both.merge(known, on="key")
    start = both[["start_left", "start_right"]].max(axis=1)
    end = both[["end_left", "end_right"]].min(axis=1)
    last = both["gone_on"] + pd.Timedelta(days=1)
    pair = both["colour_left"] + " and " + both["colour_right"]
    spans = pd.DataFrame(
        {"bird": both["bird"], "pair": pair, "start": start, "end": np.fmin(end, last.fillna(end))}
    )
    return spans[spans["start"] < spans["end"]]


def _leg_spans(rings: pd.DataFrame) -> pd.DataFrame:
    """From when until before when each ring of one leg was worn: key (folded bird), colour, start, end."""
    rings = rings.assign(key=rings["bird"].str.casefold()).sort_values("fitted_on", kind="stable")
    next_fitted = rings.groupby("key")["fitted_on"].shift(-1)
    end = pd.concat([rings["removed_on"].fillna(NEVER), next_fitted.fillna(NEVER)], axis=1).min(axis=1)
    return pd.DataFrame(
        {
            "key": rings["key"],
            "colour": folded_colour(rings["colour"]),
            "start": rings["fitted_on"],
            "end": end,
        }
    )


def looked_up(keys: pd.Series, answers: pd.Series) -> pd.Series:
    """The (first) answer under each key, under the keys' own index; blank, in the answers' dtype, if none."""
    once = answers[~answers.index.duplicated()]
    return once.reindex(keys.to_numpy()).set_axis(keys.index)


def first_clutch(birds: pd.DataFrame) -> pd.Series:
    """The (first) clutch of each bird, folded for comparing; blank where it has none."""
    return folded(birds["clutch"].str.replace(r";.*", "", regex=True)).replace("", None).astype("str")


def of_clutch(birds: pd.DataFrame, clutches: pd.DataFrame, column: str) -> pd.Series:
    """What `column` of the clutches says for each bird's (first) clutch; blank where there is none."""
    return looked_up(first_clutch(birds).fillna(""), clutches[column].set_axis(folded(clutches["clutch"])))


def hatch_days(birds: pd.DataFrame, clutches: pd.DataFrame) -> pd.DataFrame:
    """When each bird hatched: `hatched`, and the `earliest` and `latest` day that may be meant (datetime64).

    The bird's own date counts before its clutch's. A bare year is taken as 1 April, and may be any of its
    days. NaT where nothing tells it.
    """
    own, clutch = birds["hatched_on"], of_clutch(birds, clutches, "hatched_on")
    bare = own.str.fullmatch(r"\d{4}").fillna(False).astype(bool)
    day = pd.to_datetime(own.where(~bare, own + "-01-01")).astype("datetime64[s]").fillna(clutch)
    days = {"hatched": day, "earliest": day, "latest": day}
    if bare.any():
        days["hatched"] = day.mask(bare, pd.to_datetime(own[bare] + "-04-01").astype("datetime64[s]"))
        days["latest"] = day.mask(bare, pd.to_datetime(own[bare] + "-12-31").astype("datetime64[s]"))
    return pd.DataFrame(days, index=birds.index).astype("datetime64[s]")


def with_sales(birds: pd.DataFrame, sales: pd.DataFrame) -> pd.DataFrame:
    """`birds` with `gone_on` and `gone_why` filled from the last sale of a bird that has no day recorded."""
    last = sales.sort_values("on", kind="stable", ascending=False)
    sold = looked_up(folded(birds["bird"]), last["on"].set_axis(folded(last["bird"])))
    marks = birds["gone_on"].isna() & sold.notna()
    return birds.assign(
        gone_on=birds["gone_on"].fillna(sold).astype("datetime64[s]"),
        gone_why=birds["gone_why"].mask(marks & birds["gone_why"].isna(), "sold"),
    )
