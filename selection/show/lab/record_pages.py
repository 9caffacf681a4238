"""Choosing the flock, pictures of what it holds, and what came of recording its forms."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets
import pandas as pd
from markupsafe import Markup

from selection.errors import SelectionError
from selection.records.flock import flock_on, read_flock
from selection.records.forms.columns import FORMS
from selection.records.forms.reading import HANDED_BACK
from selection.records.intake.recording import Recorded, record
from selection.records.intake.refused import FOLDER
from selection.show.notebooks import choose_flock, chosen_flock, find_notebook
from selection.show.page.fragments import Fragment, bullets, join, paragraph, picture, sentence, table
from selection.show.page.style import QUIET, SERIES, drawing
from selection.show.sections.candidates import rows_after
from selection.show.sheets.calendar import write_season

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from selection.compare.laying.laying import Laying
    from selection.decide.matings.matings import Matings
    from selection.decide.prices.prices import Prices

_WIDTH = 7.4


def relationship_picture(of: Matings) -> Fragment:
    """Relationship between all birds that may be put together: the darker, the closer."""
    frame = of.relationship
    if len(frame) < 2:
        return paragraph("Fewer than two birds: no relationship to draw.", "quiet")
    apart = frame.where(frame.index.to_numpy()[:, None] != frame.columns.to_numpy()[None, :])
    first, second = apart.stack().idxmax()
    apart = apart.rename(index=lambda bird: str(of.call(bird)), columns=lambda bird: str(of.call(bird)))
    says = f"the closest two are {of.call(first)} and {of.call(second)}, relationship {frame.loc[first, second]:.2f}"
    with drawing():
        figure, axes = _axes(0.42 * len(frame) + 1.4)
        _heat(axes, apart, "Greens", "{:.2f}", 0.0, 0.5, "relationship (full sibs: 0.5)")
        return picture(figure, "Relationship of the birds that may be put together", says)


def calendar_frame(lay: Laying, season: int | None = None) -> pd.DataFrame:
    """Eggs per hen and counted day of one season (blank: the last), pens × weeks; missing where nobody counted."""
    days = lay.days
    days = days[days["season"] == (days["season"].max() if season is None else season)]
    week = days["on"].dt.isocalendar().week.rename("week")
    rows = days[days["counted"] & (days["hens"] > 0)]
    sums = rows.groupby(["pen", week])[["eggs", "hens"]].sum()
    rate = (sums["eggs"] / sums["hens"]).unstack("week")
    return rate.reindex(columns=range(int(week.min()), int(week.max()) + 1)) if len(days) else rate


def calendar_picture(lay: Laying) -> Fragment:
    """The basket's calendar: eggs for each hen-day by pen and week, weeks without a count left white."""
    frame = calendar_frame(lay)
    if frame.empty:
        return paragraph("No eggs were counted: there is no calendar to draw.", "quiet")
    gaps = int(frame.isna().sum().sum())
    says = f"{frame.shape[0]} pens over {frame.shape[1]} weeks, {gaps} of the pens' weeks without a count"
    with drawing():
        figure, axes = _axes(0.5 * len(frame) + 1.5)
        _heat(axes, frame, "YlGnBu", None, 0.0, 1.0, "eggs a hen-day")
        axes.set_xlabel("week of the year")
        return picture(figure, "Eggs for each hen and counted day, week by week; white: not counted", says)


def ages_picture(lay: Laying) -> Fragment:
    """The laying curve by age: hen-day rate of each hatch year in its first, second, third … laying season."""
    frame = lay.by_age
    if frame.empty:
        return paragraph("No eggs were counted: there is no curve by age to draw.", "quiet")
    frame = frame.assign(hatched=frame["hatch_year"].astype(str))
    says = "; ".join(
        f"{year}: {rows['rate'].iloc[0]:.2f} at first" for year, rows in frame.groupby("hatched")
    )
    with drawing():
        import seaborn as sns

        figure, axes = _axes(3.2)
        sns.lineplot(
            frame,
            x="laying_season",
            y="rate",
            hue="hatched",
            style="hatched",
            markers=True,
            dashes=False,
            ax=axes,
        )
        axes.vlines(frame["laying_season"], frame["low"], frame["high"], color=QUIET, lw=0.8, alpha=0.5)
        axes.set(xlabel="laying season of the hens' life", ylabel="eggs a hen-day", ylim=(0, 1))
        axes.set_xticks(sorted(frame["laying_season"].dropna().unique()))
        axes.legend(frameon=False, title="hatched in", loc="upper left", bbox_to_anchor=(1.0, 1.0))
        title = "Laying by age: compare hatch years at one age; lines down show 90 % intervals"
        return picture(figure, title, says)


