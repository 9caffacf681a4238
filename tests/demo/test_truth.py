"""What lies behind the invented records has the moments it was asked for.

Every tolerance is four standard errors, estimated from the spread between independent holdings: of 16,000
numbers held so, a true generator misses with one. The seeds are fixed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd
import pytest

from demo import breed, seen
from selection.merit.relationship.parentage import parentage
from selection.merit.relationship.pedigree import from_parents
from tests.simulated import Holding, simulate

EYE = [section.name for section in breed.EYE]
TRAITS = [*EYE, "size", "shank width"]
ERRORS = 4
QUARTERS = 0.25**2 / 12
"""Variance that rounding to quarters adds (a uniform error)."""


@pytest.fixture(scope="module")
def springs() -> list[Holding]:
    """First seasons alone, before anyone has chosen anything."""
    return [simulate(seed, seasons=1, correlation=0.2, seen=0.9) for seed in range(60)]


@pytest.fixture(scope="module")
def holdings() -> list[Holding]:
    """Whole histories."""
    return [simulate(1000 + seed, correlation=0.2) for seed in range(24)]


One = TypeVar("One")


def close(ones: Sequence[One], statistic: Callable[[One], np.ndarray | float], expected: object) -> None:
    """The mean of `statistic` over independent holdings lies within four standard errors of `expected`."""
    values = np.array([statistic(one) for one in ones], dtype=float)
    error = np.nanstd(values, axis=0, ddof=1) / np.sqrt(len(values))
    np.testing.assert_array_less(np.abs(np.nanmean(values, axis=0) - expected), ERRORS * error + 1e-12)


def variance(holding: Holding, part: str) -> np.ndarray:
    """(m,) a term's variance in each trait."""
    return holding.truth["variances"].set_index("trait").loc[TRAITS, part].to_numpy()


# -- breeding values -------------------------------------------------------------------------------------


def _mendelian(holding: Holding) -> np.ndarray:
    """(chicks, m) what Mendelian sampling gave each home-bred chick, scaled to a founder's variance G."""
    birds = holding.truth["birds"].set_index("bird")
    chicks = birds[birds["sire"].isin(birds.index) & birds["dam"].isin(birds.index)]
    sires, dams = birds.loc[chicks["sire"]], birds.loc[chicks["dam"]]
    middle = 0.5 * (sires[TRAITS].to_numpy() + dams[TRAITS].to_numpy())
    F = 0.5 * (sires["inbreeding"].to_numpy() + dams["inbreeding"].to_numpy())
    return (chicks[TRAITS].to_numpy() - middle) / np.sqrt(0.5 * (1 - F))[:, None]


def test_chicks_vary_about_their_parents_by_half_the_founders(
    holdings: list[Holding],
) -> None:
    sd = np.sqrt(variance(holdings[0], "additive"))
    correlations = holdings[0].truth["correlation"].loc[TRAITS, TRAITS].to_numpy()
    close(holdings, lambda h: (_mendelian(h) / sd).mean(axis=0), 0)
    close(holdings, lambda h: np.cov((_mendelian(h) / sd).T), correlations)


def test_chicks_breeding_values_regress_on_the_mid_parent_with_slope_one(holdings: list[Holding]) -> None:
    def slopes(holding: Holding) -> np.ndarray:
        birds = holding.truth["birds"].set_index("bird")
        chicks = birds[birds["sire"].isin(birds.index) & birds["dam"].isin(birds.index)]
        middle = 0.5 * (
            birds.loc[chicks["sire"], TRAITS].to_numpy() + birds.loc[chicks["dam"], TRAITS].to_numpy()
        )
        middle -= middle.mean(axis=0)
        return (middle * chicks[TRAITS].to_numpy()).sum(axis=0) / (middle**2).sum(axis=0)

    close(holdings, slopes, 1)


def test_suppliers_and_home_founders_differ_by_half_the_additive_variance(springs: list[Holding]) -> None:
    def squares(holding: Holding) -> np.ndarray:
        effects = holding.truth["effects"].query("kind == 'supplier'")
        return (effects[TRAITS] ** 2).mean().to_numpy() / variance(holding, "additive")

    close(springs, squares, 0.5)


def test_relationships_are_those_of_the_true_parents(holdings: list[Holding]) -> None:
    for holding in holdings[:5]:
        birds = holding.truth["birds"]
        pedigree = from_parents(birds[["bird", "sire", "dam"]])
        A = holding.truth["relationship"]
        np.testing.assert_allclose(pedigree.relationship(list(birds["bird"])), A.to_numpy(), atol=1e-12)
        np.testing.assert_allclose(birds["inbreeding"], np.diag(A) - 1, atol=1e-12)
        assert (birds["inbreeding"] >= 0).all()


