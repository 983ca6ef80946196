"""What is printed on parts: IEC 60062 as tabulated by makers; values by arithmetic."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.part_codes import Kind, kind_of, read_marking


@pytest.mark.parametrize(
    ("code", "farads"),
    [
        ("104", 100e-9), ("103", 10e-9), ("473", 47e-9), ("222", 2.2e-9), ("471", 470e-12),
        ("220", 22e-12), ("101", 100e-12), ("105", 1e-6), ("475", 4.7e-6), ("106", 10e-6),
        ("229", 2.2e-12), ("159", 1.5e-12),  # a third digit 9 divides by ten (from memory)
        ("2n2", 2.2e-9), ("4u7", 4.7e-6), ("p68", 0.68e-12), ("1000 uF", 1e-3), ("100nF", 100e-9),
    ],
)  # fmt: skip
def test_capacitor_codes(code: str, farads: float) -> None:
    assert read_marking(code, "capacitor").value == pytest.approx(farads, rel=1e-12)


@pytest.mark.parametrize(
    ("code", "ohms"),
    [
        ("R47", 0.47), ("4R7", 4.7), ("470R", 470.0), ("4K7", 4700.0), ("47K3", 47.3e3),
        ("4M7", 4.7e6), ("472", 4700.0), ("4702", 47e3), ("4.7 kΩ", 4700.0), ("1000 Ω", 1000.0),
    ],
)  # fmt: skip
def test_resistor_codes(code: str, ohms: float) -> None:
    assert read_marking(code, "resistor").value == pytest.approx(ohms, rel=1e-12)


@pytest.mark.parametrize(
    ("letter", "share"), [("F", 0.01), ("G", 0.02), ("J", 0.05), ("K", 0.10), ("M", 0.20)]
)
def test_tolerance_letters(letter: str, share: float) -> None:
    assert read_marking(f"104{letter}", "capacitor").tolerance == share
    assert read_marking(f"4K7 {letter}", "resistor").tolerance == share


@pytest.mark.parametrize(("letter", "pf"), [("B", 0.1), ("C", 0.25), ("D", 0.5)])
def test_small_capacitors_are_within_picofarads(letter: str, pf: float) -> None:
    found = read_marking(f"4p7{letter}", "capacitor")
    assert found.tolerance is not None
    assert found.tolerance * found.value == pytest.approx(pf * 1e-12)


def test_voltage_and_class_beside_the_value() -> None:
    found = read_marking("2n2 X1Y2 300V~", "capacitor")
    assert (found.voltage_v, found.classes) == (300.0, ("X1", "Y2"))
    assert read_marking("104K 275 V X2", "capacitor").classes == ("X2",)
    assert read_marking("4700µF/50V", "capacitor").voltage_v == 50.0


def test_the_place_tells_the_kind() -> None:
    assert (kind_of("R12"), kind_of("c3"), kind_of("K1")) == ("resistor", "capacitor", None)


@settings(max_examples=80, deadline=None)
@given(st.text(max_size=24), st.sampled_from(["resistor", "capacitor"]))
def test_any_text_is_read_or_refused_in_one_sentence(text: str, kind: Kind) -> None:
    try:
        found = read_marking(text, kind)
    except ValueError as error:
        assert "found" in str(error)
    else:
        assert found.kind == kind
