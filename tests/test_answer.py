"""The base of every answer: what it says of itself, and that nothing typed becomes markup."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import pandas as pd
import pytest

from selection.answer import LEVEL, REACH, REPR_LINES, TAILS, Answer, Kind, Note, notes


@dataclass(frozen=True, repr=False)
class Count(Answer):
    """An answer with two frames."""

    TITLE = "Birds counted"
    CSV = "ranking"
    TABLES = ("table", "others")

    table: pd.DataFrame
    others: pd.DataFrame
    notes: tuple[Note, ...] = ()


@pytest.fixture
def count() -> Count:
    table = pd.DataFrame({"bird": ["26-001", "<b>Bess</b>"], "merit": [1.25, None]})
    facts = (
        Note(Kind.CANNOT, None, "Nobody looked."),
        Note(Kind.FOUND, "pullets", "two <i>kept</i>."),
        Note(Kind.FOUND, "hens", "none."),
        Note(Kind.ADVICE, None, "Look again."),
    )
    return Count(table, table.head(1), facts)


def test_the_interval_is_one_throughout() -> None:
    # the normal quantile: Python's statistics.NormalDist
    assert pytest.approx(NormalDist().inv_cdf((1 + LEVEL) / 2), abs=5e-4) == REACH
    assert TAILS[1] - TAILS[0] == pytest.approx(LEVEL)


def test_tables_are_keyed_by_the_file_they_are_written_as(count: Count) -> None:
    assert list(count.tables) == ["ranking", "others"]
    assert count.tables["ranking"] is count.table


def test_sentences_and_what_cannot_be_said_are_chosen_by_kind(count: Count) -> None:
    assert count.sentences == ("pullets: two <i>kept</i>.", "hens: none.")
    assert count.cannot == ("Nobody looked.",)
    assert count.texts(Kind.FOUND, about="hens") == ("none.",)
    assert count.texts(Kind.ADVICE, Kind.CANNOT) == ("Nobody looked.", "Look again.")


def test_a_summary_shows_the_table_the_notes_in_order_and_the_sizes(count: Count) -> None:
    page = count.summary()
    assert page.startswith("Birds counted\n")
    assert "26-001" in page and "ranking (2 × 2), others (1 × 2)" in page
    assert page.index("- pullets: two") < page.index("- Look again.") < page.index("- Nobody looked.")
    assert max(map(len, page.splitlines())) <= 100


def test_a_page_counts_what_it_leaves_out(count: Count) -> None:
    many = Count(count.table, count.others, notes(Kind.FOUND, [f"Fact {i}." for i in range(13)]))
    page = many.summary()
    assert "Fact 9." in page and "Fact 10." not in page and "and 3 more" in page
    assert "Fact 12." in many._repr_html_()


def test_html_escapes_what_was_typed(count: Count) -> None:
    html = count._repr_html_()
    assert "<b>Bess" not in html and "&lt;b&gt;Bess" in html
    assert "<i>kept" not in html and "&lt;i&gt;kept" in html


def test_repr_fits_in_ten_lines_however_much_there_is() -> None:
    class Wide(Count):
        TABLES = tuple(f"a_long_name_of_a_table_{i}" for i in range(90))

        def __getattr__(self, name: str) -> pd.DataFrame:
            return self.table

    table = pd.DataFrame({"bird": range(500)})
    said = repr(Wide(table, table, ()))
    assert len(said.splitlines()) == REPR_LINES
    assert said.startswith("<Wide: Birds counted>") and said.endswith("summary() prints a page.")