def test_shares_in_possible_parents_are_right_on_average(holdings: list[Holding]) -> None:
    def surplus(holding: Holding) -> np.ndarray:
        """Mean true relationship less the one expected from the forms, by what the pair has in common."""
        flock = holding.flock()
        birds = flock.birds[flock.birds["clutch"].notna()]
        ids = list(birds["bird"])
        expected = parentage(flock).pedigree.relationship(ids)
        apart = holding.truth["relationship"].loc[ids, ids].to_numpy() - expected
        same = {
            key: birds[key].to_numpy()[:, None] == birds[key].to_numpy() for key in ("clutch", "source_of")
        }
        home = (birds["origin_of"] == "home-bred").to_numpy()
        others = ~np.eye(len(ids), dtype=bool)
        groups = (same["clutch"] & others, same["source_of"] & ~same["clutch"], np.outer(home, home) & others)
        return np.array([apart[group].mean() for group in groups] + [apart.mean()])

    close(holdings[:16], surplus, 0)


@pytest.mark.parametrize("heritability", [None, 0.3])
def test_the_terms_add_up_to_a_records_variance_and_the_standards_repeatability(
    heritability: float | None,
) -> None:
    holding = simulate(1, seasons=1, heritability=heritability)
    parts = holding.truth["variances"].set_index("trait")
    total = parts.pop("sd") ** 2
    np.testing.assert_allclose(parts.sum(axis=1), total)
    traits = (*holding.standard.sections, *holding.standard.measured)
    np.testing.assert_allclose(parts["additive"] / total, [trait.heritability for trait in traits])
    between = (parts["additive"] + parts["clutch"] + parts["permanent"]) / total
    np.testing.assert_allclose(between, [trait.repeatability for trait in traits])


def test_true_heritabilities_lie_off_what_the_standard_states_where_that_is_asked_for() -> None:
    holding = simulate(1, seasons=1, off=-0.1)
    parts = holding.truth["variances"].set_index("trait")
    traits = (*holding.standard.sections, *holding.standard.measured)
    stated = np.array([trait.heritability for trait in traits], dtype=float)
    np.testing.assert_allclose(parts["additive"] / parts["sd"] ** 2, stated - 0.1)
    with pytest.raises(ValueError, match="heritability is nought or less"):
        simulate(1, seasons=1, off=-float(stated.max()))


# -- looks -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Seen:
    """Looks or weighings of one holding, put together again from the truth.

    `rest` (rows, traits) the record less fixed effects, its day and the supplier's part; `value` breeding
    value within its base; `carried` all that the bird carries, supplier's part left out.
    """

    rows: pd.DataFrame
    rest: np.ndarray
    value: np.ndarray
    carried: np.ndarray


def _effects(holding: Holding, kind: str, of: pd.Series) -> np.ndarray:
    """(rows, m) the named effects of one kind, row by row."""
    effects = holding.truth["effects"]
    return effects[effects["kind"] == kind].set_index("of")[TRAITS].reindex(of).to_numpy()


def _own(holding: Holding, frame: str, birds: pd.Series) -> np.ndarray:
    return holding.truth[frame].set_index("bird")[TRAITS].reindex(birds).to_numpy()


def _carried(holding: Holding, rows: pd.DataFrame) -> np.ndarray:
    """(rows, m) breeding value within its base, clutch, brooder and permanent effect of each row's bird."""
    value = _own(holding, "birds", rows["bird"]) - _own(holding, "origin", rows["bird"])
    rearing = rows["brooder"] + " " + rows["year"]
    shared = _effects(holding, "clutch", rows["clutch"]) + _effects(holding, "brooder", rearing)
    return value + shared + _own(holding, "permanent", rows["bird"])


def _of_birds(holding: Holding, rows: pd.DataFrame) -> pd.DataFrame:
    """`rows` with their birds' sex, clutch, brooder, hatch year and age in weeks."""
    clutches = holding.forms["clutches"][["clutch", "brooder", "hatched_on"]]
    birds = holding.forms["birds"][["bird", "sex", "clutch"]].merge(clutches, on="clutch")
    rows = rows.drop(columns=["clutch", "sex"], errors="ignore").merge(birds, on="bird")
    weeks = (rows["on"] - rows["hatched_on"]) / pd.Timedelta(weeks=1)
    return rows.assign(year=rows["hatched_on"].dt.strftime("%Y"), weeks=weeks)


