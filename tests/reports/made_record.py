"""A record made by hand through the journal: unit, customer, readings are all invented."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from runner.assess import Assessment
from runner.clock import VirtualClock
from runner.errors import ExitCode
from runner.finding import Decision, Finding
from runner.instruments.roles import Capture
from runner.profile import load_profile, shipped_profiles
from runner.reading import Reading
from runner.record.reader import Record, open_record
from runner.record.writer import CheckWriter, RecordWriter

START = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
JOB: dict[str, Any] = {
    "serial": "N24-00317",
    "stage": "as-left",
    "customer": "Pell Radio Works (invented)",
    "complaint": "“Hums when I turn it up, and clicks like mad near twelve volts.”",
    "fuse": "T 1.6 A",
    "parts_replaced": ["reservoir capacitor C2", "relay K1"],
}
INSTRUMENTS: list[dict[str, Any]] = [
    {
        "name": "meter", "role": "meter", "maker": "Quarrel", "model": "M6", "serial": "88-104",
        "firmware": "1.4", "dialect": "scpi-1999", "dialect_proven": True,
        "accuracy": {"dc-volts": {}}, "calibration_due": "2026-01-31",
    },
    {
        "name": "load", "role": "load", "maker": "Hestler", "model": "EL-30", "serial": "0042",
        "firmware": "2.0", "dialect": "scpi-1999", "dialect_proven": False, "accuracy": {},
        "calibration_due": "2026-11-30",
    },
    {
        "name": "scope", "role": "scope", "maker": "Ostra", "model": "S200", "serial": "S-7",
        "firmware": "3.1", "dialect": "scpi-1999", "dialect_proven": True,
        "accuracy": {"dc-volts": {}}, "calibration_due": None,
    },
]  # fmt: skip
HAZARDS: list[dict[str, Any]] = [
    {
        "code": "case-open", "grade": "ask", "value": None, "unit": "", "wires": [],
        "sentence": "The case is open: mains and stored charge can be touched.",
        "remedy": "Keep one hand away; close the case as soon as the coil need not be seen.",
    },
    {
        "code": "two-earths", "grade": "note", "value": 0.1, "unit": "A", "wires": [],
        "sentence": "Scope and computer both bring earth to the output's negative terminal.",
        "remedy": "A ground loop may add hum to the ripple reading.",
    },
]  # fmt: skip


def volts(value: float | None, t_s: float, **at: float | str) -> Reading:
    return Reading(
        "output-voltage", value, "V", "meter", "dc-volts", range=100.0,
        u=None if value is None else 1.2e-3, raw="" if value is None else f"{value:+.6E}",
        t_mono_s=t_s, reason="overload" if value is None else None, at=at,
    )  # fmt: skip


def capture(v: np.ndarray, dt_s: float, t0_s: float = 0.0, channel: str = "ch1") -> Capture:
    return Capture(
        channel=channel, v=v, dt_s=dt_s, t0_s=t0_s, lsb_v=float(np.ptp(v)) / 200 or 1e-3,
        span_v=float(np.ptp(v)) * 1.2, instrument="scope", offset_v=0.0, coupling="ac",
        probe=1.0, bandwidth_hz=20e6, acquire="sample", clipped=False,
    )  # fmt: skip


def write_record(
    folder: Path, *, simulated: bool = True, finish: bool = True, **job: Any
) -> Record:
    """Write and read back a whole acceptance; ``finish`` False leaves it as a power cut would."""
    clock = VirtualClock(START)
    writer = RecordWriter(folder, clock)
    profile = load_profile(shipped_profiles() / "lb-2403.toml")
    writer.header(
        simulated=simulated,
        profile=profile.model_dump(mode="json"),
        bench={"name": "bench two", "mains": {"nominal": "230 V 50 Hz", "chain": ["mains-meter"]},
               "unit": {"case": "open", "earth_strap": "none"}},
        job={**JOB, **job},
        options={"faults": [], "seed": 7, "only": [], "quick": False, "unattended": False},
    )  # fmt: skip
    for fields in INSTRUMENTS:
        writer.write("instrument", **fields)
    for fields in HAZARDS:
        writer.write("hazard", **fields)
    writer.write(
        "answer", topic="case-open", asked="Go on with the case open?", done=True,
        words="relay coil must be seen",
    )  # fmt: skip
    writer.write("line-voltage", before="setting", value=231.4, unit="V")
    writer.write("line-voltage", before="ripple", value=229.8, unit="V")
    _setting(writer, clock)
    _load_effect(writer, clock)
    _tap_map(writer, clock)
    _ripple(writer, clock)
    writer.write("check-skipped", check="source-effect", reason="no mains source on the bench")
    if finish:
        writer.write("safe", load_off_confirmed=True)
        writer.write("end", how="complete", reason="")
    writer.close()
    return open_record(folder)


def _begin(writer: RecordWriter, name: str) -> CheckWriter:
    writer.write("check-start", check=name, question="")
    return CheckWriter(writer, name, lambda *_: None)


def _setting(writer: RecordWriter, clock: VirtualClock) -> None:
    log, rng = _begin(writer, "setting"), np.random.default_rng(1)
    points = np.linspace(0, 24, 11)
    for direction, order in (("rising", points), ("falling", points[::-1])):
        for set_v in order:
            clock.sleep(2.0)
            value = set_v * 1.0006 + 0.004 + rng.normal(0, 4e-4) + (direction == "falling") * 1e-3
            log.reading(
                volts(float(value), clock.mono_s()), set_v=float(set_v), direction=direction
            )
    log.reading(volts(None, clock.mono_s()), set_v=24.0, direction="falling")
    writer.write("check-end", check="setting")


def _load_effect(writer: RecordWriter, clock: VirtualClock) -> None:
    log = _begin(writer, "load-effect")
    for set_v in (24.0, 4.8):
        for share in (0.0, 0.25, 0.5, 0.75, 1.0):
            clock.sleep(3.0)
            value = set_v + 0.004 - 0.0021 * 3 * share
            log.reading(volts(value, clock.mono_s()), set_v=set_v, share=share)
            if share:
                amps = Reading("load-current", 3 * share, "A", "load", "dc-amps")
                log.reading(amps, set_v=set_v, share=share)
    writer.write("check-end", check="load-effect")


def _tap_map(writer: RecordWriter, clock: VirtualClock) -> None:
    log, rng = _begin(writer, "tap-map"), np.random.default_rng(2)
    for load_a in (0.1, 1.5, 3.0):
        for number in (1, 2, 3):
            for direction, nominal in (("rising", 12.61), ("falling", 12.02)):
                clock.sleep(5.0)
                output_v = float(nominal - 0.01 * load_a + rng.normal(0, 2e-3))
                log.event(
                    "tap-change", tap=1, share=load_a / 3, direction=direction, load_a=load_a,
                    run=number, output_v=output_v, quiet_v=output_v - 0.005, step_v=0.005,
                    reading=volts(output_v, clock.mono_s()).to_dict(),
                )  # fmt: skip
    dt_s, t0_s = 2e-5, -0.03
    t_s = t0_s + dt_s * np.arange(5000)
    for direction, sign in (("rising", 1.0), ("falling", -1.0)):
        dip = -0.04 * np.exp(-((t_s - 0.006) ** 2) / 1e-5) * (t_s > 0)
        output = 12.6 + sign * dip + 8e-4 * np.sin(2 * np.pi * 100 * t_s)
        coil = np.where(t_s * sign > 0, 24.0, 0.4) + rng.normal(0, 0.05, t_s.size)
        at: dict[str, float | str] = {"tap": 1, "share": 1.0, "direction": direction}
        log.waveform(f"output-{direction}", capture(output, dt_s, t0_s), shows="output", **at)
        log.waveform(f"coil-{direction}", capture(coil, dt_s, t0_s, "ch2"), shows="coil", **at)
    log.note("the relay was heard and seen; no chatter in 27 dwells")
    writer.write("check-end", check="tap-map")


def _ripple(writer: RecordWriter, clock: VirtualClock) -> None:
    log, rng = _begin(writer, "ripple"), np.random.default_rng(3)
    dt_s = 2e-5
    t_s = dt_s * np.arange(10000)
    for set_v in (2.4, 6.2, 12.4, 12.7, 18.0, 24.0):
        for load_a in (0.3, 3.0):
            clock.sleep(4.0)
            peak = 3e-4 + 3e-4 * load_a * (1 + 0.8 * (abs(set_v - 12.4) < 0.1))
            v = peak * (0.9 * np.sin(2 * np.pi * 100 * t_s) + 0.12 * np.sin(2 * np.pi * 50 * t_s))
            v = v + rng.normal(0, 1e-4, t_s.size)
            at: dict[str, float | str] = {
                "point": "middle", "set_v": set_v, "share": load_a / 3, "load_a": load_a,
            }  # fmt: skip
            log.waveform(f"{set_v:g}V-{load_a:g}A", capture(v, dt_s), **at)
            values = {"ripple-pp": float(np.ptp(v)), "ripple-rms": float(v.std())}
            for quantity, value in values.items():
                reading = Reading(quantity, value, "V", "scope", "scope", range=0.05)
                log.reading(reading, probe=1.0, **at)
    writer.write("check-end", check="ripple")


BUDGET = [
    {"name": "meter, gain", "kind": "B", "u": 7e-4, "sensitivity": 1.0, "contribution": 7e-4,
     "distribution": "rectangular", "source": "data sheet, 1 year", "dof": None},
    {"name": "meter, offset", "kind": "B", "u": 3e-4, "sensitivity": 1.0, "contribution": 3e-4,
     "distribution": "rectangular", "source": "data sheet, 1 year", "dof": None},
    {"name": "repeats", "kind": "A", "u": 1e-4, "sensitivity": 1.0, "contribution": 1e-4,
     "distribution": "normal", "source": "10 readings", "dof": 9},
]  # fmt: skip


def finding(
    check: str, what: str, at: str, value: float | None, unit: str = "V", **more: Any
) -> Finding:
    fields: dict[str, Any] = {
        "decision": Decision.PASS, "u_expanded": 1.6e-3, "k": 2.05, "dof": 40.0, "risk": 2e-5,
        "budget": BUDGET, "limit_source": "service manual, performance table",
    }  # fmt: skip
    return Finding(check=check, what=what, at=at, value=value, unit=unit, **{**fields, **more})


def findings() -> list[Finding]:
    """Findings of every decision, as the checks would make them."""
    band = {"limit_low": -0.034, "limit_high": 0.034}
    setting = [
        finding("setting", "setting error", f"at {v:g} V, {d}", 0.004 + 6e-4 * v, **band)
        for d in ("rising", "falling") for v in (0.0, 4.8, 9.6, 14.4, 19.2, 24.0)
    ]  # fmt: skip
    return [
        *setting,
        finding("load-effect", "load effect", "at 24 V, 0 to 3 A", 0.0063,
                limit_low=-0.0124, limit_high=0.0124),
        finding("load-effect", "output resistance", "at 24 V, 0 to 3 A", 0.0021, "Ω",
                u_expanded=5e-4, limit_high=0.05, limit_source="common practice"),
        finding("tap-map", "tap point 1, rising", "at 3 A", 12.58, limit_low=12.0,
                limit_high=13.0, u_expanded=0.006),
        finding("tap-map", "hysteresis of tap point 1", "at 3 A", 0.59, limit_low=0.3,
                u_expanded=0.009),
        finding("ripple", "ripple and noise, peak to peak", "at 24 V, 3 A", 0.0104,
                limit_high=0.010, u_expanded=8e-4, decision=Decision.CONDITIONAL_FAIL, risk=0.21,
                reason="the uncertainty reaches across the limit"),
        finding("ripple", "ripple and noise, rms", "at 12.4 V, 3 A", 0.0026, limit_high=0.002,
                u_expanded=2e-4, decision=Decision.FAIL, risk=1e-6,
                reason="a line at twice the mains frequency: reservoir or headroom"),
        finding("ripple", "ripple and noise, peak to peak", "at 2.4 V, 0.3 A", 0.0009,
                limit_high=0.010, u_expanded=3e-4, decision=Decision.CONDITIONAL_PASS, risk=0.03,
                reason="the accuracy of the scope is not known"),
        finding("source-effect", "source-effect", "", None, "", decision=Decision.NOT_MEASURED,
                u_expanded=None, k=None, dof=None, risk=None, budget=[], limit_source="",
                reason="no mains source on the bench"),
    ]  # fmt: skip


def assessment(record: Record, found: list[Finding] | None = None) -> Assessment:
    """An assessment of the record with made findings."""
    found = findings() if found is None else found
    complete = any(record.of_kind("end"))
    return Assessment(
        findings=found,
        hazards=[dict(h) for h in HAZARDS],
        not_tested=[(f.check, f.reason) for f in found if f.decision is Decision.NOT_MEASURED],
        profile=load_profile(shipped_profiles() / "lb-2403.toml"),
        exit_code=ExitCode.FAIL,
        summary={
            "ended": "complete" if complete else "torn off",
            "load_off_confirmed": True if complete else None,
        },
    )
