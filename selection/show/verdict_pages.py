"""The verdicts and what stands at their edge: the table, what would tip them, the sheet for one more look."""

from __future__ import annotations

from markupsafe import Markup

from selection.decide.look_rule import LookRule, look_rule
from selection.decide.meeting import Meeting
from selection.decide.rows import each
from selection.decide.tipping import Tip
from selection.decide.verdicts import Group
from selection.decide.wording import listed
from selection.show.candidates import ONE, candidates_table, merit_picture, neighbours, verdict_word
from selection.show.figures import missing
from selection.show.fragments import Fragment, bullets, heading, join, paragraph, table
from selection.show.ring_marks import ring_mark

ROOM = {
    "title": "Section",
    "points": "Points now",
    "lowest": "Same birds kept from",
    "highest": "up to",
    "first": "then comes in",
}


def groups(meeting: Meeting) -> Fragment:
    """Each group in turn: its table, its merit as a picture, how firm the order is."""
    pieces: list[Markup] = []
    for name, group in meeting.verdicts.groups.items():
        pieces.append(heading(name.capitalize(), 2))
        if group.table.empty:
            pieces.append(paragraph(f"No {name} to choose from."))
            continue
        pieces += [candidates_table(meeting, name), merit_picture(meeting, name), neighbours(meeting, name)]
        pieces.append(bullets(_firm(meeting, name), "small"))
    return join(pieces)


def _firm(meeting: Meeting, group: str) -> list[str]:
    """What the verdicts say of how firm a group's choice is, beyond who is kept and whom to see again."""
    said = [s.removeprefix(f"{group}: ") for s in meeting.verdicts.sentences if s.startswith(f"{group}: ")]
    return [s for s in said if not s.startswith(("keep ", "look again "))]


def verdict_table(meeting: Meeting) -> Fragment:
    """Every candidate's verdict with its one sentence, and what the meeting has decided already."""
    rows = [
        {
            "bird": row.bird,
            "group": ONE[row.group],
            "stands": row.stands,
            "proposed": verdict_word(row.proposed),
            "reason": row.reason[0].upper() + row.reason[1:] + ".",
            "decided": "" if missing(row.decided) else row.decided,
        }
        for row in each(meeting.verdicts.table)
    ]
    columns = {
        "bird": "Bird",
        "group": "Group",
        "proposed": "Proposed",
        "stands": "If nobody looks again",
        "reason": "Why",
    }
    if any(row["decided"] for row in rows):
        columns["decided"] = "Decided"
    return table(rows, columns, "Every candidate's verdict", empty="No candidates.", kind="stack")


def tipping(meeting: Meeting) -> Fragment:
    """What would tip each pair at the edge, and how far the points could be weighed otherwise."""
    pieces: list[Markup] = []
    for name, group in meeting.verdicts.groups.items():
        if group.tips:
            lines = [_tip(tip) for tip in group.tips]
            pieces.append(
                Fragment('<div class="card edge">{}{}{}</div>').format(
                    heading(name.capitalize()), bullets(lines), _room(meeting, group)
                )
            )
    if not pieces:
        return paragraph("No pair stands at the edge: nobody is left out, or nothing was seen.", "quiet")
    return join(pieces)


def _tip(tip: Tip) -> str:
    """A tip with how far the pair is apart now, where the sentence does not say so already."""
    apart = "" if tip.section is None else f" ({tip.gap:.1f} points of merit apart now)"
    return tip.sentence() + apart


def _room(meeting: Meeting, group: Group) -> Fragment:
    """How far each section's points could be changed before other birds were kept."""
    if group.reweigh.empty:
        return Fragment("")
    titles = {s.name: s.title for s in meeting.flock.standard.sections}
    rows = [
        {
            "title": titles[row.section],
            "points": f"{row.points:g}",
            "lowest": f"{row.lowest:.0f}",
            "highest": "any" if row.highest >= 100 else f"{row.highest:.0f}",
            "first": "" if missing(row.first) or row.highest >= 100 else row.first,
        }
        for row in each(group.reweigh)
    ]
    caption = "If a section counted for more or fewer points (merit at its estimate, without its interval)"
    return table(rows, ROOM, caption, ["points", "lowest", "highest"])


def again(meeting: Meeting) -> Fragment:
    """The sheets for one more look, one for each group that has birds worth it."""
    sheets = [_sheet(meeting, name) for name in meeting.verdicts.groups]
    sheets = [sheet for sheet in sheets if sheet]
    if not sheets:
        least = meeting.flock.plan.look_worth
        return paragraph(
            f"No further look would gain {least:g} points of merit or more: nothing is left to see.", "quiet"
        )
    return join(sheets)


def _sheet(meeting: Meeting, group: str) -> Fragment:
    """One sheet: the birds in shuffled order without their earlier points, and the rule that decides."""
    rule = look_rule(meeting.merit, meeting.flock, meeting.verdicts, group)
    if rule is None:
        return Fragment("")
    pieces = [
        heading(f"{group.capitalize()}: {listed(rule.birds)}"),
        paragraph(
            "One judge, all of them on one table, one after another and then back again. Earlier points are left "
            "off this sheet on purpose, and the order is shuffled."
        ),
        _boxes(meeting, rule),
        paragraph("The rule, worked out beforehand", "lead"),
        bullets(_rule_words(meeting, rule, group)),
    ]
    return Fragment('<section class="sheet">{}</section>').format(join(pieces))


def _boxes(meeting: Meeting, rule: LookRule) -> Fragment:
    """The sheet's boxes: a line a section, a column a bird, and the sum at the foot."""
    rings = meeting.verdicts.table.set_index("bird")
    sections = {s.name: s for s in meeting.flock.standard.sections}
    head = [
        Markup('<th scope="col">{}<br>{}</th>').format(
            ring_mark(rings.loc[b, "left"], rings.loc[b, "right"], b), b
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


def _rule_words(meeting: Meeting, rule: LookRule, group: str) -> list[str]:
    place = "stays" if rule.places == 1 else "stay"
    best = (
        "The bird with the largest sum"
        if rule.places == 1
        else f"The {rule.places} birds with the largest sums"
    )
    return [
        f"{best} {place}; it is worth {rule.value:.1f} points of merit on average to do this before choosing",
        "Multiply each section's points by its worth, add the head start, and add up. The head start is what is "
        "known of the bird already, so that tonight does not count for everything",
        f"Over {rule.trials:,} looks drawn by the model, this rule on paper chooses as the whole calculation does in "
        f"{100 * rule.agreement:.0f} of 100; afterwards record the sheet as looks and hold the meeting again",
    ]