def _looks(holding: Holding) -> Seen:
    scores = holding.forms["scores"]
    rows = _of_birds(holding, scores[scores["judge"] != breed.SHOW_JUDGE])
    days = rows["judge"] + " " + rows["on"].dt.strftime("%Y-%m-%d")
    level = _effects(holding, "season", rows["year"] + " " + rows["sex"])
    level = level + _effects(holding, "judge", rows["judge"] + " " + rows["year"])
    level = level + _effects(holding, "day", days) + _own(holding, "origin", rows["bird"])
    eye = slice(len(EYE))
    mean = breed.MEAN_SHARE * np.array([section.points for section in breed.EYE])
    mean = mean + np.outer(rows["weeks"] - 22, breed.AGEING) * variance(holding, "sd")[eye]
    value = _own(holding, "birds", rows["bird"]) - _own(holding, "origin", rows["bird"])
    rest = rows[EYE].to_numpy() - level[:, eye] - mean
    return Seen(rows, rest, value[:, eye], _carried(holding, rows)[:, eye])


@pytest.fixture(scope="module")
def looks(springs: list[Holding]) -> list[Seen]:
    return [_looks(holding) for holding in springs]


def test_beyond_the_bird_a_look_is_halo_and_residual(springs: list[Holding], looks: list[Seen]) -> None:
    def products(seen: Seen) -> np.ndarray:
        beyond = np.ma.masked_invalid(seen.rest - seen.carried)
        return np.ma.dot(beyond.T, beyond) / np.dot((~beyond.mask).T.astype(float), ~beyond.mask)

    halo, residual = (variance(springs[0], part)[: len(EYE)] for part in ("halo", "residual"))
    close(looks, products, np.sqrt(np.outer(halo, halo)) + np.diag(residual + QUARTERS))


def test_a_look_has_the_standards_heritability(springs: list[Holding], looks: list[Seen]) -> None:
    variances = variance(springs[0], "sd")[: len(EYE)] ** 2

    def shares(seen: Seen) -> np.ndarray:
        """Cov(look, breeding value) and the look's variance, as shares of the variance asked for."""
        return np.nanmean([seen.rest * seen.value, seen.rest**2], axis=1) / variances

    heritability = [section.heritability for section in springs[0].standard.by_eye]
    day = springs[0].options.day  # taken off with the day's level
    close(looks, shares, np.array([heritability, 1 - day + QUARTERS / variances]))


def test_two_looks_agree_as_the_standards_repeatability_says(
    springs: list[Holding], looks: list[Seen]
) -> None:
    sd = variance(springs[0], "sd")[: len(EYE)]

    def products(seen: Seen) -> np.ndarray:
        frame = pd.DataFrame(seen.rest / sd).assign(bird=seen.rows["bird"])
        firsts, lasts = frame.drop_duplicates("bird"), frame.drop_duplicates("bird", keep="last")
        both = firsts.index.isin(lasts.index)
        pairs = firsts[~both].merge(lasts, on="bird", suffixes=("", " again"))
        return np.array([(pairs[f"{k}"] * pairs[f"{k} again"]).mean() for k in range(len(sd))])

    # birds share their brooder's effect between looks too; it is counted beside the repeatability
    repeatability = np.array([section.repeatability for section in springs[0].standard.by_eye])
    close(looks, products, repeatability + springs[0].options.brooder)


# -- weights ---------------------------------------------------------------------------------------------

AGES = [1, 2, 3, 4, 5, 6]
"""Weighings by number: one every four weeks."""


def _weighings(holding: Holding) -> np.ndarray:
    """(birds, 6) log residuals of weighings, missing where the bird was not weighed."""
    weights = holding.forms["weights"]
    rows = _of_birds(holding, weights.dropna(subset="bird")).query("sex != 'unknown'")
    expected = seen.expected_grams((rows["sex"] == "male").to_numpy(), rows["weeks"].to_numpy())
    carried = _carried(holding, rows) + _own(holding, "origin", rows["bird"])
    carried += _effects(holding, "season", rows["year"] + " " + rows["sex"])
    rest = np.log(rows["grams"].to_numpy() / expected) - carried[:, TRAITS.index("size")]
    table = rows.assign(at=(rows["weeks"] / 4).round().astype(int), rest=rest)
    return table.pivot(index="bird", columns="at", values="rest").reindex(columns=AGES).to_numpy()


def test_weighings_residuals_shrink_with_age_and_fade_with_time(springs: list[Holding]) -> None:
    base = np.sqrt(variance(springs[0], "residual")[TRAITS.index("size")])
    sd = base + 0.16 * np.exp(-4 * np.array(AGES) / 5)
    residuals = [_weighings(holding) / sd for holding in springs]
    close(residuals, lambda z: np.nanmean(z**2, axis=0), 1)
    # four weeks apart, give or take two days at each end, which moves e^(−28/30) by less than one part in 50
    close(
        residuals,
        lambda z: np.nanmean([z[:, 0] * z[:, 1], z[:, 1] * z[:, 3]], axis=1),
        np.exp([-28 / 30, -56 / 30]),
    )


# -- laying ----------------------------------------------------------------------------------------------


