"""Features that are sizes: how deep the output falls, how much margin is left, how far a limit is.

Two causes may fail the same findings and still differ by how much; the steps between the states
are chosen by what the physics of the causes makes of them, not by any limit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from runner.diagnose.feature import BAD, Feature, Read, is_near, measured
from runner.finding import Finding

__all__ = ["LEVELS", "step"]


def step(value: float, *steps: tuple[float, str], above: str) -> str:
    """Return the word of the first step that ``value`` does not exceed."""
    return next((word for most, word in steps if value <= most), above)


def _volts(at: str) -> float | None:
    found = re.search(r"(-?[\d.]+) V", at)
    return float(found[1]) if found else None


def _fails(f: Finding) -> bool:
    return f.decision in BAD and not is_near(f)


def _effects(findings: Sequence[Finding]) -> list[tuple[Finding, float]]:
    known = measured(findings, "load-effect", "load effect")
    return [(f, volts) for f in known if (volts := _volts(f.at))]


def _load_depth(findings: Sequence[Finding]) -> Feature | None:
    """Part of the output that full load takes away at the rated voltage."""
    if not (effects := _effects(findings)):
        return None
    f, volts = effects[0]
    part = (f.value or 0.0) / volts
    state = step(part, (-0.003, "rises"), (0.003, "ok"), (0.02, "slight"), (0.25, "sag"),
                 (0.7, "deep"), above="gone")  # fmt: skip
    return Feature(state, f"full load takes {part:.2%} of {volts:.4g} V", part)


def _load_alike(findings: Sequence[Finding]) -> Feature | None:
    """Whether load takes the same volts at a low voltage as at the rated one: ohms, not dropout."""
    if len(effects := _effects(findings)) < 2:
        return None
    (top, _), (low, _) = effects[:2]
    if not any(_fails(f) for f in (top, low)):
        return Feature("ok", "load takes no more than allowed", None)
    ratio = (low.value or 0.0) / (top.value or 1e-9)
    state = step(ratio, (-0.5, "opposite"), (0.1, "top only"), (0.7, "less"), (1.4, "alike"),
                 above="low only")  # fmt: skip
    says = f"load effect {low.value:+.3g} V {low.at}, {ratio:.2g} times that at the rated voltage"
    return Feature(state, says, ratio)


def _load_line(findings: Sequence[Finding]) -> Feature | None:
    """Whether the output falls in a straight line with load, or breaks away."""
    effects = _effects(findings)
    bends = measured(findings, "load-effect", "bend of the load line")
    if not effects or not bends:
        return None
    f, bend = effects[0][0], bends[0]
    if not any(_fails(one) for one in (f, bend)):
        return Feature("ok", "the load line is as it should be", None)
    part = (bend.value or 0.0) / max(abs(f.value or 0.0), 1e-6)
    state = step(part, (-0.6, "dips"), (-0.1, "steps down"), (0.1, "straight"), (1.0, "breaks"),
                 above="bump")  # fmt: skip
    return Feature(state, f"bend of the load line {bend.value:+.3g} V {bend.at}", part)


def _source(findings: Sequence[Finding]) -> Feature | None:
    """Part of the output that ±10 % of line moves: beyond 25 % a winding is lost, not dropout."""
    for f in measured(findings, "source-effect", "source effect"):
        if not (volts := _volts(f.at)):
            return None
        part = abs((f.value or 0.0) / volts)
        state = step(part, (0.005, "slight"), (0.25, "bad"), above="deep")
        state = "ok" if f.decision not in BAD else "near" if is_near(f) else state
        return Feature(state, f"{f.what} {f.at}: {f.value:.3g} V", part)
    return None


def _margin(place: str) -> Read:
    """Line voltage that can be lost before regulation is, in percent of nominal."""

    def read(findings: Sequence[Finding]) -> Feature | None:
        points = [f for f in measured(findings, "headroom", "line voltage margin")
                  if f.at.startswith(place)]  # fmt: skip
        if not points:
            return None
        f = min(points, key=lambda f: f.value or 0.0)
        percent = f.value or 0.0
        state = step(percent, (0.0, "none left"), (1.0, "hardly any"), (5.0, "little"),
                     (9.5, "short"), above="just")  # fmt: skip
        state = "ok" if f.decision not in BAD else "near" if is_near(f) else state
        return Feature(state, f"{f.what} {f.at}: {percent:.3g} %", percent)

    return read


def _limit_part(findings: Sequence[Finding]) -> Feature | None:
    """Error of the limited current as a part of what was set, at the highest setting."""
    parts = []
    for f in measured(findings, "current-limit", "error of the limited current"):
        amps = re.search(r"([\d.]+) A", f.at)
        if amps and float(amps[1]) > 0.0:
            parts.append((float(amps[1]), (f.value or 0.0) / float(amps[1])))
    if not parts:
        return None
    amps_set, part = max(parts)
    state = step(
        part, (-0.9, "nothing"), (-0.23, "far low"), (-0.05, "low"), (0.05, "ok"), above="high"
    )
    return Feature(state, f"limited current {part:+.1%} at {amps_set:.3g} A", part)


def _back(findings: Sequence[Finding]) -> Feature | None:
    """Whether set points read the same on the way down as on the way up; heat and time differ."""
    points = measured(findings, "setting", "error of the output voltage")
    up = {_volts(f.at): f for f in points if "rising" in f.at}
    pairs = [
        (abs((f.value or 0.0) - (rising.value or 0.0)) / f.limit_high, f)
        for f in points
        if "falling" in f.at and f.limit_high and (rising := up.get(_volts(f.at))) is not None
    ]
    if not pairs:
        return None
    part, f = max(pairs, key=lambda pair: pair[0])
    state = step(part, (0.15, "ok"), (0.5, "some"), (3.0, "differs"), above="differs far")
    return Feature(state, f"{part:.2g} of the limit between the way up and down at {f.at}", part)


def _gain(findings: Sequence[Finding]) -> Feature | None:
    """Slope of the output against the setting, in percent."""
    for f in measured(findings, "setting", "gain error"):
        percent = f.value or 0.0
        state = step(percent, (-25.0, "lost"), (-5.0, "low"), (-0.2, "slightly low"), (0.2, "ok"),
                     (5.0, "slightly high"), above="high")  # fmt: skip
        return Feature(state, f"gain error {percent:+.2g} %", percent)
    return None


def _top(findings: Sequence[Finding]) -> Feature | None:
    """Highest output voltage as a part of the least it must reach."""
    for f in measured(findings, "setting", "highest output voltage"):
        if not f.limit_low:
            return None
        part = (f.value or 0.0) / f.limit_low
        state = step(part, (0.25, "gone"), (0.75, "far low"), (0.97, "low"), (1.0, "just low"),
                     (1.15, "ok"), above="high")  # fmt: skip
        return Feature(state, f"highest output voltage {f.value:.4g} V", part)
    return None


LEVELS: Mapping[str, Read] = {
    "load_depth": _load_depth,
    "load_alike": _load_alike,
    "load_line": _load_line,
    "source": _source,
    "margin_maximum": _margin("maximum"),
    "margin_tap": _margin("below"),
    "limit_part": _limit_part,
    "way_back": _back,
    "slope": _gain,
    "top_part": _top,
}
