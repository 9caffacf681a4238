"""The meeting's evening in the notebook: second looks typed in, the meeting held again, what stands settled."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import pandas as pd
from markupsafe import escape

from selection.decide.meeting import kept_tables
from selection.decide.settling import settle, undo, unsettle
from selection.decide.verdicts.look_rule import LookRule, look_rule
from selection.decide.wording import listed
from selection.errors import SelectionError
from selection.merit.candidates import called
from selection.records.intake.recording import record_rows
from selection.records.ledger.kept import keep_meeting
from selection.show.lab.controls import NAMED, WIDE, Knobs, html
from selection.show.page.figures import picks, signed
from selection.show.page.fragments import bullets, join, paragraph

_LEFT = widgets.Layout(align_items="flex-start")
BOX = widgets.Layout(width="9em")
NAME = widgets.Layout(width="16em")
HOLDING = "The meeting is held again with these looks: some ten seconds …"


class TonightsLook(widgets.VBox):
    """The look sheet's boxes: sections judged by eye × birds proposed for another look.

    The points' total, the sheet's own sum and its choice follow each box; `record` records what was typed and holds
    the meeting again.
    """

    def __init__(self, knobs: Knobs, path: str | Path) -> None:
        self.knobs, self.path = knobs, Path(path)
        plan = knobs.meeting.flock.plan
        self.group = widgets.Dropdown(options=[], description="Look at the", layout=WIDE, style=NAMED)
        judges = sorted(knobs.meeting.flock.scores["judge"].dropna().unique())
        self.judge = widgets.Combobox(
            options=judges, ensure_option=False, description="Judge", layout=WIDE, style=NAMED
        )
        self.day = widgets.Text(value=f"{plan.on}", description="Day", layout=WIDE, style=NAMED)
        self.button = widgets.Button(description="Record these looks", layout=widgets.Layout(width="auto"))
        self.grid, self.choice, self.said = widgets.VBox(), widgets.HTML(), widgets.HTML()
        self.boxes: dict[str, dict[str, widgets.Text]] = {}
        self.totals: dict[str, widgets.HTML] = {}
        self.sums: dict[str, widgets.HTML] = {}
        self.rule: LookRule | None = None
        self.group.observe(self.lay_out, "value")
        self.button.on_click(self.record)
        head = [self.group, self.judge, self.day]
        super().__init__([*head, self.grid, self.choice, self.button, self.said], layout=_LEFT)
        self._offer()

    def _offer(self) -> None:
        """The groups in which another look is proposed; the one shown stays where it still is among them."""
        groups, shown = self.knobs.meeting.verdicts.groups, self.group.value
        names = [name for name, group in groups.items() if group.again is not None]
        self.group.options = names
        self.group.value = shown if shown in names else next(iter(names), None)
        self.lay_out()

    def lay_out(self, _: Any = None) -> None:
        """Empty boxes for the birds of the group chosen."""
        meeting, name = self.knobs.meeting, self.group.value
        again = meeting.verdicts.groups[name].again if name else None
        if again is None:
            self.boxes, self.totals, self.sums, self.rule = {}, {}, {}, None
            self.grid.children = [widgets.HTML(html(paragraph("No further look is worth it tonight.")))]
            return
        sections, of = meeting.flock.standard.by_eye, called(meeting.flock)
        self.rule = look_rule(meeting.merit, meeting.flock, meeting.verdicts, name)
        self.boxes = {
            b: {s.name: _box(f"{s.title or s.name} of {of(b)}") for s in sections} for b in again.birds
        }
        self.totals, self.sums = ({bird: widgets.HTML(layout=BOX) for bird in again.birds} for _ in range(2))
        for boxes in self.boxes.values():
            for box in boxes.values():
                box.observe(self.follow, "value")
        heads = [widgets.HTML(html(paragraph(f"{of(bird)}", "small")), layout=BOX) for bird in again.birds]
        lines: list[tuple[str, Iterable[widgets.Widget]]] = [("", heads)]
        lines += [
            (f"{s.title or s.name}, of {s.points:g}", [boxes[s.name] for boxes in self.boxes.values()])
            for s in sections
        ]
        lines += [("Points together", self.totals.values()), ("Sum on the look sheet", self.sums.values())]
        self.grid.children = [
            widgets.HBox([widgets.HTML(str(escape(lead)), layout=NAME), *cells]) for lead, cells in lines
        ]
        self.follow()

    def follow(self, _: Any = None) -> None:
        """Show each bird's points and its sum by the sheet, and once all have their points whom it chooses."""
        points = {bird: self._points(bird) for bird in self.boxes}
        for bird, given in points.items():
            known = [value for value in given.values() if value is not None]
            self.totals[bird].value = f"{sum(known):g}" if known else ""
            self.sums[bird].value = "" if (sum_ := self._sum(bird, given)) is None else signed(sum_)
        self.choice.value = html(paragraph(self._choice(points)))

    def _sum(self, bird: str, given: dict[str, float | None]) -> float | None:
        """The bird's sum as on the look sheet; None while points are wanting."""
        if self.rule is None:
            return None
        counted = [section for section, weight in self.rule.weights.items() if weight > 0]
        if any(given.get(section) is None for section in counted):
            return None
        return float(self.rule.start[bird] + sum(self.rule.weights[s] * (given[s] or 0.0) for s in counted))

    def _choice(self, points: dict[str, dict[str, float | None]]) -> str:
        """Whom these points choose, in words."""
        rule = self.rule
        if rule is None:
            return ""
        sums = {bird: self._sum(bird, points[bird]) for bird in rule.birds}
        known = {bird: sum_ for bird, sum_ in sums.items() if sum_ is not None}
        if len(known) < len(sums):
            return "The choice stands here once every bird has its points."
        order = sorted(known, key=lambda bird: -known[bird])
        of = called(self.knobs.meeting.flock)
        stays = listed(str(of(bird)) for bird in order[: rule.places])
        right = f"{100 * rule.agreement:.0f} in 100"
        return f"By these points {stays or 'nobody'} stays; the meeting held anew says the same in {right}."

    def _points(self, bird: str) -> dict[str, float | None]:
        """What stands in a bird's boxes; None where a box is empty or holds no number yet."""
        return {section: _number(box.value) for section, box in self.boxes[bird].items()}

    def rows(self) -> list[dict[str, Any]]:
        """What was typed as rows of the scores form; birds without a point left out."""
        head = {"on": self.day.value.strip(), "judge": self.judge.value.strip()}
        typed = {
            b: {s: box.value.strip() or None for s, box in boxes.items()} for b, boxes in self.boxes.items()
        }
        return [{**head, "bird": bird, **cells} for bird, cells in typed.items() if any(cells.values())]

    def record(self, _: Any = None) -> None:
        """Record the looks typed and hold the meeting again."""
        rows = self.rows()
        if not rows:
            self.said.value = html(paragraph("No box is filled in: nothing is recorded."))
            return
        recorded = record_rows(self.path, "scores", rows, source="look typed in")
        lines = recorded.words().splitlines()
        if not (recorded.taken or recorded.completed):
            self.said.value = html(join(paragraph(line) for line in lines))
            return
        self.said.value = html(join(paragraph(line) for line in [*lines, HOLDING]))
        changed = self.knobs.hold_again(self.path)
        self._offer()
        told = [paragraph(line) for line in lines]
        self.said.value = html(join([*told, paragraph("What changes", "lead"), bullets(changed)]))


