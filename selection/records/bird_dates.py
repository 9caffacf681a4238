"""When each bird hatched and when it went, from all that was recorded of it."""

from __future__ import annotations

import pandas as pd

from selection.records.forms.schema import folded


def looked_up(keys: pd.Series, answers: pd.Series) -> pd.Series:
    """The (first) answer under each key, under the keys' own index; blank, in the answers' dtype, if none."""
    once = answers[~answers.index.duplicated()]
    return once.reindex(keys.to_numpy()).set_axis(keys.index)


def first_clutch(birds: pd.DataFrame) -> pd.Series:
    """The (first) clutch of each bird, folded for comparing; blank where it has none."""
    return folded(birds["clutch"].str.replace(r";.*", "", regex=True)).replace("", None).astype("str")


def of_clutch(birds: pd.DataFrame, clutches: pd.DataFrame, column: str) -> pd.Series:
    """What `column` of the clutches says for each bird's (first) clutch; blank where there is none."""
    return looked_up(first_clutch(birds).fillna(""), clutches[column].set_axis(folded(clutches["clutch"])))


def hatch_days(birds: pd.DataFrame, clutches: pd.DataFrame) -> pd.DataFrame:
    """When each bird hatched: `hatched`, and the `earliest` and `latest` day that may be meant (datetime64).

    The bird's own date counts before its clutch's. A bare year is taken as 1 April, and may be any of its
    days. NaT where nothing tells it.
    """
    own, clutch = birds["hatched_on"], of_clutch(birds, clutches, "hatched_on")
    bare = own.str.fullmatch(r"\d{4}").fillna(False).astype(bool)
    day = pd.to_datetime(own.where(~bare, own + "-01-01")).astype("datetime64[s]").fillna(clutch)
    days = {"hatched": day, "earliest": day, "latest": day}
    if bare.any():
        days["hatched"] = day.mask(bare, pd.to_datetime(own[bare] + "-04-01").astype("datetime64[s]"))
        days["latest"] = day.mask(bare, pd.to_datetime(own[bare] + "-12-31").astype("datetime64[s]"))
    return pd.DataFrame(days, index=birds.index).astype("datetime64[s]")


def with_sales(birds: pd.DataFrame, sales: pd.DataFrame) -> pd.DataFrame:
    """`birds` with `gone_on` and `gone_why` filled from the last sale of a bird that has no day recorded."""
    last = sales.sort_values("on", kind="stable", ascending=False)
    sold = looked_up(folded(birds["bird"]), last["on"].set_axis(folded(last["bird"])))
    marks = birds["gone_on"].isna() & sold.notna()
    return birds.assign(
        gone_on=birds["gone_on"].fillna(sold).astype("datetime64[s]"),
        gone_why=birds["gone_why"].mask(marks & birds["gone_why"].isna(), "sold"),
    )
