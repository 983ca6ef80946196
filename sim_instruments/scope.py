"""A four-channel oscilloscope: commands and state. Capture, front end and figures stand apart."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from sim_instruments.accuracy import stream
from sim_instruments.bench_clock import BenchTime
from sim_instruments.scope_front import (
    AC_CORNER_HZ,
    ChannelSetting,
    ChannelTruth,
    Front,
    ProbeOnUnit,
)
from sim_instruments.scope_measure import measure
from sim_instruments.scope_run import Acquisition, Plan, Trigger
from sim_instruments.scope_words import scope_commands
from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.instrument import Identity, ScpiInstrument
from sim_instruments.scpi.numeric import nr3
from sim_instruments.scpi.tree import Command
from sim_instruments.site import Site

__all__ = ["Scope"]

_HISTORY_S = 40.0  # how far a free-running scope looks back for its captures
_TYPES = {"NORM": 0, "PEAK": 1, "AVER": 2, "HRES": 3}
_FORMATS = {"BYTE": 0, "WORD": 1, "ASC": 4}
_MAX_RATE_HZ = 1e9


class Scope(ScpiInstrument):
    """The scope. `truth` holds the real errors of each channel, `probes` what is on it."""

    time_divisions = 10
    gain_limit = 0.015

    def __init__(
        self,
        identity: Identity,
        clock: BenchTime,
        site: Site,
        probes: Mapping[int, ProbeOnUnit],
        *,
        name: str = "scope",
        seed: int = 1,
        bits: int = 12,
    ) -> None:
        self.site, self.alarms, self.bits = site, clock.alarms, bits
        self.probes = {n: probes.get(n, ProbeOnUnit()) for n in (1, 2, 3, 4)}
        self.random = stream(seed, name)
        self.truth = {n: self._drawn(self.probes[n]) for n in self.probes}
        self.captures = 0
        self.mode = "stop"
        self.acquisition: Acquisition | None = None
        self.shown: Acquisition | None = None
        super().__init__(identity, clock)

    def _drawn(self, probe: ProbeOnUnit) -> ChannelTruth:
        """Errors common for 12-bit bench scopes: gain 1.5 %, 0.1 division + 0.5 mV, probe 1 %."""
        gain, division, volts, own = self.random.uniform(-1, 1, 4)
        return ChannelTruth(
            self.gain_limit * gain,
            0.1 * division,
            0.5e-3 * volts,
            0.01 * own if probe.factor != 1 else 0.0,
        )

    def commands(self) -> Iterable[Command]:
        """Words of the scope."""
        return scope_commands(self)

    # --- settings as objects

    def front(self, number: int) -> Front:
        """Analogue side of a channel."""
        return Front(self.site, self.probes[number], self.truth[number], self.random, self.bits)

    def channel(self, number: int) -> ChannelSetting:
        """Settings of a channel now."""
        s = self.settings
        return ChannelSetting(
            s[f"coupling{number}"], s[f"band{number}"], s[f"probe{number}"], s[f"scale{number}"],
            s[f"offset{number}"],
        )  # fmt: skip

    def plan(self) -> Plan:
        """All that the next capture is made with."""
        s = self.settings
        range_s = self.time_divisions * s["timebase"]
        points = int(min(s["points"], max(100.0, range_s * _MAX_RATE_HZ)))
        trigger = Trigger(
            s["source"], s["trigger type"], s["slope"], s["level"], s["level low"], s["level high"]
        )
        on = {n: self.channel(n) for n in self.probes if s[f"on{n}"]}
        return Plan(range_s, s["position"], points, s["type"], s["averages"], trigger, on)

    # --- running

    def single(self) -> None:
        """Arm for one record."""
        if not any(self.settings[f"on{n}"] for n in self.probes):
            raise ScpiError(-221)
        self.mode = "single"
        self.acquisition = Acquisition(self, self.plan(), self.now_s)
        self.acquisition.keep_pace()

    def run_free(self) -> None:
        """Run until stopped."""
        self.mode = "run"
        self.acquisition = None
        self._running_since_s = self.now_s

    def halt(self) -> None:
        """Stop; a running scope keeps its last capture."""
        if self.mode == "run":
            self._look()
        elif self.acquisition is not None:
            self.acquisition.advance(self.now_s)
            if self.acquisition.stopped:
                self._show(self.acquisition)
        self.mode, self.acquisition = "stop", None

    def settings_changed(self, *suffixes: int) -> None:
        """An armed capture starts anew with the new settings."""
        if self.mode == "single" and self.acquisition is not None:
            if self.acquisition.state(self.now_s) == "STOP":
                self._show(self.acquisition)
            else:
                self.single()

    def force(self) -> None:
        """Trigger by command."""
        if self.mode != "single" or self.acquisition is None:
            raise ScpiError(-211)
        if not self.acquisition.force(self.now_s):
            raise ScpiError(-211)

    def trigger(self) -> None:
        """`*TRG` does the same."""
        self.force()

    def state(self) -> str:
        """Word for `TRIG:STAT?`."""
        if self.mode == "run":
            recent = self._recent()
            if recent is not None:
                return "RUN"
            return "AUTO" if self.settings["sweep"] == "AUTO" else "WAIT"
        return self.acquisition.state(self.now_s) if self.acquisition else "STOP"

    def busy_until_s(self) -> float:
        """End of a single capture, infinity while that is not known."""
        if self.mode != "single" or self.acquisition is None:
            return float("-inf")
        return self.acquisition.end_s(self.now_s)

    def clear_device(self) -> None:
        """Device clear stops."""
        super().clear_device()
        self.halt()

    def reset(self) -> None:
        """Defaults, stopped, nothing captured."""
        super().reset()
        self.mode, self.acquisition, self.shown, self.captures = "stop", None, None, 0

    def refresh(self) -> None:
        """OPER 8 acquiring, 32 waiting for trigger."""
        state = self.state()
        self.status.operation.update((8 if state != "STOP" else 0) | (32 if state == "WAIT" else 0))

    def find_crossing(self, trigger: Trigger, from_s: float, to_s: float) -> float | None:
        """First time in a span at which the trigger condition is met on its channel."""
        number = int(trigger.source[-1])
        probe, setting = self.probes[number], self.channel(number)
        if not probe.leads.on or setting.coupling == "GND":
            return None
        hi, lo = probe.leads.hi, probe.leads.lo
        times = probe.factor / setting.probe
        base_v = 0.0
        if setting.coupling == "AC":
            begin_s = max(0.0, from_s - 5 / (6.283 * AC_CORNER_HZ))
            base_v = self.site.mean_v(hi, lo, begin_s, from_s)
        if trigger.kind == "WIND":
            middle, half = (
                (trigger.high_v + trigger.low_v) / 2,
                (trigger.high_v - trigger.low_v) / 2,
            )
            return self.site.find_event(
                hi, lo, from_s, base_v + middle * times, "either", half * times, to_s
            )
        slope = {"POS": "rising", "NEG": "falling", "EITH": "either"}[trigger.slope]
        return self.site.find_event(
            hi, lo, from_s, base_v + trigger.level_v * times, slope, None, to_s
        )

    def _recent(self) -> Acquisition | None:
        """Give the last complete record of a free-running scope, None if no trigger came."""
        plan, now_s = self.plan(), self.now_s
        one_s = max(0.0, plan.before_s) + max(0.0, plan.after_s) + 0.025
        span_s = min(one_s * (plan.count if plan.kind == "AVER" else 1) + 0.2, _HISTORY_S)
        past = Acquisition(self, plan, max(0.0, self._running_since_s, now_s - span_s))
        captures = self.captures
        past.advance(now_s)
        self.captures = captures + int(past.stopped)
        return past if past.stopped else None

    def _look(self) -> None:
        """Bring the shown record up to date."""
        if self.mode == "run":
            recent = self._recent()
            if recent is None and self.settings["sweep"] == "AUTO":
                plan = self.plan()
                recent = Acquisition(self, plan, self._running_since_s)
                recent.trigger_s = max(0.0, self.now_s - max(0.0, plan.after_s))
                recent.finished, recent.stopped = 1, True
                self.captures += 1
            if recent is not None:
                self._show(recent)
        elif self.acquisition is not None:
            self.acquisition.advance(self.now_s)
            if self.acquisition.stopped and self.acquisition is not self.shown:
                self._show(self.acquisition)

    def _show(self, record: Acquisition) -> None:
        record.materialise()
        self.shown = record

    # --- data

    def capture_count(self) -> str:
        """Answer for `ACQ:NUMB?`."""
        self._look()
        return str(self.captures)

    def record(self, number: int) -> tuple[Acquisition, NDArray[np.uint16]]:
        """Give the shown record and a channel's 16-bit codes; −230 when there are none."""
        self._look()
        if self.shown is None or number not in self.shown.codes:
            raise ScpiError(-230)
        return self.shown, self.shown.codes[number]

    def _chosen(self) -> tuple[Acquisition, NDArray[np.uint16], ChannelSetting, int]:
        number = int(self.settings["waveform"][-1])
        record, codes = self.record(number)
        first = self.settings["first"] - 1
        part = codes[first : self.settings["last"]]
        return record, part, record.plan.channels[number], first

    def points(self) -> str:
        """Answer for `WAV:POIN?`."""
        return str(self.record(int(self.settings["waveform"][-1]))[1].size)

    def preamble(self) -> str:
        """Ten fields that turn codes into volts and indices into seconds."""
        record, part, setting, first = self._chosen()
        plan, word = record.plan, self.settings["format"]
        levels = 256 if word == "BYTE" else 65536
        step_s = plan.range_s / plan.points
        fields = [
            str(_FORMATS[word]), str(_TYPES[plan.kind]), str(part.size), str(record.finished),
            nr3(step_s), nr3(first * step_s - plan.before_s), "0",
            nr3(setting.full_v / levels), nr3(setting.offset_v), str(levels // 2),
        ]  # fmt: skip
        return ",".join(fields)

    def data(self) -> bytes:
        """Block of the chosen part of the record."""
        _, part, setting, _ = self._chosen()
        word = self.settings["format"]
        if word == "ASC":
            return ",".join(nr3(v) for v in _as_volts(part, setting)).encode("ascii")
        if word == "BYTE":
            body = (part >> 8).astype(np.uint8).tobytes()
        else:
            body = part.astype("<u2" if self.settings["order"] == "SWAP" else ">u2").tobytes()
        size = str(len(body))
        return f"#{len(size)}{size}".encode() + body

    def figure(self, what: str, number: int) -> str:
        """One built-in measure of a channel."""
        record, codes = self.record(number)
        plan = record.plan
        volts = _as_volts(codes, plan.channels[number])
        return nr3(measure(what, volts, plan.range_s / plan.points))


def _as_volts(codes: NDArray[np.uint16], setting: ChannelSetting) -> NDArray[np.float64]:
    return (codes.astype(np.float64) - 32768.0) * (setting.full_v / 65536) + setting.offset_v
