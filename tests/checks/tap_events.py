"""Events of a tap map, made up."""

from __future__ import annotations

from tests.checks.made_up import volts


def change(direction: str, value_v: float, run: int, share: float = 0.5) -> dict[str, object]:
    return {
        "what": "tap-change", "tap": 1, "share": share, "load_a": 1.5, "direction": direction,
        "run": run, "output_v": value_v, "step_v": 0.005, "reading": volts(value_v).to_dict(),
    }  # fmt: skip


def tap_events(up_v: float, down_v: float) -> list[dict[str, object]]:
    events: list[dict[str, object]] = [{"what": "windings", "found": [1], "expected": 1}]
    for run in (1, 2, 3):
        events += [change("rising", up_v, run), change("falling", down_v, run)]
    events.append({"what": "relay-operations", "count": 40, "most": 300})
    return events
