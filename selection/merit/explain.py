"""Why one bird stands above another: contributions of every record that add up to the difference.

A breeding value is a weighted sum of all records about their expected level, û = Σ k_i (y_i − x_iᵀβ̂): so is the
difference between two birds, and each record's share of it can be named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from selection.merit.candidates import Call, carried
from selection.merit.ranking import Merit
from selection.records.flock import Flock


@dataclass(frozen=True)
class Detail:
    """Joint posterior of some birds, trait by trait.

    - birds (L,), traits (T,): keys; by_eye: names of the S sections judged by eye
    - values: L × T mean breeding values, each in its trait's unit
    - slopes: L × T points of merit for each unit (a banded trait's at each bird's own value)
    - parts: L × T points of merit by trait, about the birds' mean; banded: the same (L,) by measured section
    - merit: L merits on one base
    - functionals: m × L, what picks each bird's merit (a band taken as straight where the bird stands)
    - merit_cov: L × L; cross: L × (L·S) between merit and what a look would see
    - seen_cov: (L·S) × (L·S), of what a look would see of each bird, without the look's own error
    - look_cov: S × S residual of one look
    """

    birds: pd.Index
    traits: tuple[str, ...]
    values: np.ndarray
    slopes: np.ndarray
    parts: np.ndarray
    banded: Mapping[str, np.ndarray]
    merit: np.ndarray
    functionals: np.ndarray
    merit_cov: np.ndarray
    seen_cov: np.ndarray
    cross: np.ndarray
    look_cov: np.ndarray
    by_eye: tuple[str, ...]

    def among(self, birds: pd.Index) -> Detail:
        """The same of some of the birds."""
        at, sections = self.birds.get_indexer(birds), len(self.by_eye)
        looks = (at[:, None] * sections + np.arange(sections)).ravel()
        parts = self.parts[at]
        return replace(
            self,
            birds=birds,
            values=self.values[at],
            slopes=self.slopes[at],
            parts=parts - parts.mean(axis=0),
            banded={name: own[at] - own[at].mean() for name, own in self.banded.items()},
            merit=self.merit[at],
            functionals=self.functionals[:, at],
            merit_cov=self.merit_cov[np.ix_(at, at)],
            seen_cov=self.seen_cov[np.ix_(looks, looks)],
            cross=self.cross[np.ix_(at, looks)],
        )


@dataclass(frozen=True)
class Lines:
    """Merit of some birds as a straight line in their breeding values, each where the bird stands.

    values, slopes, parts (about no base): L × T; banded: points (L,) of each measured section; functionals: m × L,
    what picks each bird's merit.
    """

    values: np.ndarray
    slopes: np.ndarray
    parts: np.ndarray
    banded: dict[str, np.ndarray]
    functionals: np.ndarray


def lines(merit: Merit, birds: pd.Index) -> Lines:
    """The straight lines of living `birds`; `merit.known` must not be None (something was seen)."""
    known, index = merit.known, merit.index
    assert known is not None and index is not None
    count = len(known.model.traits)
    at = known.model.kinship.birds.get_indexer(birds)
    values = known.solution.at("genetic").reshape(-1, count)[at]
    slopes = index.slopes(values)
    functionals = np.zeros((len(known.solution.effects), len(birds)))
    start = known.solution.slices["genetic"].start
    for i, node in enumerate(at):
        functionals[start + node * count : start + (node + 1) * count, i] = slopes[i]
    by_section = {band.section: band(values[:, band.trait]) for band in index.bands}
    return Lines(values, slopes, index.parts(values), by_section, functionals)


def detail(merit: Merit, flock: Flock, birds: pd.Index) -> Detail:
    """What the records say of living `birds`; `merit.known` must not be None (something was seen)."""
    known = merit.known
    assert known is not None
    model = known.model
    straight = lines(merit, birds)
    eye = [model.traits.index(t) for t in model.observations.by_eye]
    picked, extra = carried(known, flock, birds, np.eye(len(model.traits))[:, eye])
    together = known.spread(np.hstack([straight.functionals, picked]))
    cut = len(birds)
    return Detail(
        birds=birds,
        traits=model.traits,
        values=straight.values,
        slopes=straight.slopes,
        parts=straight.parts - straight.parts.mean(axis=0),
        banded={name: own - own.mean() for name, own in straight.banded.items()},
        merit=merit.flock.set_index("bird").loc[birds, "merit"].to_numpy(),
        functionals=straight.functionals,
        merit_cov=together[:cut, :cut],
        seen_cov=together[cut:, cut:] + np.diag(extra),
        cross=together[:cut, cut:],
        look_cov=known.variances.covariance("residual")[np.ix_(eye, eye)],
        by_eye=model.observations.by_eye,
    )


@dataclass(frozen=True)
class Why:
    """Why `first` stands `difference` points above `second` (below, if negative).

    table: one row a kind of record and a trait: whose, trait, records, points; the points add up to the
    difference. Kinds: own records of either, their clutch mates', their parents', other relatives and the
    flock's levels; and what a band takes off a straight line. Empty where nothing was seen at all.
    """

    first: str
    second: str
    difference: float
    table: pd.DataFrame

    def sentence(self, of: Call = str, named: Mapping[str, str] | None = None) -> str:
        """The largest of them in words, each bird as `of` calls it, each trait as `named` (else its name)."""
        if self.table.empty:
            return "nothing was seen yet: the two stand alike"
        ahead = self.difference >= 0
        above, below = (self.first, self.second) if ahead else (self.second, self.first)
        most = self.table["points"].idxmax() if ahead else self.table["points"].idxmin()
        largest = self.table.loc[most]
        return (
            f"{of(above)} stands {abs(self.difference):.1f} points above {of(below)}; most of it, "
            f"{abs(largest['points']):.1f}, comes from {largest['whose']}: "
            f"{(named or {}).get(largest['trait'], largest['trait'])}"
        )


def contributions(merit: Merit, flock: Flock, first: str, second: str) -> Why:
    """Contributions of all records to the difference in merit of two living birds, in points.

    At the mode of the variances. Where nothing was seen at all, the table is empty.
    """
    return contributions_of(merit, flock, [(first, second)])[0]


def contributions_of(merit: Merit, flock: Flock, pairs: Sequence[tuple[str, str]]) -> list[Why]:
    """The contributions for several pairs, worked out together: quicker than one by one."""
    if merit.known is None:
        return [_nothing_seen(*pair) for pair in pairs]
    firsts, seconds = (lines(merit, pd.Index(birds)).functionals for birds in zip(*pairs, strict=True))
    shares = _shares(merit, firsts - seconds)
    rows = _Records(merit, flock)
    merits = dict(zip(merit.flock["bird"], merit.flock["merit"], strict=True))
    bands = merit.index.bands if merit.index is not None else ()
    banded = bands[0].called if len(bands) == 1 else "bands of the measured sections"
    told = []
    for (first, second), own in zip(pairs, shares.T, strict=True):
        difference = float(merits[first] - merits[second])
        table = rows.added_up(own, first, second)
        if bands:
            bent = difference - float(table["points"].sum())
            named = ", ".join(band.section for band in bands)
            table.loc[len(table)] = [f"chicks that would fall outside the {banded}", named, 0, bent]
        table = table.sort_values("points", key=abs, ascending=False, kind="stable", ignore_index=True)
        told.append(Why(first, second, difference, table))
    return told


def _nothing_seen(first: str, second: str) -> Why:
    table = pd.DataFrame(columns=["whose", "trait", "records", "points"])
    return Why(first, second, 0.0, table)


def _shares(merit: Merit, contrasts: np.ndarray) -> np.ndarray:
    """Each record's shares k_i (y_i − x_iᵀβ̂) (n × k) of contrasts (m × k) of breeding values."""
    known = merit.known
    assert known is not None
    model, solution = known.model, known.solution
    spread = solution.factor.solve(contrasts)
    fitted = np.zeros((len(model.y), contrasts.shape[1]))
    for name, place in solution.slices.items():
        fitted += (model.fixed if name == "fixed" else model.designs[name]) @ spread[place]
    return (known.residual_precision @ fitted) * (model.y - model.fixed @ solution.at("fixed"))[:, None]


