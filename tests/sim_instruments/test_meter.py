"""The simulated meter against known voltages (formulas beside each test) and against the plant."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim_instruments.bench_clock import BenchClock
from sim_instruments.meter import Meter
from sim_instruments.meter_front import DC_CLASS, DC_RANGES_V
from sim_instruments.scpi.instrument import Identity
from sim_instruments.site import Leads
from tests.sim_instruments.bench_fakes import Talk, WaveSite, memory_bench


def meter_on(volts, *, quiet: bool = True, seed: int = 1) -> tuple[Talk, Meter, WaveSite]:
    site = WaveSite(volts)
    clock = BenchClock()
    meter = Meter(
        Identity("Norvane", "M", "1"), clock, site.site(), Leads("plus", "minus"), seed=seed
    )
    if quiet:
        meter.truth.noise = 0.0
        for table in (meter.truth.volts, meter.truth.ac_volts, meter.truth.ohms):
            for error in table.values():
                error.gain = error.offset = 0.0
    clock.sleep(5.0)
    return Talk(meter), meter, site


def dc(level: float):
    return lambda t: np.full_like(t, level)


def test_steady_volts_and_nr3() -> None:
    talk, _, _ = meter_on(dc(12.3456789))
    talk.write("CONF:VOLT:DC 100")
    assert talk.ask("READ?") == "+1.23457000E+01"  # 100 V range at 10 PLC steps by 0.1 mV


def test_ripple_is_rejected_over_whole_cycles_only() -> None:
    """Mean of A·sin over a fraction x of a cycle from its rise: A·(1 - cos 2πx)/(2πx)."""

    def volts(t):
        return 10.0 + 0.5 * np.sin(2 * np.pi * 50.0 * t)

    talk, meter, _ = meter_on(volts)
    talk.write("CONF:VOLT:DC 100;:TRIG:DEL 0")
    for nplc in (1, 10):
        talk.write(f"VOLT:DC:NPLC {nplc}")
        assert float(talk.ask("READ?")) == pytest.approx(10.0, abs=1e-3)
    talk.write("VOLT:DC:NPLC 0.2")
    meter.clock.sleep(math.ceil(meter.now_s * 50) / 50 - meter.now_s)
    x = 0.2
    expected = 10.0 + 0.5 * (1 - math.cos(2 * math.pi * x)) / (2 * math.pi * x)
    assert float(talk.ask("READ?")) == pytest.approx(expected, abs=2e-3)


def test_reading_lies_within_the_class_and_shows_the_drawn_error() -> None:
    for seed in range(20):
        talk, meter, _ = meter_on(dc(7.5), quiet=False, seed=seed)
        talk.write("CONF:VOLT:DC 10")
        error = float(talk.ask("READ?")) - 7.5
        assert abs(error) <= DC_CLASS[10.0].limit(7.5, 10.0) + 20e-6
        assert error == pytest.approx(meter.truth.volts[10.0].shown(7.5) - 7.5, abs=20e-6)


def test_noise_falls_with_integration_time() -> None:
    talk, _, _ = meter_on(dc(7.5), quiet=False)
    spread = {}
    for nplc, count in ((0.02, 50), (1, 50), (100, 8)):
        talk.write(f"CONF:VOLT:DC 10;:VOLT:DC:NPLC {nplc};:SAMP:COUN {count};:READ?")
        spread[nplc] = np.std([float(v) for v in talk.read(60.0).split(b",")])
    assert spread[0.02] > spread[1] > spread[100]


def test_burst_takes_its_real_time() -> None:
    talk, meter, _ = meter_on(dc(1.0))
    talk.write("CONF:VOLT:DC 1;:VOLT:DC:NPLC 10;ZERO:AUTO OFF;:SAMP:COUN 10;:INIT")
    begun = meter.now_s
    assert talk.ask("DATA:POIN?") == "0"
    assert len(talk.ask("FETC?").split(",")) == 10
    assert meter.now_s - begun == pytest.approx(10 * 0.2, rel=0.02)
    talk.write("VOLT:DC:ZERO:AUTO ON;:INIT")
    begun = meter.now_s
    talk.ask("FETC?")
    assert meter.now_s - begun == pytest.approx(2 * 10 * 0.2, rel=0.02)


def test_long_burst_survives_a_long_silence() -> None:
    talk, meter, _ = meter_on(dc(1.0))
    talk.write("CONF:VOLT:DC 1;:SAMP:COUN 1000;:INIT")
    meter.clock.sleep(1000.0)
    assert len(talk.ask("FETC?").split(",")) == 1000


@pytest.mark.parametrize(
    ("volts", "reply"), [(13.0, "+9.90000000E+37"), (-13.0, "-9.90000000E+37")]
)
def test_overload_both_signs(volts: float, reply: str) -> None:
    """SCPI-1999 vol. 1, 7.2.1: ±9.9E37; ranges go to 120 %."""
    talk, _, _ = meter_on(dc(volts))
    talk.write("CONF:VOLT:DC 10")
    assert talk.ask("READ?") == reply
    assert int(talk.ask("STAT:QUES:COND?")) & 1
    talk, _, _ = meter_on(dc(11.9))
    talk.write("CONF:VOLT:DC 10")
    assert float(talk.ask("READ?")) == pytest.approx(11.9, abs=1e-4)


def test_autorange_goes_up_at_120_and_down_at_10_percent_and_takes_time() -> None:
    level = [0.05]
    talk, meter, _ = meter_on(lambda t: np.full_like(t, level[0]))
    talk.write("CONF:VOLT:DC;:VOLT:DC:NPLC 1;ZERO:AUTO OFF")
    for volts, full in (
        (0.05, 0.1),
        (0.5, 1.0),
        (1.19, 1.0),
        (1.21, 10.0),
        (1.1, 10.0),
        (0.99, 1.0),
    ):
        level[0] = volts
        assert float(talk.ask("READ?")) == pytest.approx(volts, rel=1e-4)
        assert float(talk.ask("VOLT:DC:RANG?")) == full
    begun = meter.now_s
    talk.ask("READ?")
    same = meter.now_s - begun
    level[0] = 100.0
    begun = meter.now_s
    talk.ask("READ?")
    assert meter.now_s - begun > same + 0.05


def test_ranges_are_taken_up_and_listed_in_docs() -> None:
    talk, _, _ = meter_on(dc(0.0))
    for wish, full in ((0.05, 0.1), (2, 10.0), (30, 100.0), (1000, 1000.0)):
        talk.write(f"VOLT:DC:RANG {wish}")
        assert float(talk.ask("VOLT:DC:RANG?")) == full
        assert talk.ask("VOLT:DC:RANG:AUTO?") == "0"
    talk.write("VOLT:DC:RANG 1001")
    assert talk.errors() == [-222]
    assert DC_RANGES_V == (0.1, 1.0, 10.0, 100.0, 1000.0)


def test_input_resistance_is_attached() -> None:
    talk, _, site = meter_on(dc(1.0))
    talk.write("CONF:VOLT:DC 10")
    assert site.attached["meter"][2] == 10e6
    talk.write("INP:IMP:AUTO ON")
    assert site.attached["meter"][2] == 10e9
    talk.write("VOLT:DC:RANG 100")
    assert site.attached["meter"][2] == 10e6


def test_ac_volts_and_the_blocking_capacitor() -> None:
    """Rms of a sine is A/√2; after a dc step D the input still holds D·exp(-t/0.2 s)."""

    def volts(t):
        return np.where(t < 20.0, 0.0, 30.0) + 0.1 * np.sin(2 * np.pi * 100 * t)

    talk, meter, _ = meter_on(volts)
    talk.write("CONF:VOLT:AC 100;:VOLT:AC:BAND 200;:TRIG:DEL 0")
    assert float(talk.ask("READ?")) == pytest.approx(0.1 / math.sqrt(2), rel=1e-3)
    meter.clock.sleep(20.5 - meter.now_s)
    unsettled = float(talk.ask("READ?"))
    held = 30.0 * math.exp(-0.5 / 0.2)
    assert unsettled == pytest.approx(held, rel=0.15)
    meter.clock.sleep(3.0)
    assert float(talk.ask("READ?")) == pytest.approx(0.1 / math.sqrt(2), rel=5e-3)


def test_bus_trigger() -> None:
    talk, _, _ = meter_on(dc(1.0))
    talk.write("CONF:VOLT:DC 1;:TRIG:SOUR BUS;:INIT")
    assert int(talk.ask("STAT:OPER:COND?")) == 32
    talk.write("INIT")
    assert talk.errors() == [-213]
    talk.write("*TRG")
    assert float(talk.ask("FETC?")) == pytest.approx(1.0, abs=1e-4)
    talk.write("*TRG")
    assert talk.errors() == [-211]
    assert talk.ask("READ?") == ""
    assert talk.errors() == [-214]


def test_nothing_taken_is_stale_data() -> None:
    talk, _, _ = meter_on(dc(1.0))
    assert talk.ask("FETC?") == ""
    assert talk.errors() == [-230]


def test_configuration_answer_and_defaults_after_conf() -> None:
    talk, _, _ = meter_on(dc(1.0))
    talk.write("VOLT:DC:NPLC 0.02;:SAMP:COUN 7;:CONF:VOLT:DC 10")
    assert talk.ask("CONF?") == '"VOLT +1.00000000E+01,+1.00000000E-05"'
    assert talk.ask("SAMP:COUN?;:VOLT:DC:NPLC?;RANG:AUTO?") == "1;+1.00000000E+01;0"
    talk.write("CONF:VOLT:DC DEF")
    assert talk.ask("VOLT:DC:RANG:AUTO?") == "1"


def test_plant_truth_through_the_meter() -> None:
    """Reading = the plant's own mean over the same window, within the accuracy class."""
    bench = memory_bench()
    talk = Talk(bench.instruments["meter"])
    supply = Talk(bench.instruments["supply"])
    for volts in (2.0, 12.0, 23.0):
        supply.write(f"VOLT {volts};OUTP ON")
        bench.clock.sleep(5.0)
        talk.write("CONF:VOLT:DC 100")
        reading = float(talk.ask("READ?"))
        now_s = bench.clock.mono_s()
        true = bench.plant.mean_v("plus", "minus", now_s - 0.4, now_s)
        assert abs(reading - true) <= DC_CLASS[100.0].limit(true, 100.0) + 2e-4


def test_ohms_of_an_earth_leak_on_the_dead_unit() -> None:
    bench = memory_bench(faults=["output-earth-leak:ohms=1e6"])
    bench.plant.mains_on(False)
    bench.stand.move("meter.lo", "unit.earth")
    bench.clock.sleep(30.0)
    talk = Talk(bench.instruments["meter"])
    talk.write("CONF:RES 10e6")
    earth = bench.plant.parts.earth
    low = min(earth.r_plus_ohm, earth.r_minus_ohm)
    assert float(talk.ask("READ?")) == pytest.approx(low, rel=0.02)
