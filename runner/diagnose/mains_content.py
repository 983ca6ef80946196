"""What the ripple is made of: the line, twice the line, or neither; and where it appears."""

from __future__ import annotations

import math
from collections.abc import Sequence

from runner.diagnose.feature import BAD, Feature, is_near
from runner.diagnose.levels import step
from runner.finding import Finding
from runner.record.reader import CheckData

__all__ = ["RAW_PP_V", "ripple_features", "ripple_line", "ripple_regulated", "ripple_where"]

Told = tuple[str, str, float | None]
SHARE = 0.35
"""Part of the rms that two lines must make up before the ripple is said to come from mains."""
LOUD_V = 0.5e-3
"""Below this rms the content tells nothing: it is a healthy unit's noise (common practice)."""
FLOOR_V = 5e-5
"""Amplitude that noise alone gives a spectral line of a quiet unit (simulated runs)."""
RAW_PP_V, REJECTION_DB, LIGHT_SHARE = 2.4, 72.0, 0.5
"""Raw ripple and line rejection of an ordinary linear supply (mem); the share of the full-load
ripple above which it does not depend on load."""


def ripple_features(
    ripple: CheckData, findings: Sequence[Finding], mains_hz: float
) -> dict[str, Feature]:
    """Return all features of the ripple, by name."""
    told = {
        "ripple_line": ripple_line(ripple, mains_hz),
        "regulated": ripple_regulated(ripple, mains_hz),
        "ripple_where": ripple_where(findings),
        "hum": _hum(ripple, mains_hz),
        "half_wave": _half_wave(ripple, mains_hz),
        "noise_light": _noise_light(ripple),
    }
    return {name: Feature(*one) for name, one in told.items() if one is not None}


