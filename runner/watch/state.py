"""What the page shows, gathered from journal lines. Pure; keeps hours of minutes, not rows."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from runner.soak.rules import OVER_SHARE, UNDER_SHARE

__all__ = ["BY_DEADMAN", "PageState"]

BY_DEADMAN = "by-deadman"
"""Kind given to the lines of the dead-man's own file."""
EVENTS_MAX = 200
MINUTES_MAX = 2880
_SAID = {
    "gap": "Readings were interrupted for {seconds} s",
    "slept": "{why} ({seconds} s)",
    "clock-step": "{why} ({seconds} s)",
    "silent": "{instrument} does not answer: {reason}",
    "heard-again": "{instrument} answers again",
    "output-event": "The scope caught event {number} on the output",
    "mode": "The unit left constant voltage ({mode})",
    "load-off-unasked": "The load went off without being told to",
    "load-on-again": "The load was put on again",
    "abort": "Stopped: {reason}",
    "mains-off": "The unit's mains was switched off: {why}",
    "no-own-guard": "{reason}",
    "relay-spared": "{reason}",
    "windings-unseen": "Changes of winding are not seen: {reason}",
}
_DEADMAN_SAID = {
    "acting": "The dead-man acts: {said}",
    "runner killed": "The dead-man ended the program: {said}",
    "load off, read back off": "The dead-man put the load off and read it back off",
    "load not off": "THE DEAD-MAN CANNOT PUT THE LOAD OFF: {said}",
    "GIVEN UP": "The dead-man has given up: {said}",
}
TRIES_TOLD = 20
"""Of the dead-man's tries in vain the first is told, then every so many-th."""