class _Records:
    """Whose each record is and of which trait, looked up once for many pairs."""

    def __init__(self, merit: Merit, flock: Flock) -> None:
        assert merit.known is not None
        model = merit.known.model
        level = model.levels["permanent"]
        self._birds, self._bird_of = level.labels, level.codes
        self._clutch = dict(zip(flock.birds["bird"], flock.birds["clutch"].str.casefold(), strict=True))
        self._clutches = np.array([self._clutch.get(bird) for bird in level.labels], dtype=object)
        names = model.observations.names
        self._trait_of, found = pd.factorize(model.observations.rows["series"])
        self._traits = np.array([names[key] for key in found], dtype=object)
        self._pedigree = merit.pedigree

    def added_up(self, shares: np.ndarray, first: str, second: str) -> pd.DataFrame:
        """Records' shares (n,) by whose they are and of which trait, in the order in which these first appear."""
        kind_of, kinds = self._whose(first, second)
        key = kind_of[self._bird_of] * len(self._traits) + self._trait_of
        found, at = np.unique(key, return_index=True)
        found = found[np.argsort(at)]
        return pd.DataFrame(
            {
                "whose": kinds[found // len(self._traits)],
                "trait": self._traits[found % len(self._traits)],
                "records": np.bincount(key)[found],
                "points": np.bincount(key, weights=shares)[found],
            }
        )

    def _whose(self, first: str, second: str) -> tuple[np.ndarray, np.ndarray]:
        """Whose the records of each bird are (its place among the kinds), and the kinds as a breeder would say them."""
        kinds = ["the rest of the flock", "their possible parents"]
        kind_of = np.zeros(len(self._birds), dtype=int)
        pair = self._pedigree.positions([second, first])
        parents = [self._pedigree.birds[i] for i in self._pedigree.weights[pair].indices]
        kind_of[self._birds.isin(parents)] = 1
        for bird in (second, first):
            if isinstance(clutch := self._clutch.get(bird), str):
                kind_of[self._clutches == clutch] = len(kinds)
            kinds.append(f"clutch mates of {bird}")
        for bird in (second, first):
            if bird in self._birds:
                kind_of[self._birds.get_loc(bird)] = len(kinds)
            kinds.append(f"own records of {bird}")
        return kind_of, np.array(kinds, dtype=object)
