"""The points in words: what judges differ by, how far looks agree, and what cannot be told."""

from __future__ import annotations

import pandas as pd

from selection.records.settings.reading import Standard
from selection.standard.judges import Judged
from selection.standard.looks import CARD

LEAST_TWICE = 5
"""Second looks from which it is said how far looks at one bird agree: of fewer the interval says next to nothing."""


def say(
    standard: Standard, birds: pd.DataFrame, looks: pd.DataFrame, judged: Judged, size: pd.DataFrame
) -> tuple[str, ...]:
    """Sentences on the points, most important first; `birds` and `size` are those of the living."""
    if looks["total"].isna().all():
        return ("No bird has been scored.", *_about_size(size))
    sections = judged.agreement[judged.agreement["section"] != CARD]
    return (
        *_about_judges(judged.judges, looks),
        *_about_agreement(sections),
        *_about_unseen(standard, birds),
        *_about_cards(looks),
        *_about_size(size),
    )


def _about_judges(judges: pd.DataFrame, looks: pd.DataFrame) -> list[str]:
    """Who looked, who cannot be compared, and the levels of the last season."""
    named = sorted(looks.loc[looks["bird"].notna(), "judge"].unique())
    if len(named) == 1:
        return [f"All looks are {named[0]}'s: nothing tells the judge's level from the birds'."]
    said = [
        f"{season}: no bird ties {_join(sorted(set(untied['judge'])))} "
        f"in {_join(list(untied['section'].unique()))}: what they differ by is not taken off."
        for season, untied in judges[judges["tied"] == "no"].groupby("season")
    ]
    last = judges[(judges["season"] == judges["season"].max()) & (judges["section"] != CARD)]
    total = last.groupby("judge")["level"].sum()
    if total.abs().max() > 0:
        levels = _join([f"{judge} {level:+.1f}" for judge, level in total.items()])
        said.append(
            f"Judges' levels in {last['season'].max()}, over all sections: {levels} points; taken off."
        )
    return said


def _about_agreement(sections: pd.DataFrame) -> list[str]:
    """The best and the least repeatable section, and why others cannot be told."""
    told = sections.dropna(subset=["repeatability"]).sort_values("repeatability")
    few = told["looks"] - told["birds"] < LEAST_TWICE
    said = []
    if few.any():
        said.append(
            f"How far two looks at one bird agree in {_join(list(told.loc[few, 'section']))}: too few to say."
        )
    told = told[~few]
    if len(told):
        best, least = told.iloc[-1], told.iloc[0]
        said.append(
            f"Two looks at one bird agree best in {_repeats(best)}"
            + (f" and least in {_repeats(least)}." if len(told) > 1 else ".")
        )
    for why, rows in sections[sections["repeatability"].isna()].groupby("why", sort=False):
        said.append(f"Repeatability of {_join(list(rows['section']))} cannot be told: {why}.")
    return said


def _repeats(row: pd.Series) -> str:
    interval = f"{row['low']:.2f} to {row['high']:.2f}"
    return f"{row['section']} (repeatability {row['repeatability']:.2f}, {interval})"


def _about_unseen(standard: Standard, birds: pd.DataFrame) -> list[str]:
    """How many birds' points rest on part of the standard, and sections that nobody scored."""
    whole = sum(s.points for s in standard.sections)
    partly = int(((birds["points_seen"] > 0) & (birds["points_seen"] < whole)).sum())
    never = [s.name for s in standard.sections if birds[s.name].isna().all()]
    said = []
    if partly:
        words = "not seen in every section: compare by points of 100, not by points."
        said.append(f"{_were(partly, 'bird')} {words}")
    if never:
        said.append(f"Nobody has scored {_join(never)}: the usual share of points is taken for it.")
    return said


def _about_cards(looks: pd.DataFrame) -> list[str]:
    cards = int(looks["on_card"].sum())
    said = f"Old show cards with a total alone: {cards}; where sections were scored these go before."
    return [said] if cards else []


def _about_size(size: pd.DataFrame) -> list[str]:
    """Weights carried on beyond the last weighing, and birds weighed too young."""
    carried = int((size["points"].notna() & size["why"].str.contains("carried on")).sum())
    young = int(size["why"].str.contains("too young").sum())
    said = []
    if carried:
        said.append(f"{_were(carried, 'weight')} carried on over 4 weeks beyond the last weighing.")
    if young:
        said.append(f"{_were(young, 'bird')} weighed only as young chicks: size is not told but predicted.")
    return said


def _were(number: int, thing: str) -> str:
    """A count with its verb: 1 bird was, 3 birds were."""
    return f"{number} {thing} was" if number == 1 else f"{number} {thing}s were"


def _join(names: list[str]) -> str:
    """Names as a sentence has them: a, b and c."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
