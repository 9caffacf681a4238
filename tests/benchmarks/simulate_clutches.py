"""Coverage of the clutch comparison's intervals over simulated seasons whose truth is known.

    python -m tests.benchmarks.simulate_clutches [seasons] [seed]

    python -m tests.benchmarks.simulate_clutches totals [designs] [draws] [seed]

The first prints, for each scenario and kind of contrast, how often the 90 % interval held the truth, how sure the
table was of which is above and how often that was right, and the share of designs mixed up with a brooder that were
recognised.
2,000 seasons take some ten minutes a scenario.

Measured (intervals that hold the truth; every one of the mixed-up designs was recognised):

========================  =======  =========  =======
scenario                  seasons  intervals  covered
========================  =======  =========  =======
as published                2,000      9,817   89.2 %
no brooder effect             250      1,222   89.4 %
twice the brooder effect      250      1,222   90.3 %
twice the clutch effect       250      1,222   89.4 %
heritability 0.25             250      1,222   91.2 %
heritability 0.45             250      1,222   88.9 %
========================  =======  =========  =======

The second does so for totals of points: on each of the seasons' layouts (both sexes pooled, and cockerels alone) the
totals are drawn anew with variances that differ from those believed by the factors of `TRUTHS`. Measured by an
earlier form of this command with other seeds, on 24 layouts of seven sections drawn six times, 276 sets of
comparisons a truth (error by layouts; some 4 CPU minutes):

====================  =============  ==================
truth                 pairs          bought-in and home
====================  =============  ==================
as believed           .890 ± .012    .891 ± .017
half the blood        .901 ± .011    .888 ± .020
1.6 times the blood   .888 ± .009    .895 ± .016
3 times the clutch    .855 ± .010    .884 ± .020
no clutch or brooder  .908 ± .009    .935 ± .014
all of it more        .879 ± .016    .899 ± .017
====================  =============  ==================

A single run of 60 seasons drawn once each strays by .04 and more, since all its contrasts share their clutches. Where
clutches differ thrice as much as believed, intervals are a little narrow: five clutches hardly tell how much they do.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from selection.compare.clutches.comparison import clutch_cases, compare_case, season_contrasts
from selection.compare.clutches.traits import Case, seen_only
from selection.merit.relationship.parentage import parentage
from selection.records.flock import Flock, assemble
from selection.records.settings.plan import Plan
from selection.records.settings.reading import Section, Standard
from selection.standard.growth import fit_growth
from selection.standard.points import score

SEASON = 2026
STANDARD = Standard("an invented breed", (Section("type", "Type", 100.0, 0.35, 0.55),))
SECTIONS = {
    "type": 25.0,
    "head": 15.0,
    "feather": 20.0,
    "legs": 12.0,
    "tail": 10.0,
    "eyes": 8.0,
    "comb": 10.0,
}
WHOLE = Standard(
    "an invented breed",
    tuple(Section(name, name.title(), points, 0.35, 0.55) for name, points in SECTIONS.items()),
)
"""Of several sections, whose total is compared too."""
PLAN = Plan(on=date(SEASON, 10, 10), season=SEASON, keep={})


@dataclass(frozen=True)
class Scenario:
    """Shares of one look's variance, and how a season is laid out."""

    name: str
    heritability: float = 0.35
    supplier: float = 0.5  # variance of a supplier's effect, a share of the genetic variance
    clutch: float = 0.04
    brooder: float = 0.05
    day: float = 0.02
    repeatability: float = 0.55
    chicks: tuple[int, int] = (5, 12)
    brooders: int = 2


SCENARIOS = (
    Scenario("as published"),
    Scenario("no brooder effect", brooder=0.0),
    Scenario("twice the brooder effect", brooder=0.10),
    Scenario("twice the clutch effect", clutch=0.08),
    Scenario("heritability 0.25", heritability=0.25, repeatability=0.50),
    Scenario("heritability 0.45", heritability=0.45, repeatability=0.60),
)


