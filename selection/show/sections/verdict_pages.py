"""The groups with their verdicts, what would tip them, and the sheet for one more look."""

from __future__ import annotations

import math

from markupsafe import Markup

from selection.answer import Kind
from selection.decide.meeting import Meeting
from selection.decide.verdicts.another_look import best_look
from selection.decide.verdicts.choice import MOST_POINTS, Tip
from selection.decide.verdicts.look_rule import LookRule, look_rule
from selection.decide.verdicts.verdicts import Group
from selection.decide.wording import each, listed
from selection.merit.candidates import Call, called
from selection.show.page.figures import missing
from selection.show.page.fragments import Fragment, bullets, fold, heading, join, paragraph, table
from selection.show.page.style import ring_mark
from selection.show.sections.candidates import (
    neighbours,
    nothing_seen,
    standings_table,
)

ROOM = {
    "title": "Section",
    "points": "Counts for now",
    "room": "Same birds stay while it counts for",
    "first": "Above that comes in",
}
ROOM_CAPTION = (
    "If a section counted for more or fewer points in merit than now (its own points times the plan's worth)"
)
ANYTHING = "anything"

HOW = (
    "One judge, all birds of a sheet on one table, one after another and then back again; earlier points are left off "
    "on purpose. Multiply each section's points by its worth, add the head start (what is known of the bird already), "
    "and add up. Afterwards record the points as looks and hold the meeting again.",
)


def groups(meeting: Meeting) -> Fragment:
    """Each group in turn: its birds in one picture, and how firm the order is."""
    pieces: list[Markup] = []
    for name, group in meeting.verdicts.groups.items():
        pieces.append(heading(name.capitalize(), 2))
        if group.table.empty:
            pieces.append(paragraph(f"No {name} to choose from."))
            continue
        pieces += [
            standings_table(meeting, name),
            bullets(_firm(meeting, name), "small"),
            neighbours(meeting, name),
        ]
    return join(pieces)


def _firm(meeting: Meeting, group: str) -> list[str]:
    """What the verdicts say of how firm a group's choice is, beyond who is kept and whom to see again."""
    return list(meeting.verdicts.texts(Kind.FOUND, about=group))


def tipping(meeting: Meeting) -> Fragment:
    """What would tip each pair at the edge, and how far the points could be weighed otherwise."""
    pieces: list[Markup] = []
    for name, group in meeting.verdicts.groups.items():
        if group.tips:
            lines = [_tip(tip, called(meeting.flock)) for tip in group.tips]
            pieces.append(
                Fragment('<div class="card edge">{}{}{}</div>').format(
                    heading(name.capitalize()), bullets(lines), _room(meeting, group)
                )
            )
    if not pieces:
        return paragraph(
            "No pair stands at the edge: every place is decided, nobody is left out, or nothing was seen.",
            "quiet",
        )
    return Fragment('<div class="tips">{}</div>').format(join(pieces))


def _tip(tip: Tip, of: Call) -> str:
    """A tip with how far the pair is apart now, where the sentence does not say so already."""
    if tip.section is None:
        return tip.sentence(of)
    apart = f"{tip.gap:.1f} points of merit apart now" if round(tip.gap, 1) else "the two are level now"
    return f"{tip.sentence(of)} ({apart})"


def _room(meeting: Meeting, group: Group) -> Fragment:
    """How far each section's points could be changed before other birds were kept."""
    if group.reweigh.empty:
        return Fragment("")
    titles, of = {s.name: s.title for s in meeting.flock.standard.sections}, called(meeting.flock)
    rows = [
        {
            "title": titles[row.section],
            "points": f"{row.points:g}",
            "room": room(row.lowest, row.highest),
            "first": "" if missing(row.first) else f"{of(row.first)}",
        }
        for row in each(group.reweigh)
    ]
    moving = [row for row in rows if row["room"] != ANYTHING]
    still = [row["title"] for row in rows if row["room"] == ANYTHING]
    shown = table(moving, ROOM, "", ["points"], empty="No section's points would change who stays.")
    rest = f"{listed(still)}: the same birds stay whatever {'it counts' if len(still) == 1 else 'they count'} for."
    inside = join([shown, paragraph(rest, "small")]) if moving and still else shown
    return fold(ROOM_CAPTION, inside, on_paper=False)


def room(lowest: float, highest: float) -> str:
    """The points between which nothing changes, in words: from 0 to MOST_POINTS is anything."""
    low, high = math.ceil(lowest - 1e-9), math.floor(highest + 1e-9)
    if low <= 0:
        return ANYTHING if highest >= MOST_POINTS else f"{high} or less"
    return f"{low} or more" if highest >= MOST_POINTS else f"{low} to {high}"


