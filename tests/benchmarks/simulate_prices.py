"""How often do 90 % prediction intervals of prices hold? Simulated price lists, truth known.

Each list is one holding's sales of one to eight seasons, 20 to 160 of them, and the birds it offers in the
season after: base price, worth of a kind, sex and point, inflation, good and bad seasons and haggling are all
drawn anew, prices are rounded to whole pounds, and some birds go in lots. The long run is

    python tests/benchmarks/simulate_prices.py 1000

(in the last run, 60 lists each, held out: 12 sales cover .904, slope of log price on log said .97; 25 sales .916, .95;
60 sales .918, .99; 120 sales .912, 1.00) and prints
coverage in all, by number of sales, by kind and of the season's total. The suite runs a short one.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

from selection.decide.prices.market import fit_sales

LAST = 2026
FEW, MANY = 20, 160


@dataclass(frozen=True)
class Truth:
    """What drives one holding's prices, in logs."""

    base: float
    kinds: dict[str, float]
    male: float
    point: float
    old: float
    inflation: float
    lot: float
    season_sd: float
    haggling: float


def draw_truth(rng: np.random.Generator) -> Truth:
    """One holding's market, somewhere between cheap layers and dear breeders."""
    return Truth(
        base=np.log(rng.uniform(18, 60)),
        kinds={
            "breeding": 0.0,
            "layer": rng.normal(-0.5, 0.25),
            "pet": rng.normal(-0.9, 0.3),
            "table": rng.normal(-0.8, 0.3),
        },
        male=rng.normal(-0.2, 0.3),
        point=rng.uniform(0.01, 0.07),
        old=rng.normal(-0.25, 0.1),
        inflation=rng.normal(0.03, 0.03),
        lot=rng.normal(-0.05, 0.05),
        season_sd=rng.uniform(0, 0.08),
        haggling=rng.uniform(0.12, 0.35),
    )


def draw_birds(rng: np.random.Generator, n: int, season: int) -> pd.DataFrame:
    """`n` birds as a small holding sells them: show stock by points, pullets young, old hens, spare cocks."""
    sort = rng.choice(
        ["cockerel", "pullet", "young layer", "old hen", "pet", "table"],
        n,
        p=[0.27, 0.27, 0.25, 0.09, 0.06, 0.06],
    )
    kind = pd.Series(sort).map(
        {
            "cockerel": "breeding",
            "pullet": "breeding",
            "young layer": "layer",
            "old hen": "layer",
            "pet": "pet",
            "table": "table",
        }
    )
    male = np.isin(sort, ["cockerel", "table"]) | ((sort == "pet") & (rng.random(n) < 0.7))
    weeks = np.select(
        [sort == "young layer", sort == "old hen"],
        [rng.uniform(11, 21, n), rng.uniform(70, 200, n)],
        rng.uniform(24, 32, n),
    )
    points = np.where(np.isin(sort, ["cockerel", "pullet"]), rng.normal(70, 4, n), np.nan)
    together = (sort == "young layer") & (rng.random(n) < 0.4)
    return pd.DataFrame(
        {
            "sold_as": kind,
            "sex": np.where(male, "male", "female"),
            "weeks": weeks,
            "points": points,
            "season": season,
            "together": together,
        }
    )


