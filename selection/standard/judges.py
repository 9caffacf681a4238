"""Every section's looks put on one level, and the judges in tables: their levels, and how far they agree."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.records.settings.reading import Standard
from selection.standard.agreement import Levels, fit_levels
from selection.standard.looks import CARD, cell_of, judge_day_of, judge_season_of

USUAL_REPEATABILITY = 0.5
"""To go by where no bird was looked at twice and the standard states none: no published value was found."""


@dataclass(frozen=True)
class Judged:
    """`adjusted`: looks with levels taken off; `levels` by section; `judges` and `agreement` as tables."""

    adjusted: pd.DataFrame
    levels: Mapping[str, Levels]
    judges: pd.DataFrame
    agreement: pd.DataFrame


def judge(looks: pd.DataFrame, standard: Standard) -> Judged:
    """Judges' levels in every section and on old cards, from the looks at named birds.

    Looks at unnamed chicks keep their points: what such a row shares with another look is not known.
    """
    adjusted, levels, judges, agreement = looks.copy(), {}, [], []
    usual = {s.name: s.repeatability or USUAL_REPEATABILITY for s in standard.by_eye}
    named = looks[looks["bird"].notna()]
    named = named.assign(
        cell=cell_of(named), judge_season=judge_season_of(named), judge_day=judge_day_of(named)
    )
    for name in (*usual, CARD):
        own = named[named[name].notna()]
        found = _fit(own, name, usual.get(name, USUAL_REPEATABILITY))
        adjusted.loc[own.index, name] = own[name] - found.level
        levels[name] = found
        if name != CARD or len(own):
            judges.append(_judges_of(own, name, found))
            agreement.append(_agreement_of(own, name, found))
    return Judged(adjusted, levels, pd.concat(judges, ignore_index=True), pd.DataFrame(agreement))


def _fit(own: pd.DataFrame, name: str, usual: float) -> Levels:
    labels = [own[column].to_numpy(dtype=str) for column in ("bird", "cell", "judge_season", "judge_day")]
    return fit_levels(own[name], labels[0], labels[1], labels[2], labels[3], usual)


def _judges_of(own: pd.DataFrame, name: str, levels: Levels) -> pd.DataFrame:
    """One row a judge×season: its looks, the level and its standard error, whether tied to the others."""
    # fit_levels orders the judges by their sorted labels
    _, first, looks = np.unique(
        own["judge_season"].to_numpy(dtype=str), return_index=True, return_counts=True
    )
    table = own[["season", "judge"]].iloc[first].reset_index(drop=True)
    table = table.assign(
        section=name, looks=looks, level=levels.judge, level_se=levels.judge_se, tied_set=levels.tied
    )
    sets = table.groupby("season")["tied_set"].transform("nunique")
    return table.assign(tied=np.where(sets > 1, "no", "yes"))


def _agreement_of(own: pd.DataFrame, name: str, levels: Levels) -> dict[str, object]:
    """Repeatability and agreement with their intervals; missing where `why` says that they cannot be told."""
    nothing = (np.nan, np.nan, np.nan)
    repeatability, low, high = levels.repeatability or nothing
    agreement, agreement_low, agreement_high = levels.agreement or nothing
    return {
        "section": name,
        "looks": len(own),
        "birds": own["bird"].nunique(),
        "repeatability": repeatability,
        "low": low,
        "high": high,
        "agreement": agreement,
        "agreement_low": agreement_low,
        "agreement_high": agreement_high,
        "why": levels.why,
    }
