"""Who may have laid and sired a clutch of the home flock, hen by hen and egg day by egg day.

A hen's eggs of a day were sired by the cocks she stood with in the `cock_days` up to and with it, in whatever pen.
What a day with a cock left her fades by half every `SPERM_HALVES` days, so that the last cock comes foremost, and
eggs count as fertile while enough is left (`FERTILE_HALVES`). Later days with a cock can only add to his share, so
it never rises by his leaving earlier.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Floats
from selection.merit.published import stored_sperm
from selection.merit.relationship.pedigree import Shares
from selection.records.flock import Flock

Dates = npt.NDArray[np.datetime64]
Where = npt.NDArray[np.bool_]

WEEKS_TO_LAY = 18
"""A hen younger than this lays no eggs, and a cock younger sires none (common practice, no source)."""

NEAR = 60
"""Days before and after the eggs of a clutch whose own records tell how a hen laid then (an assumption)."""

HENS_DIFFER = 0.10
"""Standard deviation of laying rate between hens of one pen (method; common practice, no source)."""


@dataclass(frozen=True)
class Laid:
    """How the eggs of one clutch may have come about.

    hens, cocks: ids; days: eggs laid by each hen (hens,), relative to one another; sired: of these, what each cock
    may have sired (hens, cocks): a row may add up to less, where eggs were hardly fertile.
    """

    hens: tuple[str, ...]
    cocks: tuple[str, ...]
    days: Floats
    sired: Floats

    def sires(self, dam: str | None = None) -> Shares:
        """Shares in the cocks: of all eggs, or of those of one known dam (all, where she carried none of them)."""
        if dam in self.hens and (own := self.sired[self.hens.index(dam)]).sum() > 0:
            return _halves(self.cocks, own)
        return _halves(self.cocks, self.sired.sum(axis=0))

    def dams(self, sire: str | None = None) -> Shares:
        """Shares in the hens: of all eggs, or of those of one known sire (all, where none carried him)."""
        if sire in self.cocks and (own := self.sired[:, self.cocks.index(sire)]).sum() > 0:
            return _halves(self.hens, own)
        return _halves(self.hens, self.days)


def _halves(birds: tuple[str, ...], amounts: Floats) -> Shares:
    """Shares that add up to ½, in proportion; empty where all amounts are 0."""
    return {bird: 0.5 * float(w / amounts.sum()) for bird, w in zip(birds, amounts, strict=True) if w > 0}


class Pens:
    """All stays of a flock in its pens, and the hens' own egg records."""

    def __init__(self, flock: Flock) -> None:
        self.egg_days, self.cock_days = flock.plan.egg_days, flock.plan.cock_days
        rows = flock.pens.merge(flock.birds[["bird", "sex", "hatched", "gone_on"]], on="bird")
        rows["until"] = pd.concat([rows["to"], rows["gone_on"] + pd.Timedelta(days=1)], axis=1).min(axis=1)
        rows = rows.assign(pen=rows["pen"].str.casefold()).reset_index(drop=True)
        self._since, self._until, self._hatched = (
            rows[name].to_numpy("datetime64[D]") for name in ("from", "until", "hatched")
        )
        self._birds, self._pens = rows["bird"].to_numpy(object), rows["pen"].to_numpy(object)
        self._sexes = rows["sex"].to_numpy(object)
        self._of_bird, self._of_pen = (rows.groupby(name).indices for name in ("bird", "pen"))
        own = flock.eggs[flock.eggs["bird"].notna()].sort_values("on", kind="stable")
        self._laid_on, self._layers = own["on"].to_numpy("datetime64[D]"), own["bird"].to_numpy(object)
        self._eggs = np.column_stack([own["eggs"], own["days"].fillna(1)]).astype(float)

    def laid(self, pen: object, set_on: pd.Timestamp) -> Laid:
        """The clutch of eggs that were laid in `pen` in the `egg_days` before `set_on`.

        Where no hen is on record there, the cocks have the shares they would have with a hen of that pen.
        """
        name, dates = str(pen).casefold(), self._dates(set_on)
        rows = self._near(self._of_pen.get(name, ()), dates)
        hens, stood = self._by_bird(rows[self._sexes[rows] == "female"], dates)
        here = stood[:, self.cock_days :]
        hens, here = _some(hens, here)
        if not hens:
            cocks, with_cocks = self._by_bird(rows[self._sexes[rows] == "male"], dates)
            return Laid((), cocks, np.zeros(0), self._sired(with_cocks[None]).sum(axis=2))
        cocks, together = self._together(hens, dates)
        rates = self._rates(hens, dates)
        sired = (self._sired(together) * here[:, None, :]).sum(axis=2)
        return Laid(hens, cocks, rates * here.sum(axis=1), rates[:, None] * sired)

    def sires_of(self, dam: str, set_on: pd.Timestamp) -> Shares:
        """Shares in the cocks that may have sired a known dam's eggs of those days, wherever she stood."""
        cocks, together = self._together((dam,), self._dates(set_on))
        return _halves(cocks, self._sired(together)[0].sum(axis=1))

    def _dates(self, set_on: pd.Timestamp) -> Dates:
        """The days that bear on a clutch: `cock_days`, then the `egg_days`."""
        end: np.datetime64 = np.datetime64(set_on, "D")
        return np.arange(end - np.timedelta64(self.egg_days + self.cock_days, "D"), end)

    def _near(self, rows: Sequence[int] | npt.NDArray[np.intp], dates: Dates) -> npt.NDArray[np.intp]:
        """Of these stays, those of grown birds that touch the dates."""
        at = np.asarray(rows, dtype=np.intp)
        grown = ~(self._hatched[at] > dates[self.cock_days] - np.timedelta64(WEEKS_TO_LAY, "W"))
        return at[grown & ~(self._since[at] > dates[-1]) & ~(self._until[at] <= dates[0])]

    def _by_bird(self, rows: npt.NDArray[np.intp], dates: Dates) -> tuple[tuple[str, ...], Where]:
        """The birds of these stays, sorted, and on which dates any of the stays held (birds, dates)."""
        names, which = np.unique(self._birds[rows].astype(str), return_inverse=True)
        stood = np.zeros((len(names), len(dates)), dtype=bool)
        # a day that is not known leaves its end of the stay open
        holds = ~(dates < self._since[rows, None]) & ~(dates >= self._until[rows, None])
        np.logical_or.at(stood, which, holds)
        return tuple(map(str, names)), stood

    def _together(self, hens: tuple[str, ...], dates: Dates) -> tuple[tuple[str, ...], Where]:
        """The cocks that stood in a pen of one of the hens, and when with which (hens, cocks, dates)."""
        stays = self._near(np.concatenate([self._of_bird.get(hen, []) for hen in hens]), dates)
        pens = sorted(set(self._pens[stays]))
        found = [self._near(self._of_pen[pen], dates) for pen in pens]
        males = [rows[self._sexes[rows] == "male"] for rows in found]
        cocks = tuple(sorted({str(bird) for rows in males for bird in self._birds[rows]}))
        together = np.zeros((len(hens), len(cocks), len(dates)), dtype=bool)
        for pen, theirs in zip(pens, males, strict=True):
            here, stood = self._by_bird(stays[self._pens[stays] == pen], dates)
            names, were = self._by_bird(theirs, dates)
            at = np.ix_([hens.index(h) for h in here], [cocks.index(c) for c in names])
            together[at] |= stood[:, None, :] & were[None, :, :]
        return cocks, together

    def _sired(self, together: Where) -> Floats:
        """What part of each hen's egg of each egg day each cock sired (hens, cocks, egg days).

        Adds up to 1 over the cocks while eggs are fertile, and to less where little is left in the hen.
        """
        halves, fertile = stored_sperm()
        egg, day = np.arange(self.egg_days) + self.cock_days, np.arange(together.shape[2])
        ago = egg[:, None] - day[None, :]
        kept = np.where((ago >= 0) & (ago <= self.cock_days), 0.5 ** (np.maximum(ago, 0) / halves), 0.0)
        left = together @ kept.T
        # a hen that always stood with a cock carries 1/(1 − ½^(1/halves)); half her eggs are fertile `fertile` days on
        enough = 2 * 0.5 ** (fertile / halves) / (1 - 0.5 ** (1 / halves))
        return left / np.maximum(left.sum(axis=1, keepdims=True), enough)

    def _rates(self, hens: tuple[str, ...], dates: Dates) -> Floats:
        """Laying rate of each hen (hens,) from her own records near those days, drawn to the mean of all with such.

        A hen without own records has that mean; all have 1 where nobody has any. Drawn as a beta prior of that mean
        with standard deviation `HENS_DIFFER` draws it.
        """
        near = np.timedelta64(NEAR, "D")
        first, after = dates[self.cock_days] - near, dates[-1] + near + np.timedelta64(1, "D")
        then = slice(*np.searchsorted(self._laid_on, [first, after]))
        place = {hen: i for i, hen in enumerate(hens)}
        whose = np.array([place.get(bird, len(hens)) for bird in self._layers[then]], dtype=np.intp)
        eggs, days = (np.bincount(whose, amounts, len(hens) + 1)[:-1] for amounts in self._eggs[then].T)
        if not eggs.sum():
            return np.ones(len(hens))
        mean = float(np.clip(eggs.sum() / days.sum(), 0.02, 0.98))
        weight = max(mean * (1 - mean) / HENS_DIFFER**2, 1.0)
        return (eggs + weight * mean) / (days + weight)


def _some(birds: tuple[str, ...], stood: Where) -> tuple[tuple[str, ...], Where]:
    """Those of the birds that stood there on any of the days."""
    there = np.flatnonzero(stood.any(axis=1))
    return tuple(birds[i] for i in there), stood[there]
