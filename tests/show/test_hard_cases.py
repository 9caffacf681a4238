"""Matings, years ahead, review and what is left to do on holdings that lack what they need: words, no tracebacks."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import pandas as pd
import pytest

from selection.decide.matings.matings import matings
from selection.decide.review.review import review
from selection.decide.verdicts.verdicts import propose
from selection.decide.years.years import years_ahead
from selection.merit.ranking import rank
from selection.records.after_meeting import after_meeting
from selection.records.flock import Flock, assemble
from selection.records.forms.columns import FORMS
from selection.records.settings.plan import Keep
from selection.show.sections import mating_pages, review_pages, years_pages
from tests.simulated import simulate

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def flock() -> Flock:
    return simulate(7, seasons=2, bought_in=1, home_bred=2, hens=5, new_pullets=3, weighings=2).flock()


def with_forms(flock: Flock, **changed: pd.DataFrame) -> Flock:
    """The flock put together anew with other rows in some forms."""
    forms = {}
    for name, form in FORMS.items():
        extra = () if name == "scores" else set(getattr(flock, name).columns) - set(form.names)
        forms[name] = getattr(flock, name).drop(columns=list(extra))
    return assemble(flock.standard, flock.plan, {**forms, **changed})


def without(sex: str) -> Callable[[Flock], Flock]:
    """All living birds of a sex gone a month before the meeting."""

    def change(flock: Flock) -> Flock:
        birds = flock.birds[list(FORMS["birds"].names)].copy()
        gone = (flock.birds["sex"] == sex) & flock.birds["alive"]
        birds.loc[gone, "gone_on"] = pd.Timestamp(flock.plan.on) - pd.Timedelta(days=30)
        return with_forms(flock, birds=birds)

    return change


def never_bought(flock: Flock) -> Flock:
    birds = flock.birds[list(FORMS["birds"].names)].assign(origin="home-bred", source=None)
    clutches = flock.clutches.assign(origin="home-bred", source=None)
    planned = replace(flock.plan, keep={"cockerels": Keep(1), "pullets": Keep(3)})
    return replace(with_forms(flock, birds=birds, clutches=clutches), plan=planned)


def all_barred(flock: Flock) -> Flock:
    serious = next(f.name for f in flock.standard.faults if f.serious)
    return with_forms(flock, scores=flock.scores.assign(faults=serious))


def stranger(flock: Flock) -> Flock:
    """A standing cock of unknown parents and age, under ceilings that nothing keeps."""
    cock = pd.DataFrame([{"bird": "X1", "sex": "male", "origin": "home-bred"}])
    birds = pd.concat([flock.birds[list(FORMS["birds"].names)], cock], ignore_index=True)
    found = with_forms(flock, birds=birds)
    return replace(found, plan=replace(found.plan, most_relationship=0.0, most_inbreeding=0.0))


def keeps_none(flock: Flock) -> Flock:
    keep = {"cockerels": Keep(0), "pullets": Keep(0)}
    return replace(flock, plan=replace(flock.plan, keep=keep, most_relationship=None))


def no_pens(flock: Flock) -> Flock:
    return with_forms(flock, pens=flock.pens.head(0))


def one_bird(flock: Flock) -> Flock:
    birds = flock.birds[list(FORMS["birds"].names)]
    return assemble(flock.standard, flock.plan, {"birds": birds.tail(1).assign(sire=None, dam=None)})


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (no_pens, "No earlier meeting is kept with this flock"),
        (without("female"), "No hen stays after this meeting"),
        (without("male"), "No cock is kept, so that no hen has one."),
        (never_bought, "home-bred cock"),
        (all_barred, "No cock stays"),
        (stranger, "X1"),
        (keeps_none, "none is to be kept"),
        (one_bird, "No cock stays"),
    ],
)
def test_what_is_lacking_is_said(change: Callable[[Flock], Flock], said: str, flock: Flock) -> None:
    flock = change(flock)
    merit = rank(flock)
    verdicts = propose(flock, merit)
    pairs, ahead = matings(flock, merit, verdicts), years_ahead(flock, merit, verdicts, runs=20, years=3)
    looked_back = review({}, flock, merit)
    pieces = [
        *pairs.sentences,
        *pairs.cannot,
        mating_pages.allotment(pairs),
        mating_pages.inbreeding_table(pairs),
        mating_pages.relationship_costs(flock, merit, verdicts),
        years_pages.years_ahead_page(ahead),
        years_pages.closed(ahead),
        *looked_back.cannot,
        *(
            page(looked_back)
            for page in (
                review_pages.review_sentences,
                review_pages.checks_table,
                review_pages.chances_table,
                review_pages.differentials_table,
                review_pages.years_picture,
                review_pages.years,
                review_pages.predictions_picture,
            )
        ),
        after_meeting(flock).text(),
    ]
    text = "\n".join(map(str, pieces))
    assert said in text
    assert not re.search(r"\b(nan|NaN|NaT|None|inf)\b", text)
