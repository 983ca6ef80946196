"""What the line at the unit's inlet must be before anything is judged on it."""

from __future__ import annotations

from runner.bench import Bench
from runner.profile import Profile

__all__ = ["LINE_SHARE", "line_refusal"]

LINE_SHARE = 0.10
"""Nothing is judged outside nominal ± this share (IEC 61204 source-effect range; practice)."""


def line_refusal(bench: Bench, profile: Profile, line_v: float | None) -> str | None:
    """Say why nothing but an idle look may be judged, None when everything may.

    ``line_v`` is the voltage at the unit's inlet in V rms, None when nobody knows it. A lamp in
    the line softens it with every load, whatever it shows at idle.
    """
    if "lamp-limiter" in bench.mains.chain:
        return (
            "a lamp limiter stands in the line: voltage and tap points move with the load; only an"
            " idle look may be judged"
        )
    nominal_v = profile.unit.mains.voltage_v
    if line_v is None or abs(line_v - nominal_v) <= LINE_SHARE * nominal_v * (1 + 1e-12):
        return None
    return (
        f"the line voltage at the inlet is {line_v:.1f} V, outside {nominal_v:g} V ±"
        f" {100 * LINE_SHARE:g} % (variac left low, a lamp limiter in line?); only an idle look may"
        " be judged"
    )
