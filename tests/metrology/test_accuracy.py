"""Accuracy statements against makers' worked figures; dates, temperature, certificates."""

from __future__ import annotations

import json
import math
from datetime import date
from typing import Any

import pytest

from runner.metrology.accuracy import Accuracy, RangeAccuracy
from runner.metrology.certificate import Certificate, CertificateEntry
from runner.metrology.plain import from_plain
from runner.metrology.scale import Scale

from .outside import IN_DATE, OUTSIDE, TODAY, meter_scale

TABLE = OUTSIDE["meter_limit_table"]
SHEET = Accuracy(
    function="dc-volts",
    unit="V",
    ranges=(
        RangeAccuracy(10.0, 0.0035, 0.0005, tempco_pct_reading=0.0005, tempco_pct_range=0.0001),
        RangeAccuracy(100.0, 0.0045, 0.0006, from_memory=True),
    ),
)


def _scale(range_: float = 10.0, **more: Any) -> Scale:
    settings = {"temperature_c": 23.0, "certificate": IN_DATE, "on": TODAY} | more
    return SHEET.scale(range_, instrument="meter", **settings)


def test_maker_worked_example_5_v_on_10_v() -> None:
    case = OUTSIDE["meter_maker_example"]
    row = RangeAccuracy(case["range_v"], case["pct_reading"], case["pct_range"])
    assert row.limit(case["value_v"]) * 1e6 == pytest.approx(case["limit_uv"])
    scale = meter_scale(case["range_v"], case["pct_reading"], case["pct_range"])
    assert scale.components(case["value_v"]).u * 1e6 == pytest.approx(case["u_uv"], abs=0.05)


@pytest.mark.parametrize("row", [*TABLE["one_year"], TABLE["at_12_v"], TABLE["at_5_v"]])
def test_maker_limit_table(row: list[float]) -> None:
    range_, reading, pct_reading, pct_range, limit_uv = row
    found = RangeAccuracy(range_, pct_reading, pct_range).limit(reading)
    assert found * 1e6 == pytest.approx(limit_uv, rel=1e-9)


def test_standard_uncertainty_at_12_v_and_5_v() -> None:
    for row, u_uv in (("at_12_v", "u_at_12_v_uv"), ("at_5_v", "u_at_5_v_uv")):
        range_, reading, pct_reading, pct_range, _ = TABLE[row]
        parts = meter_scale(range_, pct_reading, pct_range).components(reading)
        assert parts.limit_u * 1e6 == pytest.approx(TABLE[u_uv], abs=0.06)
        assert parts.gain == pytest.approx(reading * pct_reading / 100 / math.sqrt(3))


def test_counts_and_a_stated_coverage_factor() -> None:
    # Common practice: a hand-held meter's 0.05 % + 1 count of 10 mV at 12 V: 6 mV + 10 mV;
    # a sheet that states k = 2 is divided by 2, not by sqrt 3.
    counts = RangeAccuracy(60.0, 0.05, counts=1, resolution=0.01)
    assert counts.limit(12.0) == pytest.approx(0.016)
    stated = meter_scale(10.0, 0.0035, 0.0005, coverage="normal-k2").components(5.0)
    assert stated.limit_u * 1e6 == pytest.approx(225 / 2)


def test_temperature_outside_the_band_adds_the_makers_term() -> None:
    # 33 degC is 5 K outside 23 +- 5 degC: 5 x (0.0005 % of 10 V + 0.0001 % of 10 V) = 300 uV.
    parts = _scale(temperature_c=33.0).components(10.0)
    assert parts.tempco * math.sqrt(3) * 1e6 == pytest.approx(300)
    assert parts.limit_u * math.sqrt(3) * 1e6 == pytest.approx(700)
    assert _scale(temperature_c=28.0).components(10.0).tempco == 0


def test_temperature_unknown_is_said_and_outside_without_term_is_a_caveat() -> None:
    unknown = _scale(temperature_c=None)
    assert not unknown.caveats
    assert "room temperature not recorded" in unknown.notes[0]
    hot = _scale(100.0, temperature_c=35.0)
    assert any("temperature term is not known" in caveat for caveat in hot.caveats)


@pytest.mark.parametrize(
    ("certificate", "word"),
    [
        (None, "no calibration date known"),
        (Certificate(due_on=date(2025, 5, 31)), "due 2025-05-31, 1 days ago"),
        (Certificate(calibrated_on=date(2024, 5, 1)), "due 2025-05-01, 31 days ago"),
    ],
)
def test_overdue_or_unknown_calibration_is_a_caveat(
    certificate: Certificate | None, word: str
) -> None:
    (caveat,) = _scale(certificate=certificate).caveats
    assert word in caveat
    assert caveat.startswith("meter: ")


def test_in_date_documented_figures_have_no_caveat_and_memory_ones_do() -> None:
    assert _scale().caveats == ()
    assert _scale(certificate=Certificate(due_on=TODAY)).caveats == ()
    assert "from memory" in _scale(100.0).caveats[0]


