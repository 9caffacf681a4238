"""Choosing the flock, and what came of recording its forms: what was taken, what was refused and why."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ipywidgets as widgets
import pandas as pd

from selection.records.flock import Flock
from selection.records.forms.columns import FORMS
from selection.records.intake.recording import Recorded, record
from selection.show.lab.chosen import choose_flock, chosen_flock
from selection.show.page.fragments import Fragment, bullets, join, paragraph, table
from selection.show.sections.candidates import rows_after

MOST = 40
"""Findings listed before the rest is left to the refused sheets."""


def recorded(outcome: Recorded) -> Fragment:
    """Rows taken, completed, corrected and refused by form; then everything that was found."""
    if outcome.stopped is not None:
        return paragraph(outcome.stopped)
    rows = [
        {
            "form": form,
            "taken": outcome.taken.get(form, 0),
            "completed": outcome.completed.get(form, 0),
            "corrected": outcome.corrected.get(form, 0),
            "unchanged": outcome.unchanged.get(form, 0),
            "refused": len(refused),
        }
        for form, refused in outcome.refused.items()
    ]
    columns = {
        "form": "Form",
        "taken": "Taken",
        "completed": "Completed",
        "corrected": "Corrected",
        "unchanged": "There already",
        "refused": "Refused",
    }
    told = table(rows, columns, "Rows handed in", list(columns)[1:], empty="No form was handed in.")
    return join([told, *_found(outcome)])


def _found(outcome: Recorded) -> list[Fragment]:
    refused = [str(f) for f in outcome.findings if f.refused]
    remarks = [str(f) for f in outcome.findings if not f.refused]
    pieces = []
    for words, lines in (("Refused", refused), ("Taken, and worth another look", remarks)):
        if lines:
            more = f" ({len(lines)}, the first {MOST})" if len(lines) > MOST else ""
            pieces += [paragraph(f"{words}{more}", "lead"), bullets(lines[:MOST], "small")]
    return pieces or [paragraph("Nothing was found to ask about.")]


def to_mend(flock: str | Path) -> Fragment:
    """The sheets of refused rows waiting to be mended."""
    sheets = sorted((Path(flock) / "refused").glob("*.csv"))
    if not sheets:
        return paragraph("No sheet is waiting to be mended: go on to the meeting.")
    rows = [{"sheet": sheet.name, "rows": _rows(sheet)} for sheet in sheets]
    told = table(rows, {"sheet": "Sheet", "rows": "Rows"}, f"Waiting in {Path(flock) / 'refused'}", ["rows"])
    how = "Open each, mend what its last column says, save it, and hand it in below: the two last columns are ignored."
    return join([told, paragraph(how)])


def hand_in_mended(flock: str | Path) -> Fragment:
    """Record the mended sheets and say what came of it; nothing where none is waiting."""
    folder = Path(flock) / "refused"
    if not any(folder.glob("*.csv")):
        return paragraph("Nothing was waiting.")
    return recorded(record(flock, folder))


def what_is_recorded(flock: Flock) -> Fragment:
    """How much is on record, form by form, and the latest day of each."""
    rows = [_on_record(name, getattr(flock, name), form.dated_by) for name, form in FORMS.items()]
    columns = {"form": "Form", "rows": "Rows", "last": "Latest"}
    told = table(rows, columns, f"On record up to {flock.plan.on}", ["rows"])
    later = rows_after(flock)
    return join([told, bullets([f"Not in this table, for they are {later}"])]) if later else told


def _on_record(name: str, frame: pd.DataFrame, dated_by: str | None) -> dict[str, str]:
    last = frame[dated_by].max() if dated_by and len(frame) else None
    return {
        "form": name,
        "rows": f"{len(frame):,}",
        "last": "" if last is None or last != last else f"{last:%Y-%m-%d}",
    }


def _rows(sheet: Path) -> int:
    return len(pd.read_csv(sheet, dtype=str))


class ChooseFlock(widgets.VBox):
    """A field and a button that choose the flock of all notebooks."""

    def __init__(self) -> None:
        self.path = widgets.Text(
            value=chosen_flock(), description="Flock's folder", layout=widgets.Layout(width="36em"),
            style={"description_width": "9em"},
        )  # fmt: skip
        self.button = widgets.Button(
            description="Use it in all notebooks", layout=widgets.Layout(width="auto")
        )
        self.said = widgets.HTML()
        self.button.on_click(self.choose)
        super().__init__([self.path, self.button, self.said], layout=widgets.Layout(align_items="flex-start"))

    def choose(self, _: Any = None) -> None:
        """Remember the folder, and say what to run again."""
        choose_flock(self.path.value)
        there = (
            "" if Path(self.path.value).is_dir() else " It is not there yet: recording forms below makes it."
        )
        words = f"Chosen: {chosen_flock()}.{there} Notebooks that are open follow when they are run again."
        self.said.value = paragraph(words)._repr_html_()