def accounts_picture(of: Prices) -> Fragment:
    """What each season cost by item, and what its sales brought."""
    frame = of.accounts
    if frame.empty:
        return paragraph("No bill and no sale: there are no accounts to draw.", "quiet")
    money = frame.assign(amount=frame["amount"].astype(float), season=frame["season"].astype(int))
    totals = money.groupby(["season", "side"])["amount"].sum().unstack(fill_value=0.0)
    last = totals.iloc[-1]
    says = f"in {totals.index[-1]}: " + ", ".join(f"{side} {value:.0f}" for side, value in last.items())
    with drawing():
        import seaborn as sns

        figure, axes = _axes(3.2)
        long = totals.reset_index().melt("season", var_name="side", value_name="amount")
        sns.barplot(
            long, x="season", y="amount", hue="side", palette=list(SERIES[: totals.shape[1]]), ax=axes
        )
        axes.set_ylabel("in the plan's currency")
        axes.legend(frameon=False, title="", loc="upper left", bbox_to_anchor=(1.0, 1.0))
        return picture(figure, "The seasons' accounts: spent, taken, and asked for", says)


def _axes(height: float) -> tuple[Figure, Axes]:
    from matplotlib import pyplot as plt

    return plt.subplots(figsize=(_WIDTH, height))


def _heat(
    axes: Axes, frame: pd.DataFrame, colours: str, cells: str | None, low: float, high: float, label: str
) -> None:
    """A heat map with its values written in, where they are asked for."""
    import seaborn as sns

    text = frame.map(lambda x: "" if x != x else cells.format(x)) if cells else None
    sns.heatmap(
        frame,
        ax=axes,
        cmap=colours,
        vmin=low,
        vmax=high,
        annot=text if cells else False,
        fmt="",
        annot_kws={"fontsize": 7},
        linewidths=0.5,
        linecolor="white",
        cbar_kws={"label": label},
    )
    axes.set(xlabel="", ylabel="")


_MOST = 40
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
            more = f" ({len(lines)}, the first {_MOST})" if len(lines) > _MOST else ""
            pieces += [paragraph(f"{words}{more}", "lead"), bullets(lines[:_MOST], "small")]
    return pieces or [paragraph("Nothing was found to ask about.")]


def overview() -> Fragment:
    """All notebooks as cards: what each settles, linked."""
    cards = []
    for path in sorted(find_notebook("start_here").parent.glob("*.ipynb")):
        title, about, *_ = "".join(json.loads(path.read_text(encoding="utf-8"))["cells"][0]["source"]).split(
            "\n\n"
        )
        link = Markup('<a href="{}">{}</a>').format(path.name, title.lstrip("# "))
        cards.append(Markup('<div class="card"><h4>{}</h4><p>{}</p></div>').format(link, about))
    return Fragment('<div class="tips">{}</div>').format(Markup("").join(cards))


def what_is_recorded(path: str | Path) -> Fragment:
    """How much is on record at `path`, form by form, and the latest day of each; in words where there is no flock."""
    try:
        flock = read_flock(path)
    except SelectionError as error:
        return paragraph(str(error))
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


_LEFT = widgets.Layout(align_items="flex-start")


class MakeForms(widgets.VBox):
    """A day, a folder and a button that writes the season's workbook, sheets and calendar."""

    def __init__(self, flock: str | Path) -> None:
        self.flock = Path(flock)
        wide: dict[str, Any] = {"layout": widgets.Layout(width="36em"), "style": {"description_width": "9em"}}
        self.day = widgets.Text(
            placeholder="today, within the season; or 2026-06-10", description="Day", **wide
        )
        self.out = widgets.Text(value=str(self.flock / "forms"), description="Into the folder", **wide)
        self.button, self.said = _button("Make the forms"), widgets.HTML()
        self.button.on_click(self.make)
        super().__init__([self.day, self.out, self.button, self.said], layout=_LEFT)

    def make(self, _: Any = None) -> None:
        """Write them, and say where they lie."""
        try:
            seen = flock_on(self.flock, self.day.value.strip() or None, date.today())
            said = write_season(self.flock, seen.flock, seen.meeting, self.out.value)
        except SelectionError as error:
            said = str(error).splitlines()
        self.said.value = bullets(said, "small")._repr_html_()


