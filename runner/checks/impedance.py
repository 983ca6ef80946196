"""Output impedance: pulses of load current, the output's answer at the pulse frequency."""

from __future__ import annotations

import math
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.judging import Judge
from runner.checks.output_trace import pulse_plan
from runner.checks.points import allowed_load_a, full_load_a, middle_v
from runner.checks.scales import scope_scale_of
from runner.checks.stepping import at_rest, go_to, load_of, meter_of, mode_of, start
from runner.checks.tap_sensors import channel_of
from runner.errors import BenchError, InstrumentError
from runner.finding import Finding
from runner.instruments.roles import Capture, ChannelSetup, Scope, TimebaseSetup, Trigger
from runner.metrology.budget import Budget, Line
from runner.metrology.limit import Limit
from runner.metrology.repeats import mean, scatter_line
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["CHECK", "square_fundamental_a"]

NAME = "impedance"
FREQUENCIES_HZ = (70.0, 170.0, 430.0, 970.0)
"""Between the multiples of 50 and 60 Hz, up to the 1 kHz to which the limit reaches."""
SLEW_A_PER_S = 250e3
LOW_SHARE, HIGH_SHARE = 0.3, 0.9
RECORDS = 5
RECORD_S = 0.1
POINTS = 20_000
SPANS_V = (0.08, 0.16, 0.4, 0.8, 1.6, 4.0)
"""Full scales to try: the edges reach much further than the fundamental."""
LEFT = frozenset({"cc", "low", "tripped", "off"})
"""Modes in which the output's answer to the pulses is not its impedance."""
LEVEL_PCT = 2.0
"""Half-width allowed for the pulse's two current levels (the load's own setting accuracy)."""


class Impedance:
    """Square pulses of current; amplitude at the fundamental by sine fit."""

    name = NAME
    title = "Output impedance"
    question = "How large is the output impedance up to 1 kHz?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a load that pulses and a scope channel on the output."""
        return pulse_plan(conditions, "output impedance", duration_s=5.9, by_hand_s=14.0)

    def measure(self, work: Workplace) -> None:
        """Each frequency in turn, net current never reversed."""
        start(work)
        set_v = go_to(work, middle_v(work.profile))
        load = load_of(work)
        full_a = allowed_load_a(load, set_v, full_load_a(work.profile))
        for number, f_hz in enumerate(FREQUENCIES_HZ):
            work.log.progress(number / len(FREQUENCIES_HZ), f"{f_hz:g} Hz")
            try:
                load.pulse(LOW_SHARE * full_a, HIGH_SHARE * full_a, f_hz, SLEW_A_PER_S)
                load.input(True)
            except InstrumentError as error:  # also a load whose own readback shows no pulses
                work.log.event("no-pulse", reason=str(error))
                load.input(False)
                load.pulse_off()
                return
            try:
                at_rest(work, 20e-3)
                mode = mode_of(work, set_v, meter_of(work).read_volts().value)
                work.log.event("mode", mode=mode, f_hz=f_hz)
                _answer(work, set_v, f_hz, LOW_SHARE * full_a, HIGH_SHARE * full_a)
            finally:
                load.input(False)
                load.pulse_off()

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """Impedance at each frequency against its limit."""
        judge = Judge(NAME, profile)
        if data.events_of("no-pulse"):
            why = f"the load cannot pulse ({data.events_of('no-pulse')[0]['reason']})"
            return [judge.not_measured("output impedance", "Ω", why)]
        return [_finding(data, profile, judge, f_hz) for f_hz in _frequencies(data)]


def _frequencies(data: CheckData) -> list[float]:
    return sorted({float(r.at["f_hz"]) for r in data.of("response")})


def square_fundamental_a(low_a: float, high_a: float, f_hz: float, slew_a_per_s: float) -> float:
    """Peak amplitude in A of the fundamental of square pulses with sloping edges.

    4/π times half the step, times sin(πf·t)/(πf·t) for edges that last t (Fourier series of a
    trapezoid).
    """
    edge_s = (high_a - low_a) / slew_a_per_s
    return 4 / math.pi * (high_a - low_a) / 2 * float(np.sinc(f_hz * edge_s))


