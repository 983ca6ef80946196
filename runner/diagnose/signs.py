"""Which readings speak for a cause and which against it, the strongest first, none twice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from runner.diagnose.causes import Cause
from runner.diagnose.feature import Feature
from runner.diagnose.likelihood import StateTable

__all__ = ["SUBJECTS", "signs"]

MOST, EACH = 5, 2
"""Signs that are named, and signs of one subject."""
FOR_ODDS, AGAINST_ODDS = 3.0, 0.25
"""How much a sign must change the odds of a cause against a healthy unit's."""
SUBJECTS: Mapping[str, tuple[str, ...]] = {
    "earth": ("earth_plus", "earth_minus", "earth_leak"),
    "setting": ("setting", "gain", "slope", "offset", "top", "top_part", "zero", "way_back"),
    "obeying": ("knob_falls", "refused", "disobeys", "early"),
    "load": ("load", "load_top", "load_depth", "load_alike", "load_line", "bend", "tail"),
    "low line": ("headroom", "low_line", "margin_maximum", "margin_tap", "source"),
    "tap points": ("tap_count", "tap_shift", "tap_unseen", "hysteresis", "chatter"),
    "inlet power": ("power_follows", "power_step", "power_last", "tap_power", "idle_power"),
    "ripple": ("ripple_size", "ripple_line", "ripple_where", "regulated", "hum", "half_wave",
               "noise_light"),
    "capacitors": ("farads", "output_farads"),
    "limit": ("limit", "limit_part", "limit_slope", "knee"),
    "steps": ("recovery", "ringing", "impedance", "overshoot"),
    "outside source": ("reverse_clamp", "outside_current"),
    "warmth": ("drift", "warming"),
}  # fmt: skip
_SUBJECT = {name: subject for subject, names in SUBJECTS.items() for name in names}


def signs(
    cause: Cause, features: Mapping[str, Feature], table: StateTable
) -> tuple[list[str], list[str]]:
    """Return the sentences for and against a cause."""
    odds = {
        name: table.p(cause, name, one.state) / table.p(None, name, one.state)
        for name, one in features.items()
        if table.knows(name, one.state)
    }
    speaks = sorted((n for n in odds if odds[n] > FOR_ODDS), key=lambda n: -odds[n])
    against = sorted((n for n in odds if odds[n] < AGAINST_ODDS), key=lambda n: odds[n])
    return _told(speaks, features), _told(against, features)


def _told(names: Sequence[str], features: Mapping[str, Feature]) -> list[str]:
    found: list[str] = []
    used: dict[str, int] = {}
    for name in names:
        subject, says = _SUBJECT.get(name, name), features[name].says
        if used.get(subject, 0) < EACH and says not in found and len(found) < MOST:
            found.append(says)
            used[subject] = used.get(subject, 0) + 1
    return found
