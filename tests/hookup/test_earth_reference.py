"""The earth-reference arithmetic: worked examples of the trade, and coverage on the plant."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.clock import VirtualClock
from runner.hookup.earth_reference import (
    AcPair,
    Conductance,
    DcReadings,
    Kind,
    ReadingLimits,
    available_current,
    earth_reference,
)
from runner.hookup.measured import SPREAD_SHARE
from runner.profile import find_profile, load_profile
from sim_instruments.plant import Plant, design_unit

EXACT = ReadingLimits(1e-9, 1e-9, ac_gain=0, ac_scatter=0, ac_floor_v=0, shunt_rel=0, bleed_rel=0)
BLEED = 1e6
SHUNT = 1 / (1 / 1e7 + 1 / BLEED)


def test_leak_of_one_megohm_at_plus_as_in_the_worked_example() -> None:
    # Practice note on isolation of the output: 30 V unit, leak 1 MΩ at +: 27.2 V (27.27) at − with
    # a 10 MΩ meter, 14.3 V (14.286) with a 1 MΩ bleed beside it.
    found = earth_reference(
        DcReadings(30.0, 0.0, -27.27, 1e7), DcReadings(30.0, 0.0, -14.286, SHUNT), EXACT
    )
    plus = found.terminals["unit.plus"]
    assert plus.kind is Kind.LEAK
    assert plus.ohms == pytest.approx(1e6, rel=2e-3)


def test_both_leaks_by_the_meter_alone() -> None:
    # R_p = R_m (V_b - V_1 - V_2)/V_1 (practice note, exact): 5 MΩ and 20 MΩ on 20 V, 10 MΩ
    # meter: V_1 = 20·0.2/0.35 = 11.42857 V, V_2 = 20·0.05/0.35 = 2.857143 V.
    alone = DcReadings(20.0, 2.857143, -11.42857, 1e7)
    share = 1 / 5e6 + 1 / 20e6 + 1 / SHUNT
    bled = DcReadings(20.0, 20 / 20e6 / share, -20 / 5e6 / share, SHUNT)
    found = earth_reference(alone, bled, EXACT).terminals
    assert found["unit.plus"].ohms == pytest.approx(5e6, rel=1e-4)
    assert found["unit.minus"].ohms == pytest.approx(20e6, rel=1e-4)


def test_hard_tie_of_minus_hides_plus_and_survives_the_bleed() -> None:
    # Practice note: V(− → PE) stays 0.000, V(+ → PE) = V_b with and without bleed.
    limits = ReadingLimits(1e-3, 1e-4)
    readings = (DcReadings(20.0, 20.0, 0.0, 1e7), DcReadings(20.0, 19.99999, 0.0, SHUNT))
    found = earth_reference(*readings, limits).terminals
    assert found["unit.minus"].kind is Kind.HARD
    assert found["unit.minus"].high_ohms < 1e3
    assert found["unit.plus"].kind in {Kind.MASKED, Kind.STRAY}
    assert found["unit.plus"].ohms is None


@pytest.mark.parametrize(
    ("farads", "at_10m_v", "at_1m_v", "expected_a"),
    # Practice note, 115 V behind the stray, 50 Hz: volts at 10 MΩ and 1 MΩ, current available.
    [(100e-12, 34.0, 3.6, 3.6e-6), (300e-12, 79.0, 10.8, 11e-6), (1e-9, 110.0, 34.0, 36e-6)],
)
def test_stray_current_of_the_worked_table(
    farads: float, at_10m_v: float, at_1m_v: float, expected_a: float
) -> None:
    pair = AcPair(at_10m_v, at_1m_v, 1e7, 1e7, 1 / (1e-6 - 1e-7))
    limits = replace(EXACT, ac_scatter=0.015)  # the table is rounded to two or three digits
    found = available_current(pair, limits, Conductance(0.0, 0.0, 0.0), 50.0)
    assert found.amps == pytest.approx(expected_a, rel=0.03)
    assert found.low_a <= 115 * 2 * math.pi * 50 * farads <= found.high_a


def test_suppression_capacitors_of_a_switch_mode_unit() -> None:
    # Check value T3-24: 2.2 nF at 230 V 50 Hz carry 0.15896 mA; two of them at half the line are
    # the practice note's 4.4 nF row (0.16 mA; 93 V at 1 MΩ, 15.7 V at 100 kΩ).
    pair = AcPair(93.0, 15.7, 1e6, 1e6, 1 / (1e-5 - 1e-6))
    limits = replace(EXACT, ac_scatter=0.005)
    found = available_current(pair, limits, Conductance(0.0, 0.0, 0.0), 50.0)
    assert found.amps == pytest.approx(0.15896e-3, rel=0.01)


def test_no_current_is_stated_where_the_output_does_not_rest() -> None:
    # The same stray with a bleed that seems to raise the voltage: no current does that.
    found = available_current(
        AcPair(0.416, 0.494, 1e7, 1e7, 1e6), EXACT, Conductance(0.0, 0.0, 0.0), 50.0
    )
    assert (found.amps, found.high_a) == (None, math.inf)
    assert "does not rest" in found.why
    # A minus on earth while the output swings by a third: the tie is within the interval.
    wild = replace(EXACT, scatter_v=4.0)
    readings = DcReadings(14.4, 14.5, 0.0, 1 / 1.1e-6)
    swinging = earth_reference(
        readings, readings, wild, [AcPair(0.416, 0.494, 1e7, 1e7, 1e6)]
    ).available
    assert swinging is not None
    assert (swinging.amps, swinging.high_a, swinging.why) == (
        None, math.inf, "a tie to earth hides it",
    )  # fmt: skip


def test_readings_that_cannot_be_used_are_refused() -> None:
    good = DcReadings(20.0, 0.0, -1.0, 1e7)
    for bad in (replace(good, output_v=0.5), replace(good, plus_v=math.nan)):
        with pytest.raises(ValueError, match="expected"):
            earth_reference(bad, good, EXACT)


volts = st.floats(min_value=-60, max_value=60)


@given(st.floats(min_value=2, max_value=60), volts, volts, volts, volts)
def test_no_reading_breaks_the_arithmetic(
    output_v: float, plus_v: float, minus_v: float, plus_bled_v: float, minus_bled_v: float
) -> None:
    found = earth_reference(
        DcReadings(output_v, plus_v, minus_v, 1e7),
        DcReadings(output_v, plus_bled_v, minus_bled_v, SHUNT),
        ReadingLimits(1e-3, 1e-3),
        [AcPair(abs(plus_v), abs(plus_bled_v), 1e6, 1e7, BLEED)],
    )
    for one in found.terminals.values():
        assert 0 <= one.low_ohms <= one.high_ohms
        assert one.ohms is None or one.low_ohms <= one.ohms <= one.high_ohms
    assert found.available is not None
    assert 0 <= found.available.low_a <= found.available.high_a


# --- coverage on the simulated plant


class BenchMeter:
    """Reads the plant with a meter's own errors: gain, offset, noise, input resistance."""

    def __init__(self, plant: Plant, clock: VirtualClock, draw: random.Random, ohms: float) -> None:
        self.plant, self.clock, self.draw = plant, clock, draw
        self.nominal_ohms = ohms
        self.ohms = ohms * (1 + draw.uniform(-0.01, 0.01)) if ohms < 1e9 else ohms
        self.ac_ohms = draw.choice([1e6, 1e7])
        self.gain = 1 + draw.uniform(-5e-5, 5e-5)
        self.offset_v = draw.uniform(-6e-4, 6e-4)  # 100 V range of a 6½-digit meter
        self.spread_v = 0.0
        self.ac_gain = 1 + draw.uniform(-1e-3, 1e-3)

    def direct(self, a: str, b: str) -> float:
        """Mean of five readings of ten mains cycles in V; keeps the widest range seen."""
        self.clock.sleep(3.0)
        values = []
        for _ in range(5):
            self.clock.sleep(0.2 + self.draw.uniform(0.0, 0.02))
            now_s = self.clock.mono_s()
            mean_v = self.plant.mean_v(a, b, now_s - 0.2, now_s)
            values.append(mean_v * self.gain + self.offset_v + self.draw.gauss(0, 3e-5))
        self.spread_v = SPREAD_SHARE * (max(values) - min(values))
        return sum(values) / 5

    def alternating(self, terminal: str) -> float:
        """True rms in V, on the input resistance of the ac range."""
        self.plant.attach("meter", terminal, "earth", self.ac_ohms)
        self.clock.sleep(3.0)
        now_s = self.clock.mono_s()
        rms_v = self.plant.rms_ac_v(terminal, "earth", now_s - 1.0, now_s)
        self.plant.attach("meter", terminal, "earth", self.ohms)
        return rms_v * self.ac_gain + self.draw.uniform(-3e-4, 3e-4)