def _answer(work: Workplace, set_v: float, f_hz: float, low_a: float, high_a: float) -> None:
    """Fit a sine of the pulse frequency to each record, beside the mains' own ripple."""
    scope, channel = work.instruments.scope, channel_of(work.bench, "unit.plus")
    if scope is None or channel is None:
        raise BenchError("output impedance needs a scope channel on the output")
    amps = square_fundamental_a(low_a, high_a, f_hz, SLEW_A_PER_S)
    answers = []
    for capture, fitted in _fitted_records(work, scope, channel, f_hz):
        amplitude_v, reason = fitted
        if not capture.valid or capture.clipped:
            amplitude_v, reason = None, capture.reason or "the trace leaves the screen"
        answers.append(
            Reading(
                "response", amplitude_v, "V", capture.instrument, "scope",
                range=capture.span_v, t_mono_s=work.clock.mono_s(), reason=reason,
                at={"probe": capture.probe},
            )
        )  # fmt: skip
    work.log.readings(answers, set_v=set_v, f_hz=f_hz, amps=amps)


def _fitted_records(
    work: Workplace, scope: Scope, channel: str, f_hz: float
) -> list[tuple[Capture, tuple[float | None, str | None]]]:
    """Records on the narrowest scale that holds them all; one may show what the first did not.

    Each is fitted while the scope makes the next.
    """
    kept: list[tuple[Capture, Future[tuple[float | None, str | None]]]] = []
    with ThreadPoolExecutor(1) as beside:
        for span_v in SPANS_V:
            scope.setup(
                [ChannelSetup(channel, span_v, coupling="ac")],
                TimebaseSetup(RECORD_S, min(POINTS, scope.max_points)),
                Trigger("line"),
            )
            if scope.capture()[channel].clipped and span_v < SPANS_V[-1]:
                continue
            kept = [
                (one, beside.submit(_fit, one, f_hz, work.profile))
                for one in (scope.capture()[channel] for _ in range(RECORDS))
            ]
            if not any(one.clipped for one, _ in kept):
                break
    return [(one, fit.result()) for one, fit in kept]


def _fit(capture: Capture, f_hz: float, profile: Profile) -> tuple[float | None, str | None]:
    from runner.signals.samples import Invalid
    from runner.signals.sinefit import Tone, fit_tones

    t_s = capture.dt_s * np.arange(capture.v.size)
    mains = Tone(profile.unit.mains.frequency_hz, (1, 2, 4, 6))
    fit = fit_tones(t_s, capture.v, [Tone(f_hz, (1, 3), free=True), mains])
    if isinstance(fit, Invalid):
        return None, fit.reason
    return fit.component(1).amplitude, None


def _finding(data: CheckData, profile: Profile, judge: Judge, f_hz: float) -> Finding:
    limits = profile.limit("output-impedance")
    limit = Limit.at_most(limits.limit.at(0.0))
    what, at = "output impedance", f"at {f_hz:g} Hz"
    if {e["mode"] for e in data.events_of("mode") if e["f_hz"] == f_hz} & LEFT:
        why = "the unit does not hold its voltage while the load pulses"
        return judge.not_measured(what, "Ω", why, at=at, limit=limit, source=limits.source)
    readings = data.of("response", f_hz=f_hz)
    valid = [one for one in readings if one.valid]
    if len(valid) < 2:
        why = "; ".join(dict.fromkeys(str(r.reason) for r in readings if not r.valid))
        return judge.not_measured(
            what, "Ω", why or "too few records", at=at, limit=limit, source=limits.source
        )
    first, amps = valid[0], float(valid[0].at["amps"])
    scale = scope_scale_of(
        data, first.instrument, float(first.range or 0.0), float(first.at["probe"])
    )
    ohms = [one.value / amps for one in valid if one.value is not None]
    value = mean(ohms)
    lines = (
        scatter_line("scatter of records", ohms, "Ω"),
        Line.from_limit(
            f"gain of {scale.name}", scale.gain_rel * value, form=scale.coverage,
            value=value, unit="Ω", source=scale.source,
        ),
        Line.from_limit("levels of the pulse", LEVEL_PCT / 100 * value, unit="Ω"),
    )  # fmt: skip
    return judge.apply(Budget(what, "Ω", value, lines, scale.caveats), limit, limits.source, at=at)


CHECK = Impedance()