def season(scenario: Scenario, rng: np.random.Generator) -> tuple[Flock, pd.Series]:
    """One season's flock, everything by eye scored by two judges on two days, and the clutches' true levels.

    Two or three bought-in clutches of as many suppliers (one cock and six hens each) and two or three home-bred
    ones of one pen; the truth is what a chick of the clutch is expected to be, brooder aside, in points.
    """
    sd, h2 = 10.0, scenario.heritability
    bought, home = rng.integers(2, 4, 2)
    labels = [*(f"26-B{i + 1}" for i in range(bought)), *(f"26-H{i + 1}" for i in range(home))]
    brooders = rng.integers(0, scenario.brooders, len(labels))
    warmth = rng.normal(0, np.sqrt(scenario.brooder), scenario.brooders)
    parents = [_parents(scenario, rng) for _ in range(bought)]
    parents += [_parents(scenario, rng)] * home
    own = rng.normal(0, np.sqrt(scenario.clutch), len(labels))
    truth = [p.mean() / 2 + d.mean() / 2 + e for (p, d), e in zip(parents, own, strict=True)]
    birds, levels = [], []
    for k, label in enumerate(labels):
        cocks, hens = parents[k]
        for i in range(rng.integers(scenario.chicks[0], scenario.chicks[1] + 1)):
            blood = (rng.choice(cocks) + rng.choice(hens)) / 2 + rng.normal(0, np.sqrt(h2 / 2))
            lasting = scenario.repeatability - h2 - scenario.clutch - scenario.brooder
            birds.append(
                {"bird": f"{label}-{i + 1:02d}", "sex": rng.choice(["male", "female"]), "clutch": label}
            )
            levels.append(blood + own[k] + warmth[brooders[k]] + rng.normal(0, np.sqrt(max(lasting, 0))))
    forms = {
        "clutches": _clutches(labels, brooders, bought),
        "birds": pd.DataFrame(birds),
        "scores": _scores(scenario, birds, np.array(levels), sd, rng),
    }
    return assemble(STANDARD, PLAN, forms), pd.Series(sd * np.array(truth), [x.casefold() for x in labels])


