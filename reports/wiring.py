"""The drawing of how the bench was wired, made anew from the record's own bench file."""

from __future__ import annotations

from runner.profile import Profile
from runner.record.reader import Record

__all__ = ["wiring_svg"]


def wiring_svg(record: Record, profile: Profile) -> str:
    """Return the drawing, empty where the record holds no bench that can be drawn."""
    from runner.bench import Bench
    from runner.errors import AsleftError
    from runner.hookup import judge
    from runner.hookup.drawing import draw_svg

    try:
        bench = Bench.model_validate(record.header.get("bench"))
        verdict = judge(bench, profile)
        return draw_svg(bench, verdict.graph, verdict.hazards)
    except (ValueError, AsleftError):
        return ""
