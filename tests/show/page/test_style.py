"""Colours are told apart by every reader: with the three common colour-vision deficiencies, and in grey print."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE

from selection.show.page.style import MARKERS, RINGS, SERIES, VERDICT_MARKERS, VERDICTS, ring_mark
from selection.show.sections.candidates import verdict_word

TOLD_APART = 8.0
"""CAM02-UCS units; 1 is just noticeable side by side, some 10 apart from a glance (Luo, Cui and Li 2006)."""


def seen(colour: str, deficiency: str | None) -> np.ndarray:
    """A colour as a reader without one kind of cone sees it (Machado, Oliveira and Fernandes 2009, by the library)."""
    rgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    if deficiency is None:
        return rgb
    space = {"name": "sRGB1+CVD", "cvd_type": deficiency, "severity": 100}
    return np.clip(cspace_convert(rgb, space, "sRGB1"), 0, 1)


@pytest.mark.parametrize("deficiency", [None, "deuteranomaly", "protanomaly", "tritanomaly"])
@pytest.mark.parametrize("colours", [SERIES, tuple(VERDICTS.values())], ids=["series", "verdicts"])
def test_any_two_colours_are_told_apart(colours: tuple[str, ...], deficiency: str | None) -> None:
    apart = {
        (a, b): float(deltaE(seen(a, deficiency), seen(b, deficiency), input_space="sRGB1"))
        for a, b in combinations(colours, 2)
    }
    assert min(apart.values()) >= TOLD_APART, min(apart.items(), key=lambda pair: pair[1])


def test_without_any_colour_shapes_and_words_tell_the_same() -> None:
    assert len({*VERDICT_MARKERS.values()}) == len(VERDICTS) == len(VERDICT_MARKERS)
    assert len({*MARKERS}) == len(SERIES) == len(MARKERS)
    for verdict in (*VERDICTS, "barred"):
        assert f">{verdict}<" in verdict_word(verdict)
    for colour in RINGS:
        mark = ring_mark(colour, colour, "26-001")
        assert f"L {colour}" in mark and f"R {colour}" in mark
