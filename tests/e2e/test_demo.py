"""The whole acceptance on the simulated bench, through the command line, as a person runs it.

Which finding a fault must fail follows the fault table of the trade's practice (one diode open:
ripple at mains frequency; dried reservoir: ripple just below a tap point; and so on).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.e2e.cli import asleft

FAILS = {"fail", "conditional fail"}

EXPECTED: dict[str, set[tuple[str, str]]] = {
    "bridge-diode-open": {("ripple", "component at 50 Hz that grows with load")},
    "reservoir-dried": {("ripple", "ripple and noise, rms"), ("load-effect", "load effect")},
    "tap-chatter": {("tap-map", "changes of winding at rest near tap point 1")},
    "tap-stuck-low": {
        ("tap-map", "inlet power follows the coil at tap point 1, rising"),
        ("load-effect", "load effect"),
    },
    "output-earth-short-positive": {("earth-reference", "resistance of plus to earth")},
    "reference-low": {("setting", "gain error")},
}
"""Findings that must fail, all of them."""

ELSEWHERE_CLEAN: dict[str, set[str]] = {
    "tap-chatter": {"tap-map"},
    "output-earth-short-positive": {"earth-reference"},
    "reference-low": {"setting"},
}
"""Faults that fail these checks and no other: what they do not touch must pass."""


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    out = tmp_path_factory.mktemp("healthy")
    called = asleft("demo", "--json", "--out", out)
    assert called.code == 0, called.err + called.out[-3000:]
    result: dict[str, Any] = called.json
    return result


def test_a_healthy_unit_passes_every_check(healthy: dict[str, Any]) -> None:
    decisions = {finding["decision"] for finding in healthy["findings"]}
    assert decisions == {"pass"}
    checks = {finding["check"] for finding in healthy["findings"]}
    assert checks >= {"earth-reference", "setting", "ripple", "load-effect", "tap-map"}
    assert healthy["simulated"] is True
    assert healthy["summary"]["load_off_confirmed"] is True


def test_every_finding_carries_uncertainty_and_risk(healthy: dict[str, Any]) -> None:
    for finding in healthy["findings"]:
        assert finding["u_expanded"] is not None, finding
        assert finding["risk"] is not None, finding
        assert finding["limit_low"] is not None or finding["limit_high"] is not None


def test_assess_on_the_record_gives_the_same_findings(healthy: dict[str, Any]) -> None:
    again = asleft("assess", healthy["record"], "--json")
    assert again.code == 0
    assert again.json["findings"] == healthy["findings"]


def _as_planned(record: str) -> None:
    """Whole time within a tenth, each check within 30 % of its plan."""
    lines = [
        json.loads(line)
        for line in (Path(record) / "journal.jsonl").read_text("utf-8").splitlines()
    ]
    planned = {
        step["check"]: step["duration_s"]
        for line in lines
        if line["kind"] == "schedule"
        for step in line["steps"]
    }
    begun = {line["check"]: line["t_mono_s"] for line in lines if line["kind"] == "check-start"}
    took = {
        line["check"]: line["t_mono_s"] - begun[line["check"]]
        for line in lines
        if line["kind"] == "check-end"
    }
    assert took.keys() == planned.keys()
    assert sum(planned.values()) == pytest.approx(sum(took.values()), rel=0.1)
    ratios = {name: planned[name] / seconds for name, seconds in took.items()}
    assert {n: r for n, r in ratios.items() if not 0.7 <= r <= 1.3} == {}


def test_the_schedule_is_honest_about_time(healthy: dict[str, Any]) -> None:
    _as_planned(healthy["record"])


def test_the_report_lies_beside_the_record(healthy: dict[str, Any]) -> None:
    page = (Path(healthy["record"]) / "report.html").read_text(encoding="utf-8")
    assert "SIM-0001" in page
    assert "imulated" in page


@pytest.mark.parametrize("fault", sorted(EXPECTED))
def test_a_fault_fails_the_finding_an_engineer_expects(fault: str, tmp_path: Path) -> None:
    called = asleft("demo", "--fault", fault, "--json", "--out", tmp_path, "--no-report")
    assert called.code == 1, (called.code, called.err, called.out[-2000:])
    bad = [f for f in called.json["findings"] if f["decision"] in FAILS]
    assert {(f["check"], f["what"]) for f in bad} >= EXPECTED[fault]
    if fault in ELSEWHERE_CLEAN:
        assert {f["check"] for f in bad} == ELSEWHERE_CLEAN[fault]
    assert called.json["summary"]["load_off_confirmed"] is True


def test_an_earth_short_stops_the_bench_whose_scope_clip_is_on_the_other_terminal(
    tmp_path: Path,
) -> None:
    called = asleft(
        "demo", "--bench", "earthed-scope", "--fault", "output-earth-short-positive",
        "--json", "--out", tmp_path, "--no-report",
    )  # fmt: skip
    assert called.code == 3, called.err + called.out[-2000:]
    assert any(hazard["grade"] == "stop" for hazard in called.json["hazards"])


def test_the_same_demo_over_sockets_decides_the_same(
    healthy: dict[str, Any], tmp_path: Path
) -> None:
    called = asleft("demo", "--over", "tcp", "--json", "--out", tmp_path, "--no-report")
    assert called.code == 0, called.err

    def decided(result: dict[str, Any]) -> list[tuple[str, str, str]]:
        # Not "at": where a curve bends most is chosen by noise, and threads on sockets may
        # draw their noise in another order.
        return [(f["check"], f["what"], f["decision"]) for f in result["findings"]]

    assert decided(called.json) == decided(healthy)


def test_the_same_seed_writes_the_same_record_but_for_times(
    healthy: dict[str, Any], tmp_path: Path
) -> None:
    again = asleft("demo", "--json", "--out", tmp_path, "--no-report").json

    def lines(record: str) -> list[dict[str, Any]]:
        text = (Path(record) / "journal.jsonl").read_text(encoding="utf-8")
        dropped = {"t_utc", "prev"}
        return [
            {key: value for key, value in json.loads(line).items() if key not in dropped}
            for line in text.splitlines()
        ]

    first, second = lines(healthy["record"]), lines(again["record"])
    assert len(first) == len(second)
    for one, other in zip(first, second, strict=True):
        assert one == other


@pytest.mark.parametrize("arguments", [["--hand"], ["--profile", "kn-1502"], ["--quick", "--hand"]])
def test_a_healthy_unit_with_a_knob_passes_every_check(
    arguments: list[str], tmp_path: Path
) -> None:
    called = asleft("demo", *arguments, "--json", "--out", tmp_path, "--no-report")
    assert called.code == 0, called.err + str(called.json["summary"])
    assert {finding["decision"] for finding in called.json["findings"]} == {"pass"}
    text = (Path(called.json["record"]) / "journal.jsonl").read_text(encoding="utf-8")
    assert '"what":"mode","mode":"off"' not in text
    if "--quick" not in arguments:
        _as_planned(called.json["record"])


@pytest.mark.parametrize("name", ["lb-3605", "sw-3010", "sc-2502", "pc-4002"])
def test_a_healthy_unit_of_each_profile_passes(name: str, tmp_path: Path) -> None:
    called = asleft("demo", "--profile", name, "--json", "--out", tmp_path, "--no-report")
    assert called.code == 0, called.err + str(called.json["summary"])
    assert {finding["decision"] for finding in called.json["findings"]} == {"pass"}
    _as_planned(called.json["record"])
