"""Captures of ripple: most sensitive range without clipping, settled, one record after another."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from runner.checks.check import Workplace
from runner.clock import Clock
from runner.instruments.roles import Capture, ChannelSetup, Scope, TimebaseSetup, Trigger
from runner.reading import Reading

__all__ = ["DIVISIONS", "RippleScope", "mains_lines", "ripple_readings"]

DIVISIONS = 8
STEPS_V_PER_DIV = tuple(m * 10.0**e for e in range(-3, 2) for m in (1, 2, 5))
USED_SHARE = 0.8
"""A trace may fill this much of the screen before the next range is taken."""
PERIODS = 5
POINTS = 10_000
SETTLE_S = 30.0
SETTLED_SHARE = 0.02


class RippleScope:
    """One channel on the output, AC coupled, 20 MHz limit, line trigger (common practice)."""

    def __init__(self, scope: Scope, channel: str, probe: float, mains_hz: float, clock: Clock):
        self._scope, self._channel, self._clock = scope, channel, clock
        self._spans_v = [DIVISIONS * step * probe for step in STEPS_V_PER_DIV]
        self._span = 2
        self._duration_s = PERIODS / mains_hz
        self._set_to: tuple[int, str] | None = None

    @property
    def span_v(self) -> float:
        """Full scale in use, V at the tip."""
        return self._spans_v[self._span]

    def use_span(self, span_v: float) -> None:
        """Take the range of another point again (for the floor), and wait until it is settled."""
        self._span = min(range(len(self._spans_v)), key=lambda i: abs(self._spans_v[i] - span_v))
        give_up_s = self._clock.mono_s() + SETTLE_S
        while self._clock.mono_s() < give_up_s:
            capture = self._one("normal")
            if capture.valid and _settled(capture) and not capture.clipped:
                return
            self._clock.sleep(self._duration_s)

    def settle(self) -> Capture:
        """Find the range and wait until the coupling capacitor has charged; the last record."""
        capture = self._one("normal")
        give_up_s = self._clock.mono_s() + SETTLE_S
        while self._clock.mono_s() < give_up_s:
            if not capture.valid:
                return capture
            if capture.clipped and self._span < len(self._spans_v) - 1:
                self._span += 1
            elif not _settled(capture):
                self._clock.sleep(self._duration_s)
            elif not self._narrow(capture):
                return capture
            capture = self._one("normal")
        return capture

    def _narrow(self, capture: Capture) -> bool:
        """Take the smallest range that still holds the trace; True when it changed."""
        reach_v = 2 * float(np.max(np.abs(capture.v)))
        fits = [i for i, span in enumerate(self._spans_v) if reach_v <= USED_SHARE * span]
        wanted = min(fits[0] if fits else self._span, self._span)
        changed = wanted != self._span
        self._span = wanted
        return changed

    def records(self, count: int, acquire: Literal["normal", "peak"]) -> Iterator[Capture]:
        """Give that many records on the range found."""
        for _ in range(count):
            yield self._one(acquire)

    def _one(self, acquire: Literal["normal", "peak"]) -> Capture:
        if self._set_to != (self._span, acquire):
            points = min(POINTS, self._scope.max_points)
            self._scope.setup(
                [ChannelSetup(self._channel, self.span_v, coupling="ac")],
                TimebaseSetup(self._duration_s, points, acquire=acquire),
                Trigger("line"),
            )
            self._set_to = (self._span, acquire)
        return self._scope.capture()[self._channel]


def _settled(capture: Capture) -> bool:
    """First and last mains period have the same mean, within a share of the trace."""
    period = capture.v.size // PERIODS
    if period < 2:
        return True
    first, last = float(capture.v[:period].mean()), float(capture.v[-period:].mean())
    allowed_v = max(capture.lsb_v, SETTLED_SHARE * float(np.ptp(capture.v)))
    return abs(last - first) <= allowed_v


def ripple_readings(work: Workplace, capture: Capture, prefix: str = "ripple") -> list[Reading]:
    """Readings of one record: p-p, and rms unless it is one of peaks; invalid with the reason."""
    from runner.signals.ripple import Ripple, measure

    quantities = [f"{prefix}-pp"] + ([f"{prefix}-rms"] if capture.acquire == "normal" else [])
    values: dict[str, float] = {}
    reason = capture.reason
    if capture.valid and capture.clipped:
        reason = "the trace leaves the screen on the largest range"
    elif capture.valid:
        found = measure(capture.v, dt_s=capture.dt_s)
        if isinstance(found, Ripple):
            values = {f"{prefix}-pp": found.pp_v, f"{prefix}-rms": found.rms_v}
        else:
            reason = found.reason
    return [
        Reading(
            quantity, values.get(quantity), "V", capture.instrument, "scope",
            range=capture.span_v, t_mono_s=work.clock.mono_s(),
            reason=None if quantity in values else reason,
            at={"probe": capture.probe, "acquire": capture.acquire},
        )
        for quantity in quantities
    ]  # fmt: skip


def mains_lines(work: Workplace, capture: Capture) -> list[Reading]:
    """Amplitudes at the mains frequency and twice it (peak, V) from one record."""
    from runner.signals.mains import MainsFit, fit_mains

    mains_hz = work.profile.unit.mains.frequency_hz
    fit = fit_mains(capture.v, capture.dt_s, mains_hz) if capture.valid else None
    readings = []
    for order, quantity in ((1, "ripple-f"), (2, "ripple-2f")):
        line = None
        if isinstance(fit, MainsFit):
            line = next((one for one in fit.lines if one.order == order), None)
        why = fit.reason if fit is not None and not isinstance(fit, MainsFit) else capture.reason
        readings.append(
            Reading(
                quantity, line.amplitude_v if line else None, "V", capture.instrument, "scope",
                range=capture.span_v, u=line.u_amplitude_v if line else None,
                t_mono_s=work.clock.mono_s(), at={"probe": capture.probe},
                reason=None if line else why or "no such line in the fit",
            )
        )  # fmt: skip
    return readings
