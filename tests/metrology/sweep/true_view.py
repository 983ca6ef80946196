"""Looks into the plant while an acceptance runs: for each reading, what is really there.

A true reading is the plant's own wave over the same moments, without the instruments' errors.
The unit's noise is left out of means (it is scatter about the true value) and kept in what a
scope sees (it is what PARD is about).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

import runner.acceptance
from runner.instruments.roles import Capture
from runner.reading import Reading
from runner.record.writer import CheckWriter
from sim_instruments.scope_front import ChannelSetting, Front
from tests.metrology.sweep.drawn import Drawn
from tests.metrology.sweep.kept import Truth

__all__ = ["TrueView", "watched"]

Floats = NDArray[np.float64]
NOISE_PP = 7.5
"""Peak to peak over rms of the unit's noise in a record of 10,000 samples."""
WAVES = {"output-voltage": "out", "load-current": "load"}


class TrueView:
    """True values by check, in the order in which the readings were written."""

    def __init__(self, drawn: Drawn) -> None:
        self._drawn = drawn
        self._check = ""
        self._noise_rms_v: dict[int, float] = {}
        self.opened: Any = None
        self.readings: dict[str, list[float | None]] = {}
        self.waveforms: dict[tuple[str, str], Floats] = {}
        self.taps: dict[tuple[int, float, str], list[float]] = {}
        self.margins_pct: list[float | None] = []
        self._seen: dict[int, Floats] = {}
        self._spread_v = 0.0

    # ---- what the hooks call

    def bench_opened(self, opened: Any) -> Any:
        """Keep the bench and let the sweep draw its instruments."""
        self.opened = opened
        self._drawn.instruments(opened)
        return opened

    def signal(self, front: Front, setting: ChannelSetting, values: Floats) -> None:
        """What reached a scope's input, ahead of its own errors."""
        true = values / (1 + front.truth.probe_gain)
        if self._spread_v:
            true = true - np.tile([-self._spread_v, self._spread_v], true.size // 2)
        self._seen[id(front.probe)] = true
        self._noise_rms_v[id(front.probe)] = front.noise_rms_v(setting)
        if front.probe.leads.on:
            values[:] = self._drawn.bent(self._check, setting, values)

    def begun(self, check: str) -> None:
        """A check begins."""
        self._check = check

    def peaks(self, front: Front, setting: ChannelSetting, step_s: float) -> None:
        """The next signal is pairs of peaks, widened by the scope's own noise."""
        spread = math.sqrt(2 * math.log(max(2.0, min(step_s * 1e9, 1e6))))
        self._spread_v = spread * 0.8 * front.noise_rms_v(setting) if step_s else 0.0

    def seen(self, reading: Reading) -> Reading:
        """A reading as the drawn instruments give it; a trace is no narrower than its noise."""
        if not reading.valid or not reading.quantity.endswith("-pp"):
            return reading
        if reading.quantity.startswith("floor"):
            return reading
        true_v, read_v = self._true(reading), reading.value or 0.0
        if true_v is None:
            return reading
        probe = self.opened.instruments[reading.instrument].probes[1]
        noise_v = NOISE_PP * self._noise_rms_v.get(id(probe), 0.0)
        off_v = self._drawn.peaks_v(reading, true_v)
        return replace(reading, value=max(min(read_v, noise_v), read_v + off_v))

    def reading(self, check: str, reading: Reading) -> None:
        """Keep the true value of what was just read; None where there is none to be had."""
        self.readings.setdefault(check, []).append(self._true(reading))
        normal = reading.quantity == "line-voltage" and reading.at.get("line_share") == 1.0
        if check == "headroom" and normal:
            at = reading.at
            self.margins_pct.append(self._margin_pct(float(at["load_a"]), float(at["set_v"])))

    def waveform(self, check: str, name: str, capture: Capture) -> None:
        """Keep the wave that a kept record shows."""
        seen = self._trace(capture.instrument, capture.channel)
        if seen is not None and seen.size == capture.v.size:
            self.waveforms[check, name] = seen

    def tap_change(self, fields: dict[str, Any]) -> None:
        """Keep where the unit itself changes its winding at this moment."""
        truth, rising = self.opened.truth, fields["direction"] == "rising"
        points = truth.tap_up_v if rising else truth.tap_down_v
        key = (int(fields["tap"]), float(fields["share"]), str(fields["direction"]))
        self.taps.setdefault(key, []).append(points[int(fields["tap"]) - 1])

    def truth(self) -> Truth:
        """All that was seen."""
        told = self.opened.truth
        leaks_ohm = {"plus": told.r_plus_earth_ohm, "minus": told.r_minus_earth_ohm}
        return Truth(self.readings, self.waveforms, self.taps, self.margins_pct, leaks_ohm)

    # ---- inside

    def _trace(self, instrument: str, channel: str) -> Floats | None:
        probe = self.opened.instruments[instrument].probes[int(channel[-1])]
        return self._seen.get(id(probe))

    def _true(self, reading: Reading) -> float | None:
        if not reading.valid:
            return None
        if reading.quantity in WAVES:
            return self._mean(WAVES[reading.quantity], reading.t_mono_s)
        if reading.function == "scope":
            return self._scope(reading)
        return None  # what a panel shows is exact as an indication (JCGM 200, 2.16)

    def _mean(self, wave: str, middle_s: float) -> float:
        """Mean over whole line periods about a moment."""
        plant = self.opened.plant
        now_s = self.opened.clock.mono_s()
        plant.mean_v("plus", "minus", now_s, now_s)  # brings the history up to now
        half_s = 0.5 / self.opened.truth.line_hz
        middle_s = min(middle_s, now_s - half_s)
        return float(plant._engine.history.mean(wave, middle_s - half_s, middle_s + half_s))

    def _margin_pct(self, load_a: float, set_v: float) -> float | None:
        """How far the line may fall before the plant's own steady cycle leaves regulation.

        At the inlet, that is behind the drop in the mains lead, which a linear unit's current
        keeps the same, and against the nominal voltage, from which a source that makes up for
        its drift is set off; None where the plant's line reaches no such voltage.
        """
        truth, plant, now_s = self.opened.truth, self.opened.plant, self.opened.clock.mono_s()
        inlet_v = plant.inlet(now_s - 0.1, now_s).v_rms
        line = plant._engine.circuit()[1]
        drop_v = line.v_rms - inlet_v
        noise_v = NOISE_PP * truth.parts.regulator.noise_v
        normal = truth.cycle(load_a, set_v, 1.0)
        if normal is None:
            return None
        held, lost = 1.0, 0.75
        while held - lost > 2e-4:
            share = (held + lost) / 2
            low = truth.cycle(load_a, set_v, share)
            if low is None:
                return None
            sag_v = float(normal.waves[1][:-1].mean() - low.waves[1][:-1].mean())
            normal_pp_v = float(np.ptp(normal.waves[1])) + noise_v
            beyond = float(np.ptp(low.waves[1])) + noise_v - normal_pp_v > max(10e-3, normal_pp_v)
            held, lost = (held, share) if sag_v > 10e-3 or beyond else (share, lost)
        least_v = (held + lost) / 2 * plant._engine.settings.mains_v_rms - drop_v
        return 100 * (1 - least_v / truth.parts.mains.v_rms) if lost > 0.751 else None

    def _scope(self, reading: Reading) -> float | None:
        if reading.quantity.startswith("floor"):
            return 0.0
        if reading.quantity == "response":
            truth = self.opened.truth  # the load's current leaves behind its lead's inductance
            ohms = truth.impedance_ohm(float(reading.at["f_hz"]), truth.load_lead_h)
            return float(ohms * float(reading.at["amps"]))
        seen = self._trace(reading.instrument, "ch1")
        if seen is None:
            return None
        return float(np.ptp(seen)) if reading.quantity.endswith("-pp") else float(np.std(seen))


@contextmanager
def watched(view: TrueView) -> Iterator[TrueView]:
    """Let the view hear of every reading, record and bench while the context lasts."""
    own: dict[str, Any] = {
        "open": runner.acceptance.open_bench, "readings": CheckWriter.readings,
        "waveform": CheckWriter.waveform, "event": CheckWriter.event,
        "begin": CheckWriter.__init__,
        "finish": Front._finish, "extremes": Front.extremes,
    }  # fmt: skip

    def begin(log: Any, writer: Any, check: str, progress: Any) -> None:
        own["begin"](log, writer, check, progress)
        view.begun(check)

    def readings(log: Any, each: Sequence[Reading], **at: float | str) -> list[Reading]:
        placed = own["readings"](log, [view.seen(one.placed(**at)) for one in each])
        for one in placed:
            view.reading(log._check, one)
        return placed  # type: ignore[no-any-return]

    def waveform(log: Any, name: str, capture: Capture, **at: float | str) -> None:
        own["waveform"](log, name, capture, **at)
        if capture.valid:
            count = log._names[name]
            view.waveform(log._check, name if count < 2 else f"{name}-{count}", capture)

    def event(log: Any, what: str, **fields: Any) -> None:
        own["event"](log, what, **fields)
        if what == "tap-change":
            view.tap_change(fields)

    def finish(front: Front, setting: ChannelSetting, signal: Floats, averaged: float) -> Any:
        view.signal(front, setting, signal)
        return own["finish"](front, setting, signal, averaged)

    def extremes(
        front: Front, setting: ChannelSetting, start_s: float, step_s: float, steps: int
    ) -> Any:
        view.peaks(front, setting, step_s)
        try:
            return own["extremes"](front, setting, start_s, step_s, steps)
        finally:
            view.peaks(front, setting, 0.0)

    with ExitStack() as stack:
        for target, name, with_ in (
            (CheckWriter, "__init__", begin),
            (CheckWriter, "readings", readings),
            (CheckWriter, "waveform", waveform),
            (CheckWriter, "event", event),
            (Front, "_finish", finish),
            (Front, "extremes", extremes),
        ):
            stack.enter_context(patch.object(target, name, with_))
        opening = lambda wanted: view.bench_opened(own["open"](wanted))  # noqa: E731
        stack.enter_context(patch.object(runner.acceptance, "open_bench", opening))
        yield view
