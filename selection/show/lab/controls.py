"""Knobs for the meeting's notebook: turn one, and ranking, verdicts and picture follow, with the change in words.

Nothing is recorded by turning a knob; a verdict overruled with its reason is, in the flock's own decisions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from selection.answer import Kind
from selection.decide.matings.matings import matings
from selection.decide.meeting import Meeting, Trial, as_planned, changes, hold, kept_tables, what_if
from selection.decide.settling import decide, decided_words, doubt
from selection.decide.spring.spring import Spring, choose_way
from selection.decide.verdicts.choice import planned_counts
from selection.decide.verdicts.verdicts import Verdicts, propose
from selection.errors import SelectionError
from selection.merit.candidates import bars, called
from selection.merit.ranking import Merit
from selection.records.flock import Flock, read_flock, whole_flock
from selection.records.ledger.kept import keep_meeting, read_meetings
from selection.show.notebooks import Pages
from selection.show.page.figures import picks
from selection.show.page.fragments import Fragment, bullets, join, paragraph
from selection.show.sections.candidates import standings_table
from selection.show.sections.mating_pages import next_spring_page

NO_CEILING = 1.0
"""The end of the ceiling's knob, where there is none."""
NONE = 2.1
"""A ceiling that no relationship reaches."""
UNCHANGED: tuple[str, ...] = ("No verdict changes.",)
QUICK = (
    "A trial is reckoned quickly, with how strongly sections are inherited at its likeliest. Reckoned so, the plan "
    "itself would already differ where birds stand nearly level:"
)

OUT_OF_DATE = (
    "Out of date: the first page and every section of this notebook still tell of the meeting before this was "
    "recorded; so do other notebooks that are open, until they are run again."
)
TRIED = "barred for this trial"
WIDE = widgets.Layout(width="30em")
NAMED = {"description_width": "16em"}


