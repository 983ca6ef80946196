"""The simulated scope against known waves (formula beside each test) and the plant's truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim_instruments.bench_clock import BenchClock
from sim_instruments.scope import Scope
from sim_instruments.scope_front import AC_CORNER_HZ, ProbeOnUnit
from sim_instruments.scpi.instrument import Identity
from sim_instruments.site import Leads
from tests.sim_instruments.bench_fakes import Talk, WaveSite, memory_bench


def scope_on(volts, *, quiet=True, bits=12, factor=1.0, bandwidth_hz=1e9, seed=1):
    clock = BenchClock()
    probe = ProbeOnUnit(Leads("plus", "minus"), factor, bandwidth_hz)
    scope = Scope(
        Identity("Norvane", "S", "1"),
        clock,
        WaveSite(volts).site(),
        {1: probe},
        bits=bits,
        seed=seed,
    )
    if quiet:
        for truth in scope.truth.values():
            truth.gain = truth.offset_div = truth.offset_v = truth.probe_gain = truth.noise = 0.0
    clock.sleep(5.0)
    return Talk(scope), scope


def fetch(talk: Talk, form: str = "WORD", order: str = "SWAP") -> tuple[np.ndarray, np.ndarray]:
    """Volts and seconds of the chosen channel, decoded as the preamble says."""
    talk.write(f"WAV:FORM {form};BORD {order}")
    fields = talk.ask("WAV:PRE?").split(",")
    assert len(fields) == 10
    points = int(fields[2])
    x_step, x_first, x_ref, y_step, y_first, y_ref = (float(f) for f in fields[4:])
    talk.write("WAV:DATA?")
    block = talk.read()
    digits = int(block[1:2])
    size = int(block[2 : 2 + digits])
    body = block[2 + digits : 2 + digits + size]
    assert block[2 + digits + size :] == b"\n"
    kind = "u1" if form == "BYTE" else "<u2" if order == "SWAP" else ">u2"
    raw = np.frombuffer(body, kind).astype(float)
    assert raw.size == points
    return (raw - y_ref) * y_step + y_first, (np.arange(points) - x_ref) * x_step + x_first


def single(talk: Talk) -> None:
    talk.write("SING;*OPC?")
    assert talk.read(60.0) == b"1\n"


def sine(amplitude: float, hz: float, dc: float = 0.0):
    return lambda t: dc + amplitude * np.sin(2 * np.pi * hz * t)


@pytest.mark.parametrize(("form", "order"), [("BYTE", "NORM"), ("WORD", "NORM"), ("WORD", "SWAP")])
def test_waveform_is_the_wave(form: str, order: str) -> None:
    talk, _ = scope_on(sine(1.0, 200.0, 0.5))
    talk.write("CHAN1:SCAL 0.5;OFFS 0.5;:TIM:SCAL 2MS;:ACQ:POIN 10000;:TRIG:LEV 0.5;MODE NORM")
    single(talk)
    volts, seconds = fetch(talk, form, order)
    step = 4.0 / (256 if form == "BYTE" else 4096)
    assert seconds[0] == pytest.approx(-10e-3)
    # the trigger, a rising crossing of the level, is time zero
    expected = 0.5 + np.sin(2 * np.pi * 200.0 * seconds)
    assert np.max(np.abs(volts - expected)) <= step + 2 * math.pi * 200 * 2e-5 + 0.5 * 4 / 256 * (
        form == "BYTE"
    )


@pytest.mark.parametrize("bits", [8, 12])
def test_quantisation_steps(bits: int) -> None:
    """Converter steps: 8 divisions / 2^bits."""
    talk, _ = scope_on(sine(1.0, 100.0), bits=bits)
    talk.write("CHAN1:SCAL 0.5;:TIM:SCAL 2MS")
    single(talk)
    volts, _ = fetch(talk)
    steps = np.diff(np.unique(volts))
    assert np.min(steps) == pytest.approx(4.0 / 2**bits, rel=1e-6)


def test_clipping_sits_on_the_end_codes() -> None:
    talk, _ = scope_on(sine(3.0, 100.0))
    talk.write("CHAN1:SCAL 0.5;:TIM:SCAL 2MS;:WAV:FORM BYTE;:TRIG:LEV 1")
    single(talk)
    talk.write("WAV:DATA?")
    raw = np.frombuffer(talk.read()[7:-1], np.uint8)
    assert raw.min() == 0
    assert raw.max() == 255
    assert np.mean(raw == 255) > 0.2


def test_pre_trigger_and_position() -> None:
    talk, scope = scope_on(lambda t: np.where(t < 6.0, 0.0, 1.0))
    talk.write("CHAN1:SCAL 0.5;:TIM:SCAL 10MS;POS 30MS;:TRIG:LEV 0.5;MODE NORM;:SING")
    assert talk.ask("TRIG:STAT?") == "ARM"
    scope.clock.sleep(0.1)
    assert talk.ask("TRIG:STAT?") == "WAIT"
    assert int(talk.ask("STAT:OPER:COND?")) == 8 + 32
    scope.clock.sleep(6.01 - scope.now_s)
    assert talk.ask("TRIG:STAT?") == "RUN"
    scope.clock.sleep(0.1)
    assert talk.ask("TRIG:STAT?") == "STOP"
    volts, seconds = fetch(talk)
    assert seconds[0] == pytest.approx(-20e-3)
    edge = seconds[np.flatnonzero(volts > 0.5)[0]]
    assert edge == pytest.approx(0.0, abs=5e-5)


def test_ac_coupling_loses_dc_and_droops() -> None:
    """High pass of 5 Hz: a step decays as exp(-2π·5·t)."""
    talk, scope = scope_on(lambda t: np.where(t < 6.0, 10.0, 11.0))
    talk.write("CHAN1:COUP AC;SCAL 0.5;:TIM:SCAL 20MS;POS 80MS;:TRIG:LEV 0.5;MODE NORM;:SING")
    scope.clock.sleep(2.0)
    volts, seconds = fetch(talk)
    assert np.mean(volts[seconds < -1e-3]) == pytest.approx(0.0, abs=2e-3)
    for at in (0.01, 0.05, 0.1):
        expected = math.exp(-2 * math.pi * AC_CORNER_HZ * at)
        assert volts[np.argmin(np.abs(seconds - at))] == pytest.approx(expected, abs=0.02)


def test_ground_coupling_shows_nothing() -> None:
    talk, _ = scope_on(sine(1.0, 100.0, 5.0))
    talk.write("CHAN1:COUP GND;:TRIG:SOUR LINE")
    single(talk)
    assert float(talk.ask("MEAS:VPP? CHAN1")) == 0.0


def test_bandwidth_of_probe_and_limit() -> None:
    """First-order corner: amplitude 1/√2 at the corner frequency."""
    talk, _ = scope_on(sine(1.0, 20e6))
    talk.write("CHAN1:SCAL 0.5;BAND 20E6;:TIM:SCAL 100NS;:ACQ:POIN 1000;:TRIG:SOUR LINE")
    single(talk)
    volts, _ = fetch(talk)
    assert np.std(volts) * math.sqrt(2) == pytest.approx(1 / math.sqrt(2), rel=0.05)
    talk, _ = scope_on(sine(1.0, 8e6), bandwidth_hz=8e6)
    talk.write("CHAN1:SCAL 0.5;:TIM:SCAL 100NS;:ACQ:POIN 1000;:TRIG:SOUR LINE")
    single(talk)
    volts, _ = fetch(talk)
    assert np.std(volts) * math.sqrt(2) == pytest.approx(1 / math.sqrt(2), rel=0.05)


def test_wrong_probe_factor_shows_a_tenth() -> None:
    """A 10x probe on a channel that reckons with 1x."""
    talk, _ = scope_on(sine(0.0, 1.0, 20.0), factor=10.0)
    talk.write("CHAN1:SCAL 1;:TRIG:SOUR LINE")
    single(talk)
    assert float(talk.ask("MEAS:VAV? CHAN1")) == pytest.approx(2.0, abs=0.01)
    talk.write("CHAN1:PROB 10;SCAL 10")
    single(talk)
    assert float(talk.ask("MEAS:VAV? CHAN1")) == pytest.approx(20.0, abs=0.05)


def test_noise_floor_grows_with_range_and_falls_with_bandwidth() -> None:
    figures = {}
    for scale in ("1MV", "100MV"):
        for band in ("20E6", "MAX"):
            talk, _ = scope_on(sine(0.0, 1.0), quiet=False)
            talk.write(f"CHAN1:SCAL {scale};BAND {band};:TRIG:SOUR LINE;:ACQ:POIN 20000")
            single(talk)
            figures[scale, band] = float(talk.ask("MEAS:VACR? CHAN1"))
    assert 30e-6 < figures["1MV", "20E6"] < 80e-6
    assert figures["1MV", "MAX"] == pytest.approx(figures["1MV", "20E6"] * math.sqrt(5), rel=0.1)
    assert figures["100MV", "20E6"] > 3 * figures["1MV", "20E6"]


def test_averaging_keeps_what_is_in_step_and_loses_noise() -> None:
    """Noise falls with the root of the number of captures."""
    talk, _ = scope_on(sine(2e-3, 50.0), quiet=False)
    talk.write("CHAN1:SCAL 1MV;:TIM:SCAL 2MS;:TRIG:SOUR LINE")
    single(talk)
    one, _ = fetch(talk)
    talk.write("ACQ:TYPE AVER;COUN 16")
    single(talk)
    assert talk.ask("WAV:PRE?").split(",")[3] == "16"
    many, seconds = fetch(talk)

    def rest(v):
        design = np.stack([np.sin(100 * np.pi * seconds), np.cos(100 * np.pi * seconds), 0 * v + 1])
        return np.std(v - design.T @ np.linalg.lstsq(design.T, v, rcond=None)[0])

    assert rest(many) == pytest.approx(rest(one) / 4, rel=0.15)


def test_high_resolution_lowers_noise() -> None:
    noise = {}
    for kind in ("NORM", "HRES"):
        talk, _ = scope_on(sine(0.0, 1.0), quiet=False)
        talk.write(f"ACQ:TYPE {kind};POIN 10000;:CHAN1:SCAL 10MV;:TRIG:SOUR LINE")
        single(talk)
        noise[kind] = float(talk.ask("MEAS:VACR? CHAN1"))
    assert noise["HRES"] < noise["NORM"] / 4


def test_peak_detect_sees_what_samples_miss() -> None:
    def volts(t):  # 2 µs pulses each 100 µs
        return np.where(np.mod(t, 100e-6) < 2e-6, 1.0, 0.0)

    for kind, seen in (("NORM", False), ("PEAK", True)):
        talk, _ = scope_on(volts)
        talk.write(f"CHAN1:SCAL 0.5;:TIM:SCAL 10MS;:ACQ:POIN 1000;TYPE {kind};:TRIG:SOUR LINE")
        single(talk)
        v, _ = fetch(talk)
        high = v[1::2] if kind == "PEAK" else v
        if seen:
            assert np.mean(high > 0.9) > 0.95
            assert np.all(v[0::2] <= v[1::2])
        else:
            assert np.mean(high > 0.9) < 0.2


def test_window_trigger_line_trigger_and_force() -> None:
    talk, scope = scope_on(lambda t: np.where((t > 7.0) & (t < 7.01), -0.4, 0.0))
    talk.write("TRIG:TYPE WIND;LEV:LOW -0.2;HIGH 0.2;:TRIG:MODE NORM;:SING")
    scope.clock.sleep(1.0)
    assert talk.ask("TRIG:STAT?") == "WAIT"
    scope.clock.sleep(3.0)
    assert talk.ask("TRIG:STAT?") == "STOP"
    assert scope.acquisition is not None
    assert scope.acquisition.trigger_s == pytest.approx(7.0, abs=1e-4)
    talk.write("SING")
    scope.clock.sleep(1.0)
    talk.write("TRIG:FORC")
    scope.clock.sleep(0.1)
    assert talk.ask("TRIG:STAT?") == "STOP"
    talk.write("TRIG:FORC")
    assert talk.errors() == [-211]
    talk.write("TRIG:TYPE EDGE;SOUR LINE")
    single(talk)
    assert scope.acquisition.trigger_s is not None
    assert math.fmod(scope.acquisition.trigger_s * 50 + 1e-6, 1.0) < 1e-3


def test_free_running_counts_captures_and_keeps_the_last() -> None:
    talk, scope = scope_on(sine(1.0, 50.0))
    assert talk.ask("WAV:DATA?") == ""
    assert talk.errors() == [-230]
    talk.write("RUN")
    scope.clock.sleep(1.0)
    first = int(talk.ask("ACQ:NUMB?"))
    scope.clock.sleep(1.0)
    assert int(talk.ask("ACQ:NUMB?")) > first
    talk.write("TRIG:LEV 5")
    scope.clock.sleep(1.0)
    assert talk.ask("TRIG:STAT?") == "AUTO"
    talk.write("STOP")
    assert talk.ask("TRIG:STAT?") == "STOP"
    assert float(talk.ask("MEAS:VPP?")) > 0


def test_frequency_and_none() -> None:
    talk, _ = scope_on(sine(1.0, 100.0))
    talk.write("CHAN1:SCAL 0.5;:TIM:SCAL 10MS")
    single(talk)
    assert float(talk.ask("MEAS:FREQ? CHAN1")) == pytest.approx(100.0, rel=1e-3)
    assert float(talk.ask("MEAS:VRMS?")) == pytest.approx(1 / math.sqrt(2), rel=2e-3)
    talk.write("TIM:SCAL 0.1MS")
    single(talk)
    assert talk.ask("MEAS:FREQ?") == "+9.91000000E+37"


def test_part_of_a_record_and_ascii() -> None:
    talk, _ = scope_on(sine(1.0, 100.0))
    talk.write("CHAN1:SCAL 0.5;:TIM:SCAL 2MS;:ACQ:POIN 1000")
    single(talk)
    whole, seconds = fetch(talk)
    talk.write("WAV:STAR 101;STOP 200")
    part, part_seconds = fetch(talk)
    assert np.array_equal(part, whole[100:200])
    assert part_seconds[0] == pytest.approx(seconds[100])
    talk.write("WAV:FORM ASC")
    text = [float(v) for v in talk.ask("WAV:DATA?").split(",")]
    assert text == pytest.approx(list(part), abs=1e-6)


def test_sample_rate_is_capped() -> None:
    talk, _ = scope_on(sine(0.0, 1.0))
    talk.write("TIM:SCAL 100NS;:ACQ:POIN 100000;:TRIG:SOUR LINE")
    assert float(talk.ask("ACQ:SRAT?")) == 1e9
    single(talk)
    assert talk.ask("WAV:POIN?") == "1000"


def test_ten_million_points() -> None:
    talk, _ = scope_on(sine(1.0, 50.0))
    talk.write("CHAN1:SCAL 0.5;:TIM:SCAL 10MS;:ACQ:POIN 10000000;:TRIG:SOUR LINE")
    single(talk)
    talk.write("WAV:FORM BYTE;DATA?")
    block = talk.read()
    assert block[:10] == b"#810000000"
    assert len(block) == 10 + 10_000_000 + 1


def test_mean_of_the_output_agrees_with_the_plant() -> None:
    """Gain 1.5 %, offset 0.1 division + 0.5 mV: the scope's own class."""
    for seed in (1, 2, 3):
        bench = memory_bench(seed=seed)
        Talk(bench.instruments["supply"]).write("VOLT 12;OUTP ON")
        bench.clock.sleep(5.0)
        talk = Talk(bench.instruments["scope"])
        talk.write("CHAN1:SCAL 2;OFFS 8;:TIM:SCAL 5MS;:TRIG:SOUR LINE")
        single(talk)
        now_s = bench.clock.mono_s()
        true = bench.plant.mean_v("plus", "minus", now_s - 0.05, now_s)
        shown = float(talk.ask("MEAS:VAV? CHAN1"))
        assert abs(shown - true) <= 0.015 * true + 0.1 * 2 + 0.5e-3 + 2e-3


def test_ripple_of_a_sick_unit_agrees_with_the_plant() -> None:
    bench = memory_bench(faults=["bridge-diode-open"])
    Talk(bench.instruments["supply"]).write("VOLT 9;CURR 3;OUTP ON")
    Talk(bench.instruments["load"]).write("CURR 3;:INP ON")
    bench.clock.sleep(5.0)
    talk = Talk(bench.instruments["scope"])
    talk.write("CHAN1:COUP AC;SCAL 200MV;BAND 20E6;:TIM:SCAL 10MS;:TRIG:SOUR LINE")
    single(talk)
    now_s = bench.clock.mono_s()
    true = bench.plant.rms_ac_v("plus", "minus", now_s - 0.1, now_s)
    assert float(talk.ask("MEAS:VACR? CHAN1")) == pytest.approx(true, rel=0.05, abs=5e-4)
