"""One capture of the plain scope, as the fault cases need it."""

from __future__ import annotations

from typing import Any

from runner.instruments.roles import Capture, ChannelSetup, TimebaseSetup, Trigger
from tests.faults.harness import scope_on

__all__ = ["capture", "set_up"]


def set_up(scope: Any, *, coupling: str = "dc", **timebase: Any) -> None:
    """Channel 1 about 4.5 V, 10 ms, line trigger."""
    offset_v = 4.5 if coupling == "dc" else 0.0
    scope.setup(
        [ChannelSetup("ch1", span_v=0.16, offset_v=offset_v, coupling=coupling)],  # type: ignore[arg-type]
        TimebaseSetup(**{"duration_s": 0.01, "points": 1000, **timebase}),
        Trigger("line"),
    )


def capture(
    instead: dict[str, Any], scope: Any = None, *, timeout_s: float = 1.0, **setup: Any
) -> Capture:
    """Set up and capture on a scope with these answers instead of its own."""
    if scope is None:
        with scope_on(instead) as (made, _, _):
            return capture({}, made, timeout_s=timeout_s, **setup)
    set_up(scope, **setup)
    captured: Capture = scope.capture(timeout_s)["ch1"]
    return captured
