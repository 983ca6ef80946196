"""A small drawing beside each finding: where value ± U lies between its limits."""

from __future__ import annotations

from runner.finding import Decision, Finding

__all__ = ["gauge_svg"]

_WIDTH, _HEIGHT = 120.0, 16.0
_MARGIN = 20.0
_INK = "#1a1a1a"
_BAND = "#d9e3ee"


def gauge_svg(finding: Finding) -> str:
    """Return the drawing as SVG, empty when there is no value or no limit.

    The limit band is shaded with a bar at each limit; the dot is the value, the line through
    it its expanded uncertainty. A one-sided limit leaves the other side open. A value outside
    the drawing sits at its edge as an arrow head. A failed value is drawn hollow.
    """
    if finding.value is None or (finding.limit_low is None and finding.limit_high is None):
        return ""
    low, high = _ends(finding)
    span = high - low
    if not span > 0:
        return ""

    def x_of(value: float) -> float:
        share = (value - low) / span
        return min(max(_MARGIN + share * (_WIDTH - 2 * _MARGIN), 3.0), _WIDTH - 3.0)

    left = 3.0 if finding.limit_low is None else x_of(low)
    right = _WIDTH - 3.0 if finding.limit_high is None else x_of(high)
    parts = [_rect(left, right)]
    parts += [
        _tick(x_of(edge)) for edge in (finding.limit_low, finding.limit_high) if edge is not None
    ]
    u = finding.u_expanded or 0.0
    parts.append(_whisker(x_of(finding.value - u), x_of(finding.value + u)))
    parts.append(_dot(finding, x_of(finding.value), (finding.value - low) / span))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" '
        f'width="{_WIDTH:g}" height="{_HEIGHT:g}">' + "".join(parts) + "</svg>"
    )


def _ends(finding: Finding) -> tuple[float, float]:
    """Values at the two inner edges of the drawing."""
    low, high, value = finding.limit_low, finding.limit_high, finding.value or 0.0
    if low is not None and high is not None:
        return low, high
    if high is not None:
        return min(0.0, value, high - abs(high)), high
    floor = low if low is not None else 0.0
    return floor, max(value, floor + max(abs(floor), 1e-12))


def _rect(left: float, right: float) -> str:
    return f'<rect x="{left:.1f}" y="4" width="{right - left:.1f}" height="8" fill="{_BAND}"/>'


def _tick(x: float) -> str:
    return f'<path d="M{x:.1f} 1V15" stroke="{_INK}" stroke-width="1.6"/>'


def _whisker(left: float, right: float) -> str:
    return f'<path d="M{left:.1f} 8H{right:.1f}" stroke="{_INK}" stroke-width="1.6"/>'


def _dot(finding: Finding, x: float, share: float) -> str:
    if not -0.2 <= share <= 1.2:
        step = 6.0 if share > 1 else -6.0
        return f'<path d="M{x:.1f} 8l{-step:g} -5v10z" fill="{_INK}"/>'
    bad = finding.decision in {Decision.FAIL, Decision.CONDITIONAL_FAIL}
    fill = "#ffffff" if bad else _INK
    return f'<circle cx="{x:.1f}" cy="8" r="3.4" fill="{fill}" stroke="{_INK}" stroke-width="1.4"/>'
