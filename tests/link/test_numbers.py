"""Strict reading of replies: whole values or nothing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.link.numbers import clean, parse_bool, parse_error, parse_number, shown


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        # NR1, NR2, NR3 of IEEE 488.2-1992, 8.7.2 to 8.7.4
        ("12", "", 12.0),
        ("+12", "", 12.0),
        ("-0.5", "", -0.5),
        (".5", "", 0.5),
        ("+1.20000000E+01", "V", 12.0),
        ("1e-3", "", 1e-3),
        ("+1.2E+1", "V", 12.0),
        ("12.0V", "V", 12.0),
        ("500mV", "V", 0.5),
        ("1.20E+01 VDC", "V", 12.0),
        ("10X", "x", 10.0),
        ("1.00GSa/s", "Sa/s", 1e9),
        ("5.00E-01V", "V", 0.5),
        ("0.6A ", "A", 0.6),
        ("12.5 mA", "A", 0.0125),
        ("2kOHM", "Ω", 2000.0),
    ],
)
def test_values(text: str, unit: str, value: float) -> None:
    assert parse_number(text, unit).value == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "empty"),
        ("-0.-1", "not a number"),
        ("0.0.1359530", "not a number"),
        ("1.2E", "unit"),
        ("1 2", "not a number"),
        ("12 A", "unit"),
        ("0x10", "unit"),
        ("1,2", "unit"),
        # SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: infinity and not-a-number
        ("9.9E37", "overload (positive)"),
        ("-9.9E37", "overload (negative)"),
        ("9.91E37", "no value"),
        ("INF", "overload"),
        ("-INF", "overload (negative)"),
        ("NAN", "no value"),
        ("OL", "overload"),
        ("----", "no value"),
        ("****", "no value"),
        ("overload", "overload"),
        ("199.999E+99", "overload"),
    ],
)
def test_no_values(text: str, why: str) -> None:
    number = parse_number(text, "V")
    assert number.value is None
    assert why in (number.reason or "")


@given(st.binary(max_size=60))
def test_any_bytes_give_a_finite_number_or_a_reason(raw: bytes) -> None:
    number = parse_number(clean(raw), "V")
    assert (number.value is None) != (number.reason is None)
    assert number.value is None or math.isfinite(number.value)
    parse_bool(clean(raw))
    parse_error(clean(raw))
    assert shown(clean(raw)).isprintable()


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-8e37, max_value=8e37))
def test_what_is_printed_is_read_back(value: float) -> None:
    assert parse_number(f"{value:+.12E}").value == pytest.approx(value, rel=1e-11)


@given(st.text(max_size=20))
def test_prefix_is_never_guessed(text: str) -> None:
    """A number followed by anything but a known unit is no value in volts."""
    number = parse_number("12" + text, "V")
    if number.value is not None:
        tail = text.strip("\0\r\n\t ").strip()
        assert (
            tail == ""
            or tail[0] in "0123456789.eE"
            or tail.endswith(("V", "VDC", "VAC", "Vrms", "volt", "volts"))
        )


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ('0,"No error"', 0),
        ('+0,"No error"', 0),
        ('-113,"Undefined header"', -113),
        ("0,No error", 0),
        ("0.00000e+00\tQueue Is Empty", 0),
        ('4,"Execution Error"', 4),
    ],
)
def test_error_entries(text: str, code: int) -> None:
    entry = parse_error(text)
    assert entry is not None and entry.code == code


@pytest.mark.parametrize("text", ["", "No error", "1.5,x", "+1.2E+01 V extra", "garbage,0"])
def test_not_an_error_entry(text: str) -> None:
    entry = parse_error(text)
    assert entry is None or entry.code != 0
