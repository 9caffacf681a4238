"""How honest the laying rates are, on invented seasons whose truth is known.

    python -m tests.benchmarks.simulate_laying [seasons, 600] [first seed, 0]

Two pens, 6 to 12 hens of three hatch years, daily shocks that last, moves, deaths and gaps. For each kind of
world it prints, over the rows of laying.csv (those told apart and those joined) and over every hatch year:

- cover: share of 90 % intervals that hold the true rate of the hatch year (goal 0.88 to 0.92)
- bias and rmse of the rate, and the rmse over that of a fit that knows every variance (goals 0.01 and 1.15)
- these: cover of the interval for the very hens there were
- apart: share of rows that are told apart

and how many of the designs in which nothing can be told apart were joined into one row (goal: all). The default
number takes some 20 minutes on one core.

Every hatch year of 24 seasons (72 hatch years, errors of cover some 0.04), how hens and hatch years differ being
integrated over what is believed of it (0.10 and 0.025, each within a factor of 2); beside the hatch year's rate,
cover of the interval for the very hens there were:

    hens differ by   hatch years by   cover    rmse   these
    0.05             0.05             0.931   0.054   0.972
    0.05             0.025            0.972   0.049   0.986
    0.10             0.05             0.889   0.068   0.944
    0.10             0.025            0.931   0.063   0.972
    0.20             0.05             0.806   0.096   0.819
    0.20             0.025            0.833   0.095   0.806

Three hens a hatch year that differ by 0.10 leave its rate open by 0.06 however well they are counted. Two pens' counts
hardly tell how much hens differ: where that is far from what is believed, the interval is too wide or too narrow.
None of the first 11 designs without information was told apart (none of 200 before the spreads were integrated over).
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from selection.compare.laying.basket import count
from selection.compare.laying.design import laying_design
from selection.compare.laying.model import FLATTER, Fit, LayingSpread, Weight, fit_rates
from selection.compare.laying.rows import HenGroup, groups_of, rate_interval, share_of, singles_of
from tests.compare.simulated_laying import Simulated, World, simulate

WORLDS = {
    "as the prior holds": World(),
    "several seasons": World(seasons=4),
    "own records of 3 in 10": World(own_records=0.3),
    "hatch years twice as far apart": World(hatch_sd=0.10),
    "shocks twice as strong": World(shock_sd=0.5, pen_shock_sd=0.4),
    "no shocks": World(shock_sd=0.0, pen_shock_sd=0.0),
    "pens nearly alike": World(unevenness=20.0),
    "pens nearly pure": World(unevenness=0.05, moves=1),
    "hens half as different": World(hens_sd=0.05),
    "hens half as different again": World(hens_sd=0.15),
    "hens twice as different as held": World(hens_sd=0.20),
    "hens twice as different, own records of 1 in 2": World(hens_sd=0.20, own_records=0.5),
}


def known(world: World) -> LayingSpread:
    """The spreads that made the world, as the model has them.

    The shocks' mean over a fortnight of which `memory` is kept from day to day; the pens' own come as
    over-dispersion of a pen of four or five hens.
    """
    kept = world.memory ** np.arange(1, 14)
    mean = (1 + 2 * np.sum((1 - np.arange(1, 14) / 14) * kept)) / 14
    hens = world.hens_sd * world.slope
    return LayingSpread(
        hatch=max(world.hatch_sd * world.slope, 1e-3),
        hens=max(hens, 1e-3) / np.sqrt(1 - FLATTER * hens**2) if hens < 1 else hens,
        curve=world.curve_sd,
        shock=max(world.shock_sd * np.sqrt(mean), 1e-3),
        dispersion=1 + world.pen_shock_sd**2 * 14 * mean * 4.5 * 0.24,
    )


def rows_of(simulated: Simulated, spread: LayingSpread | None) -> pd.DataFrame:
    """Every row of the table and every hatch year by itself, beside the truth; `spread` None: estimated."""
    basket = count(simulated.flock)
    plan = laying_design(basket)
    fitted = fit_rates(plan.counts, plan.effects, spread or plan.prior, None if spread else Weight())
    rows = []
    for season in range(len(plan.seasons)):
        shown = {group.years: group for group in groups_of(fitted, plan, season)}
        every = shown | {g.years: g for g in singles_of(plan, season) if g.years not in shown}
        rows += [
            _beside(simulated, fitted, plan.seasons[season], g, g.years in shown) for g in every.values()
        ]
    return pd.DataFrame(rows)


def _beside(
    simulated: Simulated, fitted: Fit, season: int, group: HenGroup, shown: bool
) -> dict[str, object]:
    truth = simulated.truth
    mine = truth[(truth["season"] == season) & truth["hatch_year"].isin(group.years)]
    share = share_of(fitted, group.season, group.of)
    low, high = rate_interval(share.rate, share.se, share.hen_days)
    these_low, these_high = rate_interval(share.rate, share.se_these, share.hen_days)
    rate, these = (float(np.average(mine[c], weights=mine["hen_days"])) for c in ("rate", "rate_these"))
    return {
        "season": season,
        "label": group.label,
        "shown": shown,
        "joined": len(group.years) > 1,
        "error": share.rate - rate,
        "cover": low <= rate <= high,
        "these": these_low <= these <= these_high,
    }


def simulated_rows(world: World, number: int, seed: int) -> pd.DataFrame:
    """Rows of `number` holdings, each with the error of the fit that knows every variance (`oracle`)."""
    pieces = []
    for k in range(number):
        simulated = simulate(world, np.random.default_rng((seed, k)))
        rows = rows_of(simulated, None)
        oracle = rows_of(simulated, known(world)).set_index(["season", "label"])["error"]
        pairs = pd.MultiIndex.from_frame(rows[["season", "label"]])
        pieces.append(rows.assign(holding=k, oracle=oracle.reindex(pairs).to_numpy()))
    return pd.concat(pieces, ignore_index=True)


def summary(rows: pd.DataFrame) -> dict[str, float]:
    """The figures of the table for some rows; the ratio over the rows that both fits have."""
    both = rows.dropna(subset=["oracle"])
    return {
        "rows": len(rows),
        "cover": rows["cover"].mean(),
        "bias": rows["error"].mean(),
        "rmse": float(np.sqrt((rows["error"] ** 2).mean())),
        "ratio": float(np.sqrt((both["error"] ** 2).mean() / (both["oracle"] ** 2).mean())),
        "these": rows["these"].mean(),
        "apart": 1 - rows["joined"].mean(),
    }


def main() -> None:
    """Prints the table, one block a world."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    for name, world in WORLDS.items():
        rows = simulated_rows(world, max(number // world.seasons, 1), seed)
        shown = rows[rows["shown"]]
        table = {
            "laying.csv": shown,
            "told apart": shown[~shown["joined"]],
            "joined": shown[shown["joined"]],
            "every hatch year": rows[~rows["joined"]],
        }
        print(f"\n{name}")
        print(
            pd.DataFrame({key: summary(of) for key, of in table.items()}).T.round(4).to_string(), flush=True
        )
    told = sum(told_apart(*design, seed) for design in inseparable(number))
    print(f"\ndesigns in which nothing can be told apart: {number}; some row told apart in {told}")


def inseparable(number: int) -> list[tuple[int, World]]:
    """Worlds of two to four pens that all hold two or three hatch years in the same numbers."""
    return [
        (k, World(together=True, pens=2 + k % 3, hatch_years=2 + k % 2, seasons=1 + k % 4 // 3))
        for k in range(number)
    ]


def told_apart(k: int, world: World, seed: int) -> bool:
    """Whether any hatch year of such a world is given a row of its own."""
    rows = rows_of(simulate(world, np.random.default_rng((seed, k))), None)
    return bool((~rows.loc[rows["shown"], "joined"]).any())


if __name__ == "__main__":
    main()
