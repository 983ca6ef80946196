"""The scope's part of a soak: armed for what happens on the output, and ripple now and then."""

from __future__ import annotations

from runner.checks.check import Conditions, Workplace
from runner.checks.output_trace import OutputTrace, missing_output_scope, output_trace
from runner.checks.ripple_capture import RippleScope, ripple_readings
from runner.errors import BenchError
from runner.reading import Reading

__all__ = ["ScopeWatch"]

WAVEFORMS_MAX = 100
"""Events beyond this many are counted, their waveforms are not kept."""
LEVEL_RIPPLES = 10.0
RECORD_S, PRE_FRACTION, SPANS = 0.02, 0.3, 8.0
RETRY_S = 60.0


class ScopeWatch:
    """One channel on the output; does nothing on a bench without.

    The trigger sees one direction at a time: dips and peaks take turns, changed at each ripple
    measurement.
    """

    def __init__(self, work: Workplace, ripple_every_s: float, *, armed: bool) -> None:
        self._work, self._ripple_every_s, self._armed = work, ripple_every_s, armed
        self._trace: OutputTrace | None = None
        self._probe = 1.0
        self._ripple_due_s = float("-inf")
        self._ready = False
        self._rising = False
        self._number = 0
        self._again_s = float("-inf")
        missing = missing_output_scope(Conditions(work.profile, work.bench))
        if missing is None and work.instruments.scope is not None:
            self._trace = output_trace(work)
            entry = work.bench.by_role("scope")
            probe = entry.probes.get(self._trace.channel) if entry is not None else None
            self._probe = probe.factor if probe is not None else 1.0

    @property
    def here(self) -> bool:
        """Whether the bench has a scope on the output."""
        return self._trace is not None

    def disarm(self) -> None:
        """Look away: what comes next is on purpose."""
        if self._trace is not None and self._ready:
            self._ready = False
            try:
                self._trace.scope.stop()
            except BenchError as error:
                self._lost(str(error), "")

    def look(self, set_v: float, stage: str) -> Reading | None:
        """Keep what the scope caught; returns a ripple reading when it is time for one."""
        now_s = self._work.clock.mono_s()
        if self._trace is None or now_s < self._again_s:
            return None
        found: Reading | None = None
        try:
            if self._ready and self._trace.scope.triggered():
                self._keep(set_v, stage)
            if now_s >= self._ripple_due_s:
                self._ripple_due_s = now_s + self._ripple_every_s
                found = self._measure_ripple()
            if self._armed and not self._ready:
                self._arm()
        except BenchError as error:
            self._lost(str(error), stage)
        return found

    def _lost(self, reason: str, stage: str) -> None:
        self._ready = False
        self._again_s = self._work.clock.mono_s() + RETRY_S
        self._work.log.event("silent", instrument="scope", reason=reason, stage=stage)

    def _measure_ripple(self) -> Reading | None:
        self._ready = False
        self._rising = not self._rising
        if self._trace is None:
            return None
        hertz = self._work.profile.unit.mains.frequency_hz
        trace = self._trace
        scope = RippleScope(trace.scope, trace.channel, self._probe, hertz, self._work.clock)
        readings = ripple_readings(self._work, scope.settle())
        return next((one for one in readings if one.quantity == "ripple-rms"), None)

    def _arm(self) -> None:
        trace = self._trace
        if trace is None:
            return
        level_v = LEVEL_RIPPLES * self._work.profile.limit("ripple-pp").limit.at(0.0)
        trace.arm(
            span_v=SPANS * level_v, offset_v=0.0, coupling="ac", duration_s=RECORD_S,
            pre_fraction=PRE_FRACTION, level_v=level_v if self._rising else -level_v,
            slope="rising" if self._rising else "falling",
        )  # fmt: skip
        self._ready = True

    def _keep(self, set_v: float, stage: str) -> None:
        self._ready = False
        if self._trace is None:
            return
        self._number += 1
        at: dict[str, float | str] = {"stage": stage, "set_v": set_v}
        name = f"event-{self._number}"
        self._work.log.event("output-event", number=self._number, **at)
        if self._number <= WAVEFORMS_MAX:
            capture = self._trace.scope.fetch().get(self._trace.channel)
            if capture is not None:
                self._work.log.waveform(name, capture, **at)
