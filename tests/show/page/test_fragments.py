"""Pieces of a page: escaped, labelled, and blank where nothing is known."""

from __future__ import annotations

import pandas as pd
import pytest

from selection.show.page.fragments import (
    Fragment,
    bullets,
    heading,
    join,
    paragraph,
    sentence,
    table,
)

HOSTILE = "<img src=x onerror=alert(1)>"


def test_what_was_typed_is_never_markup():
    rows = [{"bird": HOSTILE, "note": HOSTILE}]
    shown = join(
        [paragraph(HOSTILE), bullets([HOSTILE]), table(rows, {"bird": HOSTILE, "note": "Note"}, HOSTILE)]
    )
    assert "<img" not in shown
    assert shown.count("&lt;img") == 6  # the heading of the first column labels no cell


def test_a_cell_knows_its_heading_and_a_missing_one_is_blank():
    rows = pd.DataFrame({"bird": ["26-001"], "points": [float("nan")]})
    shown = table(rows, {"bird": "Bird", "points": "Points"}, "Birds", ["points"])
    assert '<td data-label="Points" class="number"></td>' in shown
    assert '<th scope="row" class="short">26-001</th>' in shown
    assert "nan" not in shown.casefold()


def test_a_table_without_rows_says_so():
    assert "No bird goes." in table([], {"bird": "Bird"}, "Birds", empty="No bird goes.")


@pytest.mark.parametrize(
    ("said", "printed"),
    [
        ("merit rests on 3 numbers", "Merit rests on 3 numbers."),
        ("26-001 stands next", "26-001 stands next."),
        ("Nothing is left.", "Nothing is left."),
        ("A look is worth it", "A look is worth it."),
    ],
)
def test_a_sentence_begins_with_a_capital_and_ends_with_a_stop(said: str, printed: str):
    assert sentence(said) == printed


def test_a_notebook_shows_a_piece_in_the_packs_style_and_nothing_for_nothing():
    assert paragraph("x")._repr_html_() == '<div class="selection"><p>x</p></div>'
    assert Fragment("")._repr_html_() == ""


def test_headings_of_the_contents_can_be_linked_to():
    assert (
        heading("Each candidate's card", 2) == '<h2 id="each-candidate-s-card">Each candidate&#39;s card</h2>'
    )
