"""Archive entries without records: many jobs of invented units, made by a seeded generator."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator

from runner.record.archive_entry import Entry, Row

MODELS = ("LB-2403", "LB-3605", "KN-1502", "SW-3010")
CHECKS = ("setting", "load-effect", "tap-map", "ripple", "current-limit")
METERS = ("M-1", "M-2", "M-3")
WALKING = "M-3"
"""This meter reads 2 mV more each year after 2024."""


def entries(count: int, seed: int = 1, *, findings: bool = True) -> Iterator[Entry]:
    rng = random.Random(seed)
    for number in range(count):
        yield _entry(rng, number, findings=findings)


def _entry(rng: random.Random, number: int, *, findings: bool) -> Entry:
    key = {"record_id": hashlib.sha256(f"{number}".encode()).hexdigest()}
    model, year, meter = rng.choice(MODELS), 2024 + number % 3, rng.choice(METERS)
    outcomes, rows = [], []
    for position, check in enumerate(CHECKS):
        limit = 0.02
        walked = 0.002 * (year - 2024) if meter == WALKING and check == "setting" else 0.0
        value = rng.gauss(0.0, 0.003) + walked
        failed = rng.random() < (0.3 if (model, check) == ("KN-1502", "ripple") else 0.02)
        value = 0.05 if failed else min(max(value, -0.018), 0.018)
        decision = "fail" if failed else "pass"
        outcomes.append(
            {**key, "check_name": check, "model": model, "decision": decision, "simulated": False}
        )
        rows.append(
            {
                **key, "position": position, "check_name": check,
                "what": "error of the output voltage" if check == "setting" else check,
                "at_words": "at 12 V", "value": value, "unit": "V", "u_expanded": 0.001,
                "limit_low": -limit, "limit_high": limit, "decision": decision,
            }
        )  # fmt: skip
    return Entry(_record(key, model, year, number), outcomes, rows if findings else [], [
        {**key, "name": "meter", "role": "meter", "maker": "Quarrel", "model": "M6",
         "serial": meter, "calibration_due": "2030-01-01"}
    ])  # fmt: skip


def _record(key: Row, model: str, year: int, number: int) -> Row:
    return {
        **key, "last_hash": key["record_id"], "folder": f"/records/{number}", "maker": "Norvane",
        "model": model, "serial": f"S{number // 2:06d}",
        "stage": ("as-found", "as-left")[number % 2],
        "customer": "", "begun_utc": f"{year}-{1 + number % 12:02d}-01T08:00:00.000+00:00",
        "simulated": False, "imported": False, "ended": "complete", "exit_code": 0,
        "line_count": 100, "software_version": "0.1.0",
    }  # fmt: skip