class Knobs(widgets.VBox):
    """Controls on one side, the group's table and picture on the other; `trial` is what they are set to."""

    def __init__(self, meeting: Meeting, pages: Pages | None = None) -> None:
        self.held, self.pages = meeting, pages
        self.stale = OutOfDate(self.hold_again)
        self._compare_with(meeting)
        self.bars: dict[str, str | None] = {}
        plan, standard = meeting.flock.plan, meeting.flock.standard
        counts = planned_counts(standard, plan)
        self.counts = {s.name: _count(s.title, counts[s.name]) for s in standard.sections}
        self.keep = {name: _number(meeting, name) for name in plan.keep}
        self.ceiling = _ceiling(plan.most_relationship)
        self.group = widgets.Dropdown(
            options=[g for g in plan.keep if len(meeting.verdicts.groups[g].table)],
            description="Show the", layout=WIDE, style=NAMED,
        )  # fmt: skip
        self.bird = widgets.Dropdown(options=self._birds(), description="Bird", layout=WIDE, style=NAMED)
        self.bar = widgets.Button(description="Bar it, or bring it back", layout=widgets.Layout(width="auto"))
        self.reset = widgets.Button(description="All as planned")
        self.told, self.shown = widgets.HTML(), widgets.HTML()
        self._listen()
        super().__init__([self._laid_out()])
        self.follow()

    @property
    def trial(self) -> Trial:
        """What the knobs are set to."""
        ceiling = NONE if self.ceiling.value >= NO_CEILING else self.ceiling.value
        return Trial(
            counts={name: knob.value for name, knob in self.counts.items()},
            keep={name: knob.value for name, knob in self.keep.items()},
            most_relationship=ceiling,
            bars=dict(self.bars),
        )

    def follow(self, _: Any = None) -> None:
        """Work the trial out and show it."""
        if self.trial == self._as_planned():
            meeting, said, note = self.meeting, UNCHANGED, ""
        else:
            found = what_if(self.meeting, self.trial, self.planned)
            meeting, said, note = found.meeting, found.changes, self.note
        self.told.value = html(
            join([paragraph("What changes", "lead"), bullets(said), paragraph(note, "small")])
        )
        group = self.group.value
        if group is not None:
            self.shown.value = html(standings_table(meeting, group))

    def turn_bar(self, _: Any = None) -> None:
        """Bar the bird chosen, or bring it back, whichever it is not now."""
        bird = self.bird.value
        if bird is None:
            return
        ranking = self.meeting.merit.ranking.set_index("bird")["bar"]
        barred = self.bars.get(bird, ranking[bird])
        self.bars[bird] = None if isinstance(barred, str) else TRIED
        self.follow()

    def as_planned(self, _: Any = None) -> None:
        """Put every knob back."""
        plan = self._as_planned()
        self._deaf(True)
        for name, knob in self.counts.items():
            knob.value = plan.counts[name]
        for name, keep in self.keep.items():
            keep.value = plan.keep[name]
        self.ceiling.value = _shown_ceiling(self.meeting.flock.plan.most_relationship)
        self.bars.clear()
        self._deaf(False)
        self.follow()

    def take_meeting(self, meeting: Meeting) -> None:
        """Take a meeting held anew as the one that is shown, that settling rests on, and that all pages tell of."""
        self.held = meeting
        self._compare_with(meeting)
        self._of_group()
        if self.pages is not None:
            self.pages.again(meeting)
        self.stale.clear()

    def hold_again(self, path: Path) -> tuple[str, ...]:
        """Hold the meeting of the flock at `path` anew, keep it, show it everywhere; in words what changed."""
        before = self.meeting.verdicts
        meeting = hold(read_flock(path), kept=read_meetings(path))
        keep_meeting(path, meeting.flock.plan.on, kept_tables(meeting))
        self.take_meeting(meeting)
        return changes(before, meeting.verdicts, called(meeting.flock))

    def take_decisions(self, path: Path) -> None:
        """Take the decisions recorded in the flock at `path` into the meeting shown."""
        flock = replace(self.meeting.flock, decisions=read_flock(path).decisions)
        self._compare_with(replace(self.meeting, flock=flock, verdicts=propose(flock, self.meeting.merit)))
        self.follow()
        self.stale.tell(path)

    def _as_planned(self) -> Trial:
        """The trial that changes nothing."""
        flock = self.meeting.flock
        ceiling = flock.plan.most_relationship
        return Trial(
            counts=planned_counts(flock.standard, flock.plan),
            keep={name: keep.number for name, keep in flock.plan.keep.items()},
            most_relationship=NONE if ceiling is None or ceiling >= NO_CEILING else ceiling,
        )

    def _compare_with(self, meeting: Meeting) -> None:
        """Take `meeting` as what trials are compared with, and say where the quick way differs from it."""
        self.meeting, self.planned = meeting, as_planned(meeting)
        differs = [
            line for line in changes(meeting.verdicts, self.planned, called(meeting.flock)) if "kept" in line
        ]
        self.note = f"{QUICK} {' '.join(differs)}" if differs else ""

    def _listen(self) -> None:
        self._deaf(False)
        self.group.observe(self._of_group, "value")
        self.bar.on_click(self.turn_bar)
        self.reset.on_click(self.as_planned)

    def _deaf(self, deaf: bool) -> None:
        """Whether turning a knob is followed."""
        for knob in (*self.counts.values(), *self.keep.values(), self.ceiling):
            if deaf:
                knob.unobserve(self.follow, "value")
            else:
                knob.observe(self.follow, "value")

    def _of_group(self, _: Any = None) -> None:
        """The birds of the group shown, to be barred or brought back."""
        self.bird.options = self._birds()
        self.follow()

    def _birds(self) -> list[tuple[str, str]]:
        """The candidates of the group shown, as they are called; none where no group has any."""
        group = self.group.value
        birds = [] if group is None else self.meeting.verdicts.groups[group].table["bird"]
        return picks(self.meeting.flock, birds)

    def _laid_out(self) -> widgets.Widget:
        knobs = widgets.VBox(
            [
                widgets.HTML("<b>What a section counts for in merit, points</b>"),
                *self.counts.values(),
                widgets.HTML("<b>How many stay</b>"),
                *self.keep.values(),
                self.ceiling,
                widgets.HTML("<b>Bar a bird, or bring one back</b>"),
                self.group,
                self.bird,
                widgets.HBox([self.bar, self.reset]),
            ],
            layout=widgets.Layout(flex="0 0 31em"),
        )
        # beside the knobs where there is room for the whole table, else below them
        follows = widgets.VBox([self.told, self.shown], layout=widgets.Layout(flex="1 1 52em", min_width="0"))
        return widgets.HBox([knobs, follows], layout=widgets.Layout(flex_flow="row wrap"))


