"""How clutches hang together by blood: the covariance of their genetic means.

A chick's expected breeding value is that of its possible parents, weighted by their shares, so that between
clutches the covariance is Γ = w A wᵀ + ½ q qᵀ in units of the genetic variance: w the clutch's shares in
parents, A their relationship, q its blood by supplier or home (each supplier has, for good, one effect of
variance ½). Two clutches of one pen in one spring share all of it; a supplier's and a home pen's share nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.merit.relationship.parentage import Parentage
from selection.records.flock import Flock


UNKNOWN_BROODER = "a brooder not written down"
BASE = 0.5
"""Variance of a supplier's own effect, a share of the genetic variance (method)."""


@dataclass(frozen=True)
class Families:
    """Clutches with chicks on record.

    `about`: one row a clutch, by its folded label: clutch (as written), origin, source, brooder, brooder_key (with
    its year), setting (the same for eggs of one pen set on one day), year, hatched_on. `root` (clutches, r): Γ =
    root rootᵀ. `alike`: relationship of clutch mates, on the mean of the clutches, beside what their supplier gives
    them all.
    """

    about: pd.DataFrame
    root: Floats
    alike: float

    @property
    def labels(self) -> pd.Index:
        """Folded labels, in the order of `root`."""
        return self.about.index

    @cached_property
    def settings(self) -> npt.NDArray[np.int_]:
        """Each clutch's `setting` as a number."""
        return pd.factorize(self.about["setting"])[0]

    @cached_property
    def brooders(self) -> npt.NDArray[np.int_]:
        """Each clutch's `brooder_key` as a number."""
        return pd.factorize(self.about["brooder_key"])[0]

    def members(self, entries: pd.Series) -> Floats:
        """Shares (rows, clutches) of entries such as `26-h1`, or `26-h1;26-h2` where never told apart."""
        codes, uniques = pd.factorize(entries)
        shares = np.zeros((len(uniques) + 1, len(self.labels)))  # the last row: entries that are missing
        for i, entry in enumerate(uniques):
            for label, share in clutch_shares(entry).items():
                if label in self.labels:
                    shares[i, self.labels.get_loc(label)] = share
        return shares[codes]

    def of_season(self, season: int) -> list[str]:
        """Folded labels of the clutches hatched in `season`, in the order of their labels."""
        here = self.about.index[self.about["year"] == season]
        return sorted(
            here, key=lambda label: [int(s) if s.isdigit() else s for s in re.split(r"(\d+)", label)]
        )


def clutch_shares(entry: object) -> Mapping[str, float]:
    """Equal shares in the clutches of an entry; empty for a bird without one."""
    labels = [part.strip().casefold() for part in str(entry).split(";") if part.strip()]
    return {label: 1 / len(labels) for label in labels} if isinstance(entry, str) else {}


def families(flock: Flock, parentage: Parentage) -> Families:
    """Every clutch that has a bird or a group of unnamed chicks on record, with its blood."""
    about = _about(flock)
    chicks = pd.concat(
        [
            flock.birds[["bird", "clutch"]],
            parentage.chicks[["id", "clutch"]].rename(columns={"id": "bird"}),
        ]
    ).dropna()
    chicks["clutch"] = chicks["clutch"].str.strip().str.casefold()
    chicks = chicks[chicks["clutch"].isin(about.index)]
    about = about[about.index.isin(chicks["clutch"])]
    kin, base = _between(chicks, about.index, parentage)
    alike = float(np.diag(kin).mean()) if len(kin) else 0.0
    return Families(about, _root(kin + BASE * base), alike)


def _about(flock: Flock) -> pd.DataFrame:
    """What the clutches form says, by folded label."""
    form = flock.clutches.assign(key=flock.clutches["clutch"].str.strip().str.casefold())
    form = form.sort_values(["set_on", "clutch"]).set_index("key")
    form["year"] = form["hatched_on"].fillna(form["set_on"] + pd.Timedelta(days=21)).dt.year
    pen = form["source"].where(form["origin"] == "bought-in", form["pen"])
    form["setting"] = pen.fillna(form["clutch"]).str.casefold() + form["set_on"].dt.strftime(", %Y-%m-%d")
    form["brooder_key"] = form["brooder"].fillna(UNKNOWN_BROODER) + " " + form["year"].astype(str)
    return form[
        [
            "clutch",
            "origin",
            "source",
            "brooder",
            "brooder_key",
            "setting",
            "year",
            "hatched_on",
        ]
    ]


def _between(chicks: pd.DataFrame, labels: pd.Index, parentage: Parentage) -> tuple[Floats, Floats]:
    """w A wᵀ and q qᵀ between clutches, from the mean shares of each clutch's chicks."""
    pedigree = parentage.pedigree
    at = pedigree.positions(chicks["bird"])
    codes = labels.get_indexer(chicks["clutch"])
    mean = np.zeros((len(labels), len(at)))
    mean[codes, np.arange(len(at))] = 1 / np.bincount(codes, minlength=len(labels))[codes]
    parents = mean @ pedigree.weights[at]
    bases = mean @ parentage.bases[at]
    return parents @ pedigree.times(parents.T), bases @ bases.T


def _root(covariance: Floats) -> Floats:
    """A root of a covariance that may be singular: clutches of one pen in one spring are alike."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    real = values > 1e-10 * max(values.max(initial=0.0), 1.0)
    return vectors[:, real] * np.sqrt(values[real])