def again(meeting: Meeting) -> Fragment:
    """The sheets for a look before the meeting ends, and for the other groups why none is proposed."""
    groups = [group for group in meeting.verdicts.groups.values() if len(group.table)]
    sheets = [sheet for group in groups if (sheet := _sheet(meeting, group))]
    without = [_no_sheet(meeting, group) for group in groups if group.again is None]
    ruled = any(sheet.startswith("<section") for sheet in sheets)
    how = [paragraph(words) for words in HOW] if ruled else []
    told = join([*how, *sheets, bullets(without)])
    return told if groups else paragraph("No candidates, so nobody to look at.", "quiet")


def _no_sheet(meeting: Meeting, group: Group) -> str:
    """Why no look is proposed in a group."""
    name, least = group.name.capitalize(), meeting.flock.plan.look_worth
    if len(group.open) <= group.places or not group.places:
        return f"{name}: nothing is left to choose, so no look would change it"
    if not meeting.flock.standard.by_eye:
        return f"{name}: the standard has no section that is judged by eye"
    best = best_look(group.looks)
    if best is not None and best.value >= least:
        return (
            f"{name}: a look would gain {best.value:.1f} points of merit on average, far less than the evening's best "
            "look: it can wait until that one is recorded and the meeting is held again"
        )
    unseen = nothing_seen(meeting, group)
    return (
        f"{name}: no look at two to four of them would gain {least:g} points of merit on average"
        f"{', though none of them was ever seen: the plan asks for much' if unseen else ''}"
    )


def _sheet(meeting: Meeting, group: Group) -> Fragment:
    """One sheet: the birds in shuffled order without their earlier points, and what decides."""
    if group.again is None:
        return Fragment("")
    rule = look_rule(meeting.merit, meeting.flock, meeting.verdicts, group.name)
    if rule is None:
        return paragraph(
            f"{group.name.capitalize()}: nobody has judged any of them by eye. Score all of them on the look sheet "
            "(“selection forms” writes it), by one judge on one day, record it, and hold the meeting again: "
            f"worth {group.again.value:.1f} points of merit on average, by the published values alone."
        )
    pieces = [
        heading(f"{group.name.capitalize()}: {listed(map(called(meeting.flock), rule.birds))}"),
        _boxes(meeting, rule),
        bullets(_rule_words(meeting, rule), "small"),
    ]
    return Fragment('<section class="sheet">{}</section>').format(join(pieces))


def _boxes(meeting: Meeting, rule: LookRule) -> Fragment:
    """The sheet's boxes: a line a section, a column a bird, and the sum at the foot."""
    rings, of = meeting.verdicts.table.set_index("bird"), called(meeting.flock)
    sections = {s.name: s for s in meeting.flock.standard.sections}
    head = [
        Markup('<th scope="col">{}<br>{}</th>').format(
            ring_mark(rings.loc[b, "left"], rings.loc[b, "right"], b), of(b).title
        )
        for b in rule.birds
    ]
    lines = [
        Markup('<tr><th scope="row">{} <span class="small">of {:g}</span></th><td>× {}</td>{}</tr>').format(
            sections[name].title,
            sections[name].points,
            f"{weight:.2f}".replace("-", "−"),
            Markup("<td></td>" * len(rule.birds)),
        )
        for name, weight in rule.weights.items()
        if weight
    ]
    start = Markup("").join(Markup("<td>{:.1f}</td>").format(rule.start[b]) for b in rule.birds)
    lines += [
        Markup('<tr><th scope="row">Head start, points of merit</th><td>+</td>{}</tr>').format(start),
        Markup('<tr><th scope="row">Sum</th><td></td>{}</tr>').format(Markup("<td></td>" * len(rule.birds))),
    ]
    return Fragment(
        '<table class="boxes"><caption>Points given tonight, times what a point is worth</caption>'
        '<thead><tr><th scope="col">Section</th><th scope="col">worth</th>{}</tr></thead><tbody>{}</tbody></table>'
    ).format(Markup("").join(head), Markup("").join(lines))


def _rule_words(meeting: Meeting, rule: LookRule) -> list[str]:
    best = (
        "The bird with the largest sum stays"
        if rule.places == 1
        else f"The {rule.places} birds with the largest sums stay"
    )
    titles = {s.name: s.title for s in meeting.flock.standard.by_eye}
    idle = [titles[name] for name, weight in rule.weights.items() if not weight]
    new = [title for name, title in titles.items() if name not in rule.weights]
    said = [
        f"{best}: worth {rule.value:.1f} points of merit on average. Over {rule.trials:,} looks drawn by the model, "
        f"the sums choose as the whole calculation does in {100 * rule.agreement:.0f} of 100"
    ]
    if idle:
        said.append(
            f"Left off the sum, for it would hardly move it: {listed(idle)}. Score it on the form all the same"
        )
    if new:
        said.append(
            f"Nobody has judged {listed(new)} yet, so it has no worth here: score it on the form as well"
        )
    return said
