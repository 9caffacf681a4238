"""Looking back: what earlier meetings predicted against what the kept birds and their chicks then did."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from selection.decide.review.checks import chances, checks, differentials, with_since
from selection.decide.review.choosing import choosing
from selection.decide.review.hatch_years import by_hatch_year
from selection.decide.review.hindsight import Meetings, earlier, meetings_as_of, merit_since, standings
from selection.decide.review.intervals import Estimate
from selection.decide.review.words import in_full, in_short, what_cannot
from selection.merit.ranking import Merit
from selection.records.flock import Flock

SEED = 20
AS_IT_WOULD = "No meeting was kept: earlier seasons are ranked as of their own day, with today's plan."


@dataclass(frozen=True)
class Review:
    """Were earlier meetings right?

    birds: everyone who stood at one, with merit then and `later`, and chances then and now; checks:
    evidence, quantity (bias, slope, correlation), value, low, high, n, expected, says; chances: what was
    given and what proved so; differentials: what choosing gained, meeting by meeting; choosing: the same of
    seasons without a meeting, by what is known now; years: merit by hatch year, the genetic and the rearing
    part apart; gain: of merit a hatch year, points. Intervals are 90 %; where numbers are too few the figures
    are missing and `says` has the words. summary: the answer in short; sentences: figure by figure; cannot.
    """

    birds: pd.DataFrame
    checks: pd.DataFrame
    chances: pd.DataFrame
    differentials: pd.DataFrame
    choosing: pd.DataFrame
    years: pd.DataFrame
    gain: Estimate
    summary: tuple[str, ...]
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

    `meetings`: by day, their kept tables (`ranking`, `verdicts`), as the ledger hands them back; the last of
    each earlier season counts. Where there are none, `rank_as_of` ranks the flock as of each earlier season's
    day instead (None: nothing to look back on). `merit`: today's ranking, of the same flock.
    """
    as_it_would = rank_as_of is not None and not earlier(flock, meetings)
    if as_it_would and rank_as_of is not None:
        meetings = meetings_as_of(flock, rank_as_of, progress=progress)
    stood = standings(flock, meetings)
    told = with_since(stood, merit_since(merit, stood["bird"].tolist(), seed))
    found = checks(flock, merit, told)
    given, gained, hatched = chances(told), differentials(told), by_hatch_year(flock, merit)
    return Review(
        birds=told,
        checks=found,
        chances=given,
        differentials=gained,
        choosing=choosing(flock, merit, told=earlier(flock, meetings)),
        years=hatched.table,
        gain=hatched.gain,
        summary=(*((AS_IT_WOULD,) if as_it_would else ()), *in_short(told, found, given, hatched.gain)),
        sentences=in_full(told, found, given, gained, hatched.table),
        cannot=what_cannot(stood, told, hatched.table),
    )
