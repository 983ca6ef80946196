"""Quantities as written by hand; prefixes as in the SI brochure (9th edition, table 7)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.quantity import (
    format_quantity,
    parse_limit,
    parse_quantity,
    parse_span,
    parse_tolerance,
)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("20 mV", "V", 0.02),
        ("20mV", "V", 0.02),
        ("1.5 kΩ", "Ω", 1500.0),
        ("1 MΩ", "Ω", 1e6),
        ("10 mOhm", "Ω", 0.01),
        ("50 us", "s", 50e-6),
        ("50 µs", "s", 50e-6),
        ("-3 A", "A", -3.0),
        ("−3 A", "A", -3.0),
        ("0 V", "V", 0.0),
    ],
)
def test_a_quantity_is_read_with_its_prefix(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["20", "20 mA", "twenty volts", "", "nan V", "inf V", "1e999 V"])
def test_a_wrong_unit_or_number_is_refused_and_named(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected a .*number with unit V"):
        parse_quantity(text, "V")


def test_a_two_part_limit_is_that_of_the_worked_example() -> None:
    """0.01 % + 3 mV at 12 V is 4.20 mV (specification table form of a bench supply, T1-09)."""
    assert parse_limit("0.01 % + 3 mV", "V").at(12.0) == pytest.approx(4.2e-3, rel=1e-12)


def test_ppm_and_percent_agree() -> None:
    assert parse_limit("80 ppm", "V").at(20.0) == pytest.approx(parse_limit("0.008 %", "V").at(20))


@pytest.mark.parametrize("text", ["-1 %", "1 % + -3 mV", "+", "3 %%"])
def test_a_limit_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="expected"):
        parse_limit(text, "V")


def test_a_span_has_its_lower_end_first() -> None:
    span = parse_span("0 V .. 24 V", "V")
    assert (span.low, span.high) == (0.0, 24.0)
    with pytest.raises(ValueError, match="lower end first"):
        parse_span("24 V .. 0 V", "V")


def test_a_tolerance_may_be_relative_or_absolute() -> None:
    assert parse_tolerance("9.5 V ± 0.5 V", "V").high == pytest.approx(10.0)
    assert parse_tolerance("10 V +- 3 %", "V").low == pytest.approx(9.7)


@given(st.text(max_size=40))
@settings(max_examples=200)
def test_no_text_does_anything_but_parse_or_be_refused(text: str) -> None:
    for parse in (parse_quantity, parse_limit, parse_span, parse_tolerance):
        try:
            parse(text, "V")
        except ValueError as error:
            assert "expected" in str(error)


@given(st.floats(min_value=-1e6, max_value=1e6).filter(lambda x: x == 0 or abs(x) > 1e-9))
@settings(max_examples=200)
def test_what_is_written_can_be_read_again(value: float) -> None:
    assert parse_quantity(format_quantity(value, "V", 9), "V") == pytest.approx(value, rel=1e-7)
