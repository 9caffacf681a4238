"""When each bird hatched and when it went, from all that was recorded of it."""

from __future__ import annotations

import pandas as pd

from selection.records.typed import folded


def first_clutch(birds: pd.DataFrame) -> pd.Series:
    """The (first) clutch of each bird, folded for comparing; blank where it has none."""
    return folded(birds["clutch"].str.split(";").str[0]).replace("", None).astype("str")


def of_clutch(birds: pd.DataFrame, clutches: pd.DataFrame, column: str) -> pd.Series:
    """What `column` of the clutches says for each bird's (first) clutch; blank where there is none."""
    by_label = clutches.drop_duplicates("clutch").set_index("clutch")[column]
    by_label.index = folded(by_label.index.to_series()).to_numpy()
    return first_clutch(birds).map(by_label)


def hatch_days(birds: pd.DataFrame, clutches: pd.DataFrame) -> pd.DataFrame:
    """When each bird hatched: `hatched`, and the `earliest` and `latest` day that may be meant (datetime64).

    The bird's own date counts before its clutch's. A bare year is taken as 1 April, and may be any of its
    days. NaT where nothing tells it.
    """
    bare = birds["hatched_on"].str.fullmatch(r"\d{4}").fillna(False).astype(bool)
    days = {
        name: pd.to_datetime(birds["hatched_on"].where(~bare, birds["hatched_on"] + in_year))
        .astype("datetime64[s]")
        .fillna(of_clutch(birds, clutches, "hatched_on"))
        for name, in_year in (("hatched", "-04-01"), ("earliest", "-01-01"), ("latest", "-12-31"))
    }
    return pd.DataFrame(days, index=birds.index).astype("datetime64[s]")


def with_sales(birds: pd.DataFrame, sales: pd.DataFrame) -> pd.DataFrame:
    """`birds` with `gone_on` and `gone_why` filled from the last sale of a bird that has no day recorded."""
    if sales.empty:
        return birds
    last = sales.sort_values("on", kind="stable").drop_duplicates("bird", keep="last")
    sold = folded(birds["bird"]).map(pd.Series(last["on"].to_numpy(), index=folded(last["bird"]).to_numpy()))
    marks = birds["gone_on"].isna() & sold.notna()
    return birds.assign(
        gone_on=birds["gone_on"].fillna(sold).astype("datetime64[s]"),
        gone_why=birds["gone_why"].mask(marks & birds["gone_why"].isna(), "sold"),
    )
