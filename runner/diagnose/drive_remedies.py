"""Remedies for the drive of a winding relay: hysteresis, filter, thresholds, coil.

Where the profile holds the tap point's sensing circuit the parts are computed from it, with the
corners of their tolerances; elsewhere formulas with an example that says it is one.
"""

from __future__ import annotations

from collections.abc import Sequence

from runner.diagnose.arithmetic import (
    coil_decay_s,
    coil_peak_v,
    feedback_for_window,
    nearest_e24,
    rc_attenuation,
    rc_corner_hz,
    sense_node_ohm,
)
from runner.diagnose.remedy import Remedy
from runner.finding import Finding
from runner.profile import Profile, TapPoints
from runner.quantity import Tolerance
from runner.sense_circuit import SenseCircuit

__all__ = ["coil_remedies", "hysteresis_remedies", "threshold_remedies"]

LEAST_WINDOW_V = 0.5
WINDOW_TIMES = 3.0
"""Hysteresis over the disturbance it must exceed (common practice: two to four times)."""
LEFT_SHARE = 0.25
"""Part of the hysteresis that ripple may reach after the filter (common practice)."""
SERIES_PART = 0.05
"""E24, ±5 % (IEC 60063)."""
EXAMPLE_OHM, EXAMPLE_SWING_V, EXAMPLE_F = 10e3, 5.0, 1e-6
EXAMPLE_COIL = (0.5, 360.0, 24.0)
"""Henry, ohms, volts of an ordinary 24 V relay coil (mem); measure the one at hand."""
SNUBBER = (100.0, 100e-9)


def hysteresis_remedies(profile: Profile, findings: Sequence[Finding]) -> list[Remedy]:
    """Feedback resistor, filter and diode for a relay that chatters."""
    taps = profile.tap_points
    least_v = taps.hysteresis_min if taps is not None else 0.3
    seen_v = disturbance_v(findings)
    wanted_v = max(LEAST_WINDOW_V, 2.0 * least_v, WINDOW_TIMES * (seen_v or 0.0))
    circuits = taps.circuit if taps is not None and taps.circuit is not None else ()
    found: list[Remedy] = []
    for number, circuit in enumerate(circuits, start=1):
        found.append(_feedback(circuit, number, wanted_v, seen_v))
        found.append(_filter(circuit, number, profile.unit.mains.frequency_hz, seen_v))
    if not circuits:
        found += _by_example(profile.unit.mains.frequency_hz, wanted_v)
    return [*found, *coil_remedies()]


def disturbance_v(findings: Sequence[Finding]) -> float | None:
    """What the output does about a change of winding: largest glitch, or ripple just below (V)."""
    values = [
        f.value for f in findings
        if f.value is not None and (
            (f.check == "tap-map" and f.what.startswith("glitch"))
            or (f.what == "ripple and noise, peak to peak" and f.at.startswith("below tap point"))
        )
    ]  # fmt: skip
    return max(values, default=None)


def _feedback(circuit: SenseCircuit, number: int, wanted_v: float, seen_v: float | None) -> Remedy:
    because = f" (the disturbance measured is {seen_v * 1e3:.3g} mV)" if seen_v else ""
    if circuit.feedback is None or circuit.feedback_below is None or not circuit.feedback_above:
        return Remedy(
            f"Tap point {number}: its sensing circuit has no feedback, hence no hysteresis of its"
            f" own. {wanted_v:.2g} V are wanted{because}: a resistor of"
            f" {circuit.to_output.nominal / wanted_v / 1e3:.3g} kΩ for each volt that the driven"
            " stage swings, from there to the sense node.",
            "R = R_output·swing/hysteresis",
        )
    swing_v = abs(circuit.feedback_above.nominal - circuit.feedback_below.nominal)
    ohm = nearest_e24(feedback_for_window(circuit.to_output.nominal, wanted_v, swing_v))
    part = Tolerance(ohm, SERIES_PART * ohm, "Ω")
    new = circuit.model_copy(update={"feedback": part})
    width, up, old = new.hysteresis, new.rising, circuit.hysteresis
    return Remedy(
        f"Tap point {number}: {ohm / 1e3:.3g} kΩ ±5 % as feedback resistor gives"
        f" {width.nominal:.3g} V of hysteresis ({width.low:.3g} V to {width.high:.3g} V);"
        f" {wanted_v:.2g} V are wanted{because}, the profile's parts give {old.nominal:.3g} V."
        f" The rising point is then {up.nominal:.4g} V ({up.low:.4g} V to {up.high:.4g} V): bring"
        " it back with the resistor to the rail.",
        "R = R_output·swing/hysteresis, E24; corners of all tolerances",
    )


def _filter(
    circuit: SenseCircuit, number: int, mains_hz: float, seen_v: float | None
) -> Remedy:  # fmt: skip
    ohm = sense_node_ohm(
        [r.nominal for r in (circuit.to_output, circuit.to_rail, circuit.feedback) if r]
    )
    width_v = circuit.hysteresis.nominal
    wanted = min(LEFT_SHARE * width_v / seen_v, 0.9) if seen_v and width_v > 0.0 else LEFT_SHARE
    corner_hz = 2.0 * mains_hz / (1.0 / wanted**2 - 1.0) ** 0.5
    farad = nearest_e24(1.0 / (2.0 * 3.141592653589793 * ohm * corner_hz))
    left = [rc_attenuation(ohm, farad, n * mains_hz) for n in (1, 2)]
    after = f", {seen_v * left[1] * 1e3:.4g} mV of {seen_v * 1e3:.4g} mV" if seen_v else ""
    return Remedy(
        f"Tap point {number}: {farad * 1e6:.3g} µF from the sense node to its common: with"
        f" {ohm / 1e3:.3g} kΩ seen from there, corner {rc_corner_hz(ohm, farad):.3g} Hz; leaves"
        f" {left[0]:.0%} at {mains_hz:g} Hz and {left[1]:.0%} at {2 * mains_hz:g} Hz{after}, and"
        f" delays the change by about {ohm * farad * 1e3:.2g} ms.",
        "R = parallel of all at the node; fc = 1/(2πRC); 1/√(1 + (f/fc)²); delay RC",
    )


