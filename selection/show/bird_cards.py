"""A card for every candidate: what was seen of it, how it grew, who its relatives are, and why it stands there."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.rows import each
from selection.merit.why import Why, contributions
from selection.show.candidates import points_told, verdict_word
from selection.show.card_pictures import growth_picture, section_bars
from selection.show.figures import missing, signed, spread
from selection.show.fragments import Fragment, bullets, heading, join, paragraph, sentence
from selection.show.ring_marks import ring_mark
from selection.show.sheet_facts import Facts, facts_of

MOST_REASONS = 4
LEAST = 0.05
"""Points of merit under which a reason is not worth a line."""


def cards(meeting: Meeting) -> Fragment:
    """Every candidate's card, group by group in the order of merit."""
    pieces: list[Markup] = []
    for name, group in meeting.verdicts.groups.items():
        if len(group.table):
            inside = join(_card(meeting, row) for row in each(group.table))
            pieces += [heading(name.capitalize()), Fragment('<div class="cards">{}</div>').format(inside)]
    return join(pieces) if pieces else paragraph("No candidates, so no cards.", "quiet")


def card(meeting: Meeting, bird: str) -> Fragment:
    """One candidate's card. Raises KeyError where the bird is no candidate."""
    rows = meeting.verdicts.table
    found = rows[rows["bird"] == bird]
    if found.empty:
        raise KeyError(f"{bird} is no candidate of this meeting")
    return _card(meeting, next(each(found)))


def _card(meeting: Meeting, row: Any) -> Fragment:
    """One candidate's card from its row of the verdicts."""
    facts = facts_of(
        row.bird, meeting.flock, meeting.merit.points, meeting.merit.growth, meeting.merit.pedigree
    )
    text = join(
        [_against(meeting, row), paragraph(_relatives(meeting, row.bird, facts), "small"), _remarks(facts)]
    )
    parts = (section_bars(meeting, row.bird), growth_picture(meeting, row.bird), text)
    columns = Markup("").join(Markup("<div>{}</div>").format(part) for part in parts)
    return Fragment('<article class="card" id="bird-{}">{}<div class="three">{}</div></article>').format(
        row.bird, _head(meeting, row, facts), columns
    )


def _head(meeting: Meeting, row: Any, facts: Facts) -> Fragment:
    """Rings, number, verdict and its reason, then what the bird itself is worth."""
    merit = meeting.merit.ranking.set_index("bird").loc[row.bird]
    barred = isinstance(merit["bar"], str)
    name = f", {facts.name}" if facts.name else ""
    return Fragment("<header>{}<div><h4>{}{} {}</h4>{}{}</div></header>").format(
        ring_mark(row.left, row.right, row.bird),
        row.bird,
        name,
        verdict_word("barred" if barred else row.proposed),
        paragraph(sentence(row.reason)),
        paragraph(_own(meeting, row.bird, merit), "small"),
    )


def _own(meeting: Meeting, bird: str, merit: pd.Series) -> str:
    """Points and what they rest on, and own value beside merit: what it is, not what it passes on."""
    flock = meeting.merit.flock.set_index("bird").loc[bird]
    points = points_told(merit)
    said = f"Points {points}" if points[0].isdigit() else points.capitalize()
    if missing(flock["own_value"]):
        return f"{said}."
    return f"{said}. Own value {spread(flock['own_value'], flock['own_value_se'])} points about the mean of its sex."


def _relatives(meeting: Meeting, bird: str, facts: Facts) -> str:
    """Where it comes from, and how its clutch mates stand beside it."""
    mates, seen = clutch_mates(meeting, bird)
    said = f"{facts.kind.capitalize()}, hatched {facts.hatched}; {'; '.join(facts.descent)}."
    if not mates:
        return f"{said} No clutch mates on record."
    scored = f"{seen} of them scored" if seen else "none of them scored"
    merits = meeting.merit.flock.set_index("bird")["merit"]
    better = int((merits.reindex(mates) > merits[bird]).sum())
    return f"{said} {len(mates)} clutch mates on record, {scored}; {better} of them with more merit."


def clutch_mates(meeting: Meeting, bird: str) -> tuple[list[str], int]:
    """The other birds of its clutch, gone ones included, and how many of them were ever scored."""
    birds = meeting.flock.birds
    clutch = birds.loc[birds["bird"] == bird, "clutch"].iloc[0]
    if not isinstance(clutch, str):
        return [], 0
    mates = birds.loc[(birds["clutch"] == clutch) & (birds["bird"] != bird), "bird"].tolist()
    return mates, int(pd.Series(mates, dtype="str").isin(meeting.flock.scores["bird"]).sum())


def _against(meeting: Meeting, row: Any) -> Fragment:
    """Why it stands above or below the bird it is measured against: the largest contributions."""
    rival = rival_of(meeting, row.bird, row.group)
    if rival is None:
        return Fragment("")
    why = contributions(meeting.merit, meeting.flock, row.bird, rival)
    lines = reasons(why)
    if not lines:
        return Fragment("")
    word = "above" if why.difference >= 0 else "below"
    lead = f"Why {abs(why.difference):.1f} points of merit {word} {rival}"
    return join([paragraph(lead, "lead"), bullets(lines, "small")])


def rival_of(meeting: Meeting, bird: str, group: str) -> str | None:
    """The bird at the edge that `bird` is measured against: the first not kept, or the last that is kept."""
    table = meeting.verdicts.groups[group].table
    ranked = meeting.merit.ranking.dropna(subset="rank").set_index("bird")["rank"]
    table = table[table["bird"].isin(ranked.index)].sort_values("bird", key=lambda b: b.map(ranked))
    kept = table["stands"] == "keep"
    if bird not in set(table["bird"]) or kept.all() or not kept.any():
        return None
    others = table.loc[~kept if kept[table["bird"] == bird].any() else kept, "bird"]
    return str(others.iloc[0] if bird in set(table.loc[kept, "bird"]) else others.iloc[-1])


def reasons(why: Why, most: int = MOST_REASONS) -> list[str]:
    """The largest contributions to a difference in words, and what is left of it."""
    rows = why.table[why.table["points"].abs() >= LEAST]
    said = [f"{signed(row.points)}: {row.whose}, {row.trait}" for row in each(rows.head(most))]
    rest = why.difference - float(rows.head(most)["points"].sum())
    return [*said, f"{signed(rest)}: everything else together"] if said else []


def _remarks(facts: Facts) -> Fragment:
    """Faults seen, and what is not known of it."""
    faults = [f"{f.name}{' (serious)' if f.serious else ''}, {f.seen}" for f in facts.faults]
    said = [f"Faults seen: {'; '.join(faults)}"] if faults else []
    said += [f"Not known: {'; '.join(facts.unknown)}"] if facts.unknown else []
    return bullets(said, "small")
