"""Soaks of the simulated unit with faults that only hours show; the healthy twin passes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from runner.cli.main import asleft


def _soak(
    place: Path, *faults: str, stage: str = "hold", for_: str = "20min"
) -> tuple[int, dict[str, Any]]:
    given = [word for fault in faults for word in ("--fault", fault)]
    result = CliRunner().invoke(
        asleft,
        ["soak", "--bench", "memory", "--for", for_, "--every", "10s", "--guards-done", "a test",
         "--stage", stage, "--not-armed", "--out", str(place), "--json", *given],
        standalone_mode=False,
    )  # fmt: skip
    assert result.exception is None
    told = json.loads(result.stdout)
    return told["exit"], {f["what"]: f["decision"] for f in told["findings"]}


def test_a_healthy_unit_stays_where_it_is(tmp_path: Path) -> None:
    code, decisions = _soak(tmp_path)
    assert set(decisions.values()) == {"pass"}
    assert code == 0


def test_the_heatsink_is_judged_by_the_thermometers_own_accuracy(tmp_path: Path) -> None:
    # Once its column named a function that no accuracy has: never more than a conditional pass.
    code, decisions = _soak(tmp_path, for_="3h")
    assert decisions["heatsink rise at the end of constant load"] == "pass"
    assert code == 0


def test_a_relay_that_lets_go_in_the_night_is_seen_at_the_inlet(tmp_path: Path) -> None:
    # Just above the tap point the regulator still regulates on the winding below.
    _, decisions = _soak(tmp_path, "tap-stuck-low:at=10min", stage="worst-heat")
    failed = {what for what, decision in decisions.items() if decision == "fail"}
    assert failed == {"changes of winding unasked, from steps of the inlet power"}


@pytest.mark.parametrize(
    ("fault", "what"),
    [
        ("reference-drift", "drift after warm-up"),
        ("thermal-cutout", "times a rule stopped the soak"),
    ],
)
def test_what_only_time_shows_is_found(tmp_path: Path, fault: str, what: str) -> None:
    code, decisions = _soak(tmp_path, fault)
    assert decisions[what] == "fail"
    assert code == 1
