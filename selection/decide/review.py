"""Looking back: what earlier meetings predicted against what the kept birds and their chicks then did."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.hindsight import Meetings, meetings_as_of, merit_since, standings
from selection.decide.review_checks import LITTLE, chances, checks, differentials, learned, with_since
from selection.decide.review_years import by_hatch_year, trend
from selection.merit.ranking import Merit
from selection.records.flock import Flock

SEED = 20


@dataclass(frozen=True)
class Review:
    """Were earlier meetings right?

    birds: everyone who stood at one, with merit then and `later`, and chances then and now; checks:
    evidence, quantity (bias, slope, correlation), value, low, high, n, expected, says; chances: what was
    given and what proved so; differentials: what choosing gained, meeting by meeting; years: merit by hatch
    year, the genetic and the rearing part apart. Intervals are 90 %; where numbers are too few the figures
    are missing and `says` has the words. sentences; cannot.
    """

    birds: pd.DataFrame
    checks: pd.DataFrame
    chances: pd.DataFrame
    differentials: pd.DataFrame
    years: pd.DataFrame
    sentences: tuple[str, ...]
    cannot: tuple[str, ...]


def review(
    meetings: Meetings,
    flock: Flock,
    merit: Merit,
    rank_as_of: Callable[[Flock], Merit] | None = None,
    seed: int = SEED,
    progress: Callable[[str, float], None] | None = None,
) -> Review:
    """Hold kept meetings against today's records.

    `meetings`: by day, their kept tables (`ranking`, `verdicts`), as the ledger hands them back. Where there
    are none, `rank_as_of` ranks the flock as of each earlier season's day instead (None: nothing to look back
    on). `merit`: today's ranking, of the same flock.
    """
    as_it_would = not meetings and rank_as_of is not None
    if as_it_would and rank_as_of is not None:
        meetings = meetings_as_of(flock, rank_as_of, progress=progress)
    stood = standings(flock, meetings)
    told = with_since(stood, merit_since(merit, stood["bird"].tolist(), seed))
    found = checks(flock, merit, told)
    given, gained, years = chances(told), differentials(told), by_hatch_year(flock, merit)
    return Review(
        birds=told,
        checks=found,
        chances=given,
        differentials=gained,
        years=years,
        sentences=_sentences(told, found, given, gained, years, as_it_would),
        cannot=_cannot(stood, told, years),
    )


def _sentences(
    told: pd.DataFrame,
    found: pd.DataFrame,
    given: pd.DataFrame,
    gained: pd.DataFrame,
    years: pd.DataFrame,
    as_it_would: bool,
) -> tuple[str, ...]:
    said = []
    if as_it_would:
        said.append("No meeting was kept: earlier seasons are ranked as of their day, with today's plan.")
    if len(told):
        gone = learned(told)
        meetings = told["on"].nunique()
        said.append(
            f"{len(told)} birds of {meetings} earlier meetings; the records since have taken "
            f"{100 * gone:.0f} % of the doubt about their merit away"
            + (
                "."
                if gone >= LITTLE
                else ", so that later merit is little more than the prediction over again."
            )
        )
    said += [f"{_about(row)}: {row['says']}." for _, row in found.iterrows()]
    enough = given[given["low"].notna()] if learned(told) >= LITTLE else given.head(0)
    said += [f"{row['says'][0].upper()}{row['says'][1:]}." for _, row in enough.iterrows()]
    if 0 < len(enough) < len(given):
        few = ", ".join(f"{row['given']:.2f}" for _, row in given[given["low"].isna()].iterrows())
        said.append(f"Too few birds to say what share proved so of those given about {few}.")
    said += [f"{row['on']:%Y}, {row['group']}: {row['says']}." for _, row in gained.iterrows()]
    gain = trend(years)
    if np.isfinite(gain):
        said.append(f"Home-bred chicks gained {gain:+.2f} points of merit a hatch year.")
    said += [f"{row['hatch_year']}: {row['says']}." for _, row in years.iterrows() if row["says"]]
    return tuple(said)


def _about(row: pd.Series) -> str:
    name = f"{row['evidence']}, {row['quantity']}"
    if not np.isfinite(row["value"]):
        return name
    return f"{name} {row['value']:.2f} ({row['low']:.2f} to {row['high']:.2f}, {row['n']} birds)"


def _cannot(stood: pd.DataFrame, told: pd.DataFrame, years: pd.DataFrame) -> tuple[str, ...]:
    said = []
    if stood.empty:
        said.append("No earlier meeting was kept, so that there is nothing to hold against what came later.")
    elif len(told) < len(stood):
        said.append(
            f"{len(stood) - len(told)} birds that stood at earlier meetings are left out: alone in their group, "
            "or nothing was recorded of them or their chicks."
        )
    if len(told):
        said.append(
            "Later merit rests in part on the same records as the prediction; only looks since are evidence apart. "
            "Birds that left early were not looked at again, whichever way they would have gone."
        )
        if learned(told) < LITTLE:
            said.append("Whether chances came true cannot be told: nearly all of the doubt is still there.")
    if years.empty:
        said.append("Fewer than two hatch years of home-bred birds on record: no merit by hatch year.")
    else:
        said.append("Rearing, season and judges cannot be told apart from one year to another.")
    return tuple(said)