class OutOfDate(widgets.VBox):
    """After something was recorded: what still tells of the meeting before it, and a button that mends that."""

    def __init__(self, again: Callable[[Path], object]) -> None:
        self.again, self.path = again, Path()
        self.said = widgets.HTML()
        self.button = widgets.Button(
            description="Hold it again and show all pages anew", layout=widgets.Layout(width="auto")
        )
        self.button.on_click(self.mend)
        super().__init__([])

    def tell(self, path: Path) -> None:
        """Say what is out of date now that the flock at `path` has changed."""
        self.path = path
        self.said.value = html(paragraph(OUT_OF_DATE, "warn"))
        self.children = [self.said, self.button]

    def clear(self) -> None:
        """Nothing is out of date."""
        self.children = []

    def mend(self, _: Any = None) -> None:
        """Hold the meeting again; the line goes when all pages tell of it."""
        self.said.value = html(paragraph("The meeting is held again …", "quiet"))
        self.again(self.path)


class Overrule(widgets.VBox):
    """Recording what the meeting decides on a bird, with its reason, in the flock at `path`."""

    def __init__(self, knobs: Knobs, path: str | Path) -> None:
        self.knobs, self.path = knobs, Path(path)
        self.bird = widgets.Dropdown(options=self._birds(), description="Bird", layout=WIDE, style=NAMED)
        self.decided = widgets.Dropdown(options=[], description="Decided", layout=WIDE, style=NAMED)
        self.who = widgets.Text(description="Who", layout=WIDE, style=NAMED)
        self.why = widgets.Text(description="Why", layout=WIDE, style=NAMED)
        self.button = widgets.Button(description="Record the decision", layout=widgets.Layout(width="auto"))
        self.said = widgets.HTML()
        self.button.on_click(self.record)
        self.bird.observe(self._of_bird, "value")
        self._of_bird()
        parts = [self.bird, self.decided, self.who, self.why, self.button, self.said, knobs.stale]
        super().__init__(parts, layout=widgets.Layout(align_items="flex-start"))

    def _birds(self) -> list[tuple[str, str]]:
        """The birds of the meeting's day that are here still: those sold or lost since are no choice any more."""
        flock, now = self.knobs.meeting.flock, whole_flock(self.path).birds
        here = flock.birds["alive"] & flock.birds["bird"].isin(now["bird"][now["alive"]])
        return picks(flock, flock.birds["bird"][here])

    def _of_bird(self, _: Any = None) -> None:
        """What may be decided on the bird chosen: of a barred one only that it goes, and why is said."""
        why = bars(self.knobs.meeting.flock).get(self.bird.value)
        self.decided.options = ["keep", "reserve", "sell"] if why is None else ["sell"]
        self.decided.value = self.decided.options[0]
        self.said.value = "" if why is None else html(paragraph(f"It is barred from breeding: {why}."))

    def record(self, _: Any = None) -> None:
        """Record the decision; without a reason nothing is recorded."""
        if not self.why.value.strip():
            self.said.value = html(paragraph("Say why: a decision without its reason teaches nothing later."))
            return
        try:
            recorded = decide(
                self.path, self.bird.value, self.decided.value, why=self.why.value, who=self.who.value
            )
            if recorded.status == 0:
                self.knobs.take_decisions(self.path)
            lines = recorded.words().splitlines()
            if recorded.status == 0:
                of = (self.path, self.bird.value, self.decided.value)
                lines += [line for line in (decided_words(*of), doubt(*of)) if line]
        except SelectionError as error:
            lines = str(error).splitlines()
        self.said.value = html(join(paragraph(line) for line in lines))


def html(piece: Fragment) -> str:
    """A piece as a widget shows it, in the pack's style."""
    return piece._repr_html_()


def _count(title: str, value: float) -> widgets.BoundedFloatText:
    most = max(40.0, 2 * value)
    return widgets.BoundedFloatText(
        value=value, min=0, max=most, step=1, description=title,
        layout=WIDE, style=NAMED,
    )  # fmt: skip


