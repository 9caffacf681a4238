"""Ring marks: drawn and named, so that no reader depends on colour vision."""

from __future__ import annotations

import re

import pytest

from selection.show.page.style import RINGS, UNKNOWN_RING, ring_mark, ring_paint


def fills(mark: str) -> list[str]:
    return re.findall(r'<rect [^>]*fill="([^"]+)"', mark)


def texts(mark: str) -> list[str]:
    return re.findall(r"<text [^>]*>([^<]*)</text>", mark)


def test_each_leg_is_lettered_and_its_colour_drawn_and_written():
    mark = str(ring_mark("red", "blue", "26-001"))
    assert fills(mark) == [RINGS["red"], RINGS["blue"]]
    assert texts(mark) == ["L red", "R blue"]
    assert 'aria-label="26-001: left red, right blue"' in mark


def test_two_rings_on_one_leg_stand_one_over_the_other_upper_first():
    mark = str(ring_mark("red/white", None))
    tops = [float(y) for y in re.findall(r'<rect [^>]*y="([^"]+)"', mark)]
    assert fills(mark) == [RINGS["red"], RINGS["white"]]
    assert tops[0] < tops[1]
    assert "left red over white, right no ring on record" in mark


def test_a_leg_of_which_no_ring_is_on_record_has_no_colour_named():
    assert texts(str(ring_mark(None, float("nan")))) == ["L –", "R –"]


@pytest.mark.parametrize(("name", "paint"), [("Dark Blue", RINGS["blue"]), ("chartreuse", UNKNOWN_RING)])
def test_a_colour_is_painted_by_its_last_known_word_and_named_as_typed(name: str, paint: str):
    assert ring_paint(name) == paint
    assert f"L {name}" in str(ring_mark(name, None))


def test_markup_in_a_colour_is_shown_as_text():
    mark = str(ring_mark('"><script>x</script>', None))
    assert "<script>" not in mark
    assert "&lt;script&gt;" in mark


def test_a_long_name_widens_the_mark():
    def wide(mark: str) -> float:
        found = re.search(r' width="(\d+)"', mark)
        assert found is not None
        return float(found[1])

    assert wide(str(ring_mark("turquoise/turquoise", "red"))) > wide(str(ring_mark("red", "red")))