def _parents(scenario: Scenario, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Breeding values of one pen's cock and hens, the supplier's (or home's) own effect in them."""
    base = rng.normal(0, np.sqrt(scenario.supplier * scenario.heritability))
    return tuple(base + rng.normal(0, np.sqrt(scenario.heritability), n) for n in (1, 6))


def _clutches(labels: list[str], brooders: np.ndarray, bought: int) -> pd.DataFrame:
    """Bought-in clutches each of a supplier of its own; all set on days of their own within a week."""
    set_on = [pd.Timestamp(SEASON, 3, 20) + pd.Timedelta(days=i) for i in range(len(labels))]
    return pd.DataFrame(
        {
            "clutch": labels,
            "origin": ["bought-in"] * bought + ["home-bred"] * (len(labels) - bought),
            "source": [f"supplier {i + 1}" for i in range(bought)] + [None] * (len(labels) - bought),
            "pen": [None] * bought + ["pen"] * (len(labels) - bought),
            "set_on": set_on,
            "hatched_on": [day + pd.Timedelta(days=21) for day in set_on],
            "brooder": [f"brooder {b}" for b in brooders],
            **{
                name: [n if i < bought else np.nan for i in range(len(labels))]
                for name, n in (("cocks", 1), ("hens", 6))
            },
        }
    )


def _scores(
    scenario: Scenario, birds: list[dict], levels: np.ndarray, sd: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Two judges on two days, each seeing most of the birds."""
    error = np.sqrt(1 - scenario.repeatability - scenario.day)
    looks = []
    for day in (pd.Timestamp(SEASON, 8, 20), pd.Timestamp(SEASON, 9, 20)):
        for judge in ("A", "B"):
            today = rng.normal(0, np.sqrt(scenario.day)) + (0.5 if judge == "A" else 0.0)
            for bird, level in zip(birds, levels, strict=True):
                if rng.random() < 0.7:
                    value = 50 + sd * (level + today + rng.normal(0, error))
                    looks.append({"on": day, "judge": judge, "bird": bird["bird"], "type": value})
    return pd.DataFrame(looks)


def whole_season(
    scenario: Scenario, rng: np.random.Generator, correlation: float = 0.15, halo: float = 0.05
) -> tuple[Flock, pd.DataFrame]:
    """One season scored in all of SECTIONS, and the clutches' true levels by section (columns) and in `points`.

    As `season`, with one genetic `correlation` between any two sections and a share `halo` of a look's variance that
    its sections have in common; what else birds, clutches and brooders carry is drawn section by section.
    """
    sd, h2, k = 0.1 * np.array(list(SECTIONS.values())), scenario.heritability, len(SECTIONS)
    root = np.linalg.cholesky(np.full((k, k), correlation) + (1 - correlation) * np.eye(k))

    def own(share: float, *size: int) -> np.ndarray:
        return rng.normal(0, np.sqrt(share), (*size, k))

    def bred(share: float, *size: int) -> np.ndarray:
        return own(share, *size) @ root.T

    bought, home = rng.integers(2, 4, 2)
    labels = [*(f"26-B{i + 1}" for i in range(bought)), *(f"26-H{i + 1}" for i in range(home))]
    brooders, warmth = (
        rng.integers(0, scenario.brooders, len(labels)),
        own(scenario.brooder, scenario.brooders),
    )
    pens = []
    for _ in range(bought + 1):
        base = bred(scenario.supplier * h2)
        pens.append((base + bred(h2, 1), base + bred(h2, 6)))
    pens += pens[-1:] * (home - 1)
    clutch = own(scenario.clutch, len(labels))
    truth = np.array([c.mean(0) / 2 + h.mean(0) / 2 for c, h in pens]) + clutch
    birds, levels = [], []
    lasting = max(scenario.repeatability - h2 - scenario.clutch, 0)
    for i, label in enumerate(labels):
        for j in range(rng.integers(scenario.chicks[0], scenario.chicks[1] + 1)):
            parents = (rng.choice(pens[i][0]) + rng.choice(pens[i][1])) / 2
            birds.append(
                {"bird": f"{label}-{j + 1:02d}", "sex": rng.choice(["male", "female"]), "clutch": label}
            )
            levels.append(parents + bred(h2 / 2) + clutch[i] + warmth[brooders[i]] + own(lasting))
    error, looks = max(1 - scenario.repeatability - scenario.brooder - scenario.day - halo, 0.05), []
    for day in (pd.Timestamp(SEASON, 8, 20), pd.Timestamp(SEASON, 9, 20)):
        for judge in ("A", "B"):
            today = own(scenario.day)
            for bird, level in zip(birds, levels, strict=True):
                if rng.random() < 0.7:
                    z = level + today + rng.normal(0, np.sqrt(halo)) + own(error)
                    points = 0.5 * np.array(list(SECTIONS.values())) + sd * z
                    looks.append(
                        {
                            "on": day,
                            "judge": judge,
                            "bird": bird["bird"],
                            **dict(zip(SECTIONS, points, strict=True)),
                        }
                    )
    forms = {
        "clutches": _clutches(labels, brooders, bought),
        "birds": pd.DataFrame(birds),
        "scores": pd.DataFrame(looks),
    }
    frame = pd.DataFrame(truth * sd, index=[x.casefold() for x in labels], columns=list(SECTIONS))
    return assemble(WHOLE, PLAN, forms), frame.assign(points=frame.sum(axis=1))


def told(flock: Flock, truth: pd.Series, sex: str = "both", trait: str = "type") -> pd.DataFrame:
    """The comparison's rows of one trait and sex, with the truth of each and the kind of contrast."""
    growth = fit_growth(flock)
    every, _ = clutch_cases(flock, growth, score(flock, growth), parentage(flock))
    case = next(c for c in every if c.trait.name == trait and c.sex == sex)
    kin = case.families
    names = kin.of_season(SEASON)
    contrasts = season_contrasts(kin, names)
    table, _ = compare_case(case, names, contrasts, np.random.default_rng(1))
    weights = {
        (c.first, c.second): c.weights for c in (seen_only(case, c) for c in contrasts) if c is not None
    }
    values = truth.reindex(kin.labels).to_numpy()
    table["truth"] = [weights[a, b] @ values for a, b in zip(table["first"], table["second"], strict=True)]
    table["kind"] = [_kind(a, b) for a, b in zip(table["first"], table["second"], strict=True)]
    table["mixed_up"] = [
        _mixed_up(case, weights[a, b]) for a, b in zip(table["first"], table["second"], strict=True)
    ]
    return table


def _kind(first: str, second: str) -> str:
    if first == "bought-in":
        return "origins"
    return "within home" if "H" in first and "H" in second else "pair"


def _mixed_up(case: Case, weights: np.ndarray) -> bool:
    """Whether no brooder reared chicks of both sides, chains through other clutches (of other eggs) not counting."""
    brooder = case.families.about["brooder_key"]
    return not set(brooder[weights > 0]) & set(brooder[weights < 0])


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """By kind of contrast: how many, how many with numbers, coverage, and calibration of the probability."""
    separable = rows[rows["separable"] == "yes"]
    inside = (separable["low"] <= separable["truth"]) & (separable["truth"] <= separable["high"])
    above = separable["truth"] > 0
    sure = (separable["probability"] - 0.5).abs() > 0.3
    return pd.DataFrame(
        {
            "contrasts": rows.groupby("kind").size(),
            "told": separable.groupby("kind").size(),
            "covered": inside.groupby(separable["kind"]).mean(),
            "P": separable.groupby("kind")["probability"].mean(),
            "truly_above": above.groupby(separable["kind"]).mean(),
            "P_if_sure": separable["probability"]
            .where(separable["probability"] > 0.5, 1 - separable["probability"])[sure]
            .groupby(separable["kind"])
            .mean(),
            "right_if_sure": ((separable["probability"] > 0.5) == above)[sure]
            .groupby(separable["kind"])
            .mean(),
        }
    )


def run(scenario: Scenario, seasons: int, seed: int) -> pd.DataFrame:
    """Rows of many seasons."""
    rng = np.random.default_rng(seed)
    return pd.concat([told(*season(scenario, rng)) for _ in range(seasons)], ignore_index=True)


TRUTHS: dict[str, dict[str, float]] = {
    "as believed": {},
    "half the blood": {"blood": 0.5},
    "1.6 times the blood": {"blood": 1.6},
    "3 times the clutch": {"clutch": 3.0},
    "no clutch or brooder": {"clutch": 0.0, "brooder": 0.0},
    "all of it more": {"blood": 1.6, "clutch": 2.0, "brooder": 2.0, "day": 3.0},
}
"""By how much the true variances of a total differ from those believed."""


def layouts(number: int, seed: int) -> list[tuple[int, Case]]:
    """Totals of points of `number` seasons, both sexes pooled and cockerels alone."""
    found = []
    for k in range(number):
        flock, _ = whole_season(SCENARIOS[0], np.random.default_rng((seed, k)))
        growth = fit_growth(flock)
        every, _ = clutch_cases(flock, growth, score(flock, growth), parentage(flock))
        found += [(k, c) for c in every if c.trait.name == "points" and c.sex in ("both", "male")]
    return found


def drawn_anew(case: Case, factors: dict[str, float], rng: np.random.Generator) -> pd.DataFrame:
    """Rows of the comparison of totals drawn on a layout at the prior variances times `factors`, with their truth."""
    model, kin = case.model, case.families
    true = dict(zip((*model.names, "residual"), model.prior, strict=True))
    noise = np.sqrt(true["residual"] * case.rows["scale"].to_numpy())
    value, level = rng.normal(0, noise), np.zeros(len(kin.labels))
    for effect in model.effects:
        if effect.name != "age":  # none of the clutches' truth; the model has to find that it does nothing
            size = np.sqrt(true[effect.name] * factors.get(effect.name, 1.0))
            effects = rng.normal(0, size, effect.design.shape[1])
            value = value + effect.design @ effects
            if effect.name in ("blood", "clutch"):
                level += kin.root @ effects if effect.name == "blood" else effects
    season = kin.of_season(SEASON)
    contrasts = season_contrasts(kin, season)
    again = replace(case, rows=case.rows.assign(value=value))
    table, _ = compare_case(again, season, contrasts, np.random.default_rng(1))
    narrowed = {(c.first, c.second): seen_only(case, c) for c in contrasts}
    table = table[table["separable"] == "yes"]
    weights = [narrowed[pair] for pair in zip(table["first"], table["second"], strict=True)]
    return table.assign(truth=[c.weights @ level for c in weights if c is not None])


def totals(designs: int, draws: int, seed: int) -> None:
    """Print how often intervals of totals hold the truth, by truth and kind of contrast, with the error by layouts."""
    cases = layouts(designs, seed)
    for name, factors in TRUTHS.items():
        rng = np.random.default_rng((seed, len(name)))
        rows = pd.concat([drawn_anew(c, factors, rng).assign(of=k) for k, c in cases for _ in range(draws)])
        inside = (rows["low"] <= rows["truth"]) & (rows["truth"] <= rows["high"])
        kinds = np.where(rows["first"] == "bought-in", "bought-in and home", "pairs")
        for kind, held in inside.groupby(kinds):
            by = held.groupby(rows.loc[kinds == kind, "of"].to_numpy()).agg(["sum", "size"])
            cover = by["sum"].sum() / by["size"].sum()
            error = np.sqrt(((by["sum"] - cover * by["size"]) ** 2).sum()) / by["size"].sum()
            print(f"{name}, {kind}: {len(held)} intervals, {cover:.3f} ± {error:.3f}", flush=True)


def main() -> None:
    if sys.argv[1:2] == ["totals"]:
        given = [int(word) for word in sys.argv[2:5]]
        totals(*given, *(24, 6, 1)[len(given) :])
        return
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for scenario in SCENARIOS:
        rows = run(scenario, seasons, seed)
        separable = rows[rows["separable"] == "yes"]
        inside = (separable["low"] <= separable["truth"]) & (separable["truth"] <= separable["high"])
        print(
            f"\n{scenario.name}: {seasons} seasons, {len(separable)} intervals, {inside.mean():.1%} cover the truth"
        )
        mixed = rows[rows["mixed_up"]]
        print(f"mixed up with a brooder: {len(mixed)}, recognised {(mixed['separable'] == 'no').mean():.1%}")
        print(summarise(rows).round(3).to_string())


if __name__ == "__main__":
    main()