class HandIn(widgets.VBox):
    """Taking forms in: what came of it, and the refused rows with their cells to be mended and handed in again.

    `then` is called after each taking in.
    """

    def __init__(
        self, flock: str | Path, forms: str | Path, then: Callable[[], object] = lambda: None
    ) -> None:
        self.flock, self.then = Path(flock), then
        self.forms = widgets.Text(
            value=str(forms), description="Forms", layout=widgets.Layout(width="36em"),
            style={"description_width": "9em"},
        )  # fmt: skip
        self.button, self.again = _button("Take these forms in"), _button("Hand the mended rows in again")
        self.said, self.rows = widgets.HTML(), widgets.VBox()
        self.boxes: dict[tuple[str, int], dict[str, widgets.Text]] = {}
        self.button.on_click(lambda _: self.take_in(self.forms.value))
        self.again.on_click(self.hand_in_again)
        super().__init__([self.forms, self.button, self.said, self.rows], layout=_LEFT)
        self.offer()

    def take_in(self, forms: str | Path) -> None:
        """Record the forms, say what came of it, and show what is to be mended."""
        told = recorded(record(self.flock, forms))
        over = paragraph(
            "Other notebooks that are open tell of what was on record before: run them again.", "quiet"
        )
        self.said.value = join([told, over])._repr_html_()
        self.offer()
        self.then()

    def offer(self) -> None:
        """A row of boxes for each refused row that waits, its reason above it."""
        self.boxes, shown = {}, []
        for sheet in sorted((self.flock / FOLDER).glob("*.csv")):
            for number, row in enumerate(_sheet(sheet)):
                if len(self.boxes) < _MOST:
                    shown.append(self._row(sheet.stem, number, row))
        waiting = sum(_rows(sheet) for sheet in (self.flock / FOLDER).glob("*.csv"))
        more = f"{waiting - _MOST} more wait in {self.flock / FOLDER}." if waiting > _MOST else ""
        head = [widgets.HTML(join([paragraph("To mend", "lead"), paragraph(more)])._repr_html_())]
        self.rows.children = [*head, *shown, self.again] if shown else []

    def _row(self, form: str, number: int, row: dict[str, str]) -> widgets.Widget:
        """One refused row: why it was refused, and a box for each of its cells."""
        why = sentence(f"{form}, row {row.get('row', '')}: {row.get('reason', '')}")
        boxes = {
            name: widgets.Text(value=cell, description=name, layout=widgets.Layout(width="16em"))
            for name, cell in row.items()
            if name.casefold() not in HANDED_BACK
        }
        self.boxes[form, number] = boxes
        cells = widgets.HBox(list(boxes.values()), layout=widgets.Layout(flex_flow="row wrap"))
        return widgets.VBox([widgets.HTML(paragraph(why, "small")._repr_html_()), cells])

    def hand_in_again(self, _: Any = None) -> None:
        """Write what was mended into the refused sheets, and hand those in."""
        folder = self.flock / FOLDER
        for form in dict.fromkeys(form for form, _ in self.boxes):
            rows = _sheet(folder / f"{form}.csv")
            for (of, number), boxes in self.boxes.items():
                if of == form:
                    rows[number] |= {name: box.value for name, box in boxes.items()}
            pd.DataFrame(rows).to_csv(folder / f"{form}.csv", index=False)
        self.take_in(folder)


def _sheet(path: Path) -> list[dict[str, str]]:
    """The rows of a refused sheet as text."""
    return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig").to_dict("records")


def _button(words: str) -> widgets.Button:
    return widgets.Button(description=words, layout=widgets.Layout(width="auto"))


Shows = Callable[[str], widgets.Widget | Fragment]
"""What of a flock stands in a cell: made from its folder."""


class ChooseFlock(widgets.VBox):
    """A field and a button that choose the flock of all notebooks; `then` shows what follows the choice."""

    def __init__(self, flock: str | None = None) -> None:
        self.flock = chosen_flock(flock)
        self.path = widgets.Text(
            value=self.flock, description="Flock's folder", layout=widgets.Layout(width="36em"),
            style={"description_width": "9em"},
        )  # fmt: skip
        self.button, self.said = _button("Use it in all notebooks"), widgets.HTML()
        self.button.on_click(self.choose)
        self._follow: list[tuple[widgets.Box, Shows]] = []
        super().__init__([self.path, self.button, self.said], layout=_LEFT)

    def then(self, shows: Shows) -> widgets.Box:
        """What `shows` makes of the flock, in a box that follows when another is chosen."""
        box = widgets.VBox()
        self._follow.append((box, shows))
        self._fill(box, shows)
        return box

    def choose(self, _: Any = None) -> None:
        """Remember the folder, show this notebook's cells of it, and say that other notebooks are to be run again."""
        choose_flock(self.path.value)
        self.flock = chosen_flock()
        there = (
            ""
            if Path(self.flock).is_dir()
            else " It is not there yet: taking forms in, further below, makes it."
        )
        words = f"Chosen: {self.flock}.{there} Other notebooks that are open follow when they are run again."
        self.said.value = paragraph(words)._repr_html_()
        for box, shows in self._follow:
            self._fill(box, shows)

    def told_anew(self) -> None:
        """Show the cells of plain text anew, after something was recorded; boxes that are typed into stay."""
        for box, shows in self._follow:
            if isinstance(box.children[0], widgets.HTML):
                self._fill(box, shows)

    def _fill(self, box: widgets.Box, shows: Shows) -> None:
        made = shows(self.flock)
        box.children = [made if isinstance(made, widgets.Widget) else widgets.HTML(made._repr_html_())]