def _measure(plus_ohm: float, minus_ohm: float, stray_f: float, meter_ohm: float, seed: int):
    draw = random.Random(f"{plus_ohm} {minus_ohm} {stray_f} {meter_ohm} {seed}")
    parts = design_unit(load_profile(find_profile("lb-2403")), seed)
    earth = replace(parts.earth, r_plus_ohm=plus_ohm, r_minus_ohm=minus_ohm, c_stray_f=stray_f)
    clock = VirtualClock()
    plant = Plant(replace(parts, earth=earth), clock, seed)
    meter = BenchMeter(plant, clock, draw, meter_ohm)
    plant.mains_on(True)
    plant.set_output(True)
    plant.set_voltage(20.0)
    bleed = BLEED * (1 + draw.uniform(-0.01, 0.01))
    output_v = meter.direct("plus", "minus")
    direct: dict[tuple[str, bool], float] = {}
    spread_v = {False: 0.0, True: 0.0}
    pairs = []
    for terminal in ("plus", "minus"):
        plant.attach("meter", terminal, "earth", meter.ohms)
        direct[terminal, False] = meter.direct(terminal, "earth")
        spread_v[False] = max(spread_v[False], meter.spread_v)
        alone_v = meter.alternating(terminal)
        plant.attach("bleed", terminal, "earth", bleed)
        direct[terminal, True] = meter.direct(terminal, "earth")
        spread_v[True] = max(spread_v[True], meter.spread_v)
        pairs.append(AcPair(alone_v, meter.alternating(terminal), 0.98e6, 10.2e6, BLEED))
        plant.detach("bleed")
        plant.detach("meter")
    alone, bled = (
        DcReadings(output_v, direct["plus", with_bleed], direct["minus", with_bleed], ohms,
                   spread_v[with_bleed])
        for with_bleed, ohms in (
            (False, meter_ohm), (True, 1 / (1 / meter_ohm + 1 / BLEED)),
        )
    )  # fmt: skip
    limits = ReadingLimits(offset_v=7e-4, scatter_v=1e-4, ac_gain=1.2e-3, ac_scatter=0.01)
    true_a = 115.0 * 2 * math.pi * 50.0 * stray_f
    return earth_reference(alone, bled, limits, pairs), true_a


