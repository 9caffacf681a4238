"""Where the flock is heading under each way of choosing: ten years ahead by gene-drop on the real pedigree.

Founder alleles are dropped through the real pedigree to the birds that stay, and on through the chicks of
years to come, whose breeders are chosen with the accuracy the records give; bought-in cockerels bring their
suppliers' blood and level. Formulas for closed flocks (N_e, ΔF, response a year) are shown for closed
policies alone: with a bought-in cock each year they frighten wrongly, and gain tends to the suppliers'
level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from selection.answer import SEED, Answer, Kind, Note, Progress, notes
from selection.decide.matings.depression import depression
from selection.decide.matings.matings import first_of, stay
from selection.decide.verdicts.verdicts import Verdicts
from selection.decide.years.breeding import PLACES, Genetics
from selection.decide.years.policies import Policy, Season, season_of, usual_policies
from selection.decide.years.prospects import Course, Prospects, follow, genetics_of, prospects, start
from selection.decide.years.summary import (
    about_ceiling,
    about_policies,
    advice,
    beside_merit,
    ceiling_table,
    closed_table,
    how_near,
    summary_table,
    what_was_assumed,
    year_table,
)
from selection.merit.ranking import Merit
from selection.merit.relationship.worst_case import ancestry
from selection.records.flock import Flock

MEMORY = 64_000_000
"""Bytes of alleles that one block of runs may take."""
MOST_RUNS = 250
"""Runs in one block at the most."""


@dataclass(frozen=True, repr=False)
class Years(Answer):
    """The years ahead under each policy.

    table: one row a policy, year and quantity (`merit` of the year's chicks in points about today's living
    birds, `inbreeding` their mean F, `blood of …` shares): mean, low, high over the runs (90 %).
    by_policy: one row a policy: merit and F at the end (of its last cycle of cocks) with their intervals and the
    Monte Carlo error of their means, merit less the published depression, gain a year, generation (years),
    rate (ΔF a generation), effective_size (missing where F does not rise), home_blood, says.
    closed: formulas of closed flocks beside what the runs did, for closed policies alone.
    ceiling: the policies that buy a cock every year: merit by year, what theory expects, the suppliers' level
    and the limit it tends to. policies, season, runs: what was run; bases: where blood
    may be from, the home founders first. Notes of the kind `ADVICE` say what to mind in
    choosing a policy, and how near the runs come; `POLICY` every policy in words; `ASSUMED` what was assumed.
    """

    TITLE = "The years ahead under each policy"
    CSV = "years"
    TABLES = ("table", "by_policy", "closed", "ceiling")

    table: pd.DataFrame
    by_policy: pd.DataFrame
    closed: pd.DataFrame
    ceiling: pd.DataFrame
    policies: tuple[Policy, ...]
    season: Season
    runs: int
    notes: tuple[Note, ...]
    bases: tuple[str, ...] = ()

    @property
    def advice(self) -> tuple[str, ...]:
        """What to mind in choosing a policy, and how near the runs come."""
        return self.texts(Kind.ADVICE)


def years_ahead(
    flock: Flock,
    merit: Merit,
    verdicts: Verdicts,
    policies: Sequence[Policy] | None = None,
    years: int = 10,
    runs: int = 1_000,
    seed: int = SEED,
    progress: Progress | None = None,
) -> Years:
    """Follow each policy of choosing for some years, many times, from the birds that stay after this meeting.

    Time grows in proportion to `runs` and memory does not. Where no cock or hen stays, or a policy would buy from
    nobody, that is said and left out.

    Parameters
    ----------
    flock, merit, verdicts : Flock, Merit and Verdicts
        The flock, its ranking and its verdicts.
    policies : sequence of Policy, optional
        What is followed (None: the five usual ones at this plan's numbers).
    years, runs : int
        How far, and how often.
    seed : int
        The same seed gives the same answer.
    progress : callable, optional
        Called with the step's name and the share done, 0 to 1.

    Returns
    -------
    Years
        `table`: one row a policy, year and quantity: mean, low, high; `by_policy`: one row a policy, with merit and
        inbreeding at the end; `closed` and `ceiling`: formulas beside the runs.

    Notes
    -----
    Gene drop on the real pedigree (MacCluer and others 1986, Zoo Biology 5:147, from memory).

    Examples
    --------
    >>> from selection import years_ahead
    >>> ahead = years_ahead(flock, merit, verdicts, years=2, runs=10)
    >>> sorted(ahead.table["year"].unique().tolist())
    [1, 2]
    """
    season = season_of(flock)
    staying = stay(flock, verdicts)
    kept = staying[staying["role"] != "reserve"]
    hens = kept.loc[kept["sex"] == "female", "bird"].tolist()
    cocks = first_of(kept[kept["sex"] == "male"])
    if not (cocks and hens):
        return _nothing(season, cocks, hens)
    buys = bool(season.sources)
    chosen = tuple(policies or _usual(flock, len(hens), buys))
    possible = tuple(p for p in chosen if buys or p.closed)
    genetics = genetics_of(merit)
    of = prospects(flock, merit, cocks, hens, season)
    courses = _follow_all(flock, merit, of, possible, season, genetics, years, runs, seed, progress)
    cost = depression(flock, merit)
    summary = summary_table(possible, courses, cost.points, genetics is not None)
    kin = _relationship_of_chicks(flock, merit)
    closed = closed_table(possible, courses, season, genetics, kin)
    level = float(of.levels.mean().mean()) if buys else np.nan
    ceiling = ceiling_table(possible, courses, level) if genetics is not None else pd.DataFrame()
    return Years(
        table=year_table(possible, courses, of.names, genetics is not None),
        by_policy=summary,
        closed=closed,
        ceiling=ceiling,
        policies=possible,
        season=season,
        runs=runs,
        notes=(
            *notes(Kind.ADVICE, about_ceiling(ceiling)),
            *notes(Kind.ADVICE, beside_merit(summary)),
            *notes(Kind.ADVICE, (*advice(summary), *how_near(summary, runs))),
            *about_policies(summary, closed, years),
            *notes(Kind.ASSUMED, what_was_assumed(flock, season)),
            *notes(Kind.CANNOT, (*_cannot(chosen, possible, genetics), *cost.cannot)),
        ),
        bases=of.names,
    )


def _usual(flock: Flock, hens: int, buys: bool) -> tuple[Policy, ...]:
    """The usual policies at this plan's numbers; where it keeps no pullets, half of the hens new each year."""
    keep = flock.plan.keep
    pullets = (keep["pullets"].number if "pullets" in keep else 0) or max(1, round(hens / 2))
    return usual_policies(min(pullets, hens), hens, buys)


def _follow_all(
    flock: Flock,
    merit: Merit,
    of: Prospects,
    policies: Sequence[Policy],
    season: Season,
    genetics: Genetics | None,
    years: int,
    runs: int,
    seed: int,
    progress: Progress | None,
) -> list[Course]:
    """Every policy's course, block by block; each block starts all policies from the same runs."""
    # with nothing to choose by, inbreeding and blood are still worth knowing
    genetics = genetics or Genetics(1.0, np.inf)
    parts: list[list[Course]] = [[] for _ in policies]
    blocks = _blocks(merit, of, runs)
    order = np.random.default_rng(seed).permutation(len(merit.living))
    for b, (block, stream) in enumerate(
        zip(blocks, np.random.SeedSequence(seed).spawn(len(blocks)), strict=True)
    ):
        first, *streams = stream.spawn(len(policies) + 1)
        draws = order[block % len(order)]
        begin = start(of, flock, merit, season, genetics, draws, np.random.default_rng(first))
        for i, policy in enumerate(policies):
            rng = np.random.default_rng(streams[i])
            parts[i].append(follow(policy, begin, season, genetics, years, rng))
            if progress:
                progress("years ahead", (b + (i + 1) / len(policies)) / len(blocks))
    return [_joined(of_policy) for of_policy in parts]


def _blocks(merit: Merit, of: Prospects, runs: int) -> list[np.ndarray]:
    """Numbers of the runs in blocks, each of bounded memory."""
    birds = [*of.cocks, *of.hens, *(b for pen in of.pens.values() for side in pen for b in side)]
    bytes_a_run = len(ancestry(merit.pedigree, birds)) * 2 * PLACES * 4
    size = int(np.clip(MEMORY // bytes_a_run, 1, MOST_RUNS))
    return np.split(np.arange(runs), range(size, runs, size))


def _joined(parts: Sequence[Course]) -> Course:
    return Course(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Course)))


def _relationship_of_chicks(flock: Flock, merit: Merit) -> float:
    """Mean relationship between two home-bred chicks of the season; a quarter where there are not two."""
    birds = flock.birds
    young = birds[(birds["hatch_year"] == flock.plan.season) & (birds["origin_of"] == "home-bred")]["bird"]
    if len(young) < 2:
        return 0.25
    A = merit.pedigree.relationship(list(young))
    return float((A.sum() - np.trace(A)) / (len(young) * (len(young) - 1)))


def _nothing(season: Season, cocks: Sequence[str], hens: Sequence[str]) -> Years:
    missing = [kind for kind, birds in (("cock", cocks), ("hen", hens)) if not birds]
    cannot = tuple(
        f"No {kind} stays after this meeting, so that there are no years to follow." for kind in missing
    )
    empty = pd.DataFrame()
    return Years(empty, empty, empty, empty, (), season, 0, notes(Kind.CANNOT, cannot))


def _cannot(
    chosen: Sequence[Policy], possible: Sequence[Policy], genetics: Genetics | None
) -> tuple[str, ...]:
    said = [
        f"{p.name}: the holding has bought from no supplier by name in its last seasons, so that what a "
        "bought-in cock would bring is not known."
        for p in chosen
        if p not in possible
    ]
    if genetics is None:
        said.append(
            "Nothing has been scored or weighed, so that only inbreeding and blood are followed, not merit."
        )
    elif np.isinf(genetics.noise):
        said.append(
            "This season's records tell no candidate from another, so that breeders are chosen by lot."
        )
    return tuple(said)
