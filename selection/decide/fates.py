"""What becomes of every living bird: the fate that the decisions, the verdicts and the plan give it, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from selection.decide.wording import each
from selection.merit.candidates import rings_worn
from selection.records.after_meeting import season_decisions, standing_decisions
from selection.records.flock import Flock

if TYPE_CHECKING:
    from selection.decide.prices.prices import Prices
    from selection.decide.verdicts.verdicts import Verdicts

FATES = ("keep", "reserve", "sell", "open")
"""What a living bird may stand at; `open`: neither plan nor decision settles it."""
DECIDED, VERDICT, NO_LINE, EARLIER = "decided", "verdict", "no_line", "earlier"
"""On what a fate rests: a decision of the season, the meeting's verdict, no line of the plan's [keep] that takes a
bird of the season, a decision of an earlier season to sell."""
NOT_ASKED, NO_SEX = "not_asked", "no_sex"
"""Why a bird stands open: the plan asks nothing of it, or its sex is not known."""
FATE_COLUMNS = (
    "bird", "name", "left", "right", "sex", "hatch_year", "clutch", "pen", "group", "stands", "sold_as", "price",
    "lot", "why",
)  # fmt: skip


def fates(flock: Flock, verdicts: Verdicts) -> pd.DataFrame:
    """One row for each living bird with a number: bird, stands (one of FATES), by (on what it rests).

    In this order: a decision of the season; the bird's verdict; `sell` for a bird of the season with a sex that
    no line of [keep] takes; `sell` where its last decision of an earlier season was that; else `open`.
    """
    birds = flock.birds[flock.birds["alive"]].reset_index(drop=True)
    table = verdicts.table.drop_duplicates("bird").set_index("bird")["stands"]
    decided = birds["bird"].map(season_decisions(flock).set_index("bird")["decided"])
    verdict = birds["bird"].map(table)
    young = birds["hatch_year"] == flock.plan.season
    sexed = birds["sex"].isin(["male", "female"])
    gone_by_then = birds["bird"].map(standing_decisions(flock).set_index("bird")["decided"]) == "sell"
    cases = [decided.notna(), verdict.notna(), young & sexed, ~young & gone_by_then, young]
    return pd.DataFrame(
        {
            "bird": birds["bird"],
            "stands": np.select(cases, [decided, verdict, "sell", "sell", "open"], "open"),
            "by": np.select(cases, [DECIDED, VERDICT, NO_LINE, EARLIER, NO_SEX], NOT_ASKED),
        }
    )


def flock_table(flock: Flock, verdicts: Verdicts, prices: Prices) -> pd.DataFrame:
    """flock.csv: every living bird once, with columns COLUMNS.

    `group`, `pen`, `clutch`, the colours and `name` are missing where there is none; `sold_as` and `price` (of the
    bird, Decimal) are those of `prices` where the bird is to be sold, else missing; `lot` is the label of the birds it
    goes with for one price, where it goes with others.
    """
    found = fates(flock, verdicts)
    birds = flock.birds.set_index("bird").loc[found["bird"]]
    offered = prices.table.dropna(subset="bird").set_index("bird")[["sold_as", "price"]]
    asked = offered.reindex(found["bird"].where(found["stands"] == "sell")).astype(object)
    groups = verdicts.table.drop_duplicates("bird").set_index("bird")["group"]
    columns = {
        "name": birds["name"].to_numpy(),
        "sex": birds["sex"].to_numpy(),
        "hatch_year": birds["hatch_year"].astype("Int64").to_numpy(),
        "clutch": birds["clutch"].to_numpy(),
        "pen": found["bird"].map(pens_now(flock)),
        "group": found["bird"].map(groups),
        "sold_as": asked["sold_as"].where(asked["sold_as"].notna(), None).to_numpy(),
        "price": asked["price"].where(asked["price"].notna(), None).to_numpy(),
        "lot": found["bird"]
        .map(_lots(prices))
        .astype(object)
        .where(found["stands"] == "sell", None)
        .to_numpy(),
        "why": _why(flock, verdicts, found),
    }
    table = found.join(rings_worn(flock), on="bird").assign(**columns)
    return table.astype({"hatch_year": "Int64"})[list(FATE_COLUMNS)]


def _lots(prices: Prices) -> dict[str, str]:
    """By bird the label of its lot; birds offered alone have none."""
    return {bird: row.offer for row in each(prices.lots) for bird in row.birds}


def pens_now(flock: Flock) -> pd.Series:
    """The pen each bird stands in on the plan's day, by bird; the one it came to last where several are written."""
    day = pd.Timestamp(flock.plan.on)
    there = flock.pens[(flock.pens["from"] <= day) & ~(flock.pens["to"] <= day)]
    return (
        there.sort_values("from", kind="stable").drop_duplicates("bird", keep="last").set_index("bird")["pen"]
    )


def _why(flock: Flock, verdicts: Verdicts, found: pd.DataFrame) -> list[str]:
    """In words on what each fate rests."""
    made = {row.bird: row for row in each(season_decisions(flock))}
    before = {row.bird: row for row in each(standing_decisions(flock))}
    reasons = dict(
        zip(verdicts.table["bird"], verdicts.table.get("reason", verdicts.table["bird"]), strict=True)
    )
    sexes = dict(zip(flock.birds["bird"], flock.birds["sex"], strict=True))
    words = {
        DECIDED: lambda bird: f"{_how(made[bird])} on {_decision(made[bird])}",
        VERDICT: lambda bird: reasons[bird],
        NO_LINE: lambda bird: (
            f"no line of the plan takes a {'cockerel' if sexes[bird] == 'male' else 'pullet'} of its origin"
        ),
        EARLIER: lambda bird: f"decided in an earlier season, on {_decision(before[bird])}, and not yet gone",
        NOT_ASKED: lambda bird: "the plan asks nothing of older birds of its sex, and nothing was decided",
        NO_SEX: lambda bird: "its sex is not recorded, so it stands in no group",
    }
    return [words[row.by](row.bird) for row in each(found)]


def _how(row: Any) -> str:
    return "settled as proposed" if row.settled == "yes" else "decided"


def _decision(row: Any) -> str:
    """A decision in words: its day, the word, and who and why where they are on record."""
    why = f" ({row.why})" if isinstance(row.why, str) else ""
    return f"{row.on:%Y-%m-%d}: {row.decided}{why}"
