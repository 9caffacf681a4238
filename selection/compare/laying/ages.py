"""Laying by age and through the season: the yearly decline beside the published one, and the season curves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from selection.compare.laying.basket import FORTNIGHT
from selection.compare.laying.design import NOT_KNOWN, Design
from selection.compare.laying.model import Fit, gradients
from selection.compare.laying.rows import APART, Group, Z, interval
from selection.compare.laying.shares import shares
from selection.merit.published import YEARLY_LAYING


def decline_of(fit: Fit, design: Design) -> pd.DataFrame:
    """Each laying season's rate as a share of the season before, beside the published value.

    One row for each step between ages that were both counted: step (`2 after 1`), published, published_sd,
    decline, low, high, told (`yes` where the counts leave under half of the prior variance). The shares hold at the
    rate that the published decline gives at that age. A step stays near the published value where only its prior
    speaks: age, season and hatch year cannot all be told apart.
    """
    ages = {
        int(design.seasons[i] - year)
        for i, years in enumerate(design.hatch_years)
        for year in years[years != NOT_KNOWN]
    }
    rows = []
    for j in range(1, design.columns.steps):
        if j not in ages or j + 1 not in ages:
            continue
        before = design.first_rate * YEARLY_LAYING.mean ** (j - 1)
        sd = float(np.sqrt(fit.covariance[j, j]))
        logit = np.log(before / (1 - before)) + fit.effects[j] + sd * np.array([0.0, -Z, Z])
        share = 1 / (1 + np.exp(-logit)) / before
        rows.append(
            {
                "step": f"{j + 1} after {j}",
                "published": YEARLY_LAYING.mean,
                "published_sd": YEARLY_LAYING.sd,
                "decline": share[0],
                "low": share[1],
                "high": share[2],
                "told": "yes" if sd**2 < APART * fit.prior[j] else "no",
            }
        )
    columns = ["step", "published", "published_sd", "decline", "low", "high", "told"]
    return pd.DataFrame(rows, columns=columns)


def curve_of(fit: Fit, design: Design, groups: list[Group]) -> pd.DataFrame:
    """The season curve of every row of the table, a fortnight at a time.

    season, hatch_year, from (first day of the fortnight), hen_days, eggs (shared out), counted (eggs ÷ hen-days,
    rough), rate (the model's, smooth), low, high (of these very hens). Fortnights without a count have no row.
    """
    pieces = [_curve(fit, design, group) for group in groups]
    return pd.concat(pieces, ignore_index=True)


def _curve(fit: Fit, design: Design, group: Group) -> pd.DataFrame:
    part = fit.seasons[group.season]
    counts, f = part.counts, len(part.basis)
    mine = counts.hen_days * group.of[counts.kind]
    when = counts.fortnight[counts.cell]
    days, expected = np.bincount(when, mine, f), np.bincount(when, mine * part.rate, f)
    eggs = np.bincount(counts.fortnight, counts.eggs * shares(counts, part.rate, group.of), f)
    seen = days > 0
    mean = (np.arange(f)[seen, None] == counts.fortnight) / days[seen, None]
    own, shared = (mean @ side for side in gradients(counts, part.basis, part.rate, group.of))
    se = np.sqrt(np.maximum(fit.variances(group.season, own, shared), 0.0))
    rate = expected[seen] / days[seen]
    ends = [interval(*of) for of in zip(rate, se, days[seen], strict=True)]
    first = pd.Timestamp(design.seasons[group.season], 1, 1)
    return pd.DataFrame(
        {
            "season": design.seasons[group.season],
            "hatch_year": group.label,
            "from": first + pd.to_timedelta(design.fortnights[group.season][seen] * FORTNIGHT, unit="D"),
            "hen_days": days[seen],
            "eggs": eggs[seen],
            "counted": eggs[seen] / days[seen],
            "rate": rate,
            "low": [low for low, _ in ends],
            "high": [high for _, high in ends],
        }
    )