def _by_example(mains_hz: float, wanted_v: float) -> list[Remedy]:
    ohm = nearest_e24(feedback_for_window(EXAMPLE_OHM, wanted_v, EXAMPLE_SWING_V))
    left = [rc_attenuation(EXAMPLE_OHM, EXAMPLE_F, n * mains_hz) for n in (1, 2)]
    return [
        Remedy(
            f"Hysteresis of {wanted_v:.2g} V at the comparator; the profile holds no sensing"
            f" circuit, so for instance: {EXAMPLE_OHM / 1e3:g} kΩ at its input and"
            f" {EXAMPLE_SWING_V:g} V output swing want {ohm / 1e3:.3g} kΩ of feedback. With a"
            " divider in front, divide the wanted hysteresis by it first.",
            "R2 = R1·(VH - VL)/window",
        ),
        Remedy(
            f"Filter at the sense node, for instance {EXAMPLE_OHM / 1e3:g} kΩ and"
            f" {EXAMPLE_F * 1e6:g} µF: {rc_corner_hz(EXAMPLE_OHM, EXAMPLE_F):.1f} Hz, leaves"
            f" {left[0]:.0%} at {mains_hz:g} Hz and {left[1]:.0%} at {2 * mains_hz:g} Hz, and"
            f" delays the change by about {EXAMPLE_OHM * EXAMPLE_F * 1e3:.0f} ms.",
            "fc = 1/(2πRC); 1/√(1 + (f/fc)²); delay RC",
        ),
    ]


def coil_remedies() -> list[Remedy]:
    """Diode, or RC, across the coil."""
    henry, ohm, volts = EXAMPLE_COIL
    r_ohm, farad = SNUBBER
    peak_v = coil_peak_v(volts / ohm, henry, farad)
    return [
        Remedy(
            "Diode across the relay coil, cathode to the positive end, for the coil's current and"
            " at least twice its rail. The current then dies with L/R: for instance"
            f" {henry:g} H and {ohm:g} Ω, {coil_decay_s(henry, ohm) * 1e3:.2g} ms, and the relay"
            " releases later by about as much. The rail must stay above three quarters of the"
            " coil's rating at full load and 90 % line.",
            "τ = L/R; must-operate at 75 % of the rating (relay data sheets)",
        ),
        Remedy(
            f"Where that is too slow, RC across the coil instead: {r_ohm:g} Ω and"
            f" {farad * 1e9:g} nF have their corner at {rc_corner_hz(r_ohm, farad) / 1e3:.3g} kHz;"
            f" the same coil then rises to at most {peak_v:.0f} V, which the driver must stand.",
            "fc = 1/(2πRC); V ≤ I·√(L/C), all of the coil's energy in the capacitor",
        ),
    ]


def threshold_remedies(profile: Profile, findings: Sequence[Finding]) -> list[Remedy]:
    """How a shifted tap point is brought back, and what the shift is at the sense node."""
    taps = profile.tap_points
    if taps is None:
        return []
    if taps.circuit is None:
        aims = ", ".join(f"{t.nominal:g} V" for t in taps.up)
        return [
            Remedy(
                f"Bring the rising tap points to {aims}: for a divider from rail Vr with upper"
                " share k, the output at which its tap reaches Vt is Vr - (Vr - Vt)/k.",
                "Vout = Vr - (Vr - Vt)/k",
            )
        ]
    return [_moved(taps, number, findings) for number in range(1, len(taps.circuit) + 1)]


def _moved(taps: TapPoints, number: int, findings: Sequence[Finding]) -> Remedy:
    circuit = (taps.circuit or ())[number - 1]
    up, down = circuit.rising, circuit.falling
    points = [
        f.value for f in findings
        if f.what == f"tap point {number}, rising" and f.value is not None
    ]  # fmt: skip
    others = [r.nominal for r in (circuit.to_rail, circuit.feedback) if r]
    gain = 1.0 + sum(circuit.to_output.nominal / ohm for ohm in others)
    text = (
        f"Tap point {number}: the parts of the sensing circuit give {up.nominal:.4g} V rising"
        f" ({up.low:.4g} V to {up.high:.4g} V within their tolerances) and {down.nominal:.4g} V"
        f" falling ({down.low:.4g} V to {down.high:.4g} V)."
    )
    if points:
        off_v = sum(points) / len(points) - up.nominal
        inside = up.low <= up.nominal + off_v <= up.high
        text += (
            f" Measured is {off_v:+.3g} V from there, {abs(off_v) / gain:.3g} V at the sense node: "
        )
        text += (
            "within the tolerances." if inside
            else "more than the tolerances explain; measure threshold, rail and resistors."
        )  # fmt: skip
    return Remedy(text, "V = Vt - R_output·Σ(V - Vt)/R; dV = dVt·(1 + Σ R_output/R)")
