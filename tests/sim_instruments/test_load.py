"""The simulated load against the plant's truth, and its protections."""

from __future__ import annotations

import numpy as np
import pytest

from sim_instruments.load import CURRENT_CLASS, OWN_NOISE_A, VOLTAGE_CLASS, Load
from tests.sim_instruments.bench_fakes import Talk, memory_bench


class Rig:
    """A memory bench at 12 V with the load in hand."""

    def __init__(self, volts: float = 12.0, seed: int = 1, **what: object) -> None:
        self.bench = memory_bench(seed=seed, **what)
        self.supply = Talk(self.bench.instruments["supply"])
        load = self.bench.instruments["load"]
        assert isinstance(load, Load)
        self.instrument = load
        self.load = Talk(load)
        self.supply.write(f"VOLT {volts};OUTP ON")
        self.wait(3.0)

    def wait(self, seconds: float) -> None:
        self.bench.clock.sleep(seconds)

    def true_a(self) -> float:
        now_s = self.bench.clock.mono_s()
        return self.bench.plant.load_a(now_s - 0.02, now_s)

    def condition(self) -> int:
        return int(self.load.ask("STAT:QUES:COND?"))


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_level_and_readback_within_the_class(seed: int) -> None:
    rig = Rig(seed=seed)
    rig.load.write("CURR:RANG 3;LEV 2;:INP ON")
    rig.wait(1.0)
    shown_v, shown_a, shown_w = (float(v) for v in rig.load.ask("MEAS:VOLT?;CURR?;POW?").split(";"))
    true_a = rig.true_a()
    assert abs(true_a - 2.0) <= CURRENT_CLASS.limit(2.0, 3.0)
    assert abs(shown_a - true_a) <= CURRENT_CLASS.limit(true_a, 3.0) + 1e-4
    now_s = rig.bench.clock.mono_s()
    true_v = rig.bench.plant.mean_v("plus", "minus", now_s - 0.04, now_s)
    assert abs(shown_v - true_v) <= VOLTAGE_CLASS.limit(true_v, 150.0) + 2e-3
    assert shown_w == pytest.approx(shown_v * shown_a, rel=1e-3)
    assert rig.load.errors() == []


def test_off_means_no_current_and_reset_puts_off() -> None:
    rig = Rig()
    rig.load.write("CURR 1;:INP ON")
    rig.wait(0.5)
    assert rig.true_a() > 0.9
    rig.load.write("INP OFF")
    rig.wait(0.5)
    assert rig.true_a() == pytest.approx(0.0, abs=1e-3)
    assert rig.load.ask("INP?") == "0"
    rig.load.write("INP ON")
    rig.wait(0.5)
    rig.load.write("*RST")
    rig.wait(0.5)
    assert rig.true_a() == pytest.approx(0.0, abs=1e-3)


def test_modes_draw_what_ohms_law_says() -> None:
    rig = Rig()
    rig.load.write("MODE RES;:RES 10;:INP ON")
    rig.wait(1.0)
    now_s = rig.bench.clock.mono_s()
    volts = rig.bench.plant.mean_v("plus", "minus", now_s - 0.02, now_s)
    assert rig.true_a() == pytest.approx(volts / 10.0, rel=0.01)
    rig.load.write("FUNC POW;:POW 15")
    rig.wait(1.0)
    now_s = rig.bench.clock.mono_s()
    volts = rig.bench.plant.mean_v("plus", "minus", now_s - 0.02, now_s)
    assert rig.true_a() * volts == pytest.approx(15.0, rel=0.01)
    assert rig.load.ask("FUNC?") == "POW"


def test_range_brings_levels_down_and_refuses_more() -> None:
    rig = Rig()
    rig.load.write("CURR 10")
    rig.load.write("CURR:RANG 2")
    assert float(rig.load.ask("CURR:RANG?")) == 3.0
    assert float(rig.load.ask("CURR?")) == 3.0
    rig.load.write("CURR 4")
    assert rig.load.errors() == [-222]
    assert float(rig.load.ask("CURR? MAX")) == 3.0


def test_over_current_trips_after_its_delay_and_latches() -> None:
    rig = Rig()
    rig.load.write("CURR:PROT 1;PROT:STAT ON;DEL 0.2;:CURR 1.5;:INP ON")
    rig.wait(0.1)
    assert rig.load.ask("INP?") == "1"
    rig.wait(0.5)
    assert rig.load.ask("INP?") == "0"
    assert rig.condition() == 2 + 8192
    assert rig.true_a() == pytest.approx(0.0, abs=1e-3)
    rig.load.write("INP ON")
    assert rig.load.errors() == [-221]
    rig.load.write("INP:PROT:CLE;:CURR 0.5;:INP ON")
    rig.wait(0.5)
    assert rig.load.ask("INP?") == "1"
    assert rig.condition() == 0


