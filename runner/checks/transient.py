"""Transient recovery: how long after a load step until the output is back, and stays back."""

from __future__ import annotations

from runner.checks.check import Conditions, Plan, Workplace
from runner.checks.output_trace import OutputTrace, output_trace, pulse_plan
from runner.checks.points import allowed_load_a, full_load_a, middle_v
from runner.checks.stepping import at_rest, go_to, load_of, meter_of, start
from runner.checks.transient_findings import NAME, findings
from runner.errors import InstrumentError
from runner.finding import Finding
from runner.instruments.roles import Load
from runner.profile import Profile
from runner.reading import Reading
from runner.record.reader import CheckData

__all__ = ["CHECK"]

FREQUENCY_HZ = 100.0
SLEW_A_PER_S = 250e3
"""Edges of 0.25 A/us (a service procedure's figure): fast, and the leads still forgive it."""
EDGES = (("load on", "falling"), ("load off", "rising"))
RECORDS = 10
RECORDED_SHARE = 0.8
"""Share of the half period that is recorded: the next edge stays outside."""
BANDS_IN_SPAN = 12.0
TRIGGER_SHARE = 0.6
"""Trigger level as a share of the band: an excursion that never gets so far needs no recovery."""
PATIENCE_S = 0.3
PRE_FRACTION = 0.1
COUPLING_TRIES = 20


class Transient:
    """Half to full load and back, both edges, single records."""

    name = NAME
    title = "Transient recovery"
    question = "How long after a load step until the output is back in its band, and stays?"

    def plan(self, conditions: Conditions) -> Plan:
        """Needs a load that pulses and a scope channel on the output."""
        return pulse_plan(conditions, "transient recovery", duration_s=1.3, by_hand_s=7.0)

    def measure(self, work: Workplace) -> None:
        """At half the rated voltage, away from tap points."""
        start(work)
        set_v = go_to(work, middle_v(work.profile))
        load, trace = load_of(work), output_trace(work)
        full_a = allowed_load_a(load, set_v, full_load_a(work.profile))
        try:
            load.pulse(full_a / 2, full_a, FREQUENCY_HZ, SLEW_A_PER_S)
            load.input(True)
        except InstrumentError as error:  # also a load whose own readback shows no pulses
            work.log.event("no-pulse", reason=str(error))
            _end(load)
            return
        try:
            at_rest(work, 20e-3)
            for number, (edge, slope) in enumerate(EDGES):
                work.log.progress(number / len(EDGES), edge)
                _records(work, trace, edge, slope, set_v, full_a)
        finally:
            _end(load)

    def findings(self, data: CheckData, profile: Profile) -> list[Finding]:
        """See :mod:`runner.checks.transient_findings`."""
        return findings(data, profile)


def _end(load: Load) -> None:
    load.input(False)
    load.pulse_off()


def _records(
    work: Workplace, trace: OutputTrace, edge: str, slope: str, set_v: float, full_a: float
) -> None:
    """Single records about one edge, AC coupled; none when the output stays inside the band."""
    band_v = work.profile.limit("transient-band").limit.at(set_v)
    at: dict[str, float | str] = {
        "edge": edge, "set_v": set_v, "from_a": full_a / 2, "to_a": full_a, "band_v": band_v,
        "ends_s": (1.0 - PRE_FRACTION) * RECORDED_SHARE * 0.5 / FREQUENCY_HZ,
    }  # fmt: skip
    trace.arm(
        span_v=BANDS_IN_SPAN * band_v, offset_v=0.0, coupling="ac", pre_fraction=PRE_FRACTION,
        duration_s=RECORDED_SHARE * 0.5 / FREQUENCY_HZ,
        level_v=(-1 if slope == "falling" else 1) * TRIGGER_SHARE * band_v,
        slope="falling" if slope == "falling" else "rising",
    )  # fmt: skip
    for number in range(3 if work.quick else RECORDS):
        if number:
            trace.again()
        capture = trace.record(work, PATIENCE_S)
        if capture is None:
            work.log.event("inside", **at)
            return
        work.log.waveform(
            f"{edge.replace(' ', '-')}-{number}", capture, **at,
            direction="falling" if edge == "load on" else "rising",
        )  # fmt: skip
    work.log.reading(_output(work), **at)


def _output(work: Workplace) -> Reading:
    return meter_of(work).read_volts()


CHECK = Transient()
