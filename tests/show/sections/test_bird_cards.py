"""The meeting's cards: face, family in a line, who stays related to whom, and who said what where judges differ."""

from __future__ import annotations

from dataclasses import replace
from html import unescape
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
from PIL import Image

from selection.merit.candidates import called
from selection.merit.relationship.relations import Relations
from selection.show.sections.bird_cards import _Box, _differing, _family, cards, growth_of, relatives, staying
from selection.standard.bands import weighed_sections
from selection.standard.points import disagreements
from selection.standard.traits import measure_of
from tests.merit.tiny import STANDARD
from tests.show import held


def test_a_card_shows_the_photo_of_its_bird_and_a_file_that_is_none_is_named(tmp_path: Path) -> None:
    meeting = held.meeting()
    first, second, *_ = staying(meeting)
    (tmp_path / "photos").mkdir()
    Image.new("RGB", (90, 60), "brown").save(tmp_path / "photos" / f"{first}.jpg")
    (tmp_path / "photos" / f"{second}.jpg").write_text("<svg onload='alert(1)'/>")
    page = str(cards(meeting, tmp_path))
    assert page.count('<img class="face"') == 1
    article = next(part for part in page.split("<article")[1:] if 'class="face"' in part)
    assert f'id="bird-{first}"' in article and f'alt="Photo of {first}"' in article
    assert f"{second}.jpg: not a picture" in page
    assert 'class="face"' not in str(cards(meeting))


def test_a_family_line_says_by_whom_out_of_whom_and_whose_kin_it_is() -> None:
    meeting = held.meeting()
    box = _Box(meeting)
    stays = staying(meeting)
    home = [b for b in stays if meeting.flock.birds.set_index("bird").loc[b, "clutch"] == b[:2] + "-H1"]
    for bird in home or stays:
        line = _family(box, bird)
        assert line.startswith(("By ", "Of unseen stock of ", "Parents not on record"))
        for other in stays:
            words = box.relations.between(bird, other).words if other != bird else ""
            if words.endswith(("brother", "sister")) and "'s" not in words:
                assert other in line, (bird, other, line)


def test_those_that_stay_are_told_how_they_are_related() -> None:
    meeting = held.meeting()
    birds = meeting.flock.birds
    known = Relations(meeting.merit.pedigree, dict(zip(birds["bird"], birds["sex"], strict=True)))
    page = unescape(str(relatives(meeting)))
    stays = staying(meeting)
    related = [b for b in stays if known.family_line(b, [o for o in stays if o != b])]
    assert related and all(f">{called(meeting.flock)(bird)}</th>" in page for bird in related)


def points(*rows: tuple[int, str, str, str, float, float]) -> SimpleNamespace:
    """Looks of one row each; row 0 is of a year before the others, which are of 1 August 2026 and the days after."""
    frame = pd.DataFrame(rows, columns=["row", "bird", "judge", "section", "points", "adjusted"])
    days = pd.Timestamp("2026-07-31") + pd.to_timedelta(frame["row"], unit="D")
    frame["on"] = days.mask(frame["row"] == 0, pd.Timestamp("2025-09-26"))
    return SimpleNamespace(
        looks=frame.drop_duplicates("row")[["row", "bird", "judge", "on"]],
        given=frame[["row", "section", "points", "adjusted"]],
    )


def test_judges_differ_once_their_levels_are_off() -> None:
    """60 points: a tenth is 6. On x they lie 7 apart; on y 12 as given, but 2 with their levels taken off."""
    told = disagreements(
        points(
            (0, "x", "Ann", "type", 50, 48), (1, "x", "Tom", "type", 44, 41), (1, "x", "Tom", "head", 30, 30),
            (2, "y", "Ann", "type", 50, 45), (3, "y", "Tom", "type", 38, 43), (4, "z", "Ann", "type", 9, 9),
        ),
        STANDARD,
    )  # fmt: skip
    assert told[["bird", "section", "judge", "points"]].to_numpy().tolist() == [
        ["x", "type", "Ann", 50], ["x", "type", "Tom", 44],
    ]  # fmt: skip
    titles = {"type": "type and outline"}
    box = SimpleNamespace(differ={"x": list(told.itertuples())}, titles=titles, season=2026)
    assert _differing(box, "x") == [
        "Judges differ, their own levels taken off: type and outline Ann 50 (26 September 2025), Tom 44 (1 August)."
    ]
    assert _differing(box, "y") == []


def test_a_card_has_the_weight_at_the_age_of_each_weighed_section() -> None:
    meeting = held.meeting()
    flock, growth = meeting.flock, meeting.merit.growth
    [section] = weighed_sections(flock.standard)
    early = replace(section, name="early", at_weeks=16.0)
    standard = replace(flock.standard, sections=(*flock.standard.sections, early))
    tables = {s.name: measure_of(standard, s).seen(s, flock, growth) for s in (section, early)}
    points = SimpleNamespace(in_section=tables.__getitem__)
    merit = SimpleNamespace(growth=growth, ranking=meeting.merit.ranking, points=points)
    grown = growth_of(SimpleNamespace(merit=merit, flock=replace(flock, standard=standard)))
    young = {bird: one.at for bird, one in grown.items() if one.at}
    assert len(young) > 5
    for bird, at in young.items():
        assert [one.weeks for one in at] == [section.at_weeks, 16.0]
        assert at[0].grams > at[1].grams == tables["early"].loc[bird, "value"]
        assert at[1].band == early.band[grown[bird].sex]
