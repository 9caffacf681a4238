"""Merit in a section measured in mm against truth on simulated holdings, beside sections judged by eye.

Run from the top of the checkout: `python -m tests.benchmarks.simulate_measured 40`.

The invented breed's shanks are measured by two people of different levels; here a section is awarded from them,
with the lower edge of its band just above the birds' mean. Truth is the simulator's own: the points that a bird's
chicks can expect, by the true means, variances and breeding values. Printed, for each section by itself: the
correlation of merit with truth among the candidates of a group, and the share of truths inside the 90 % interval.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pandas as pd

from demo import breed
from demo.holding import Holding, simulate
from selection.answer import REACH
from selection.merit.candidates import candidates
from selection.merit.observations import observe
from selection.merit.posterior import Known, draw, learn
from selection.merit.relationship.parentage import parentage
from selection.merit.season_model import season_model
from selection.merit.selection_index import MENDELIAN_SHARE, index_of
from selection.records.flock import Flock
from selection.records.settings.reading import Section
from selection.standard.bands import SEXED, expected_points
from selection.standard.growth import Growth, fit_growth

BONE = Section(
    "bone",
    "Bone",
    15,
    measured="shank width",
    band={"male": (15.0, 18.0), "female": (12.6, 15.6)},
    none={"male": (12.0, 21.0), "female": (9.6, 18.6)},
)
BY_EYE = ("type", "head", "feather")


def trial(seed: int) -> pd.DataFrame:
    """One holding: section, group, correlation, coverage."""
    holding = simulate(seed, measured=1.0)
    flock = holding.flock()
    flock = replace(flock, standard=replace(flock.standard, sections=(*flock.standard.sections, BONE)))
    growth = fit_growth(flock)
    living = pd.Index(flock.birds.loc[flock.birds["alive"], "bird"])
    known = learn(season_model(observe(flock, growth), parentage(flock), living), flock)
    return pd.concat([_section(holding, flock, growth, known, living, name) for name in (*BY_EYE, BONE.name)])


def _section(
    holding: Holding, flock: Flock, growth: Growth, known: Known, living: pd.Index, name: str
) -> pd.DataFrame:
    worth = {s.name: float(s.name == name) for s in flock.standard.sections}
    only = replace(flock, plan=replace(flock.plan, worth=worth))
    index = index_of(only, known, growth)
    posterior = draw(known, living, index.weights, np.random.default_rng(1))
    merit = pd.DataFrame(index.merit(posterior.draws), columns=living)
    truth, rows = _truth(holding, living, name), []
    field = candidates(flock)
    for group, birds in field[field["bar"].isna()].groupby("group")["bird"]:
        off = merit[birds].sub(merit[birds].mean(axis=1), axis=0)
        true = truth[birds] - truth[birds].mean()
        inside = (true - off.mean()).abs() <= REACH * off.std(ddof=0)
        told = {"section": name, "group": group, "correlation": np.corrcoef(true, off.mean())[0, 1]}
        rows.append(told | {"inside": inside.mean(), "birds": len(birds)})
    return pd.DataFrame(rows)


def _truth(holding: Holding, living: pd.Index, name: str) -> pd.Series:
    """True breeding values of a section by eye; true expected points of the chicks, twice, of the measured one."""
    true = holding.truth["birds"].set_index("bird").loc[living]
    if name != BONE.name:
        return true[name]
    values = true[breed.SHANK.name]
    part = holding.truth["variances"].set_index("trait").loc[breed.SHANK.name]
    sd = np.sqrt(MENDELIAN_SHARE * part["additive"] + part["permanent"] + part["clutch"] + part["brooder"])
    chicks = (values + values.mean()) / 2
    each = [expected_points(BONE, sex, breed.SHANK_MEAN[sex] + chicks, sd, logs=False) for sex in SEXED]
    return pd.Series(np.sum(each, axis=0), living)


def main() -> None:
    """Print correlation and coverage by section."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    rows = pd.concat([trial(seed) for seed in range(count)], ignore_index=True).dropna()
    by = rows.assign(inside=rows["inside"] * rows["birds"]).groupby("section")
    table = by.agg(correlation=("correlation", "mean"), inside=("inside", "sum"), birds=("birds", "sum"))
    print(table.assign(inside=table["inside"] / table["birds"]).round(3).to_string())


if __name__ == "__main__":
    main()