def test_trip_happens_in_its_own_time_while_the_program_sleeps() -> None:
    rig = Rig()
    rig.load.write("CURR:PROT 1;PROT:STAT ON;DEL 0.2;:CURR 1.5;:INP ON")
    begun = rig.bench.clock.mono_s()
    rig.wait(20.0)
    plant = rig.bench.plant
    assert plant.load_a(begun + 0.05, begun + 0.15) > 1.4
    assert plant.load_a(begun + 0.5, begun + 19.0) == pytest.approx(0.0, abs=1e-3)


def test_over_power_and_provoked_over_temperature() -> None:
    rig = Rig()
    rig.load.write("POW:PROT 20;:CURR 2.5;:INP ON")
    rig.wait(1.0)
    assert rig.condition() == 8 + 8192
    rig.load.write("INP:PROT:CLE;:POW:PROT MAX;:INP ON")
    rig.wait(1.0)
    assert rig.condition() == 0
    rig.instrument.provoke("OT")
    assert rig.load.ask("INP?") == "0"
    assert rig.condition() == 16 + 8192


def test_level_not_reached_is_told() -> None:
    rig = Rig()
    rig.supply.write("CURR 1")
    rig.load.write("CURR 2;:INP ON")
    rig.wait(2.0)
    assert rig.condition() & 1024
    assert rig.true_a() < 1.5
    assert int(rig.supply.ask("STAT:QUES:COND?")) == 1


def test_turn_on_voltage() -> None:
    rig = Rig(volts=5.0)
    rig.load.write("VOLT:ON 8;:CURR 1;:INP ON")
    rig.wait(1.0)
    assert rig.load.ask("INP?") == "1"
    assert rig.true_a() == pytest.approx(0.0, abs=1e-3)
    rig.supply.write("VOLT 10")
    rig.wait(2.0)
    assert rig.true_a() == pytest.approx(1.0, abs=0.05)


def test_dynamic_draws_the_mean_of_both_levels() -> None:
    """Mean = high·duty + low·(1 - duty) when edges are short against the period."""
    rig = Rig()
    rig.load.write("CURR:LEV 0.5;TLEV 2;:TRAN:FREQ 100;DCYC 25;STAT ON;:INP ON")
    rig.wait(2.0)
    now_s = rig.bench.clock.mono_s()
    mean_a = rig.bench.plant.load_a(now_s - 1.0, now_s)
    assert mean_a == pytest.approx(0.25 * 2 + 0.75 * 0.5, rel=0.03)


def test_short_draws_the_limit_of_the_unit() -> None:
    rig = Rig(volts=5.0)
    rig.supply.write("CURR 1.5")
    rig.load.write("INP:SHOR ON;:INP ON")
    rig.wait(2.0)
    limit = rig.bench.plant.parts.regulator
    assert rig.true_a() == pytest.approx(1.5, rel=0.1), limit


def test_slew_is_work_under_way() -> None:
    rig = Rig()
    rig.load.write("CURR:SLEW 1;:CURR 0;:INP ON;*OPC?")
    rig.load.read()
    begun = rig.bench.clock.mono_s()
    rig.load.write("CURR 2;*OPC?")
    rig.load.read()
    assert rig.bench.clock.mono_s() - begun == pytest.approx(2.0, abs=0.05)
    assert float(rig.load.ask("CURR:SLEW:POS?")) == 1.0


def test_own_noise_reaches_the_output_through_its_capacitor() -> None:
    """Noise volts = noise amperes times the output capacitor's series resistance."""
    rig = Rig()
    rig.load.write("CURR 1;:INP ON")
    rig.wait(2.0)
    now_s = rig.bench.clock.mono_s()
    t = now_s - 0.1 + np.arange(20000) * 1e-6
    with_noise = rig.bench.plant.samples_v("plus", "minus", t)
    rig.bench.plant._load_noise = [(-np.inf, 0.0)]
    difference = with_noise - rig.bench.plant.samples_v("plus", "minus", t)
    esr_ohm = rig.bench.plant.parts.regulator.c_out_esr_ohm
    assert np.std(difference) == pytest.approx(OWN_NOISE_A * esr_ohm, rel=0.05)


def test_f66_over_voltage_may_drive_the_load_fully_on() -> None:
    """Seen in the field: the condition says OV, the input says on, the current is the limit."""
    rig = Rig()
    rig.load.write("CURR 0.5;:INP ON")
    rig.wait(1.0)
    rig.instrument.provoke("FULL")
    rig.wait(1.0)
    assert rig.true_a() > 2.0
    assert rig.load.ask("INP?") == "1"
    assert rig.condition() & 1
    rig.load.write("INP OFF")
    rig.wait(1.0)
    assert rig.true_a() == pytest.approx(0.0, abs=1e-3)


def test_what_was_heard_can_be_looked_up() -> None:
    """F88, F89: a test must see whether the load was put off and the panel given back."""
    rig = Rig()
    rig.load.write("INP OFF")
    rig.load.write("SYST:LOC")
    assert [text for _, text in rig.instrument.heard][-2:] == ["INP OFF", "SYST:LOC"]
