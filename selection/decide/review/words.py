"""Looking back in words: in short, figure by figure, and what cannot be said."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.decide.review.checks import ENOUGH, LATER_MERIT, learned
from selection.decide.review.intervals import Estimate

MIDDLING = (0.4, 0.8)
"""Chances of which it is told in short what proved so: those that a coin would not settle."""


def in_short(told: pd.DataFrame, found: pd.DataFrame, given: pd.DataFrame, gain: Estimate) -> tuple[str, ...]:
    """What a reader in a hurry should know: whether predictions held, whether chances did, what was gained."""
    if told.empty:
        said = [
            "No earlier meeting is kept with this flock, so whether predictions came true cannot be said yet. This "
            "meeting is kept: the next one will be held against it."
        ]
    else:
        said = [_birds(told), *_predictions(found), *_chances(told, given)]
    if not gain.why:
        clear = "" if gain.low > 0 or gain.high < 0 else ", which may be none at all"
        said.append(
            f"Home-bred chicks gained {gain.value:+.2f} points of merit a hatch year ({gain.low:+.2f} to "
            f"{gain.high:+.2f}, over {gain.n} hatch years){clear}."
        )
    return tuple(said)


def _birds(told: pd.DataFrame) -> str:
    gone, held = learned(told), told["on"].nunique()
    meetings = f"{held} earlier meeting{'' if held == 1 else 's'}"
    doubt = f"the records since have taken {100 * gone:.0f} % of the doubt about their merit away"
    little = "" if gone >= ENOUGH else ", so that what is known now is mostly what was known then"
    return f"{told['bird'].nunique()} birds of {meetings}; {doubt}{little}."


def _predictions(found: pd.DataFrame) -> list[str]:
    """Bias of the kept and the slopes of evidence apart from the prediction, or why there are none."""
    wanted = found[(found["quantity"] == "bias") | (found["quantity"] == "slope")]
    wanted = wanted[(wanted["evidence"] != LATER_MERIT) | (wanted["quantity"] == "bias")]
    return [f"{about(row)}: {row['says']}." for _, row in wanted.iterrows()]


def _chances(told: pd.DataFrame, given: pd.DataFrame) -> list[str]:
    if learned(told) < ENOUGH:
        return ["Whether chances came true cannot be told yet: most of the doubt is still there."]
    middling = given[given["low"].notna() & given["given"].between(*MIDDLING)]
    if middling.empty:
        return ["Too few birds were given a middling chance to say what share of them proved so."]
    return [f"{row['says'][0].upper()}{row['says'][1:]}." for _, row in middling.iterrows()]


def in_full(
    told: pd.DataFrame, found: pd.DataFrame, given: pd.DataFrame, gained: pd.DataFrame, years: pd.DataFrame
) -> tuple[str, ...]:
    """Every figure that can be given, in a sentence; where birds are too few, that."""
    said = [f"{about(row)}: {row['says']}." for _, row in found.iterrows()] if len(told) else []
    enough = given[given["low"].notna()] if learned(told) >= ENOUGH else given.head(0)
    said += [f"{row['says'][0].upper()}{row['says'][1:]}." for _, row in enough.iterrows()]
    if 0 < len(enough) < len(given):
        few = ", ".join(f"{row['given']:.2f}" for _, row in given[given["low"].isna()].iterrows())
        said.append(f"Too few birds to say what share proved so of those given about {few}.")
    said += [f"{row['on']:%Y}, {row['group']}: {row['says']}." for _, row in gained.iterrows()]
    said += [f"{row['hatch_year']}: {row['says']}." for _, row in years.iterrows() if row["says"]]
    return tuple(said)


def about(row: pd.Series) -> str:
    """A figure with its interval and what it rests on."""
    name = f"{row['quantity']} against {row['evidence']}".capitalize()
    if not np.isfinite(row["value"]):
        return name
    return f"{name} {row['value']:.2f} ({row['low']:.2f} to {row['high']:.2f}, {row['n']} birds)"


def what_cannot(stood: pd.DataFrame, told: pd.DataFrame, years: pd.DataFrame) -> tuple[str, ...]:
    """What the records cannot tell of earlier meetings, and why."""
    said = []
    if len(told) < len(stood):
        said.append(
            f"{len(stood) - len(told)} birds that stood at earlier meetings are left out: alone in their group, "
            "or nothing was recorded of them or their chicks."
        )
    if len(told):
        said.append(
            "Later merit rests in part on the same records as the prediction; only looks since are evidence apart. "
            "Birds that left early were not looked at again, whichever way they would have gone."
        )
    if years.empty:
        said.append("Fewer than two hatch years of home-bred birds on record: no merit by hatch year.")
    else:
        said.append("Rearing, season and judges cannot be told apart from one year to another.")
    return tuple(said)
