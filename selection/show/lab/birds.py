"""A bird chosen by a picture of its rings, and photos named by the birds they show, in a notebook."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import pandas as pd

from selection.decide.life import life
from selection.errors import SelectionError
from selection.merit.candidates import called
from selection.merit.relationship.parentage import Parentage, parentage
from selection.records.flock import flock_on
from selection.records.forms.columns import LEGS
from selection.records.ledger.kept import read_meetings
from selection.records.photos import CARD, album, name_photo, small_copy
from selection.records.rings import find_bird, living, worn
from selection.show.bird import bird_page
from selection.show.lab.controls import html
from selection.show.page.figures import picks
from selection.show.page.fragments import Fragment, join, paragraph, photo_img
from selection.show.page.style import ring_mark, ring_paint

DARK = 140
"""Brightness of a ring's colour, of 255, under which its name is written in white."""


class BirdByRings(widgets.VBox):
    """Buttons of the colours worn, the two legs drawn as chosen, and below the page of the bird that they mean.

    `on` is the day (blank: today within the season, else the plan's); `said` is also a field for a number or a name.
    """

    def __init__(self, path: str | Path, on: date | str | None = None, today: date | None = None) -> None:
        self.path = Path(path)
        self.flock = flock_on(path, on, today).flock
        self.family: Parentage | None = None
        self.meetings = read_meetings(self.path, ("flock", "verdicts"))
        day = pd.Timestamp(self.flock.plan.on)
        legs = worn(self.flock.rings, day)
        here = living(self.flock.birds, day)
        self.legs = legs[legs.index.isin(here.index)].fillna("")
        self.chosen = dict.fromkeys(LEGS, "")
        self.buttons = {leg: [self._button(leg, colour) for colour in self._colours(leg)] for leg in LEGS}
        self.said = widgets.Text(
            description="Or by", placeholder="number, name or colours", continuous_update=False
        )
        self.said.observe(self._by_words, "value")
        self.picture, self.shown = widgets.HTML(), widgets.HTML()
        rows = [
            widgets.HBox(
                [widgets.Label(f"{leg.capitalize()} leg"), *self.buttons[leg]],
                layout=widgets.Layout(flex_flow="row wrap"),
            )
            for leg in LEGS
        ]
        super().__init__([*rows, self.picture, self.said, self.shown])
        self.follow()

    def choose(self, leg: str, colour: str) -> None:
        """Take a colour on one leg; the same again lets it go."""
        self.chosen[leg] = "" if self.chosen[leg] == colour else colour
        self.follow()

    def follow(self) -> None:
        """Draw the legs as chosen, and tell of the bird they mean, or of those they may."""
        left, right = (self.chosen[leg] for leg in LEGS)
        self.picture.value = html(ring_mark(left or None, right or None))
        rows = self.legs
        for leg, colour in self.chosen.items():
            rows = rows[rows[leg] == colour] if colour else rows
        birds = living(self.flock.birds, pd.Timestamp(self.flock.plan.on))
        fits = [str(birds[bird]) for bird in rows.index]
        if not (left or right):
            self.shown.value = html(paragraph("Choose the colours as the bird wears them.", "quiet"))
        elif len(fits) == 1:
            self.shown.value = html(self.page(fits[0]))
        else:
            self.shown.value = html(self._several(fits, rows))

    def page(self, bird: str) -> Fragment:
        """The page of one bird, as the command writes it."""
        if self.family is None:
            self.family = parentage(self.flock)
        photos = album(self.path, self.flock.birds["bird"], self.flock.plan.on)
        return bird_page(life(self.flock, bird, self.family, self.meetings), photos)

    def _several(self, fits: list[str], rows: pd.DataFrame) -> Fragment:
        if not fits:
            return paragraph("No living bird wears these.", "quiet")
        marks = [
            ring_mark(r.left or None, r.right or None, b)
            for b, r in zip(fits, rows.itertuples(), strict=True)
        ]
        of = called(self.flock)
        told = [join([mark, paragraph(f"{of(bird)}")]) for mark, bird in zip(marks, fits, strict=True)]
        return join([paragraph(f"{len(fits)} birds wear these; choose the other leg too.", "lead"), *told])

    def _by_words(self, change: Any) -> None:
        said = str(change["new"]).strip()
        if not said:
            return self.follow()
        try:
            bird = find_bird(said, self.flock.birds, self.flock.rings, self.flock.plan.on)
            self.shown.value = html(self.page(bird))
        except SelectionError as error:
            self.shown.value = html(paragraph(str(error)))
        return None

    def _colours(self, leg: str) -> list[str]:
        return sorted({colour for colour in self.legs[leg] if colour})

    def _button(self, leg: str, colour: str) -> widgets.Button:
        paint = ring_paint(colour.split("/")[0])
        bright = sum(w * int(paint[k : k + 2], 16) for w, k in ((0.299, 1), (0.587, 3), (0.114, 5)))
        button = widgets.Button(
            description=colour, tooltip=f"{leg} {colour}", layout=widgets.Layout(width="auto")
        )
        button.style.button_color, button.style.text_color = paint, "white" if bright < DARK else "black"
        button.on_click(lambda _: self.choose(leg, colour))
        return button


class ContactSheet(widgets.VBox):
    """Pictures in `photos/` that are called after no bird, each with a list of birds and a day to call it by."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        super().__init__([])
        self.follow()

    def follow(self) -> None:
        """Show what is not named yet, and what is no picture."""
        flock = flock_on(self.path).flock
        self.birds = dict(picks(flock, sorted(flock.birds["bird"])))
        found = album(self.path, self.birds.values(), flock.plan.on)
        found.prepare()
        rows = [self._row(path) for path in found.unnamed]
        empty = paragraph("Every picture in photos/ is called after a bird.", "quiet")
        others = [
            line for line in found.left_out if line.split(": ")[0] not in {p.name for p in found.unnamed}
        ]
        told = join(paragraph(line, "small") for line in others)
        self.children = [*(rows or [widgets.HTML(html(empty))]), widgets.HTML(html(told))]

    def _row(self, path: Path) -> widgets.Widget:
        data = small_copy(path, CARD)
        picture = paragraph(data, "small") if isinstance(data, str) else photo_img(data, path.name, "face")
        bird = widgets.Combobox(options=tuple(self.birds), placeholder="bird", ensure_option=True)
        on = widgets.DatePicker(description="taken on")
        button, said = widgets.Button(description="Call it so"), widgets.HTML()

        def name(_: Any) -> None:
            try:
                name_photo(path, self.birds.get(bird.value, ""), on.value)
            except SelectionError as error:
                said.value = html(paragraph(str(error)))
            else:
                self.follow()

        button.on_click(name)
        shown = widgets.HTML(html(join([picture, paragraph(path.name, "small")])))
        return widgets.HBox([shown, widgets.VBox([bird, on, button, said])])