FREE = 1e12
SINGLE = [(100.0, FREE), (FREE, 100.0)] + [
    pair for ohms in (3e3, 1e4, 1e5, 1e6, 1e7, 1e8) for pair in ((ohms, FREE), (FREE, ohms))
]
BOTH = [(100.0, 1e6), (1e4, 1e4), (1e5, 1e7), (1e6, 1e6), (1e7, 1e6), (1e8, 1e8), (1e6, 1e8)]
STRAYS = (100e-12, 1e-9, 10e-9)


def _kind(own: float, other: float) -> set[Kind]:
    if own < 1e3:
        return {Kind.HARD}
    hidden = other < 1e3 and own > 1e2 * other
    if own < 1e9:
        return {Kind.LEAK, Kind.MASKED, Kind.STRAY} if hidden else {Kind.LEAK}
    return {Kind.STRAY, Kind.MASKED} if hidden else {Kind.STRAY}


def _prove(cases: list[tuple[float, float, float, float, int]]) -> None:
    inside, asked, wrong = 0, 0, []
    for plus_ohm, minus_ohm, stray_f, meter_ohm, seed in cases:
        found, true_a = _measure(plus_ohm, minus_ohm, stray_f, meter_ohm, seed)
        truths = {"unit.plus": (plus_ohm, minus_ohm), "unit.minus": (minus_ohm, plus_ohm)}
        for terminal, (own, other) in truths.items():
            one = found.terminals[terminal]
            asked += 1
            inside += one.low_ohms <= own <= one.high_ohms
            if one.kind not in _kind(own, other):
                wrong.append((plus_ohm, minus_ohm, stray_f, meter_ohm, terminal, one))
        assert found.available is not None
        asked += 1
        inside += found.available.low_a <= true_a <= found.available.high_a
    assert not wrong
    assert inside >= 0.95 * asked


def test_interval_and_kind_on_the_plant_sample() -> None:
    draw = random.Random(5)
    every = [(p, m, c, r, 1) for p, m in SINGLE + BOTH for c in STRAYS for r in (1e7, 1e10)]
    _prove(draw.sample(every, 20))


@pytest.mark.slow
@pytest.mark.parametrize("meter_ohm", [1e7, 1e10])
@pytest.mark.parametrize("stray_f", STRAYS)
def test_interval_and_kind_on_the_plant_in_full(stray_f: float, meter_ohm: float) -> None:
    _prove([(p, m, stray_f, meter_ohm, seed) for p, m in SINGLE + BOTH for seed in (1, 2)])
