"""Every row of tests/references/scpi (sources in its README)."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from runner.clock import VirtualClock
from sim_instruments.scpi.errors import ERROR_TEXTS, format_error
from sim_instruments.scpi.instrument import Identity, ScpiInstrument
from sim_instruments.scpi.mnemonic import forms, short_form
from sim_instruments.scpi.tree import Command
from tests.sim_instruments.bench_fakes import Talk, toy

DATA = Path(__file__).parents[1] / "references" / "scpi"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_error_numbers_and_texts() -> None:
    expected = {int(row["number"]): row["message"] for row in rows("errors.csv")}
    assert expected == ERROR_TEXTS
    assert format_error(-113) == '-113,"Undefined header"'


@pytest.mark.parametrize("number", sorted({int(r["number"]) for r in rows("errors.csv")} - {0}))
def test_each_error_comes_out_of_the_queue(number: int) -> None:
    text = next(r["message"] for r in rows("errors.csv") if int(r["number"]) == number)
    talk = Talk(toy(), [f"error:number={number}"])
    assert talk.ask("SYST:ERR?") == f'{number},"{text}"'
    assert talk.ask("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("row", rows("short_forms.csv"), ids=lambda row: row["long"])
def test_short_forms(row: dict[str, str]) -> None:
    assert short_form(row["long"]) == row["short"]
    assert forms(row["long"]) == {row["long"].upper(), row["short"]}


@pytest.mark.parametrize("row", rows("short_forms.csv"), ids=lambda row: row["long"])
def test_only_the_exact_forms_are_taken(row: dict[str, str]) -> None:
    class One(ScpiInstrument):
        def commands(self) -> list[Command]:
            return [Command(row["long"], ask=lambda: "1")]

    talk = Talk(One(Identity("Norvane", "TY-2", "0"), VirtualClock()))
    long, short = row["long"].upper(), row["short"]
    for word in (long, short, long.lower(), short.lower()):
        assert talk.ask(f"{word}?") == "1"
    for cut in range(1, len(long)):
        if long[:cut] not in (short, long):
            assert talk.ask(f"{long[:cut]}?") == ""
            assert talk.errors() == [-113]


def _tree_for(case: dict[str, Any], called: list[str]) -> list[Command]:
    """Only the commands that the case resolves to, the wrong one (if any) left out."""
    commands = []
    for n, resolved in enumerate(case["resolved"]):
        header, _, data = resolved.partition(" ")
        if n == case.get("error_on") or header.startswith("*"):
            continue

        def note(*values: object, header: str = header, data: str = data) -> str:
            called.append(f"{header} {data}".strip())
            return "1"

        word = header.removesuffix("?")
        if header.endswith("?"):
            commands.append(Command(word, ask=note))
        else:
            kinds = tuple(AnyData() for _ in data.split(",")) if data else ()
            commands.append(Command(word, act=note, takes=kinds))
    return commands


class AnyData:
    def read(self, datum: object) -> object:
        return datum

    def write(self, value: object) -> str:
        return str(value)

    def special(self, datum: object) -> None:
        return None


@pytest.mark.parametrize(
    "case",
    json.loads((DATA / "header_path.json").read_text(encoding="utf-8")),
    ids=lambda case: case["message"],
)
def test_header_path(case: dict[str, Any]) -> None:
    called: list[str] = []

    class PathOnly(ScpiInstrument):
        def shared_commands(self) -> list[Command]:
            shared = super().shared_commands()
            return [one for one in shared if not one.header.startswith("STATus")]

        def commands(self) -> list[Command]:
            return _tree_for(case, called)

    instrument = PathOnly(Identity("Norvane", "TY-3", "0"), VirtualClock())
    talk = Talk(instrument)
    talk.write(case["message"])
    talk.read()
    right = [r for n, r in enumerate(case["resolved"]) if n != case.get("error_on")]
    assert called == [r for r in right if not r.startswith("*")]
    if "*ESE 255" in right:
        assert instrument.status.event_enable == 255
    assert talk.errors() == ([case["error"]] if "error" in case else [])
