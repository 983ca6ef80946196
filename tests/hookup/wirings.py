"""Reads the table of wirings and builds bench and profile from its short form."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from runner.bench import Bench
from runner.hookup import EarthReference, Kind, TerminalReference
from runner.profile import Profile, shipped_profiles

TABLE = Path(__file__).with_name("wirings.toml")
METER = {"reference": "isolated", "isolation_rating": "500 V", "voltage_max": "1000 V"}
LOAD = {
    "reference": "isolated", "isolation_rating": "300 V", "voltage_max": "150 V",
    "current_max": "30 A", "power_max": "350 W",
}  # fmt: skip
_WIRE = re.compile(r"^(\S+) (?:-(\d+)Ω-|(>\|?)) (\S+)$")


def wirings() -> list[dict[str, Any]]:
    """All rows of the table."""
    return tomllib.loads(TABLE.read_text(encoding="utf-8"))["wiring"]


def bench_of(row: dict[str, Any]) -> Bench:
    """The bench a row describes."""
    load = LOAD | row.get("load", {})
    if load["voltage_max"] == "unknown":
        del load["voltage_max"]
    instruments = [
        {"name": "meter", "role": "meter", "address": "by-hand"} | METER | row.get("meter", {}),
        {"name": "load", "role": "load", "address": "by-hand"} | load,
        *row.get("more", []),
    ]
    if "scope" in row:
        instruments.append({"name": "scope", "role": "scope", "address": "by-hand"} | row["scope"])
    wires = [
        *row.get("meter_wires", ["meter.hi > unit.plus", "meter.lo > unit.minus"]),
        *row.get("load_wires", ["load.plus > unit.plus", "load.minus > unit.minus"]),
        *row["wires"],
    ]
    return Bench.model_validate(
        {
            "format": 1,
            "name": row["name"],
            "mains": {"nominal": "230 V 50 Hz"} | row.get("mains", {}),
            "unit": row.get("on_bench", {}),
            "pc": row.get("pc", {}),
            "instrument": instruments,
            "connection": [_wire(text, row.get("lead_ohm")) for text in wires],
        }
    )


def _wire(text: str, lead_ohm: float | None) -> dict[str, Any]:
    found = _WIRE.match(text)
    if found is None:
        raise ValueError(f"expected a wire such as 'a > b', found {text!r}")
    start, ohms, arrow, end = found.groups()
    wire: dict[str, Any] = {"from": start, "to": end, "label": f"wire {start} {end}"}
    if ohms:
        wire["resistance"] = f"{ohms} Ω"
    elif lead_ohm is not None:
        wire["resistance"] = f"{lead_ohm} Ω"
    if arrow == ">|":
        wire["diode"] = True
    return wire


def profile_of(row: dict[str, Any]) -> Profile:
    """The unit's profile with the row's changes."""
    path = shipped_profiles() / f"{row.get('unit', 'lb-2403')}.toml"
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    data["unit"] |= row.get("profile", {})
    return Profile.model_validate(data)


def measured_of(row: dict[str, Any]) -> EarthReference | None:
    """What the row says was measured, None when nothing."""
    if "measured" not in row:
        return None
    return EarthReference(
        {
            terminal: TerminalReference(Kind(kind), float(ohms), float(ohms), float(ohms))
            for terminal, (kind, ohms) in row["measured"].items()
        }
    )
