"""Weight and size grade of the eggs that were weighed."""

from __future__ import annotations

import pandas as pd

from selection.merit.published import EGG_GRADES, egg_grade


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
