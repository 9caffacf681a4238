"""What the table of published values holds, what it says it does not hold, and how priors come from it."""

from __future__ import annotations

import numpy as np
import pytest

from selection.errors import SettingsError
from selection.merit import published
from selection.records.settings.reading import Measured, Section, Standard


def section(name: str = "type", **kwargs: object) -> Section:
    return Section(name=name, title=kwargs.pop("title", name), points=20, **kwargs)  # type: ignore[arg-type]


def test_every_value_names_its_source() -> None:
    for row in published.PUBLISHED:
        assert row.source.author and row.quantity and row.trait
        assert "not known" not in str(row.source) and "Purina" not in str(row.source)
        assert row.source is published.PRACTICE or row.source.title
        assert np.isfinite(row.value)
        if not row.from_memory:
            assert row.source is not published.PRACTICE


def test_every_share_of_variance_lies_between_0_and_1() -> None:
    shares = (*published.HERITABILITIES, *published.REPEATABILITIES, *published.VARIANCE_SHARES)
    assert all(0 < row.value < 1 for row in shares)
    ranges = [row for row in published.PUBLISHED if row.low is not None and row.high is not None]
    assert ranges and all(row.low < row.value < row.high for row in ranges)  # type: ignore[operator]


def test_values_from_memory_say_so_in_the_source() -> None:
    prior = published.heritability(section("size", measured="weight"))
    assert "Falconer & Mackay (1996)" in prior.source
    assert "[from memory]" in prior.source


def test_nothing_is_both_found_and_not_found() -> None:
    found = {row.trait for row in published.HERITABILITIES}
    assert not found & set(published.NOT_FOUND)


def test_the_standards_own_heritability_comes_first() -> None:
    prior = published.heritability(section("size", measured="weight", heritability=0.33))
    assert prior == published.Prior(0.33, 0.10, "the standard's own")


def test_body_weight_takes_the_mean_and_spread_of_its_published_values() -> None:
    # the seven values of the table: 0.55 0.61 0.51 0.56 0.28 0.45 and the middle of 0.10-0.47
    prior = published.heritability(section("size", measured="weight"))
    assert prior.mean == pytest.approx(3.245 / 7)
    assert prior.sd == pytest.approx((0.10613 / 6) ** 0.5, abs=1e-4)


def test_a_single_published_value_is_not_held_for_certain() -> None:
    assert published.heritability(section("lay", like="age at first egg")).sd == 0.10


def test_a_trait_not_found_takes_the_wide_default_and_says_so() -> None:
    for name in ("comb", "plumage colour", "something else"):
        prior = published.heritability(section("one", like=name if name != "something else" else None))
        assert prior.sd == 0.15
        assert "no published value found" in prior.source


def test_priors_come_from_like_and_measured_and_never_from_a_name() -> None:
    weighed = published.heritability(section("type", like="Body  Weight"))
    assert weighed == published.heritability(section("anything", measured="weight"))
    for name in ("size", "body weight", "egg weight"):
        assert published.heritability(section(name)) == published.WIDE_HERITABILITY
        assert published.repeatability(section(name)) == published.WIDE_REPEATABILITY


def test_of_a_name_that_stands_in_the_table_it_is_said_which_like_it_would_be() -> None:
    sections = (
        section("Size"), section("crest"), section("legs", like="legs"), section("weight", measured="weight"),
        section("head", heritability=0.3, repeatability=0.5),
    )  # fmt: skip
    (said,) = published.likes_by_name(Standard("invented", sections))
    assert said.startswith("standard.toml, Size: ") and 'like = "body weight"' in said


def test_an_unknown_like_is_refused_with_what_is_allowed() -> None:
    with pytest.raises(
        SettingsError, match=r"standard\.toml, type: like: found tpye; expected one of age at first egg"
    ):
        published.heritability(section(like="tpye"))


def test_all_unknown_likes_are_named_at_once() -> None:
    standard = Standard(
        "invented", (section(like="tpye"), section("head")), measured=(Measured("span", "mm", like="wnig"),)
    )
    with pytest.raises(SettingsError, match="tpye") as fault:
        published.check_likes(standard)
    assert "wnig" in str(fault.value) and "head" not in str(fault.value).split("expected")[0]


def test_repeatability_is_never_under_heritability_and_clutch_together() -> None:
    for row in published.HERITABILITIES:
        trait = section("one", like=row.trait)
        assert published.repeatability(trait).mean > published.heritability(trait).mean + 0.04
    # egg weight: 0.22-0.41 was published beside heritabilities of 0.5 to 0.74
    assert "raised" in published.repeatability(section("one", like="egg weight")).source


def test_a_repeatability_stated_alone_lowers_the_heritability_under_it() -> None:
    prior = published.heritability(section("size", measured="weight", repeatability=0.30))
    assert prior.mean == pytest.approx(0.26)
    assert "lowered" in prior.source


def test_variance_shares_are_those_of_the_model() -> None:
    shares = [published.variance_share(name) for name in ("clutch", "brooder", "judge×day")]
    assert shares == [0.04, 0.05, 0.02]
    with pytest.raises(KeyError, match="no share of variance for halo; there are clutch"):
        published.variance_share("halo")


def test_a_weight_on_the_boundary_belongs_to_the_upper_egg_grade() -> None:
    # MAFF letter of 25 June 1996: XL 73 g and over, L 63 to under 73, M 53 to under 63, S under 53
    grades = published.egg_grade([[52.9, 53.0, 62.9], [63.0, 72.9, 73.0]])
    assert grades.tolist() == [["S", "M", "M"], ["L", "L", "XL"]]


def test_a_missing_egg_weight_has_no_grade() -> None:
    assert published.egg_grade([np.nan, 60.0]).tolist() == ["", "M"]


def test_feed_rises_with_age_and_stays_at_the_adults_share() -> None:
    eaten = published.feed_grams_a_day([0, 3, 10, 18, 26, 200])
    assert (np.diff(eaten[:5]) > 0).all()
    assert eaten[-1] == eaten[-2] == 125
    assert np.isnan(published.feed_grams_a_day(np.nan))


def test_yearly_laying_agrees_with_the_published_decline() -> None:
    shares = np.array([1.0, *(row.value for row in published.LAYING_DECLINE)])
    prior = published.YEARLY_LAYING
    assert (np.abs(shares[1:] / shares[:-1] - prior.mean) < 1.645 * prior.sd).all()