def _lowest(ripple: CheckData, quantity: str, *, full: bool) -> float | None:
    """Median of a quantity at the lowest point, at full or at light load."""
    rows = [r for r in ripple.of(quantity, point="low") if r.value is not None]
    shares = {float(r.at.get("share", 0.0)) for r in rows}
    if not rows or (not full and len(shares) < 2):
        return None
    wanted = max(shares) if full else min(shares)
    values = sorted(r.value or 0.0 for r in rows if float(r.at.get("share", 0.0)) == wanted)
    return values[len(values) // 2]


def _hum(ripple: CheckData, mains_hz: float) -> Told | None:
    """Twice the line at full load where the unit regulates: follows the size of the raw ripple."""
    hum_v = _lowest(ripple, "ripple-2f", full=True)
    if hum_v is None:
        return None
    state = step(hum_v, (0.08e-3, "small"), (0.2e-3, "ok"), (0.4e-3, "more"), (1e-3, "high"),
                 (4e-3, "very high"), above="huge")  # fmt: skip
    return state, f"{hum_v * 1e3:.2g} mV at {2 * mains_hz:g} Hz, lowest voltage, full load", hum_v


def _half_wave(ripple: CheckData, mains_hz: float) -> Told | None:
    """The line beside twice the line there: half-wave charging turns them over."""
    f_v, f2_v = (_lowest(ripple, q, full=True) for q in ("ripple-f", "ripple-2f"))
    if f_v is None or f2_v is None:
        return None
    ratio = f_v / max(f2_v, FLOOR_V)
    state = step(ratio, (0.3, "no"), (1.0, "some"), above="yes")
    return state, f"{mains_hz:g} Hz is {ratio:.2g} times {2 * mains_hz:g} Hz, full load", ratio


def _noise_light(ripple: CheckData) -> Told | None:
    """Ripple and noise at light load, where dropout is far away."""
    rms_v = _lowest(ripple, "ripple-rms", full=False)
    if rms_v is None:
        return None
    state = step(rms_v, (0.3e-3, "ok"), (1e-3, "some"), (3e-3, "more"), (15e-3, "high"),
                 above="very high")  # fmt: skip
    return state, f"{rms_v * 1e3:.2g} mV rms at the lowest voltage and light load", rms_v


def ripple_line(ripple: CheckData, mains_hz: float) -> Told | None:
    """Name the strongest content at the loudest point: ``f``, ``2f``, ``other`` or ``quiet``.

    Half-wave charging halves the frequency (design practice; ngspice rows A1 to A5 of the
    reference circuits: a healthy bridge has A(f)/A(2f) < 1e-4, an open diode 2.3).
    """
    rows = []
    for rms in ripple.of("ripple-rms"):
        if rms.value is None:
            continue
        place = {"set_v": rms.at.get("set_v", 0.0), "share": rms.at.get("share", 0.0)}
        lines = [
            next((r.value for r in ripple.of(q, **place) if r.value is not None), None)
            for q in ("ripple-f", "ripple-2f")
        ]
        if lines[0] is not None and lines[1] is not None:
            rows.append((rms.value, lines[0], lines[1], rms.at))
    if not rows:
        return None
    rms_v, f_v, f2_v, at = max(rows, key=lambda row: row[0])
    if rms_v < LOUD_V:
        return "quiet", f"ripple at most {rms_v * 1e3:.2g} mV rms", rms_v
    part = math.hypot(f_v, f2_v) / math.sqrt(2.0) / rms_v
    state = "other" if part < SHARE else "f" if f_v > 0.4 * f2_v else "2f"
    says = (
        f"{rms_v * 1e3:.3g} mV rms at {float(at['set_v']):.4g} V, {float(at['share']):.0%} load:"
        f" {f_v * 1e3:.3g} mV at {mains_hz:g} Hz, {f2_v * 1e3:.3g} mV at {2 * mains_hz:g} Hz"
    )
    return state, says, f_v / f2_v if f2_v > 0 else None


def ripple_where(findings: Sequence[Finding]) -> Told | None:
    """Tell where ripple fails: ``none``, ``valley`` (top of a winding), ``all``.

    ``loaded`` is everywhere at full load but not at light load.
    """
    points = [
        f for f in findings
        if f.check == "ripple" and f.what == "ripple and noise, rms" and f.value is not None
    ]  # fmt: skip
    if not points:
        return None
    bad = [f for f in points if f.decision in BAD and not is_near(f)]
    says = f"ripple fails at {len(bad)} of {len(points)} points"
    if not bad:
        return "near" if any(is_near(f) for f in points) else "none", says, None
    says += ": " + "; ".join(f.at for f in bad[:3])
    spread = any(f.at.startswith(("low", "middle")) for f in bad)
    loads = {f.at.rsplit(",", 1)[-1].strip() for f in bad}
    places = {f.at.rsplit(",", 1)[0] for f in bad}
    both = any(sum(f.at.startswith(p) for f in bad) > 1 for p in places) and len(loads) > 1
    return ("all" if both else "loaded" if spread else "valley"), says, float(len(bad))


def ripple_regulated(ripple: CheckData, mains_hz: float) -> Told | None:
    """What passes the regulator where it regulates: the size of the raw ripple, not dropout.

    At the lowest point: ``f`` half-wave, ``both`` twice the line at light load too, ``tall`` twice
    the line above what ``RAW_PP_V`` and ``REJECTION_DB`` leave, ``ok``.
    """
    rows = [r for r in ripple.readings if r.value is not None and r.at.get("point") == "low"]
    if not rows:
        return None
    top = max(float(r.at.get("share", 0.0)) for r in rows)

    def line(quantity: str, full: bool) -> float | None:
        values = [
            r.value for r in rows
            if r.quantity == quantity and (float(r.at.get("share", 0.0)) == top) is full
        ]  # fmt: skip
        return values[0] if values else None

    f_v, f2_v, light_v = line("ripple-f", True), line("ripple-2f", True), line("ripple-2f", False)
    if f_v is None or f2_v is None:
        return None
    most_v = 0.5 * RAW_PP_V * 10 ** (-REJECTION_DB / 20)
    tall = f2_v > most_v
    both = tall and light_v is not None and light_v > LIGHT_SHARE * f2_v
    state = "both" if both else "f" if f_v > max(f2_v, 0.5 * most_v) else "tall" if tall else "ok"
    says = (
        f"where the unit regulates, full load: {f_v * 1e3:.2g} mV at {mains_hz:g} Hz,"
        f" {f2_v * 1e3:.2g} mV at {2 * mains_hz:g} Hz (at most {most_v * 1e3:.2g} mV expected)"
    )
    if light_v is not None:
        says += f"; at light load {light_v * 1e3:.2g} mV"
    return state, says, f2_v
