"""Rows of the laying answer: by season and hatch year, joint where years cannot be told apart, and by pen."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd

from selection.answer import Floats
from selection.compare.laying.basket import Basket
from selection.compare.laying.design import NOT_KNOWN, LayingDesign
from selection.compare.laying.model import FLATTER, HENS, Counts, Fit, gradients, rates
from selection.merit.published import EGG_GRADES, egg_grade

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Share:
    """Eggs that one group of hens laid in one season, its hen-days, and two standard errors of eggs ÷ hen-days.

    `se` is for the rate of the hatch year: what hens of that hatch year would lay on those days, had there been
    many of them and no odd days. `se_these` is for the rate of these very hens on ordinary days.
    """

    eggs: float
    hen_days: float
    se: float
    se_these: float

    @property
    def rate(self) -> float:
        """Hen-day rate, held to 0..1."""
        return min(max(self.eggs / self.hen_days, 0.0), 1.0)


def share_out(eggs: npt.ArrayLike, expected: npt.ArrayLike) -> Floats:
    """Counted eggs of each row (r,) shared between groups (r, g) in proportion to the `expected` eggs (r, g)."""
    of_all = np.asarray(expected, dtype=float)
    total = of_all.sum(axis=1, keepdims=True)
    part = np.divide(of_all, total, out=np.zeros_like(of_all), where=total > 0)
    return np.asarray(eggs, dtype=float)[:, None] * part


def shares(counts: Counts, rate: Floats, of: Mask) -> Floats:
    """The part of each cell's eggs, (c,), that falls to the kinds of hen `of` (n,) at the rates of the pairs."""
    each = counts.hen_days * rate
    mine = np.bincount(counts.cell, each * of[counts.kind], len(counts.eggs))
    return mine / np.bincount(counts.cell, each, len(counts.eggs))


def share_of(fit: Fit, season: int, of: Mask) -> Share:
    """The share of the kinds of hen `of` (n,) in a season's counts, and how far off it may be.

    With e the noise of the counts, θ the terms, M the change of the cells' expected eggs with θ, k that of the
    group's eggs less share'M, and h the part of k + share'M that belongs to the group's own hens and to the
    shocks, the error of the shared-out eggs is share'e + k'(θ̂ − θ) + h'θ. Its variance is

        Σ share²·V + k'Ck + 2(M'share − h)'Ck + h'Σh        (C posterior, Σ prior covariance of θ)

    because Cov(e, θ̂) = MC and Cov(θ̂ − θ, θ) = −C for a linear model fitted to its own prior.
    """
    part = fit.seasons[season]
    counts, f = part.counts, len(part.basis)
    hen_days = float(counts.hen_days[of[counts.kind]].sum())
    share = shares(counts, part.rate, of)
    cells = [share @ side for side in gradients(counts, part.basis, part.rate)]
    group = [side.sum(axis=0) for side in gradients(counts, part.basis, part.rate, of)]
    k = group[0] - cells[0], group[1] - cells[1]
    shocks = np.concatenate([np.zeros(f), group[0][f:]])
    hens = group[1] * (fit.family[counts.columns] == HENS) / np.sqrt(1 + FLATTER * fit.spread.hens**2)
    errors = []
    for own in (hens, np.zeros_like(hens)):
        left = k[0] + 2 * (cells[0] - shocks), k[1] + 2 * (cells[1] - own)
        variance = (
            share**2 @ part.variance
            + shocks**2 @ part.prior
            + own**2 @ fit.prior[counts.columns]
            + fit.covary(season, left, k)
        )
        errors.append(float(np.sqrt(max(variance, 0.0)) / hen_days))
    return Share(float(share @ counts.eggs), hen_days, *errors)


def still_open(fit: Fit, season: int, one: Mask, other: Mask) -> float:
    """Posterior over prior variance of the contrast of two groups of hens, on the logit scale.

    The contrast is that of the groups as they were, their hens' own differences included: age, hatch year and
    hens, each hen weighing by her counted days. Half or more: the records cannot tell the two apart.
    """
    counts = fit.seasons[season].counts
    contrast = _middle(counts.hen_days, counts.kind, counts.x, one) - _middle(
        counts.hen_days, counts.kind, counts.x, other
    )
    before = contrast**2 @ fit.prior[counts.columns]
    rows = np.zeros(2 * len(fit.seasons[season].basis)), contrast
    return float(fit.covary(season, rows, rows) / before) if before > 0 else 1.0