def _box(words: str) -> widgets.Text:
    """A box in the grid; its words are out of sight, for readers who hear them."""
    box = widgets.Text(description=words, layout=BOX, description_allow_html=False)
    box.add_class("in-grid")
    return box


def _number(text: str) -> float | None:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return None


class Settle(widgets.VBox):
    """What stands at the meeting shown recorded as decided, and taken back: all of it, or one bird's decision."""

    def __init__(self, knobs: Knobs, path: str | Path) -> None:
        self.knobs, self.path = knobs, Path(path)
        wide = widgets.Layout(width="auto")
        self.who = widgets.Text(description="Who", layout=WIDE, style=NAMED)
        self.settle = widgets.Button(description="Settle what stands", layout=wide)
        self.again = widgets.Button(description="Hold the meeting again", layout=wide)
        self.unsettle = widgets.Button(description="Take all of it back", layout=wide)
        self.bird = widgets.Dropdown(options=[], description="Bird", layout=WIDE, style=NAMED)
        self.undo = widgets.Button(description="Take back its last decision", layout=wide)
        self.said = widgets.HTML()
        self.settle.on_click(lambda _: self._do(self._settled))
        self.again.on_click(lambda _: self._do(lambda: "\n".join(self.knobs.hold_again(self.path))))
        self.unsettle.on_click(lambda _: self._do(lambda: unsettle(self.path).words()))
        self.undo.on_click(lambda _: self._do(self._undone))
        buttons = widgets.HBox([self.settle, self.again, self.unsettle])
        super().__init__([self.who, buttons, widgets.HBox([self.bird, self.undo]), self.said, knobs.stale])
        self._offer()

    def _offer(self) -> None:
        """The birds that have a decision on record."""
        decisions = self.knobs.meeting.flock.decisions
        birds = decisions.loc[decisions["on"].dt.year >= self.knobs.meeting.flock.plan.season, "bird"]
        options = picks(self.knobs.meeting.flock, pd.unique(birds))
        self.bird.options = options
        self.bird.value = options[0][1] if options else None

    def _settled(self) -> str:
        held = self.knobs.held
        keep_meeting(self.path, held.flock.plan.on, kept_tables(held))
        return settle(self.path, who=self.who.value).words()

    def _undone(self) -> str:
        bird = self.bird.value
        return "No bird has a decision to take back." if bird is None else undo(self.path, bird).words()

    def _do(self, what: Callable[[], str]) -> None:
        """Do it, take what is then decided into the meeting shown, and say what was done."""
        try:
            words = what()
            self.knobs.take_decisions(self.path)
            self._offer()
        except SelectionError as error:
            words = str(error)
        self.said.value = html(join(paragraph(line) for line in words.splitlines()))
