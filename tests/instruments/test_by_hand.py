"""A person in place of an instrument: prompts, plausibility, outliers asked for again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from runner.bench import Bench
from runner.clock import VirtualClock
from runner.errors import InputError, InstrumentError
from runner.instruments.open import OpenInstruments, open_instruments
from runner.instruments.roles import ChannelSetup, TimebaseSetup, Trigger
from runner.operator.requests import Answer, AskNumber, Request


class Person:
    """Answers from a list; keeps what was asked."""

    def __init__(self, *answers: float | bool | str) -> None:
        self.answers = list(answers)
        self.asked: list[Request] = []

    def answer(self, request: Request) -> Answer:
        self.asked.append(request)
        said = self.answers.pop(0)
        if isinstance(said, bool):
            return Answer(done=said, words="skipped" if not said else "yes")
        if isinstance(said, str):
            return Answer(done=True, words=said)
        return Answer(done=True, value=said, words=f"{said}")


def by_hand(role: str, person: Person | None, **more: Any) -> OpenInstruments:
    entries = [{"name": role, "role": role, "address": "by-hand", **more}]
    if role == "load":
        entries.append({"name": "meter", "role": "meter", "address": "by-hand"})
    bench = Bench.model_validate(
        {"format": 1, "name": "x", "mains": {"nominal": "230 V 50 Hz"}, "instrument": entries}
    )
    return open_instruments(bench, None, VirtualClock(), person)


def test_reading_has_the_uncertainty_of_the_handheld() -> None:
    """87V: 0.05 % + 1 count of 10 mV at 12 V is 16 mV half-width (data sheet), so 9.24 mV
    standard uncertainty, and 10 mV/sqrt 12 from the last digit."""
    person = Person(12.0)
    meter = by_hand("meter", person, dialect="handheld-fluke-87v").meter
    assert meter is not None
    reading = meter.read_volts()
    assert reading.value == 12.0
    assert reading.u == pytest.approx(np.hypot(0.016 / np.sqrt(3), 0.01 / np.sqrt(12)))
    assert isinstance(person.asked[0], AskNumber) and person.asked[0].unit == "V"


def test_outlier_is_asked_for_again_and_the_second_look_counts() -> None:
    person = Person(12.0, 1.2, 12.01)
    meter = by_hand("meter", person).meter
    assert meter is not None
    assert meter.read_volts().value == 12.0
    assert meter.read_volts().value == 12.01
    assert len(person.asked) == 3
    assert "far from 12" in person.asked[2].text


def test_two_that_agree_are_believed_however_far_off() -> None:
    meter = by_hand("meter", Person(12.0, 3.0, 3.0)).meter
    assert meter is not None
    meter.read_volts()
    assert meter.read_volts().value == 3.0


def test_three_that_do_not_agree_are_no_reading() -> None:
    meter = by_hand("meter", Person(12.0, 3.0, 5.0, 9.0)).meter
    assert meter is not None
    meter.read_volts()
    reading = meter.read_volts()
    assert not reading.valid and "do not agree" in (reading.reason or "")


@pytest.mark.parametrize(("person", "why"), [(Person(False), "skipped"), (None, "nobody")])
def test_not_read_is_invalid(person: Person | None, why: str) -> None:
    meter = by_hand("meter", person).meter
    assert meter is not None
    reading = meter.read_volts()
    assert not reading.valid and why in (reading.reason or "")


def test_resistors_of_the_bench_file() -> None:
    person = Person(12.0, True, True)
    bench = by_hand("load", person, link={"resistors_ohm": [8.2, 15.0, 47.0], "tolerance_pct": 5})
    assert bench.meter is not None and bench.load is not None
    bench.meter.read_volts()
    bench.load.set_current(0.9)
    bench.load.input(True)
    assert "15 Ω" in person.asked[1].text
    amps = bench.load.read_amps()
    assert amps.value == pytest.approx(12.0 / 15.0)
    assert amps.u == pytest.approx(0.8 * 0.05 / np.sqrt(3))
    bench.close()
    assert bench.load_off_confirmed is True


def test_resistor_that_the_person_chose() -> None:
    bench = by_hand("load", Person(12.0, 10.0, True, True))
    assert bench.meter is not None and bench.load is not None
    bench.meter.read_volts()
    bench.load.set_current(1.0)
    bench.load.input(True)
    assert bench.load.read_amps().value == pytest.approx(1.2)
    bench.close()


def test_load_that_stays_on_is_told() -> None:
    bench = by_hand("load", Person(12.0, 10.0, True, False))
    assert bench.meter is not None and bench.load is not None
    bench.meter.read_volts()
    bench.load.set_current(1.0)
    bench.load.input(True)
    bench.close()
    assert bench.load_off_confirmed is False


def test_nobody_pulses_by_hand() -> None:
    load = by_hand("load", Person()).load
    assert load is not None
    with pytest.raises(InstrumentError, match="nobody switches"):
        load.pulse(0.1, 1.0, 100.0, 1e5)


def test_unknown_option_names_key_and_choices() -> None:
    with pytest.raises(InputError, match=r"load\.link.*resistors_ohm.*'resistor'"):
        by_hand("load", Person(), link={"resistor": 3})


def test_mains_and_temperature() -> None:
    meters = by_hand("mains-meter", Person(231.0, 0.2, False, 50.0)).mains_meter
    assert meters is not None
    readings = meters.read_mains()
    assert readings["line-voltage"].value == 231.0
    assert not readings["inlet-power"].valid
    thermometer = by_hand("thermometer", Person(45.0)).thermometer
    assert thermometer is not None and thermometer.read_celsius().value == 45.0


def test_capture_file(tmp_path: Path) -> None:
    t = np.arange(1000) * 1e-5
    v = 0.01 * np.sin(2 * np.pi * 100 * t)
    path = tmp_path / "capture.csv"
    path.write_text(
        "time (s),CH1 (V)\n" + "\n".join(f"{a:.6e},{b:.6e}" for a, b in zip(t, v, strict=True))
    )
    scope = by_hand("scope", Person(str(path), str(tmp_path / "none.csv"))).scope
    assert scope is not None
    scope.setup([ChannelSetup("ch1", 0.08, 0.0, "ac")], TimebaseSetup(0.01, 1000), Trigger("line"))
    capture = scope.capture()["ch1"]
    assert capture.reason is None
    assert capture.dt_s == pytest.approx(1e-5)
    assert np.ptp(capture.v) == pytest.approx(0.02, rel=1e-3)
    missing = scope.capture()["ch1"]
    assert "No such file" in (missing.reason or "")
