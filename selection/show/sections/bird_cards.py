"""A card for every candidate: what was seen of it, how it grew, who its relatives are, and why it stands there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from selection.decide.meeting import Meeting
from selection.decide.verdicts.verdicts import Group
from selection.decide.wording import counted, each, listed
from selection.merit.candidates import called
from selection.merit.explain import Why, contributions_of
from selection.merit.relationship.kinship import parents
from selection.merit.relationship.relations import Relations
from selection.records.photos import Album, album
from selection.records.rings import Called
from selection.records.settings.reading import Standard
from selection.show.page.figures import missing, signed, spread
from selection.show.page.fragments import (
    Fragment,
    bullets,
    fold,
    heading,
    join,
    paragraph,
    photo_img,
    sentence,
    table,
)  # fmt: skip
from selection.show.page.small_plots import AtAge, Grown, SectionPoints, growth_picture, section_bars
from selection.show.page.style import ring_mark
from selection.show.sections.candidates import bird_notes, verdict_of
from selection.show.sheets.sheet_facts import Facts, Sources, facts_of
from selection.standard.bands import GROWN, weighed_sections
from selection.standard.points import disagreements

if TYPE_CHECKING:
    from selection.records.settings.reading import Standard


def section_points(meeting: Meeting) -> dict[str, list[SectionPoints]]:
    """Points by section of every candidate, beside the mean of the scored of its group."""
    sections = meeting.flock.standard.sections
    seen = meeting.merit.points.sections.pivot(index="bird", columns="section", values="points")
    own = seen.reindex(columns=[s.name for s in sections]).astype(float)
    candidates = meeting.merit.ranking[["bird", "group"]]
    rows = own.reindex(candidates["bird"]).set_index(candidates["group"].to_numpy())
    means = rows.groupby(level=0).mean()
    return {
        bird: [
            SectionPoints(s.title, s.points, points, others)
            for s, points, others in zip(sections, row, means.loc[group], strict=True)
        ]
        for bird, group, row in zip(candidates["bird"], candidates["group"], rows.to_numpy(), strict=True)
    }


def growth_of(meeting: Meeting) -> dict[str, Grown]:
    """How every candidate grew that was ever weighed."""
    growth, flock = meeting.merit.growth, meeting.flock
    birds = meeting.merit.ranking["bird"]
    own = growth.deviations[growth.deviations["bird"].isin(birds)].sort_values("age_weeks", kind="stable")
    own = own.assign(grams=flock.weights["grams"].reindex(own["row"]).to_numpy(float))
    at: dict[str, list[AtAge]] = {}
    for section in weighed_sections(flock.standard):
        seen = meeting.merit.points.in_section(section.name)
        young = seen[~seen["group"].isin(GROWN.values()) & seen["value"].notna()]
        for row in each(young.reset_index()):
            here = AtAge(section.at_weeks or 0.0, section.band.get(row.group), row.value, row.se)
            at.setdefault(row.bird, []).append(here)
    return {
        str(bird): Grown(
            str(bird), str(rows["sex"].iloc[0]), rows["age_weeks"].to_numpy(float), rows["grams"].to_numpy(float),
            tuple(at.get(bird, ())),
        )
        for bird, rows in own.groupby("bird", sort=False)
    }  # fmt: skip


_LEGEND = (
    "On each card: a bird's points beside the mean of its group (tick); its weighings on the growth curve of its sex, "
    "with the standard's band at its age (box); and why it stands above or below the bird at the edge."
)
MOST_REASONS = 4
MOST_KIN = 2
"""Kinds of relatives that a card's family line names, and birds of each: the nearest."""
_LEAST = 0.05
"""Points of merit under which a reason is not worth a line."""


