"""The laying answer in words: what the counts say, and what they cannot."""

from __future__ import annotations

import pandas as pd

from selection.compare.laying.ahead import day_of

MOST_OF_A_YEAR = 330
"""Days between first and last count from which a season is nearly a year."""


def say(table: pd.DataFrame, decline: pd.DataFrame, due: pd.DataFrame) -> tuple[str, ...]:
    """The last season's rows, the decline with age, and who is due to go."""
    last = table[table["season"] == table["season"].max()]
    return (
        *(_rate(row) for row in last.to_dict("records")),
        *(_step(row) for row in decline.to_dict("records")),
        *_due(due),
    )


def _rate(row: dict) -> str:
    years = named(row["hatch_year"])
    hens = f"{row['hens']} hen{'s' * (row['hens'] != 1)} of {years}"
    together = " together (the counts do not tell them apart)" if row["separable"] == "no" else ""
    return (
        f"{row['season']}: {hens}{together} laid {row['rate']:.2f} eggs a hen-day ({row['low']:.2f} to "
        f"{row['high']:.2f}) on {row['hen_days']} counted hen-days."
    )


def named(hatch_years: str) -> str:
    """Hatch years of a row in words: `2023+2024+2025` is 2023, 2024 and 2025."""
    *first, last = hatch_years.split("+")
    return f"{', '.join(first)} and {last}" if first else last


def _step(row: dict) -> str:
    later, earlier = row["step"].split(" after ")
    speaks = (
        "so the counts say" if row["told"] == "yes" else "mostly the published value: the counts add little"
    )
    return (
        f"In laying season {later} hens lay {row['decline']:.2f} of season {earlier}'s rate ({row['low']:.2f} to "
        f"{row['high']:.2f}; published {row['published']:.2f} ± {row['published_sd']:.2f}); {speaks}."
    )


def _due(due: pd.DataFrame) -> list[str]:
    """The hens of the highest age, and what is expected of them."""
    oldest = due[due["laying_season"] == due["laying_season"].max()] if len(due) else due
    if oldest.empty:
        return []
    rates = [f"{rate:.2f}" for rate in (oldest["rate"].min(), oldest["rate"].max())]
    season = int(oldest["laying_season"].iloc[0])
    return [
        f"Due to go first by age: {', '.join(oldest['bird'])}; in laying season {season} next year "
        f"{' to '.join(dict.fromkeys(rates))} eggs a hen-day are expected."
    ]


def cannot_say(table: pd.DataFrame, cells: pd.DataFrame, own: pd.DataFrame, worth: bool) -> tuple[str, ...]:
    """What the counts cannot tell, and why."""
    last = table[table["season"] == table["season"].max()]
    return (
        FAIR,
        *(
            f"{row['season']}: {named(row['hatch_year'])} cannot be told apart: {row['why']}."
            for row in last[last["separable"] == "no"].to_dict("records")
        ),
        *_short(cells),
        *_not_known(table),
        *_merit(own, worth),
    )


FAIR = (
    "Age, season and hatch year cannot all be told apart, for age is season less hatch year. Compare hatch years at "
    "one age, and their seasons differ as well; within one season, and their ages do. Which of the two made a "
    "difference is known only as far as the published decline is believed."
)
"""Which comparisons are fair; also the footing of the chart by age."""


def _short(cells: pd.DataFrame) -> list[str]:
    last = cells[cells["season"] == cells["season"].max()]
    first, end = last["first"].min(), last["last"].max()
    if (end - first).days + 1 >= MOST_OF_A_YEAR:
        return []
    return [
        f"Counted from {day_of(first)} to {day_of(end)} only: rates are of those days, and eggs a year are not worked "
        "out from them."
    ]


def _not_known(table: pd.DataFrame) -> list[str]:
    if not table["hatch_year"].str.contains("not known").any():
        return []
    return ["Hens whose hatch year is not known stand in a row of their own; their age is not known either."]


def _merit(own: pd.DataFrame, worth: bool) -> list[str]:
    if len(own):
        return []
    why = "no hen has egg rows of her own, so that only hatch years are compared"
    return [f"Laying does not enter merit: {why}." if worth else f"No single hen's laying is known: {why}."]