def _middle(hen_days: Floats, kind: npt.NDArray[np.int64], x: Floats, of: Mask) -> Floats:
    """Mean of the effects' coefficients over the counted hen-days of a group."""
    weight = np.bincount(kind, hen_days, len(x)) * of
    return weight @ x / weight.sum()


Z = 1.6448536269514722
"""Half width of a 90 % interval in standard errors."""

APART = 0.5
"""Two hatch years are told apart where less than this share of the prior variance of their contrast is left."""

_Years = tuple[float, ...]


@dataclass(frozen=True)
class HenGroup:
    """Hatch years of one season (by position) that share a row, and the kinds of hen that are theirs.

    `left` is the share of prior variance that the counts leave open: of a joined row, about its own hatch years;
    of another, about its difference from the row least told apart from it (0 where there is none).
    """

    season: int
    years: _Years
    of: Mask
    left: float

    @property
    def label(self) -> str:
        return "+".join("not known" if year == NOT_KNOWN else f"{year:.0f}" for year in self.years)


def groups_of(fit: Fit, design: LayingDesign, season: int) -> list[HenGroup]:
    """The season's rows: the two least told apart are joined, again and again, until all are told apart."""
    kinds = design.hatch_years[season]
    rows: list[_Years] = [(float(year),) for year in np.unique(kinds)]
    joined = dict.fromkeys(rows, 0.0)
    left = _left(fit, season, kinds, rows)
    while left and max(left.values()) >= APART:
        worst = max(left, key=lambda pair: left[pair])
        both = tuple(sorted(worst[0] + worst[1]))
        joined[both] = max(left[worst], *(joined[years] for years in worst))
        rows = sorted([years for years in rows if years not in worst] + [both])
        left = _left(fit, season, kinds, rows)
    nearest = {years: max((x for pair, x in left.items() if years in pair), default=0.0) for years in rows}
    return [HenGroup(season, y, np.isin(kinds, y), joined[y] if len(y) > 1 else nearest[y]) for y in rows]


def _left(fit: Fit, season: int, kinds: Floats, rows: list[_Years]) -> dict[tuple[_Years, _Years], float]:
    """For each two rows, the share of the prior variance of their contrast that is left."""
    of = {years: np.isin(kinds, years) for years in rows}
    return {(a, b): still_open(fit, season, of[a], of[b]) for a, b in combinations(rows, 2)}


def singles_of(design: LayingDesign, season: int) -> list[HenGroup]:
    """One group for each hatch year of the season, whether told apart or not."""
    kinds = design.hatch_years[season]
    return [HenGroup(season, (float(year),), kinds == year, 0.0) for year in np.unique(kinds)]


def rate_interval(rate: float, se: float, hen_days: float) -> tuple[float, float]:
    """90 % interval of a rate, worked on the logit scale: it stays within 0 and 1 and holds the rate."""
    edge = 0.5 / (hen_days + 1)
    inside = float(np.clip(rate, edge, 1 - edge))
    wide = min(Z * se / (inside * (1 - inside)), 500.0)
    low, high = (1 / (1 + np.exp(-np.log(inside / (1 - inside)) + side)) for side in (wide, -wide))
    return min(float(low), rate), max(float(high), rate)


COUNTS, WITH_DECLINE = "counts", "counts and published decline"
"""What a row of the laying table rests on."""


def joint(table: pd.DataFrame) -> pd.Series:
    """Whether each row of the laying table sums several hatch years: left out when the rows are added up."""
    return table["hatch_year"].str.contains("+", regex=False).astype(bool)


def rows_of(fit: Fit, design: LayingDesign, hens: pd.Series, season: int) -> list[dict[str, object]]:
    """One season's rows: each hatch year in order, then a joint row for every set not told apart; `hens` by lot.

    Columns of laying.csv, and these_low, these_high: the interval of the very hens there were.
    """
    groups = groups_of(fit, design, season)
    of = {year: group for group in groups for year in group.years}
    singles = [_row(fit, design, hens, single, of[single.years[0]]) for single in singles_of(design, season)]
    return singles + [_row(fit, design, hens, group, group) for group in groups if len(group.years) > 1]