def cards(meeting: Meeting, path: str | Path | None = None) -> Fragment:
    """Cards of the birds at stake (kept, in reserve, to be looked at again), and a line for each of the others.

    `path` is the flock's folder: its birds' photos stand on their cards, and files that are none are named.
    """
    looked_up = _Box(meeting, path)
    pieces: list[Markup] = [paragraph(_LEGEND, "small"), relatives(meeting)]
    for name, group in meeting.verdicts.groups.items():
        if not len(group.table):
            continue
        stake = group.table["stands"].isin(["keep", "reserve"]) | (group.table["proposed"] == "look again")
        inside = join(_card(looked_up, row) for row in each(group.table[stake]))
        others = [_line(looked_up, r) for r in each(group.table[~stake]) if looked_up.notes[r.bird]]
        pieces += [
            heading(name.capitalize()),
            Fragment('<div class="cards">{}</div>').format(inside),
            *([paragraph("Of the others", "lead"), bullets(others, "small")] if others else []),
        ]
    if len(pieces) < 3:
        return paragraph("No candidates, so no cards.", "quiet")
    left_out = [] if looked_up.album is None else looked_up.album.left_out
    return join(
        [*pieces, *([paragraph("Photos left out", "lead"), bullets(left_out, "small")] if left_out else [])]
    )


def staying(meeting: Meeting) -> list[str]:
    """The birds that stand at keep or reserve, group by group."""
    table = meeting.verdicts.table
    return table.loc[table["stands"].isin(["keep", "reserve"]), "bird"].tolist()


def relatives(meeting: Meeting) -> Fragment:
    """Who of the kept and the reserve is related to whom, and how, in words."""
    birds = staying(meeting)
    relations, of = _relations(meeting), called(meeting.flock)
    rows = [
        {"bird": f"{of(bird)}", "how": sentence("; ".join(lines))}
        for bird in birds
        if (lines := relations.family_line(bird, [other for other in birds if other != bird], of=of))
    ]
    if len(birds) < 2:
        return Fragment("")
    none = "None of the kept and the reserve is related to another, as far as is known."
    shown = table(
        rows,
        {"bird": "Bird", "how": "To the others that stay"},
        "Relatives among them",
        empty=none,
        kind="stack",
    )
    return fold("How the kept and the reserve are related", shown, on_paper=False)  # each card says its own


def _relations(meeting: Meeting) -> Relations:
    birds = meeting.flock.birds
    return Relations(meeting.merit.pedigree, dict(zip(birds["bird"], birds["sex"], strict=True)))


def card(meeting: Meeting, bird: str) -> Fragment:
    """One candidate's card. Raises KeyError where the bird is no candidate."""
    rows = meeting.verdicts.table
    found = rows[rows["bird"] == bird]
    if found.empty:
        raise KeyError(f"{bird} is no candidate of this meeting")
    return _card(_Box(meeting), next(each(found)))


class _Box:
    """What the cards look up, gathered once for all of them: each a mapping by bird."""

    def __init__(self, meeting: Meeting, path: str | Path | None = None) -> None:
        self.meeting, self.path = meeting, path

    @cached_property
    def called(self) -> Callable[[str], Called]:
        return called(self.meeting.flock)

    @cached_property
    def album(self) -> Album | None:
        """The birds' photos; None where no folder is told."""
        flock = self.meeting.flock
        return album(self.path, flock.birds["bird"], flock.plan.on) if self.path else None

    @property
    def season(self) -> int:
        return self.meeting.flock.plan.season

    @cached_property
    def relations(self) -> Relations:
        return _relations(self.meeting)

    @cached_property
    def staying(self) -> list[str]:
        return staying(self.meeting)

    @cached_property
    def differ(self) -> dict[str, list[Any]]:
        """Rows of what judges of one bird differ on, by bird."""
        found: dict[str, list[Any]] = {}
        for row in each(disagreements(self.meeting.merit.points, self.meeting.flock.standard)):
            found.setdefault(row.bird, []).append(row)
        return found

    @cached_property
    def sources(self) -> Sources:
        merit = self.meeting.merit
        return Sources(self.meeting.flock, merit.points, merit.growth, merit.pedigree)

    @cached_property
    def ranking(self) -> dict[str, Any]:
        return {row.bird: row for row in each(self.meeting.merit.ranking)}

    @cached_property
    def flock(self) -> dict[str, Any]:
        return {row.bird: row for row in each(self.meeting.merit.flock)}

    @cached_property
    def mates(self) -> dict[str, list[str]]:
        return clutch_mates(self.meeting)

    @cached_property
    def scored(self) -> set[str]:
        return set(self.meeting.flock.scores["bird"].dropna())

    @cached_property
    def rivals(self) -> dict[str, str]:
        groups = self.meeting.verdicts.groups.values()
        return {bird: rival for group in groups for bird, rival in rivals(self.meeting, group).items()}

    @cached_property
    def whys(self) -> dict[str, Why]:
        pairs = list(self.rivals.items())
        told = contributions_of(self.meeting.merit, self.meeting.flock, pairs) if pairs else []
        return {bird: why for (bird, _), why in zip(pairs, told, strict=True)}

    @cached_property
    def notes(self) -> dict[str, list[str]]:
        """What to know of each bird beside its place in the order: decided, barred, never seen, off a band."""
        groups = self.meeting.verdicts.groups.values()
        return {
            bird: [note.text for note in told]
            for group in groups
            for bird, told in bird_notes(self.meeting, group).items()
        }

    @cached_property
    def titles(self) -> dict[str, str]:
        return titles(self.meeting.flock.standard)

    @cached_property
    def sections(self) -> dict[str, Any]:
        return section_points(self.meeting)

    @cached_property
    def growth(self) -> dict[str, Any]:
        return growth_of(self.meeting)