def number_sales(birds: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """`birds` with `sale` and `size`: those that go together in twos to fours, the others alone."""
    lot = birds.groupby(["season", "together"]).cumcount() // rng.integers(2, 5)
    label = np.where(birds["together"], lot, -1 - np.arange(len(birds)))
    sale = birds.groupby([birds["season"], label], sort=False).ngroup()
    return birds.assign(
        sale=sale, size=sale.groupby(sale).transform("size").astype(float), bird=np.arange(len(birds))
    )


def prices_of(birds: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.Series:
    """Price a bird of each row, one draw a sale, rounded to whole pounds."""
    seasons = {s: rng.normal(0, truth.season_sd) for s in birds["season"].unique()}
    log = (
        truth.base
        + birds["sold_as"].map(truth.kinds)
        + truth.male * (birds["sex"] == "male")
        + truth.point * (birds["points"] - 70).fillna(0)
        + truth.old * (birds["weeks"] / 52 - 1).clip(lower=0)
        + truth.inflation * (birds["season"] - LAST)
        + truth.lot * np.log(birds["size"])
        + birds["season"].map(seasons)
    )
    sale = birds["sale"]
    haggled = pd.Series(rng.normal(0, truth.haggling, sale.max() + 1)).reindex(sale).to_numpy()
    lot_price = np.exp(log.groupby(sale).transform("mean") + haggled) * birds["size"]
    return lot_price.round().clip(lower=1) / birds["size"]


def one_list(rng: np.random.Generator) -> pd.DataFrame:
    """One list's offers: how many sales it rests on, kind, and whether the interval held its price; the
    season's total in the last row."""
    n, seasons = int(rng.integers(FEW, MANY + 1)), int(rng.integers(1, 9))
    past = [draw_birds(rng, k, LAST - 1 - i) for i, k in enumerate(_parts(n, seasons)) if k]
    offered = draw_birds(rng, int(rng.integers(5, 16)), LAST)
    birds = number_sales(pd.concat([*past, offered], ignore_index=True), rng)
    birds["price"] = prices_of(birds, draw_truth(rng), rng)
    sales, offers = (
        birds[here].assign(sale=lambda b: pd.factorize(b["sale"])[0])
        for here in (birds["season"] < LAST, birds["season"] == LAST)
    )
    market = fit_sales(sales, LAST)
    said = market.price(offers)
    truth = offers.drop_duplicates("sale").reset_index(drop=True)
    held = truth["price"].between(said["low"], said["high"])
    rows = pd.DataFrame(
        {
            "sales": sales["sale"].nunique(),
            "kind": truth["sold_as"],
            "held": held,
            "width": np.log(said["high"] / said["low"]),
        }
    )
    totals = market.draws(offers, rng, 1000) @ truth["size"].to_numpy()
    low, high = np.quantile(totals, [0.05, 0.95])
    total = (truth["price"] * truth["size"]).sum()
    rows.loc[len(rows)] = [rows["sales"].iloc[0], "season's total", low <= total <= high, np.log(high / low)]
    return rows


def held_out(rng: np.random.Generator, n: int) -> pd.DataFrame:
    """A dozen birds of the season after `n` sales: log price said, log price made, whether the interval held it."""
    past = [draw_birds(rng, k, LAST - 1 - i) for i, k in enumerate(_parts(n, int(rng.integers(1, 9)))) if k]
    birds = number_sales(pd.concat([*past, draw_birds(rng, 12, LAST)], ignore_index=True), rng)
    birds["price"] = prices_of(birds, draw_truth(rng), rng)
    sales, offers = (
        birds[here].assign(sale=lambda b: pd.factorize(b["sale"])[0])
        for here in (birds["season"] < LAST, birds["season"] == LAST)
    )
    said = fit_sales(sales, LAST).price(offers)
    price = offers.drop_duplicates("sale")["price"].reset_index(drop=True)
    held = price.between(said["low"], said["high"])
    return pd.DataFrame({"said": np.log(said["price"]), "price": np.log(price), "held": held})


def coverage(lists: int, seed: int = 1) -> pd.DataFrame:
    """All offers of `lists` simulated lists, one row each (see `one_list`)."""
    rng = np.random.default_rng(seed)
    return pd.concat([one_list(rng).assign(list=i) for i in range(lists)], ignore_index=True)


def _parts(n: int, seasons: int) -> list[int]:
    return [len(part) for part in np.array_split(np.arange(n), seasons)]


if __name__ == "__main__":
    rows = coverage(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
    birds = rows[rows["kind"] != "season's total"]
    print(f"offers {len(birds)}, held {birds['held'].mean():.3f}")
    print(
        birds.groupby(pd.cut(birds["sales"], [0, 20, 30, 50, 80, 120, 160]), observed=True)["held"].agg(
            ["size", "mean"]
        )
    )
    print(rows.groupby("kind")["held"].agg(["size", "mean"]))
