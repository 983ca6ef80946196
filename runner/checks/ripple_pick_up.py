"""Is it really the unit? Ripple with the leads shorted, and with the output earthed and not.

Practice: (a) both leads on the terminal that the screen is on, their loop kept, the unit at work:
the trace must be flat, what it shows is picked up by the leads; (b) output off, leads in place:
the floor of `ripple`; (c) either terminal strapped to earth: what changes is common mode.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

from runner.checks.check import Workplace
from runner.checks.points import OutputPoint, allowed_load_a, full_load_a
from runner.checks.ripple_capture import RippleScope, mains_lines, ripple_readings
from runner.checks.stepping import at_rest, go_to, load_of, loaded
from runner.errors import BenchError, PersonWantsError
from runner.finding import Decision
from runner.hookup.verdict import earthed_leads, judge
from runner.instruments.roles import Capture
from runner.operator.requests import MoveLead, SetStrap
from runner.reading import Reading
from runner.terminals import spoken

__all__ = ["EARTHED", "HIGH_HZ", "NOT_DONE", "measure_shorted", "measure_strapped"]

RECORDS = 5
ASKED = 3
POSTS = ("unit.plus", "unit.minus", "unit.sense-plus", "unit.sense-minus")
HIGH_HZ = 10e3
"""Common mode above this comes from a switching stage, not from the mains (practice)."""
EARTHED = ("minus", "plus")
NOT_DONE = "not-done"


def measure_strapped(work: Workplace, scope: RippleScope, point: OutputPoint) -> set[float]:
    """Floating, then each terminal strapped to earth; returns the full scales used (V).

    Where a strap may not go on, the record says why and nothing is measured.
    """
    why = _no_strap(work)
    if why:
        work.log.note(f"Ripple floating and earthed was not compared: {why}.")
        return set()
    set_v = go_to(work, point.volts)
    spans_v: set[float] = set()
    try:
        for strap in ("none", *EARTHED):
            if strap != "none" and not _strap(work, strap):
                break
            spans_v.add(_earthed(work, scope, set_v, strap))
    except PersonWantsError:  # the check begins anew, or goes on without: strap off first
        _strap(work, "none")
        raise
    _strap(work, "none")
    return spans_v


def _no_strap(work: Workplace) -> str:
    """Why no strap may go on the output here; empty when it may."""
    if work.profile.unit.output != "floating":
        return "the unit's output is earthed by its design"
    leads = earthed_leads(work.bench, work.profile)
    if leads:
        return f"{leads[0][0]} earths the output: an isolated or differential probe would leave it"
    found = work.earlier.get("earth-reference", ())
    if not found or any(one.decision is not Decision.PASS for one in found):
        return "the output was not proved free of earth"
    for strap in EARTHED:
        unit = work.bench.unit.model_copy(update={"earth_strap": strap})
        stops = judge(work.bench.model_copy(update={"unit": unit}), work.profile).stops
        if stops:
            return stops[0].sentence.rstrip(".")
    return ""


def _strap(work: Workplace, strap: str) -> bool:
    text = (
        "Take the earth strap off the output posts."
        if strap == "none"
        else f"Join the unit's {strap} post to its earth post with the shortest strap, nothing else"
        " moved."
    )
    done = work.operator.answer(SetStrap("ripple:strap", text, strap)).done
    if not done:
        work.log.event(NOT_DONE, step=f"strap {strap}")
    return done


def _earthed(work: Workplace, scope: RippleScope, set_v: float, strap: str) -> float:
    load = load_of(work)
    load_a = allowed_load_a(load, set_v, full_load_a(work.profile))
    at: dict[str, float | str] = {"strap": strap, "set_v": set_v, "load_a": round(load_a, 6)}
    with loaded(load, load_a):
        at_rest(work, work.profile.limit("load-effect").limit.at(set_v))
        scope.settle()
        for number, capture in enumerate(scope.records(RECORDS, "normal")):
            for reading in ripple_readings(work, capture, "strapped"):
                work.log.reading(reading, **at)
            if number == 0:
                for line in (*mains_lines(work, capture), _high(work, capture)):
                    name = line.quantity.replace("ripple-", "strapped-")
                    work.log.reading(replace(line, quantity=name), **at)
    return scope.span_v


def _high(work: Workplace, capture: Capture) -> Reading:
    """Rms of what lies above 10 kHz (V), from the record's amplitude density."""
    from runner.signals.samples import Invalid
    from runner.signals.spectrum import amplitude_spectrum

    value, reason = None, capture.reason
    if capture.valid and not capture.clipped:
        found = amplitude_spectrum(capture.v, capture.dt_s)
        if isinstance(found, Invalid):
            reason = found.reason
        else:
            density = found.density_v_per_rthz[found.f_hz >= HIGH_HZ]
            value = float((density**2).sum() * found.bin_hz) ** 0.5
    return Reading(
        "ripple-high", value, "V", capture.instrument, "scope", range=capture.span_v,
        t_mono_s=work.clock.mono_s(), at={"probe": capture.probe},
        reason=None if value is not None else reason or "the trace leaves the screen",
    )  # fmt: skip


def measure_shorted(work: Workplace, scope: RippleScope, span_v: float, point: OutputPoint) -> None:
    """Tip beside its screen, unit at full load: what the leads' loop picks up on this range."""
    head = work.bench.scope_channel_on("unit.plus") or ""
    screen = next((p for p in work.bench.wired_to(f"{head}.shell") if p in POSTS), "unit.minus")
    set_v = go_to(work, point.volts)
    text = (
        f"Move the tip of {spoken(head)} to {spoken(screen)}, beside its screen, and leave the"
        " leads lying as they lie: what the trace shows now is picked up, not the unit's."
    )
    if not work.operator.answer(MoveLead("ripple:short", text, f"{head}.tip", screen)).done:
        work.log.event(NOT_DONE, step="leads shorted")
        return
    load_a = allowed_load_a(load_of(work), set_v, full_load_a(work.profile))
    with loaded(load_of(work), load_a):
        scope.use_span(span_v)
        for capture in scope.records(RECORDS, "normal"):
            for reading in ripple_readings(work, capture, "shorted"):
                work.log.reading(reading, set_v=set_v, load_a=round(load_a, 6))
    _put_back(work, f"{head}.tip")


def _put_back(work: Workplace, tip: str) -> None:
    """Nothing after this would be measured with the lead elsewhere: insist, then give up.

    :raises BenchError: the lead is not back
    """
    text = f"Put {spoken(tip)} on {spoken('unit.plus')} again."
    request = MoveLead("ripple:back", text, tip, "unit.plus")
    for _ in range(ASKED):
        with suppress(PersonWantsError):  # there is no point to go back to while it is off
            if work.operator.answer(request).done:
                return
    raise BenchError(f"{tip} is not on unit.plus again")