def _card(box: _Box, row: Any) -> Fragment:
    """One candidate's card from its row of the verdicts."""
    merit = box.meeting.merit
    facts = facts_of(row.bird, box.sources)
    parts = (
        section_bars(box.sections[row.bird]),
        growth_picture(box.growth.get(row.bird), merit.growth),
        _against(box, row.bird),
    )
    columns = Markup("").join(Markup("<div>{}</div>").format(part) for part in parts)
    said = [*_differing(box, row.bird), *_remarks(facts)]
    more = paragraph(" ".join(said), "small") if said else Fragment("")
    return Fragment(
        '<article class="card" id="bird-{}">{}<details class="wide"><summary>Points, growth, and why</summary>'
        '<div class="three">{}</div>{}</details></article>'
    ).format(row.bird, _head(box, row, facts), columns, more)


def _line(box: _Box, row: Any) -> Markup:
    """A bird that is not at stake, in a line: what to know of it beside its place in the order."""
    said = box.notes[row.bird]
    return Markup("<b>{}</b> {}").format(box.called(row.bird), " ".join(sentence(text) for text in said))


def _head(box: _Box, row: Any, facts: Facts) -> Fragment:
    """Rings, number, verdict, what to know of it beside its place in the order, and its family."""
    name = f" {facts.name}" if facts.name else ""
    photo = box.album.latest(row.bird) if box.album else None
    known = " ".join(str(sentence(text)) for text in box.notes[row.bird])
    return Fragment("<header>{}{}<div><h4>{}{} {}</h4>{}{}{}</div></header>").format(
        "" if photo is None else photo_img(photo, f"Photo of {row.bird}", "face"),
        ring_mark(row.left, row.right, row.bird),
        row.bird,
        name,
        verdict_of(row, box.ranking[row.bird].bar),
        paragraph(known) if known else "",
        paragraph(_family(box, row.bird)),
        paragraph(_own(box, row.bird), "small"),
    )


def _family(box: _Box, bird: str) -> str:
    """Its family in a line: by whom, out of whom, and what it is to the others that stay."""
    pedigree = box.meeting.merit.pedigree
    at = int(pedigree.positions([bird])[0])
    told = {side: _parent(box, side, at) for side in ("sire", "dam")}
    if not any(told.values()):
        by = "parents not on record"
    else:
        by = f"by {told['sire'] or 'a cock not on record'} out of {told['dam'] or 'a hen not on record'}"
    if told["sire"] == told["dam"] and told["sire"]:
        by = f"of {told['sire']}"
    others = [other for other in box.staying if other != bird]
    kin = box.relations.family_line(bird, others, near=True, of=box.called, most=MOST_KIN)[:MOST_KIN]
    return sentence("; ".join([by, *kin]))


def _parent(box: _Box, side: str, at: int) -> str:
    """Who one parent is, or among how many; stock never seen here as such; blank: not on record."""
    pedigree = box.meeting.merit.pedigree
    possible = parents(pedigree, side, at)
    if not possible:
        return ""
    name = pedigree.birds[possible[0][0]]
    if name in pedigree.stood:
        return f"unseen stock of {pedigree.stood[name]}" if pedigree.stood[name] else ""
    if len(possible) > 1:
        return f"one of {len(possible)} {'cocks' if side == 'sire' else 'hens'}"
    return f"{box.called(name)}"


