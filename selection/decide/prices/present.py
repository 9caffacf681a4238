"""Who was on the holding in a season, from when to when: the birds among whom its bills are shared.

Chicks that carry only a clutch ring and have no row of their own count too, as many as a look or a weighing
has spoken for, and never more than hatched.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.decide.wording import each
from selection.records.flock import Flock

LOST = ("died", "lost")
"""Ways of going that leave a bird's cost to the others; one killed went to the table with its own."""
BROODED_DAYS = 42
"""Chicks need heat for about six weeks (common practice, no source)."""
UNNAMED = "{clutch}, unnamed {number}"
"""Key of a chick without a number of its own."""

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class BirdsHere:
    """The birds of a season, n of them; every array is in their order.

    `birds`: bird (its key), known (it has a number), clutch, sex, days (on the holding that season),
    from_day, to_day (ages in days at the first and the last of them; missing where it is not known when it
    hatched). `young`: hatched this season; `lost`: died or lost in it; `bought_in`: from bought-in eggs;
    `ringed`: had a ring put on in it; `brooded_days`: days under heat. `clutches`: see :func:`clutch_shares`.
    """

    birds: pd.DataFrame
    young: Flags
    lost: Flags
    bought_in: Flags
    ringed: Flags
    brooded_days: npt.NDArray[np.float64]
    clutches: pd.DataFrame

    @property
    def hatched_here(self) -> Flags:
        """Came out of a clutch on record."""
        return np.isin(np.arange(len(self.birds)), self.clutches["row"])

    @property
    def reared(self) -> Flags:
        """Hatched this season, and not lost in it."""
        return self.young & ~self.lost

    def share_in(self, clutch: str) -> npt.NDArray[np.float64]:
        """Each bird's share in `clutch`: 1, ½ in a mixed brood of two, or 0."""
        of_it = self.clutches[self.clutches["clutch"] == clutch]
        shares = np.zeros(len(self.birds))
        shares[of_it["row"]] = of_it["share"]
        return shares


def birds_here(flock: Flock, season: int) -> BirdsHere:
    """Everyone on the holding for at least a day of calendar year `season`, up to the plan's day."""
    first = pd.Timestamp(season, 1, 1)
    last = min(pd.Timestamp(season, 12, 31), pd.Timestamp(flock.plan.on))
    every = pd.concat([flock.birds.assign(known=True), unnamed_chicks(flock, season)], ignore_index=True)
    came = every[["hatched", "came_on"]].max(axis=1)
    came = came.where(came > first, first)
    went = every["gone_on"].where(every["gone_on"] < last, last)
    days = (went - came).dt.days + 1
    here = every[days > 0].reset_index(drop=True)
    came, days = (s[days > 0].reset_index(drop=True) for s in (came, days))
    born = (came - here["hatched"]).dt.days
    young = (here["hatch_year"] == season).to_numpy()
    ringed = flock.rings["bird"][flock.rings["fitted_on"].between(first, last)]
    birds = here[["bird", "known", "clutch", "sex"]].assign(days=days, from_day=born, to_day=born + days - 1)
    return BirdsHere(
        birds=birds,
        young=young,
        lost=(here["gone_why"].isin(LOST) & (here["gone_on"] <= last)).to_numpy(),
        bought_in=(here["origin_of"] == "bought-in").to_numpy(),
        ringed=here["bird"].isin(ringed).to_numpy(),
        brooded_days=np.where(young, np.minimum(days, BROODED_DAYS), 0.0),
        clutches=clutch_shares(here["clutch"]),
    )


def clutch_shares(entries: pd.Series) -> pd.DataFrame:
    """Which clutches each entry of the birds form names: row (its position), clutch, share (equal ones)."""
    labels = entries.reset_index(drop=True).dropna().str.split(";").explode().str.strip()
    labels = labels[labels != ""]
    share = 1.0 / labels.groupby(level=0).transform("size")
    return pd.DataFrame({"row": labels.index, "clutch": labels.array, "share": share.to_numpy(dtype=float)})


def unnamed_chicks(flock: Flock, season: int) -> pd.DataFrame:
    """Chicks of `season` that looks or weighings speak for and that have no row of their own.

    One row a chick with the columns of a flock's birds and `known` False. As many of a clutch and sex as the
    fullest single look or weighing spoke for; never more than hatched and are not named.
    """
    seen = _spoken_for(flock, season)
    named = clutch_shares(flock.birds["clutch"]).groupby("clutch")["share"].sum()
    rows: list[dict[str, object]] = []
    for clutch in each(flock.clutches[flock.clutches["clutch"].isin(seen["clutch"])]):
        of_clutch = seen[seen["clutch"] == clutch.clutch]
        hatched = 0.0 if np.isnan(clutch.hatched) else clutch.hatched
        spare = max(int(hatched - named.get(clutch.clutch, 0.0)), 0)
        sexes = np.repeat(of_clutch["sex"].to_numpy(), of_clutch["n"].to_numpy(dtype=int))[:spare]
        rows += [_chick(clutch, str(sex), i) for i, sex in enumerate(sexes, start=1)]
    columns = [*flock.birds.columns, "known"]
    return pd.DataFrame(rows, columns=columns).astype({**flock.birds.dtypes, "known": bool})


def _spoken_for(flock: Flock, season: int) -> pd.DataFrame:
    """Most unnamed chicks that one judge or one weighing saw on one day: clutch, sex, n."""
    forms = [
        _unnamed(form, season).assign(form=i)
        for i, form in enumerate((flock.scores, flock.weights, flock.measures))
    ]
    rows = pd.concat(forms, ignore_index=True).reindex(
        columns=["clutch", "sex", "form", "on", "judge", "trait", "n"]
    )
    rows = rows.fillna({"sex": "unknown", "judge": "", "trait": "", "n": 1})
    once = rows.groupby(["clutch", "sex", "form", "on", "judge", "trait"])["n"].sum()
    return once.groupby(["clutch", "sex"]).max().reset_index()


def _unnamed(rows: pd.DataFrame, season: int) -> pd.DataFrame:
    """The rows of a form that speak for unnamed chicks of a clutch in `season`."""
    return rows[rows["bird"].isna() & rows["clutch"].notna() & (rows["on"].dt.year == season)]


def _chick(clutch: Any, sex: str, number: int) -> dict[str, object]:
    return {
        "bird": UNNAMED.format(clutch=clutch.clutch, number=number),
        "sex": sex,
        "clutch": clutch.clutch,
        "hatched": clutch.hatched_on,
        "hatch_year": clutch.hatched_on.year,
        "origin_of": clutch.origin,
        "source_of": clutch.source,
        "alive": True,
        "known": False,
    }
