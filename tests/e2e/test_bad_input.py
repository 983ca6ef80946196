"""Bad input: one sentence on stderr, the right exit code, no traceback, nothing half-written."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.bench import find_bench
from runner.cli.main import COMMANDS
from tests.e2e.cli import asleft


def _sentence(err: str) -> str:
    lines = [line for line in err.splitlines() if line.strip()]
    assert len(lines) <= 4, err  # click prints usage above its sentence
    assert "Traceback" not in err
    return lines[-1]


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_explains_itself(command: str) -> None:
    called = asleft(command, "--help")
    assert called.code == 0, called.err
    assert len(called.out.split()) > 20


def test_an_unknown_fault_is_named(tmp_path: Path) -> None:
    called = asleft("demo", "--fault", "no-such-fault", "--out", tmp_path)
    assert called.code == 2
    assert "no-such-fault" in _sentence(called.err)
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_check_is_named(tmp_path: Path) -> None:
    called = asleft("demo", "--only", "no-such-check", "--out", tmp_path)
    assert called.code == 2
    assert "no-such-check" in _sentence(called.err)
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_profile_names_line_and_key(tmp_path: Path) -> None:
    profile = tmp_path / "unit.toml"
    profile.write_text("format = 1\n[unit]\nmaker = 'x'\nmodell = 'y'\n", encoding="utf-8")
    called = asleft("schedule", "--profile", profile, "--bench", "memory")
    assert called.code == 2
    sentence = _sentence(called.err)
    assert "unit.toml, line" in sentence


def test_an_address_that_answers_nothing(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    text = find_bench("tcp").read_text(encoding="utf-8")
    start = text.index("[simulation]")
    end = text.index("[mains]")
    bench.write_text(text[:start] + text[end:], encoding="utf-8")
    out = tmp_path / "records"
    called = asleft("run", "-p", "lb-2403", "-b", bench, "--out", out)
    assert called.code == 4
    assert "5025" in _sentence(called.err)
    assert not out.exists()


def test_an_unknown_dialect_is_named(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    text = find_bench("memory").read_text(encoding="utf-8")
    bench.write_text(text.replace('dialect = "scpi-1999"', 'dialect = "norse"', 1), "utf-8")
    out = tmp_path / "records"
    called = asleft("run", "-b", bench, "--out", out)
    assert called.code == 2
    assert "norse" in _sentence(called.err)
    assert not out.exists()


def test_a_record_that_is_none(tmp_path: Path) -> None:
    for command in ("assess", "report"):
        called = asleft(command, tmp_path)
        assert called.code == 4
        assert "journal.jsonl" in _sentence(called.err)


SAFETY = """format = 1
tester = "invented tester"
tested_on = "2026-11-02"
looked_over = true
earth_bond = "0.12 Ω"
insulation = "200 MΩ"
output_insulation = "200 MΩ"
earth_current = "0.2 mA"
touch_current = "0.1 mA"
"""


def test_values_of_the_safety_tester_come_from_a_file(tmp_path: Path) -> None:
    values = tmp_path / "values.toml"
    values.write_text(SAFETY, encoding="utf-8")
    called = asleft(
        "run", "-b", "memory", "--only", "before-power", "--before-power", values, "--json",
        "--no-report", "--out", tmp_path / "records",
    )  # fmt: skip
    assert called.code == 0, called.err + called.out
    found = {f["what"]: f["value"] for f in called.json["findings"] if f["value"] is not None}
    assert found["protective conductor resistance"] == pytest.approx(0.12)


def test_wrong_values_of_the_safety_tester_are_named(tmp_path: Path) -> None:
    values = tmp_path / "values.toml"
    values.write_text(SAFETY.replace('"0.12 Ω"', '"0.12 V"'), encoding="utf-8")
    out = tmp_path / "records"
    called = asleft("run", "-b", "memory", "--before-power", values, "--out", out)
    assert called.code == 2
    assert "values.toml, line 5" in _sentence(called.err)
    assert not out.exists()