def _number(meeting: Meeting, group: str) -> widgets.BoundedIntText:
    number = meeting.flock.plan.keep[group].number
    most = max(len(meeting.verdicts.groups[group].table), number)
    return widgets.BoundedIntText(
        value=number, min=0, max=most, description=group.capitalize(),
        layout=WIDE, style=NAMED,
    )  # fmt: skip


def _ceiling(value: float | None) -> widgets.BoundedFloatText:
    return widgets.BoundedFloatText(
        value=_shown_ceiling(value), min=0, max=NO_CEILING, step=0.01, description="Relationship at most",
        layout=WIDE, style=NAMED,
    )  # fmt: skip


def _shown_ceiling(value: float | None) -> float:
    return NO_CEILING if value is None else min(value, NO_CEILING)


_MOST = 12
"""Hens at which the knob starts and ends where the flock has no more: about what one cock serves (common
practice, no source)."""


class PenSizes(widgets.VBox):
    """`most` is the knob; `said` shows who is put to whom with pens of that size, in words."""

    def __init__(self, flock: Flock, merit: Merit, verdicts: Verdicts) -> None:
        self.of = (flock, merit, verdicts)
        hens = len(matings(*self.of).allotment.table)
        top = max(hens, 1)
        self.most = widgets.BoundedIntText(
            value=min(top, _MOST),
            min=1,
            max=max(top, _MOST),
            description="Most hens",
            layout=WIDE,
            style=NAMED,
        )
        self.said = widgets.HTML()
        self.most.observe(self.follow, "value")
        super().__init__([self.most, self.said])
        self.follow()

    def follow(self, _: Any = None) -> None:
        """Put the hens to the cocks with pens of the size set."""
        found = matings(*self.of, pen_sizes=self.most.value).allotment
        said = bullets(found.sentences, empty="No hen or no cock stays, so there are no pens.")
        self.said.value = said._repr_html_()


class SpringWishes(widgets.VBox):
    """How many to choose from, how sure, for how much a way: `spring` is the answer to what the knobs are set to."""

    def __init__(self, spring: Spring) -> None:
        self.planned = self.spring = spring
        wanted = spring.wish.wanted
        self.wanted = {group: _to_choose_from(group, number) for group, number in wanted.items()}
        self.sure = widgets.BoundedFloatText(
            value=spring.wish.sure, min=0.5, max=0.99, step=0.01, description="How sure",
            layout=WIDE, style=NAMED,
        )  # fmt: skip
        dearest = float(spring.table["cost"].max()) if spring.table["cost"].notna().any() else 0.0
        self.top = 10 * (int(dearest // 10) + 1)
        self.budget = widgets.BoundedIntText(
            value=self.top, min=0, max=self.top, step=5, description="Money a way, at most",
            layout=WIDE, style=NAMED,
        )  # fmt: skip
        self.shown = widgets.HTML()
        knobs = [*self.wanted.values(), self.sure, self.budget]
        for knob in knobs:
            knob.observe(self.follow, "value")
        super().__init__([*knobs, self.shown])
        self.follow()

    def follow(self, _: Any = None) -> None:
        """Choose anew among the same ways; the budget's upper end is none at all."""
        wish = replace(
            self.planned.wish,
            wanted={group: knob.value for group, knob in self.wanted.items()},
            sure=self.sure.value,
            budget=None if self.budget.value >= self.top else float(self.budget.value),
        )
        assumed = [note for note in self.planned.notes if note.kind is Kind.ASSUMED]
        self.spring = choose_way(self.planned.ways, wish, self.planned.currency, assumed)
        self.shown.value = html(next_spring_page(self.spring))


def _to_choose_from(group: str, number: int) -> widgets.BoundedIntText:
    return widgets.BoundedIntText(
        value=number, min=1, max=2 * number + 4, description=f"{group.capitalize()} to choose from",
        layout=WIDE, style=NAMED,
    )  # fmt: skip


def progress_bar() -> Callable[[str, float], None]:
    """A function of a step's name and the share done (0–1) that draws them under the cell that is running.

    Steps may come in any order; each share is of the whole, and at 1 the bar goes.
    """
    from IPython.display import display
    from ipywidgets import FloatProgress, HBox, Label

    bar, name = FloatProgress(min=0.0, max=1.0), Label()
    shown = HBox([bar, name])
    display(shown)

    def show(step: str, share: float) -> None:
        bar.value, name.value = share, step
        if share >= 1:
            shown.close()

    return show
