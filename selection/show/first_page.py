"""The page to read first, and the season in one paragraph."""

from __future__ import annotations

from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.rows import each
from selection.decide.verdicts import Group
from selection.decide.wording import listed
from selection.show.figures import in_hundred
from selection.show.fragments import Fragment, bullets, heading, join, paragraph
from selection.show.ring_marks import ring_mark

WORDS = {"keep": "Stays", "reserve": "In reserve"}


def first_page(meeting: Meeting) -> Fragment:
    """Who stays, who stands by, who goes, whom to look at again tonight, and what could not be settled."""
    pieces = [_group(meeting, group) for group in meeting.verdicts.groups.values() if len(group.table)]
    left = [*meeting.verdicts.cannot, *_unsexed(meeting)]
    if left:
        pieces += [heading("Not settled"), bullets(left, "small")]
    return Fragment('<div class="first">{}</div>').format(join(pieces))


def _group(meeting: Meeting, group: Group) -> Fragment:
    """One group: who stays and stands by as ring marks, then whom to look at again and who goes."""
    number = meeting.flock.plan.keep[group.name].number
    place = "the best" if number == 1 else f"one of the best {number}"
    alone = (
        meeting.merit.ranking.loc[meeting.merit.ranking["group"] == group.name, "p_kept"].notna().sum() < 2
    )
    note = "" if alone else f"under each: its chance of being {place} on merit"
    marks = Markup("").join(_marked(meeting, group, stands) for stands in WORDS)
    return Fragment(
        '<section class="group"><h3>{} <span class="small">{}</span></h3><div class="row">{}</div>{}</section>'
    ).format(group.name.capitalize(), note, marks, join(_words(group)))


def _marked(meeting: Meeting, group: Group, stands: str) -> Markup:
    """The birds of one verdict as ring marks, each with its number and its chance of a place."""
    rows = group.table[group.table["stands"] == stands]
    chances = meeting.merit.ranking.set_index("bird")["p_kept"]
    marks = [
        Markup('<li>{}<span><b>{}</b><br><span class="small">{}</span></span></li>').format(
            ring_mark(row.left, row.right, row.bird), row.bird, in_hundred(chances[row.bird])
        )
        for row in each(rows)
    ]
    if not marks:
        return Markup("")
    return Markup('<div><p class="lead">{}</p><ul class="marks">{}</ul></div>').format(
        WORDS[stands], Markup("").join(marks)
    )


def _words(group: Group) -> list[Markup]:
    """Whom to look at again and who goes, in words."""
    table, again = group.table, group.again
    going = table.loc[table["stands"] == "sell", "bird"].tolist()
    barred = table.loc[table["reason"].str.startswith("barred"), "bird"]
    said: list[Markup] = []
    open_to_look = [bird for bird in going if again is not None and bird in again.birds]
    if again is not None:
        value = f"worth {again.value:.1f} points of merit on average"
        said.append(
            _line(
                "Look again tonight",
                f"at {listed(again.birds)} side by side, before anyone is sold: {value}.",
            )
        )
    if open_to_look:
        said.append(_line("Goes, unless that look says otherwise:", f"{listed(open_to_look)}."))
    firm = [bird for bird in going if bird not in open_to_look]
    left = f" Barred from breeding: {listed(barred)}." if len(barred) else ""
    said.append(_line("Goes:", f"{listed(firm) if firm else 'nobody else' if going else 'nobody'}.{left}"))
    return said


def _line(lead: str, words: str) -> Fragment:
    return paragraph(Markup("<b>{}</b> {}").format(lead, words))


def _unsexed(meeting: Meeting) -> list[str]:
    birds = meeting.verdicts.unsexed["bird"]
    return (
        [f"{listed(birds)}: sex not recorded, so in no group; record it and hold the meeting again"]
        if len(birds)
        else []
    )


def about(meeting: Meeting) -> Fragment:
    """What meeting this is: breed, season, and the day whose records it rests on."""
    plan = meeting.flock.plan
    day = f"{plan.on.day} {plan.on:%B} {plan.on.year}"
    return paragraph(
        f"{meeting.flock.standard.breed}, season {plan.season}, from what was on record on {day}. Every interval "
        "is 90 %: it holds the truth nine times in ten.",
        "small",
    )


def season(meeting: Meeting) -> Fragment:
    """The season in one paragraph: clutches, chicks, who is left, and what was seen of them."""
    flock, year = meeting.flock, meeting.flock.plan.season
    chicks = flock.birds[flock.birds["hatch_year"] == year]
    day = flock.plan.on
    said = [
        _clutches(meeting),
        f"{len(chicks)} chicks of {year} have a number and {int(chicks['alive'].sum())} of them are alive on "
        f"{day.day} {day:%B} {day.year}.",
        _seen(meeting),
    ]
    return paragraph(" ".join(said))


def _clutches(meeting: Meeting) -> str:
    year, clutches = meeting.flock.plan.season, meeting.flock.clutches
    clutches = clutches[clutches["set_on"].dt.year == year]
    bought = clutches[clutches["origin"] == "bought-in"]
    if clutches.empty:
        return f"No clutch of {year} is on record."
    sources = sorted(bought["source"].dropna().unique())
    said = f"In {year} {len(clutches)} clutches were set, {len(bought) or 'none'} of them bought in"
    said += f" ({listed(sources)})" if sources else ""
    counted = clutches[clutches["eggs_set"].notna() & clutches["hatched"].notna()]
    if counted.empty:
        return f"{said}; their eggs were not counted."
    eggs, hatched = counted["eggs_set"].sum(), counted["hatched"].sum()
    without = f", {len(clutches) - len(counted)} clutches not counted" if len(counted) < len(clutches) else ""
    return f"{said}: {eggs:.0f} eggs gave {hatched:.0f} chicks{without}."


def _seen(meeting: Meeting) -> str:
    flock, year = meeting.flock, meeting.flock.plan.season
    looks = flock.scores[flock.scores["on"].dt.year == year]
    weighings = flock.weights[flock.weights["on"].dt.year == year]
    if flock.scores.empty and flock.weights.empty:
        return "Nothing has been scored or weighed yet."
    judges = looks["judge"].nunique()
    by = f"{judges} judge{'' if judges == 1 else 's'}"
    said = f"This year's {len(looks)} looks by {by} and {len(weighings)} weighings"
    earlier = len(flock.scores) - len(looks)
    if earlier:
        return f"{said} tell of the flock, and {earlier:,} looks of earlier years of its relatives."
    return f"{said} are all there is to go by."