class PageState:
    """Feed it lines in order; ``snapshot`` is what a new viewer gets, as plain data."""

    def __init__(self) -> None:
        self._top: dict[str, Any] = {}
        self._now: dict[str, Any] = {"values": {}, "load": "off", "ended": "", "reason": ""}
        self._columns: list[dict[str, str]] = []
        self._minutes: deque[list[float | None]] = deque(maxlen=MINUTES_MAX)
        self._events: deque[dict[str, str]] = deque(maxlen=EVENTS_MAX)
        self._up_v: list[float] = []

    def snapshot(self) -> dict[str, Any]:
        """Everything, for a viewer that has just come."""
        return {
            "top": self._top, "now": self._now, "minutes": list(self._minutes),
            "events": list(self._events),
        }  # fmt: skip

    def feed(self, line: Mapping[str, Any]) -> dict[str, Any]:
        """Take a line; returns what changed, empty when the page does not show it."""
        kind = str(line["kind"]).replace("-", "_")
        taken = getattr(self, f"_take_{kind}", None)
        if taken is None:
            return {}
        found: dict[str, Any] = taken(line)
        return found

    # ---- by kind ------------------------------------------------------------------------------

    def _take_record(self, line: Mapping[str, Any]) -> dict[str, Any]:
        unit = (line.get("profile") or {}).get("unit") or {}
        taps = (line.get("profile") or {}).get("limits", {}).get("tap-points") or {}
        self._up_v = [_first_number(text) for text in taps.get("up", ())]
        plan = ((line.get("options") or {}).get("soak") or {}).get("plan") or {}
        self._top = {
            "maker": str(unit.get("maker", "")),
            "model": str(unit.get("model", "")),
            "serial": str((line.get("job") or {}).get("serial", "")),
            "simulated": bool(line.get("simulated")),
            "lasts_s": sum(float(s.get("lasts_s", 0)) for s in plan.get("stages", ())),
            "every_s": float(plan.get("every_s", 0)),
        }
        return {"top": self._top}

    def _take_check_start(self, line: Mapping[str, Any]) -> dict[str, Any]:
        self._now |= {
            "check": line.get("check", ""), "question": line.get("question", ""), "values": {},
        }  # fmt: skip
        return {"now": self._now}

    def _take_columns(self, line: Mapping[str, Any]) -> dict[str, Any]:
        self._columns = list(line.get("columns") or ())
        return {}

    def _take_stage(self, line: Mapping[str, Any]) -> dict[str, Any]:
        set_v = float(line["set_v"])
        winding = sum(set_v > up_v for up_v in self._up_v) + 1 if self._up_v else 0
        self._now |= {
            "stage": line["name"], "set_v": set_v, "load_a": line.get("load_a"),
            "low_v": UNDER_SHARE * set_v, "high_v": OVER_SHARE * set_v, "winding": winding,
        }  # fmt: skip
        return {"now": self._now} | self._said(line, f"Stage {line['name']} at {set_v:g} V")

    def _take_s(self, line: Mapping[str, Any]) -> dict[str, Any]:
        values = self._now["values"]
        for column, value in zip(self._columns, line.get("v", ()), strict=False):
            if value is not None:
                values[column["quantity"]] = [value, column["unit"]]
        amps = values.get("load-current", [0.0])[0]
        self._now |= {"load": "on" if amps > 0.05 else "off", "at": line.get("t_utc", "")}
        return {"now": self._now}

    def _take_reading(self, line: Mapping[str, Any]) -> dict[str, Any]:
        if line.get("value") is None:
            return {}
        self._now["values"][line.get("quantity", "")] = [line["value"], line.get("unit", "")]
        self._now["at"] = line.get("t_utc", "")
        return {"now": self._now}

    def _take_minute(self, line: Mapping[str, Any]) -> dict[str, Any]:
        one = [line["minute"], line["low"][0], line["mean"][0], line["high"][0]]
        self._minutes.append(one)
        return {"minute": one}

    def _take_event(self, line: Mapping[str, Any]) -> dict[str, Any]:
        template = _SAID.get(str(line.get("what")))
        if template is None:
            return {}
        return self._said(line, template.format_map(_Blank(line)))

    def _take_hazard(self, line: Mapping[str, Any]) -> dict[str, Any]:
        return self._said(line, str(line.get("sentence", "")))

    def _take_resume(self, line: Mapping[str, Any]) -> dict[str, Any]:
        self._now |= {"ended": "", "reason": ""}
        return {"now": self._now} | self._said(line, "Taken up again")

    def _take_end(self, line: Mapping[str, Any]) -> dict[str, Any]:
        self._now |= {
            "ended": str(line.get("how", "")), "reason": str(line.get("reason", "")),
            "load": "off",
        }  # fmt: skip
        return {"now": self._now} | self._said(line, f"Ended: {line.get('how', '')}")

    def _take_by_deadman(self, line: Mapping[str, Any]) -> dict[str, Any]:
        what = str(line.get("what"))
        template = _DEADMAN_SAID.get(what)
        if template is None or (what == "load not off" and int(line["tries"]) % TRIES_TOLD != 1):
            return {}
        said = self._said(line, template.format_map(_Blank(line)))
        if what == "acting":
            self._now |= {"ended": "by the dead-man", "reason": str(line.get("said", ""))}
        elif what == "load off, read back off":
            self._now["load"] = "off"
        return {"now": self._now} | said

    def _take_safe(self, line: Mapping[str, Any]) -> dict[str, Any]:
        if line.get("load_off_confirmed") is False:
            return self._said(line, "THE LOAD COULD NOT BE CONFIRMED OFF: switch the unit off")
        return {}

    def _said(self, line: Mapping[str, Any], text: str) -> dict[str, Any]:
        event = {"at": str(line.get("t_utc", "")), "text": text}
        self._events.append(event)
        return {"event": event}


class _Blank(dict[str, Any]):
    """Fields of a line; a missing one prints as nothing."""

    def __missing__(self, key: str) -> str:
        return ""


def _first_number(text: object) -> float:
    try:
        return float(str(text).split()[0])
    except (ValueError, IndexError):
        return float("inf")
