"""A scope without a cable: a person saves a capture, the program reads the file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from runner.errors import InputError, InstrumentError
from runner.instruments.hand import HandSeat
from runner.instruments.roles import Capture, ChannelSetup, Identity, TimebaseSetup, Trigger
from runner.operator.requests import Request
from runner.quantity import format_quantity

__all__ = ["HandScope", "SaveCapture"]


@dataclass(frozen=True, slots=True)
class SaveCapture(Request):
    """Set the scope ``name`` up like this, save one record, and answer with the file's path."""

    name: str = ""
    channels: tuple[ChannelSetup, ...] = ()
    duration_s: float = 0.0
    points: int = 0
    trigger: str = "none"


class HandScope:
    """Sets nothing: it says what to set, and takes the file that was saved."""

    max_points = 10_000_000

    def __init__(self, seat: HandSeat, probes: dict[str, Any]) -> None:
        self.name = seat.name
        self._seat, self._probes = seat, probes
        self._channels: tuple[ChannelSetup, ...] = ()
        self._timebase = TimebaseSetup(0.01, 1000)
        self._trigger = Trigger("none")

    def identity(self) -> Identity:
        """As the bench file names it."""
        return self._seat.identity

    def make_safe(self) -> None:
        """Nothing to switch."""

    def close(self) -> None:
        """Nothing to close."""

    def setup(
        self, channels: Sequence[ChannelSetup], timebase: TimebaseSetup, trigger: Trigger
    ) -> None:
        """Remember the set-up; it is told with the request for the file."""
        self._channels, self._timebase, self._trigger = tuple(channels), timebase, trigger

    def capture(self, timeout_s: float | None = None) -> dict[str, Capture]:
        """Ask for a saved capture and read it."""
        if self._seat.operator is None:
            return self._nothing("nobody is there to save a capture")
        request = SaveCapture(
            f"by-hand:{self.name}:capture", self._wish() + " Save it and type the file's path.",
            self.name, self._channels, self._timebase.duration_s, self._timebase.points,
            self._trigger.source,
        )  # fmt: skip
        answer = self._seat.operator.answer(request)
        if not answer.done or not answer.words.strip():
            return self._nothing(f"no capture was saved ({answer.words or 'skipped'})")
        try:
            return self._from_file(Path(answer.words.strip().strip("'\"")))
        except InputError as error:
            return self._nothing(str(error))

    def _wish(self) -> str:
        channels = "; ".join(
            f"{one.channel} {one.coupling.upper()}, {format_quantity(one.span_v / 8, 'V')} a"
            f" division at the probe tip{', bandwidth limit on' if one.bandwidth_limit else ''}"
            for one in self._channels
        )
        span = format_quantity(self._timebase.duration_s, "s")
        return f"Capture {span} on {self._seat.what}: {channels}; trigger {self._trigger.source}."

    def _from_file(self, path: Path) -> dict[str, Capture]:
        from runner.captures.reader import read_capture

        found = read_capture(path)
        if found.dt_s is None or len(found.pieces) != 1:
            return self._nothing(f"{path}: unevenly sampled, or with gaps")
        captures = {}
        for index, one in enumerate(self._channels):
            if index >= len(found.channels):
                captures[one.channel] = self._empty(one, f"{path} holds no such channel")
                continue
            v = np.asarray(found.channels[index].samples, dtype=np.float64)
            reason = None if np.all(np.isfinite(v)) else "some samples have no value"
            captures[one.channel] = self._filled(one, v, found.dt_s, float(found.t_s[0]), reason)
        return captures

    def arm(self) -> None:
        """Not by hand.

        :raises InstrumentError: always
        """
        raise InstrumentError(f"{self.name}: a person cannot be armed; capture by hand instead")

    def triggered(self) -> bool:
        """Never."""
        return False

    def fetch(self) -> dict[str, Capture]:
        """As :meth:`capture`."""
        return self.capture()

    def stop(self) -> None:
        """Nothing runs."""

    def _filled(
        self, one: ChannelSetup, v: np.ndarray, dt_s: float, t0_s: float, reason: str | None
    ) -> Capture:
        steps = np.diff(np.unique(v)) if v.size else np.zeros(0)
        probe = self._probes.get(one.channel)
        return Capture(
            channel=one.channel, instrument=self.name, v=v, dt_s=dt_s, t0_s=t0_s,
            lsb_v=float(steps.min()) if steps.size else 0.0, span_v=one.span_v,
            offset_v=one.offset_v, coupling=one.coupling,
            probe=1.0 if probe is None else float(probe.factor),
            bandwidth_hz=20e6 if one.bandwidth_limit else None, acquire=self._timebase.acquire,
            clipped=bool(v.size and np.max(np.abs(v - one.offset_v)) >= one.span_v / 2 * 0.999),
            reason=reason,
        )  # fmt: skip

    def _empty(self, one: ChannelSetup, reason: str) -> Capture:
        return self._filled(one, np.zeros(0), math.nan, math.nan, reason)

    def _nothing(self, reason: str) -> dict[str, Capture]:
        return {one.channel: self._empty(one, reason) for one in self._channels}
