"""Money: exact shares, currencies with and without pennies, and no more figures than a forecast has."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

import numpy as np
import pytest
from hypothesis import given, strategies as st

from selection.decide.prices.money import NO_DECIMALS, THREE_DECIMALS, Currency, total

POUND, YEN, DINAR = Currency("GBP"), Currency("JPY"), Currency("KWD")

weights = st.lists(st.floats(0, 1e6, allow_subnormal=False), min_size=1, max_size=40).filter(
    lambda w: sum(w) > 0
)


@given(st.integers(0, 10**9), weights, st.sampled_from([POUND, YEN, DINAR]))
def test_shares_add_up_to_the_bill_and_stay_within_a_unit_of_their_part(units, parts, currency):
    bill = units * currency.unit
    shares = currency.share_out(bill, parts)
    assert total(shares, currency) == bill
    exact = float(bill) * np.array(parts) / np.sum(parts)
    assert np.abs(np.array(shares, dtype=float) - exact).max() <= float(currency.unit) * (1 + 1e-6) + 1e-6
    assert all(share == currency.amount(share) for share in shares)


def test_pennies_left_over_go_to_the_largest_remainders_the_first_of_equal_ones_first():
    assert POUND.share_out(Decimal("10.00"), [1, 1, 1]) == [Decimal("3.34"), Decimal("3.33"), Decimal("3.33")]
    assert POUND.share_out(Decimal("0.05"), [1, 2, 3]) == [Decimal("0.01"), Decimal("0.02"), Decimal("0.02")]
    assert YEN.share_out(Decimal(100), [1, 1, 1]) == [Decimal(34), Decimal(33), Decimal(33)]


def test_a_bill_falls_whole_on_the_only_bird_with_a_share():
    assert POUND.share_out(Decimal("7.01"), [0, 3, 0]) == [Decimal("0.00"), Decimal("7.01"), Decimal("0.00")]


@pytest.mark.parametrize("bad", [[0, 0], [1, -1], [1, np.nan], []])
def test_weights_that_cannot_carry_a_bill_are_refused(bad):
    with pytest.raises(ValueError, match="weights must be finite"):
        POUND.share_out(Decimal("1.00"), bad)


def test_minor_units_agree_with_the_unicode_locale_data():
    """Common Locale Data Repository, as shipped by Babel (installed with the notebooks' server). It counts no
    fils for the Iraqi dinar, of which ISO 4217 has three decimals."""
    numbers = pytest.importorskip("babel.numbers")
    for code in f"{NO_DECIMALS} {THREE_DECIMALS} GBP EUR USD CHF AUD CAD SEK PLN ZAR INR".split():
        if code != "IQD":
            assert Currency(code).decimals == numbers.get_currency_precision(code), code


def test_amounts_are_written_with_the_currency_s_own_decimals():
    assert POUND.words(1234.5) == "£1,234.50"
    assert YEN.words(1234.5) == "¥1,234"
    assert DINAR.words(Decimal("0.1")) == "0.100 KWD"
    assert POUND.words(Decimal("-3.1")) == "−£3.10"


def test_an_amount_that_is_not_finite_is_refused():
    with pytest.raises(ValueError, match="expected an amount of money in GBP"):
        POUND.amount(float("nan"))


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (35.49, "35.00"),
        (127.43, "127.00"),
        (8.37, "8.40"),
        (0.004, "0.01"),
        (12.46, "12.50"),
        (653.9, "650.00"),
    ],
)
def test_forecasts_carry_two_figures_or_three_after_a_one(number, said):
    assert POUND.about(number) == Decimal(said)


@given(st.floats(0.02, 1e7))
def test_rounding_outward_keeps_a_range_a_range(number):
    low, high = POUND.about(number, ROUND_FLOOR), POUND.about(number, ROUND_CEILING)
    assert low <= Decimal(str(number)) <= high or low == POUND.unit
    assert high <= Decimal(str(number)) * Decimal("1.06") + POUND.unit
