"""Who stands for election: the groups of the plan, and what bars a bird from breeding whatever its merit."""

from __future__ import annotations

import pandas as pd

from selection.records.flock import Flock

YOUNG = {"cockerels": "male", "pullets": "female"}
GROWN = {"cocks": "male", "hens": "female"}


def candidates(flock: Flock) -> pd.DataFrame:
    """One row a candidate of the plan's season: bird, left, right, group, bar (missing: not barred).

    Cockerels and pullets are living birds of the plan's sex and origins hatched in its season, scored or not;
    standing cocks and hens are any older living ones.
    """
    parts = [_members(flock, group) for group in flock.plan.keep]
    columns = ["bird", "group"]
    found = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns, dtype="str")
    found = found.join(worn(flock), on="bird")
    found["bar"] = found["bird"].map(bars(flock))
    return found[["bird", "left", "right", "group", "bar"]]


def _members(flock: Flock, group: str) -> pd.DataFrame:
    birds, keep = flock.birds, flock.plan.keep[group]
    young = birds["hatch_year"] == flock.plan.season
    of_age = young if group in YOUNG else ~young
    chosen = birds["alive"] & of_age & (birds["sex"] == {**YOUNG, **GROWN}[group])
    if keep.origins:
        chosen &= birds["origin_of"].isin(keep.origins)
    return pd.DataFrame({"bird": birds.loc[chosen, "bird"], "group": group})


def bars(flock: Flock) -> pd.Series:
    """Why each barred bird may not breed, by bird: the serious faults anyone saw on it, who saw them, when."""
    serious = {f.name.casefold(): f.name for f in flock.standard.faults if f.serious}
    looks = flock.scores[["bird", "judge", "on", "faults"]].dropna(subset=["bird", "faults"])
    seen = looks.assign(fault=looks["faults"].str.split(";")).explode("fault")
    seen["fault"] = seen["fault"].str.strip().str.casefold().map(serious).astype("str")
    seen = seen.dropna(subset="fault").sort_values(["bird", "on", "judge"])
    seen["text"] = seen["fault"] + " (" + seen["judge"] + ", " + seen["on"].dt.strftime("%Y-%m-%d") + ")"
    return seen.groupby("bird")["text"].agg("; ".join)


def worn(flock: Flock) -> pd.DataFrame:
    """Colours on each bird's legs on the plan's day, columns left and right, by bird; upper ring first."""
    rings = flock.rings[flock.rings["removed_on"].isna()].sort_values("fitted_on", kind="stable")
    last = rings.groupby(["bird", "leg"])["colour"].last().unstack("leg")
    return last.reindex(columns=["left", "right"])
