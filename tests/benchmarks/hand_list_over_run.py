"""A person who follows the same list with fixed waits, against the run, both in bench time.

The unit is the three-tap demo unit turned by hand. Everything that a person's own hands need
(prompts answered, knobs turned, leads moved) is the same for both and is taken from the run;
what differs is waiting and writing. The fixed waits are common practice of the trade:

* after each change of set point, load or line: 5 s (manuals: read 1 s to 5 s after a step of
  load, 5 s to 10 s after a step of line);
* a mean of ten readings of 10 PLC by eye 4 s, written down and looked at again 8 s (estimates);
* a tap point by hand: over 1 V at 0.2 V a second, the fastest that gives 10 mV;
* a scope picture: cursors placed, read and written, 30 s (estimate);
* the drift of an hour and waits that the definitions ask for (thermal tail) are the same.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from runner.record.reader import Record, open_record

__all__ = ["measure", "person_s"]

SETTLE_S = 5.0
WRITE_S = 8.0
BY_EYE_S = 4.0
SCOPE_S = 30.0
TAP_RATE_V_PER_S, TAP_TRAVEL_V = 0.2, 1.0
WATCHED = frozenset({"drift"})
"""Checks that are nothing but waiting: the same for both."""
NO_PLACE = frozenset({"probe", "acquire", "span_v", "shows", "view"})
"""Labels that tell how, or what another label tells already: no setting of its own."""
UNCHANGED = frozenset({"before-power", "earth-reference"})
"""Checks that are hands and no waiting: taken from the run."""


def measure() -> dict[str, float]:
    """Return ``hand_list_over_run`` without the hour of drift, which both must wait."""
    asleft = str(Path(sys.executable).with_name("asleft"))
    with tempfile.TemporaryDirectory() as out:
        done = subprocess.run(
            [asleft, "demo", "--profile", "lb-3605", "--hand", "--json", "--no-report",
             "--out", out],
            capture_output=True, check=False,
        )  # fmt: skip
        record = open_record(Path(json.loads(done.stdout)["record"]))
        took = dict(_took_s(record))
        hand = person_s(record, took)
    return {"hand_list_over_run": sum(hand.values()) / sum(took[name] for name in hand)}


def person_s(record: Record, took: dict[str, float]) -> dict[str, float]:
    """Bench time in s that a person needs for each check's own list, by check."""
    by_check: dict[str, float] = {}
    for name, run_s in took.items():
        if name in WATCHED:
            continue
        if name in UNCHANGED:
            by_check[name] = run_s
            continue
        data = record.check(name)
        scope = {_place("", one.at) for one in data.readings if one.function == "scope"}
        scope |= {_place("", _once(line.at)) for line in data.waveforms}
        written = {_place(one.quantity, one.at) for one in data.readings if one.function != "scope"}
        settings = scope | {_place("", one.at) for one in data.readings}
        passes = sum(event["what"] == "tap-change" for event in data.events)
        dwells = sum(float(event["seconds"]) for event in data.events_of("dwell"))
        by_check[name] = (
            SETTLE_S * len(settings)
            + (WRITE_S + BY_EYE_S) * len(written)
            + SCOPE_S * len(scope)
            + passes * TAP_TRAVEL_V / TAP_RATE_V_PER_S
            + dwells
        )
    return by_check


def _once(at: Mapping[str, Any]) -> dict[str, Any]:
    """Without the number of the pass: a person reads one picture for all passes."""
    return {key: value for key, value in at.items() if key != "run"}


def _place(quantity: str, at: Mapping[str, Any]) -> tuple[Any, ...]:
    return quantity, *sorted((k, str(v)) for k, v in at.items() if k not in NO_PLACE)


def _took_s(record: Record) -> Iterator[tuple[str, float]]:
    begun: dict[str, float] = {}
    for line in record.lines:
        if line["kind"] == "check-start":
            begun[line["check"]] = line["t_mono_s"]
        elif line["kind"] == "check-end":
            yield line["check"], line["t_mono_s"] - begun[line["check"]]