def test_eggs_and_hen_days_of_the_forms_are_those_of_the_truth(holdings: list[Holding]) -> None:
    for holding in holdings[:5]:
        eggs, laying = holding.forms["eggs"], holding.truth["laying"]
        pens = eggs[eggs["bird"].isna()]
        by_season = laying.groupby("season")[["eggs", "hen_days"]].sum()
        assert pens.groupby(pens["on"].dt.year)["eggs"].sum().tolist() == by_season["eggs"].tolist()
        assert _hen_days(holding, pens).tolist() == by_season["hen_days"].tolist()


def _hen_days(holding: Holding, rows: pd.DataFrame) -> pd.Series:
    """Hen-days of counted days by season, from the pens form alone."""
    hens = set(holding.forms["birds"].query("sex == 'female'")["bird"])
    pens = holding.forms["pens"]
    pens = pens[pens["bird"].isin(hens)]
    days = rows.assign(back=[range(int(n)) for n in rows["days"].fillna(1)]).explode("back")
    days["on"] = days["on"] - pd.to_timedelta(days["back"].astype(int), unit="D")
    there = days.merge(pens, on="pen")
    there = there[(there["from"] <= there["on"]) & ~(there["on"] >= there["to"])]
    return there.groupby(there["on"].dt.year).size()


def test_a_known_layers_own_eggs_are_part_of_her_pens(holdings: list[Holding]) -> None:
    for holding in holdings[:5]:
        eggs = holding.forms["eggs"]
        own = eggs.dropna(subset="bird").merge(eggs[eggs["bird"].isna()], on=["on", "pen"], how="left")
        assert own["bird_x"].nunique() > 2 and len(own) > 100
        assert (own["eggs_x"] <= own["eggs_y"]).all()
        assert own["days_y"].isna().all()


def test_hens_lay_as_their_rates_say_and_less_with_each_year(holdings: list[Holding]) -> None:
    def luck(holding: Holding) -> float:
        laying = holding.truth["laying"]
        return (laying["eggs"].sum() - (laying["hen_days"] * laying["rate"]).sum()) / laying["hen_days"].sum()

    def decline(holding: Holding) -> float:
        """Mean change of the logit from a hatch year's first laying season to its second."""
        rates = holding.truth["laying"].assign(age=lambda x: x["season"] - x["hatch_year"])
        logit = np.log(rates["rate"] / (1 - rates["rate"]))
        table = rates.assign(logit=logit).pivot(index="hatch_year", columns="age", values="logit")
        return (table[2] - table[1]).mean()

    close(holdings, luck, 0)
    plain = [simulate(seed, hen_sd=0.0, hatch_year_sd=0.0) for seed in range(16)]
    first, second = 0.58, 0.58 * 0.8
    close(plain, decline, np.log(second / (1 - second)) - np.log(first / (1 - first)))


# -- merit --------------------------------------------------------------------------------------------------


def test_merit_is_worth_times_breeding_value_and_what_chicks_can_expect_for_size() -> None:
    holding = simulate(5)
    birds, worth = holding.truth["birds"], {"type": 1.5, "condition": 0.0}
    size = birds["merit"] - sum(worth.get(name, 1.0) * birds[name] for name in EYE)
    drawn = _chicks_points(holding, birds["size"].to_numpy()[::40])
    # 40,000 chicks a bird and points of standard deviation under 6: 2 × 6/√40,000 = 0.06, taken four times
    np.testing.assert_allclose(size[::40], drawn, atol=0.24)


def _chicks_points(holding: Holding, values: np.ndarray) -> np.ndarray:
    """Twice the mean points for size of many chicks drawn by hand from each bird and an average living mate."""
    rng, part = np.random.default_rng(1), holding.truth["variances"].set_index("trait").loc["size"]
    living = holding.flock().birds.query("alive")["bird"]
    mate = holding.truth["birds"].set_index("bird").loc[living, "size"].mean()
    seasons = holding.truth["effects"].query("kind == 'season'").set_index("of")["size"]
    spread = np.sqrt(0.75 * part["additive"] + part[["clutch", "brooder", "permanent"]].sum())
    points = np.zeros(len(values))
    for sex in ("male", "female"):
        usual = seasons[seasons.index.str.endswith(f" {sex}")].mean()
        log_weight = (
            usual + (values[:, None] + mate) / 2 + spread * rng.standard_normal((len(values), 40_000))
        )
        grams = seen.expected_grams(np.array([sex == "male"]), np.array([24.0])) * np.exp(log_weight)
        (low, high), (none, most) = breed.SIZE.band[sex], breed.SIZE.none[sex]
        inside = np.minimum((grams - none) / (low - none), (most - grams) / (most - high))
        points += 15 * np.clip(inside, 0, 1).mean(axis=1)
    return points
