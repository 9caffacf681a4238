"""Each pen's season as counted, and the records of single hens: figures that need no model of mixed pens."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.compare.laying.basket import Basket
from selection.compare.laying.design import Design
from selection.compare.laying.model import HENS, Fit, rates
from selection.merit.published import EGG_GRADES, egg_grade


def pens_laid(days: pd.DataFrame) -> pd.DataFrame:
    """Hen-day and hen-housed rates of each season and pen, from the calendar of counts.

    Columns: season, pen, first, last (counted days), counted, of (days from first to last), housed (hens on the
    first counted day), hen_days, eggs, hen_day = eggs ÷ hen-days, hen_housed = eggs ÷ (hens housed × counted
    days). Hens that joined later were not housed: such a pen has no hen-housed rate. Definitions as in ILRI's
    DAGRIS.
    """
    counted = days[days["counted"]].sort_values(["season", "pen", "on"])
    of = counted.groupby(["season", "pen"], dropna=False)
    table = of.agg(
        first=("on", "min"),
        last=("on", "max"),
        counted=("on", "size"),
        housed=("hens", "first"),
        most=("hens", "max"),
        hen_days=("hens", "sum"),
        eggs=("eggs", "sum"),
    ).reset_index()
    table.insert(5, "of", (table["last"] - table["first"]).dt.days + 1)
    table["hen_day"] = table["eggs"] / table["hen_days"]
    table["hen_housed"] = (table["eggs"] / (table["housed"] * table["counted"])).where(
        table["most"] <= table["housed"]
    )
    return table.drop(columns="most")


def own_rates(basket: Basket, fit: Fit, design: Design) -> pd.DataFrame:
    """Each season of each hen with egg rows of her own: what she laid, and what her hatch year would have laid.

    Columns: bird, season, days, broody (days noted broody: counted, and shown apart), eggs, rate, expected (the
    rate of an average hen of her hatch year on her days), difference.
    """
    own = basket.own.groupby(["bird", "season"], as_index=False)[["days", "broody", "eggs"]].sum()
    own["rate"] = own["eggs"] / own["days"]
    expected = [_of_her_own(basket, fit, design, i) for i in range(len(design.seasons))]
    own = own.merge(pd.concat(expected), on=["bird", "season"], how="left")
    return own.assign(difference=own["rate"] - own["expected"])


def _of_her_own(basket: Basket, fit: Fit, design: Design, season: int) -> pd.DataFrame:
    """bird, season, expected of the hens recorded singly in one season."""
    part = fit.seasons[season]
    counts = part.counts
    effects = np.where(fit.family == HENS, 0.0, fit.effects)[counts.columns]
    rate = rates(counts, part.basis @ part.own, effects)
    alone = (~design.of_pen[season])[counts.cell]
    n = len(counts.x)
    days = np.bincount(counts.kind[alone], counts.hen_days[alone], n)
    eggs = np.bincount(counts.kind[alone], (counts.hen_days * rate)[alone], n)
    seen = days > 0
    birds = basket.lots["birds"].loc[design.lots[season][seen]].str[0]
    return pd.DataFrame(
        {"bird": birds, "season": design.seasons[season], "expected": eggs[seen] / days[seen]}
    )


def egg_weights(weighed: pd.DataFrame) -> pd.DataFrame:
    """Mean egg weight and shares of the size grades, one row for each season and pen.

    `weighed` has season, pen, eggs and grams (of those eggs together), one row for each weighed count. A count's
    eggs are all graded by their mean weight, so that grades are exact for eggs weighed one at a time and
    otherwise narrower than the eggs were. Columns: season, pen, counts, eggs, grams (mean of an egg), and for each
    grade its share of the eggs. A boundary belongs to the upper grade.
    """
    names = [grade.trait for grade in EGG_GRADES]
    mean = weighed["grams"] / weighed["eggs"]
    graded = weighed.assign(**{name: weighed["eggs"].where(egg_grade(mean) == name, 0.0) for name in names})
    graded["pen"] = graded["pen"].fillna("")
    of = graded.groupby(["season", "pen"])
    sums = of[["eggs", "grams", *names]].sum()
    table = pd.DataFrame({"counts": of.size(), "eggs": sums["eggs"], "grams": sums["grams"] / sums["eggs"]})
    return table.join(sums[names].div(sums["eggs"], axis=0)).reset_index()
