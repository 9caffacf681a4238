"""The meeting's pages, one function a section: what the notebook shows and the pack is made of."""

from __future__ import annotations

import sys
from collections.abc import Callable

from selection.show.notebooks import Pages, chosen_flock, top
from selection.show.pack import leave
from selection.show.page.words import cautions, glossary, worked_out
from selection.show.sections.bird_cards import card, cards
from selection.show.sections.clutch_pages import clutches
from selection.show.sections.first_page import about, first_page
from selection.show.sections.laying_pages import laying_page as laying
from selection.show.sections.mating_pages import matings_page as matings, spring
from selection.show.sections.price_pages import prices_page as prices
from selection.show.sections.review_pages import looking_back
from selection.show.sections.season_pages import season_page as season
from selection.show.sections.verdict_pages import again, groups, tipping
from selection.show.sections.years_pages import ahead as years_ahead

__all__ = [
    "Pages",
    "about",
    "again",
    "card",
    "cards",
    "cautions",
    "chosen_flock",
    "clutches",
    "first_page",
    "glossary",
    "groups",
    "laying",
    "leave",
    "looking_back",
    "matings",
    "prices",
    "season",
    "spring",
    "terminal_progress",
    "tipping",
    "top",
    "worked_out",
    "years_ahead",
]


def terminal_progress() -> Callable[[str, float], None] | None:
    """Progress on the terminal that started the notebook, where there is one; None where nobody watches."""
    screen = sys.__stderr__
    if screen is None or not screen.isatty():
        return None

    def show(step: str, share: float) -> None:
        screen.write(f"\r{'█' * round(24 * share):·<24} {step[:50]:<50}")
        screen.flush()

    return show