def _differing(box: _Box, bird: str) -> list[str]:
    """Who gave what on which day where judges differ."""
    by_section: dict[str, list[str]] = {}
    for row in box.differ.get(bird, []):
        days = listed(
            f"{on.day} {on:%B}" + (f" {on.year}" if on.year != box.season else "") for on in row.days
        )
        by_section.setdefault(row.section, []).append(f"{row.judge} {row.points:.4g} ({days})")
    said = [f"{box.titles.get(name, name)} {', '.join(who)}" for name, who in by_section.items()]
    return [f"Judges differ, their own levels taken off: {'; '.join(said)}."] if said else []


def _own(box: _Box, bird: str) -> str:
    """When it hatched, what it is itself beside what it passes on, and how its clutch mates stand beside it."""
    flock = box.flock[bird]
    said = [f"hatched {facts_of(bird, box.sources).hatched}"]
    if not missing(flock.own_value):
        said.append(f"own value {spread(flock.own_value, flock.own_value_se)}")
    if mates := box.mates.get(bird, []):
        seen = len(box.scored.intersection(mates)) or "none"
        better = sum(box.flock[mate].merit > flock.merit for mate in mates)
        said.append(
            f"{counted(len(mates), 'clutch mate')}, {seen} scored, {better or 'none'} with more merit"
        )
    return str(sentence("; ".join(said)))


def clutch_mates(meeting: Meeting) -> dict[str, list[str]]:
    """The other birds of each bird's clutch, gone ones included, by bird of a known clutch."""
    birds = meeting.flock.birds.dropna(subset="clutch")
    together = birds.groupby("clutch")["bird"].agg(list)
    return {
        bird: [mate for mate in together[clutch] if mate != bird]
        for bird, clutch in zip(birds["bird"], birds["clutch"], strict=True)
    }


def _against(box: _Box, bird: str) -> Fragment:
    """Why it stands above or below the bird it is measured against: the largest contributions."""
    why = box.whys.get(bird)
    lines = reasons(why, box.titles) if why else []
    if why is None or not lines:
        return Fragment("")
    word = "above" if why.difference >= 0 else "below"
    lead = f"Why {abs(why.difference):.1f} points of merit {word} {box.called(why.second)}"
    return join([paragraph(lead, "lead"), bullets(lines, "small")])


def rivals(meeting: Meeting, group: Group) -> dict[str, str]:
    """The bird at the edge that each open bird is measured against: the first not kept, or the last kept."""
    ranked = meeting.merit.ranking.set_index("bird")["rank"]
    table = group.table[group.table["bird"].isin(group.open)]
    kept = table.loc[table["stands"] == "keep", "bird"]
    others = table.loc[table["stands"] != "keep", "bird"]
    if kept.empty or others.empty:
        return {}
    last, first = max(kept, key=ranked.get), min(others, key=ranked.get)
    return dict.fromkeys(kept, first) | dict.fromkeys(others, last)


def titles(standard: Standard) -> dict[str, str]:
    """What each section and trait is called in a sentence, by its name on the forms."""
    named = {s.name: s.title for s in standard.sections} | {m.name: m.title for m in standard.measured}
    return {name: title[:1].lower() + title[1:] for name, title in named.items() if title}


def reasons(why: Why, named: Mapping[str, str], most: int = MOST_REASONS) -> list[str]:
    """The largest contributions to a difference, by whose they are, and what is left of it; `named`: traits' titles."""
    rows = why.table[why.table["points"].abs() >= _LEAST].head(most)
    said = [
        f"{whose}: {', '.join(f'{named.get(r.trait, r.trait)} {signed(r.points)}' for r in each(part))}"
        for whose, part in rows.groupby("whose", sort=False)
    ]
    rest = why.difference - float(rows["points"].sum())
    return [*said, f"everything else: {signed(rest)}"] if said else []


def _remarks(facts: Facts) -> list[str]:
    """Faults seen; what is not known of it shows in its bars, its growth and its family."""
    faults = [f"{f.name}{' (serious)' if f.serious else ''}, {f.seen}" for f in facts.faults]
    return [f"Faults seen: {'; '.join(faults)}."] if faults else []
