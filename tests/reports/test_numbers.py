"""Numbers as printed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.numbers import finding_numbers, percent, quantity, scale_for
from runner.finding import Decision, Finding


def finding(value: float | None, unit: str, u: float | None, low=None, high=None) -> Finding:
    return Finding(
        "c", "w", "", value, unit, Decision.PASS, u_expanded=u, limit_low=low, limit_high=high
    )


def test_two_digits_of_uncertainty_as_in_gum_h_1() -> None:
    # JCGM 100:2008, H.1.6: l = (50,000 838 ± 0,000 093) mm; 7.2.6 asks for at most two digits.
    numbers = finding_numbers(finding(50.000838, "mm", 0.000093))
    assert (numbers.value, numbers.u, numbers.unit) == ("50.000838", "0.000093", "mm")


def test_two_digits_of_uncertainty_as_in_gum_7_2_2() -> None:
    # JCGM 100:2008, 7.2.4: m_s = (100,021 47 ± 0,000 79) g.
    numbers = finding_numbers(finding(100.02147, "g", 0.00079))
    assert (numbers.value, numbers.u) == ("100.02147", "0.00079")


def test_value_uncertainty_and_limit_share_one_prefix() -> None:
    numbers = finding_numbers(finding(0.0061, "V", 0.0016, -0.034, 0.034))
    assert (numbers.value, numbers.u, numbers.limit, numbers.unit) == ("6.1", "1.6", "±34", "mV")


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (None, 0.01, "≤ 10"),
        (0.3, None, "≥ 300"),
        (12.0, 13.0, "12 … 13"),
        (-0.1, 0.2, "−100 … 200"),
    ],
)
def test_limits_in_words_of_their_kind(low: float | None, high: float | None, text: str) -> None:
    value = low if low is not None else high
    assert finding_numbers(finding(value, "V", None, low, high)).limit == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0123, "V", "12.3 mV"), (-2.5e-6, "A", "−2.5 µA"), (4700.0, "Ω", "4.7 kΩ"),
        (23.4, "°C", "23.4 °C"), (0.0, "V", "0 V"), (0.05, "%", "0.05 %"), (None, "V", ""),
    ],
)  # fmt: skip
def test_si_prefixes_of_the_si_brochure(value: float | None, unit: str, text: str) -> None:
    assert quantity(value, unit) == text


def test_a_risk_too_small_to_matter_is_not_printed_as_nothing() -> None:
    assert percent(0.0) == "< 0.01 %"
    assert percent(0.213) == "21 %"
    assert percent(None) == ""


@given(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(["V", "%", "", "Ω"]))
def test_any_float_can_be_printed(value: float, unit: str) -> None:
    assert isinstance(quantity(value, unit), str)
    assert isinstance(percent(value), str)


@given(st.floats(1e-11, 1e11), st.floats(-1, 1))
def test_what_is_printed_is_the_value_within_its_last_digit(magnitude: float, share: float) -> None:
    value, u = magnitude * share, magnitude / 100
    numbers = finding_numbers(finding(value, "V", u, None, magnitude))
    factor = scale_for(magnitude, "V").factor
    printed = float(numbers.value.replace("−", "-")) * factor
    decimals = len(numbers.value.partition(".")[2])
    assert math.isclose(printed, value, rel_tol=1e-9, abs_tol=0.501 * factor * 10.0**-decimals)