def _row(
    fit: Fit, design: LayingDesign, hens: pd.Series, group: HenGroup, among: HenGroup
) -> dict[str, object]:
    """The row of one hatch year or of several together; `among`: the group it cannot be told from (or itself)."""
    share = share_of(fit, group.season, group.of)
    low, high = rate_interval(share.rate, share.se, share.hen_days)
    these_low, these_high = rate_interval(share.rate, share.se_these, share.hen_days)
    alone, apart = len(group.years) == 1, len(among.years) == 1
    aged = alone and group.years[0] != NOT_KNOWN
    return {
        "season": design.seasons[group.season],
        "hatch_year": group.label,
        "age": design.seasons[group.season] - int(group.years[0]) if aged else None,
        "hens": int(hens.loc[design.lots[group.season][group.of]].sum()),
        "hen_days": round(share.hen_days),
        "eggs": share.eggs,
        "rate": share.rate,
        "low": low,
        "high": high,
        "separable": "yes" if apart else "no",
        "rests_on": WITH_DECLINE if alone and not apart else COUNTS,
        "why": why(fit, design, group, among),
        "these_low": these_low,
        "these_high": these_high,
    }


def why(fit: Fit, design: LayingDesign, group: HenGroup, among: HenGroup) -> str:
    """Where the row's eggs come from, and if hatch years are not told apart, what keeps them together."""
    mixed = _mixed(fit, group)
    eggs = f"eggs are an estimate: {mixed:.0%} of these hen-days were in pens with other hatch years"
    if len(among.years) == 1:
        if not mixed:
            return "counted, not estimated: its pens held no other hatch year on the counted days"
        known = f"the counts take away {1 - group.left:.0%} of the doubt (variance)"
        return f"{eggs}; {known} about its difference from the nearest"
    apart = (
        f"{_together(fit, design, among)}; the counts take away {1 - min(among.left, 1.0):.0%} of the doubt (variance) "
        "about their difference; a pen of one hatch year alone, or hens recorded singly, would part them"
    )
    if group is among:
        return f"{apart}{f'; {eggs}' if mixed else ''}"
    others = HenGroup(group.season, tuple(y for y in among.years if y not in group.years), group.of, 0.0)
    return f"not told apart from {others.label.replace('+', ', ')}: {apart}; {eggs}"


def _mixed(fit: Fit, group: HenGroup) -> float:
    """Share of a group's hen-days in cells that held other hens too."""
    counts = fit.seasons[group.season].counts
    mine = np.bincount(counts.cell, counts.hen_days * group.of[counts.kind], len(counts.eggs))
    others = np.bincount(counts.cell, counts.hen_days * ~group.of[counts.kind], len(counts.eggs))
    return float(mine[others > 0].sum() / mine.sum())


def _together(fit: Fit, design: LayingDesign, group: HenGroup) -> str:
    """How the hatch years of a joined row stood beside each other."""
    counts = fit.seasons[group.season].counts
    kinds = design.hatch_years[group.season]
    by_year = np.stack(
        [
            np.bincount(counts.cell, counts.hen_days * (kinds == y)[counts.kind], len(counts.eggs))
            for y in group.years
        ]
    )
    total = by_year.sum(axis=0)
    share = by_year[:, total > 0] / total[total > 0]
    if np.ptp(share, axis=1).max() < 0.02:
        return "they stood together in one proportion on every counted day"
    return "their proportions in the pens differed too little beside what hens differ among themselves"


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


def own_rates(basket: Basket, fit: Fit, design: LayingDesign) -> pd.DataFrame:
    """Each season of each hen with egg rows of her own: what she laid, and what her hatch year would have laid.

    Columns: bird, season, days, broody (days noted broody: counted, and shown apart), eggs, rate, expected (the
    rate of an average hen of her hatch year on her days), difference.
    """
    own = basket.own.groupby(["bird", "season"], as_index=False)[["days", "broody", "eggs"]].sum()
    own["rate"] = own["eggs"] / own["days"]
    expected = [_of_her_own(basket, fit, design, i) for i in range(len(design.seasons))]
    own = own.merge(pd.concat(expected), on=["bird", "season"], how="left")
    return own.assign(difference=own["rate"] - own["expected"])


def _of_her_own(basket: Basket, fit: Fit, design: LayingDesign, season: int) -> pd.DataFrame:
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