def test_certificate_replaces_the_makers_figures() -> None:
    entry = CertificateEntry(
        "dc-volts", 10.0, correction=-2e-5, u_expanded=3e-5, u_expanded_pct_reading=0.0004,
        drift=2e-5,
    )  # fmt: skip
    certificate = Certificate("K-7", date(2025, 1, 1), date(2026, 1, 1), 2.0, (entry,))
    scale = _scale(certificate=certificate)
    assert scale.corrected(5.0) == pytest.approx(4.99998)
    # U = 30 uV + 20 uV of 5 V, k 2; drift 20 uV as a rectangle joins the constant part.
    constant = math.hypot(15e-6, 20e-6 / math.sqrt(3))
    assert scale.components(5.0).limit_u == pytest.approx(constant + 10e-6)
    assert scale.source == "certificate K-7"
    assert scale.caveats == ()
    without = Certificate("K-7", date(2025, 1, 1), None, 2.0, (
        CertificateEntry("dc-volts", 100.0, u_expanded=1e-3),
    ))  # fmt: skip
    used = _scale(100.0, certificate=without)
    assert "allowance for change" in used.notes[0]
    assert used.caveats == ()  # the certificate takes the place of figures from memory


def test_smallest_range_that_holds_a_value() -> None:
    assert SHEET.holding(-9.9).range == 10.0
    assert SHEET.holding(10.5).range == 100.0
    with pytest.raises(ValueError, match="value: expected at most 100 V, found 150"):
        SHEET.holding(150.0)


def test_plain_values_come_back_unchanged() -> None:
    entry = CertificateEntry("dc-volts", 10.0, u_expanded=3e-5)
    certificate = Certificate("K-7", date(2025, 1, 1), None, 2.0, (entry,))
    for thing in (SHEET, certificate):
        plain = json.loads(json.dumps(thing.to_dict()))
        assert from_plain(type(thing), plain) == thing
    assert Certificate.from_dict({"due_on": date(2025, 1, 1)}).due_on == date(2025, 1, 1)


GOOD = {"function": "dc-volts", "unit": "V", "ranges": [{"range": 10, "pct_reading": 0.1}]}


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"ranges": []}, "ranges: expected at least one, found none"),
        ({"ranges": [{"range": 10}]}, "ranges[0].pct_reading: expected some limit of error"),
        (
            {"ranges": [{"range": "10", "pct_reading": 1}]},
            "ranges[0].range: expected a valid number, found '10'",
        ),
        (
            {"ranges": [{"range": 0, "pct_reading": 1}]},
            "ranges[0].range: expected a finite number above zero, found 0.0",
        ),
        (
            {"ranges": [{"range": 1, "pct_reading": -1}]},
            "ranges[0].pct_reading: expected a finite number, zero or above, found -1.0",
        ),
        (
            {"ranges": [{"range": 1, "pct_reding": 1}]},
            "ranges[0].pct_reding: expected no such key, found 1",
        ),
        (
            {"ranges": [{"range": 1, "pct_reading": 1, "coverage": "k2"}]},
            "ranges[0].coverage: expected rectangular, triangular, u-shaped or normal-k<number>",
        ),
        (
            {"ranges": [{"range": 1, "counts": 2}]},
            "ranges[0].resolution: expected the size of one count, found 0",
        ),
        ({"ranges": [GOOD["ranges"][0]] * 2}, "ranges: expected each range once"),  # type: ignore[index]
        ({"unit": 5}, "unit: expected a valid string, found 5"),
        ({"calibration_interval_days": 0}, "calibration_interval_days: expected a finite"),
    ],
)
def test_wrong_accuracy_names_key_expected_and_found(change: dict[str, Any], text: str) -> None:
    with pytest.raises(ValueError, match="expected") as caught:
        Accuracy.from_dict(GOOD | change)
    assert str(caught.value).startswith(text)


def test_missing_key_and_wrong_shape() -> None:
    with pytest.raises(ValueError, match=r"^ranges: expected this key, found nothing$"):
        Accuracy.from_dict({"function": "dc-volts", "unit": "V"})
    with pytest.raises(ValueError, match="Accuracy: expected plain values"):
        Accuracy.from_dict({"function": object()})
    with pytest.raises(ValueError, match="due_on: expected a date after 2025-01-02"):
        Certificate(calibrated_on=date(2025, 1, 2), due_on=date(2025, 1, 1))
    with pytest.raises(ValueError, match="range: expected one of 10, 100 V, found 20"):
        _scale(20.0)
    with pytest.raises(ValueError, match="instrument: expected its name"):
        SHEET.scale(10.0, instrument="", on=TODAY)


def test_last_digit_follows_the_integration_time() -> None:
    # A 6.5-digit meter's counts as shares of range: 1e-4, 1e-5, 3e-6, 1e-6, 3e-7 at 0.02, 0.2,
    # 1, 10 and 100 line periods (usual table of that lineage, from memory).
    shares = ((0.02, 1e-4), (0.2, 1e-5), (1.0, 3e-6), (10.0, 1e-6), (100.0, 3e-7))
    steps = tuple((nplc, 10 * share) for nplc, share in shares)
    row = RangeAccuracy(10.0, 0.0035, 0.0005, resolution=1e-5, resolution_by_nplc=steps)
    sheet = Accuracy("dc-volts", "V", (row,))
    for nplc, count in (*steps, (2.0, 3e-5), (0.001, 1e-3), (None, 1e-5)):
        scale = sheet.scale(10.0, instrument="meter", on=TODAY, nplc=nplc)
        assert scale.resolution == pytest.approx(count)
        assert scale.resolution_u == pytest.approx(count / math.sqrt(12))  # GUM F.2.2.1
    assert Accuracy.from_dict(json.loads(json.dumps(sheet.to_dict()))) == sheet


@pytest.mark.parametrize("steps", [((0.0, 1e-5),), ((1.0, -1e-5),), ((1.0, math.inf),)])
def test_last_digits_that_cannot_be(steps: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match="resolution_by_nplc"):
        RangeAccuracy(10.0, 0.0035, resolution_by_nplc=steps)
