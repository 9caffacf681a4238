"""Looking back: what earlier meetings predicted against what the kept birds and their chicks then did."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.answer import SEED, Answer, Kind, Note, facts, notes
from selection.decide.review.checks import (
    ENOUGH,
    LATER_MERIT,
    by_hatch_year,
    chances_kept,
    check_table,
    checks,
    differentials,
    gather_evidence,
    learned,
    with_since,
)
from selection.decide.review.evidence import Estimate
from selection.decide.review.hindsight import (
    Meetings,
    choosing,
    earlier,
    meetings_as_of,
    merit_since,
    standings,
    what_came,
)
from selection.merit.ranking import Merit
from selection.records.flock import Flock

MIDDLING = (0.4, 0.8)
"""Chances of which it is told in short what proved so: those that a coin would not settle."""


def in_short(told: pd.DataFrame, found: pd.DataFrame, given: pd.DataFrame, gain: Estimate) -> tuple[str, ...]:
    """What a reader in a hurry should know: whether predictions held, whether chances did, what was gained."""
    if told.empty:
        said = [
            "No earlier meeting is kept with this flock, so whether predictions came true cannot be said yet. This "
            "meeting is kept: the next one will be held against it."
        ]
    else:
        said = [_birds(told), *_predictions(found), *_chances(told, given)]
    if not gain.why:
        clear = "" if gain.low > 0 or gain.high < 0 else ", which may be none at all"
        said.append(
            f"Home-bred chicks gained {gain.value:+.2f} points of merit a hatch year ({gain.low:+.2f} to "
            f"{gain.high:+.2f}, over {gain.n} hatch years){clear}."
        )
    return tuple(said)


def _birds(told: pd.DataFrame) -> str:
    gone, held = learned(told), told["on"].nunique()
    meetings = f"{held} earlier meeting{'' if held == 1 else 's'}"
    doubt = f"the records since have taken {100 * gone:.0f} % of the doubt about their merit away"
    little = "" if gone >= ENOUGH else ", so that what is known now is mostly what was known then"
    return f"{told['bird'].nunique()} birds of {meetings}; {doubt}{little}."


def _predictions(found: pd.DataFrame) -> list[str]:
    """Bias of the kept and the slopes of evidence apart from the prediction, or why there are none."""
    wanted = found[(found["quantity"] == "bias") | (found["quantity"] == "slope")]
    wanted = wanted[(wanted["evidence"] != LATER_MERIT) | (wanted["quantity"] == "bias")]
    return [f"{_about(row)}: {row['says']}." for _, row in wanted.iterrows()]


def _chances(told: pd.DataFrame, given: pd.DataFrame) -> list[str]:
    if learned(told) < ENOUGH:
        return ["Whether chances came true cannot be told yet: most of the doubt is still there."]
    middling = given[given["low"].notna() & given["given"].between(*MIDDLING)]
    if middling.empty:
        return ["Too few birds were given a middling chance to say what share of them proved so."]
    return [f"{row['says'][0].upper()}{row['says'][1:]}." for _, row in middling.iterrows()]


def in_full(
    told: pd.DataFrame, found: pd.DataFrame, given: pd.DataFrame, gained: pd.DataFrame, years: pd.DataFrame
) -> tuple[str, ...]:
    """Every figure that can be given, in a sentence; where birds are too few, that."""
    said = [f"{_about(row)}: {row['says']}." for _, row in found.iterrows()] if len(told) else []
    enough = given[given["low"].notna()] if learned(told) >= ENOUGH else given.head(0)
    said += [f"{row['says'][0].upper()}{row['says'][1:]}." for _, row in enough.iterrows()]
    if 0 < len(enough) < len(given):
        few = ", ".join(f"{row['given']:.2f}" for _, row in given[given["low"].isna()].iterrows())
        said.append(f"Too few birds to say what share proved so of those given about {few}.")
    said += [f"{row['on']:%Y}, {row['group']}: {row['says']}." for _, row in gained.iterrows()]
    said += [f"{row['hatch_year']}: {row['says']}." for _, row in years.iterrows() if row["says"]]
    return tuple(said)


def _about(row: pd.Series) -> str:
    """A figure with its interval and what it rests on."""
    name = f"{row['quantity']} against {row['evidence']}".capitalize()
    if not np.isfinite(row["value"]):
        return name
    return f"{name} {row['value']:.2f} ({row['low']:.2f} to {row['high']:.2f}, {row['n']} birds)"


def what_cannot(stood: pd.DataFrame, told: pd.DataFrame, years: pd.DataFrame) -> tuple[str, ...]:
    """What the records cannot tell of earlier meetings, and why."""
    said = []
    if len(told) < len(stood):
        said.append(
            f"{len(stood) - len(told)} birds that stood at earlier meetings are left out: alone in their group, "
            "or nothing was recorded of them or their chicks."
        )
    if len(told):
        said.append(
            "Later merit rests in part on the same records as the prediction; only looks since are evidence apart. "
            "Birds that left early were not looked at again, whichever way they would have gone."
        )
    if years.empty:
        said.append("Fewer than two hatch years of home-bred birds on record: no merit by hatch year.")
    else:
        said.append("Rearing, season and judges cannot be told apart from one year to another.")
    return tuple(said)


AS_IT_WOULD = "No meeting was kept: earlier seasons are ranked as of their own day, with today's plan."


@dataclass(frozen=True, repr=False)
class Review(Answer):
    """Were earlier meetings right?

    birds: everyone who stood at one, with merit then and `later`, and chances then and now; table: review.csv, a row
    a meeting, check and group; checks, over all meetings:
    evidence, quantity (bias, slope, correlation), value, low, high, n, expected, says; chances: what was
    given and what proved so; differentials: what choosing gained, meeting by meeting; choosing: the same of
    seasons without a meeting, by what is known now; came: bird by bird, what became of the last
    season's choice; years: merit by hatch year, the genetic and the rearing
    part apart; gain: of merit a hatch year, points. Intervals are 90 %; where numbers are too few the figures
    are missing and `says` has the words.
    Notes of the kind `SHORT` are the answer in short, the others go figure by figure.
    """

    TITLE = "Were earlier meetings right?"
    CSV = "review"
    TABLES = ("table", "checks", "birds", "chances", "differentials", "choosing", "came", "years")

    birds: pd.DataFrame
    table: pd.DataFrame
    checks: pd.DataFrame
    chances: pd.DataFrame
    differentials: pd.DataFrame
    choosing: pd.DataFrame
    came: pd.DataFrame
    years: pd.DataFrame
    gain: Estimate
    notes: tuple[Note, ...]


def review(
    meetings: Meetings,
    flock: Flock,
    merit: Merit,
    rank_as_of: Callable[[Flock], Merit] | None = None,
    seed: int = SEED,
    progress: Callable[[str, float], None] | None = None,
) -> Review:
    """Hold kept meetings against today's records, to see whether they were right.

    Parameters
    ----------
    meetings : mapping of date to mapping of str to DataFrame
        By day a meeting's kept tables (`ranking`, `verdicts`), as the ledger hands them back; the last of each
        earlier season counts.
    flock, merit : Flock and Merit
        Today's flock and its ranking.
    rank_as_of : callable, optional
        Where no meeting is kept: ranks the flock as of each earlier season's day (None: nothing to look back on).
    seed : int
        Of the draws of chances.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    Review
        `birds`: one row a bird that stood at a meeting; `checks`: bias, slope and correlation by evidence; `chances`:
        what was given and what proved so; `differentials`, `choosing`, `years`: what choosing gained.

    Examples
    --------
    >>> from selection import review
    >>> looked_back = review({}, flock, merit)
    >>> looked_back.birds.empty
    True
    """
    kept = meetings
    as_it_would = rank_as_of is not None and not earlier(flock, meetings)
    if as_it_would and rank_as_of is not None:
        meetings = meetings_as_of(flock, rank_as_of, progress=progress)
    stood = standings(flock, meetings)
    since = with_since(stood, merit_since(merit, stood["bird"].tolist(), seed))
    evidence = gather_evidence(flock, merit, since)
    found = checks(evidence, since)
    given, gained, hatched = chances_kept(since), differentials(since), by_hatch_year(flock, merit)
    return Review(
        birds=since,
        table=check_table(evidence, since),
        checks=found,
        chances=given,
        differentials=gained,
        choosing=choosing(flock, merit, told=earlier(flock, meetings)),
        came=what_came(flock, kept, merit),
        years=hatched.table,
        gain=hatched.gain,
        notes=(
            *notes(Kind.SHORT, [AS_IT_WOULD] if as_it_would else []),
            *notes(Kind.SHORT, in_short(since, found, given, hatched.gain)),
            *facts(
                in_full(since, found, given, gained, hatched.table), what_cannot(stood, since, hatched.table)
            ),
        ),
    )
