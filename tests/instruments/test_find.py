"""``asleft find`` against served twins: who answers, and what goes into the bench file."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from runner.bench import Bench
from runner.cli.find import find
from runner.clock import SystemClock
from runner.errors import ConnectError, InputError
from runner.instruments.dialect_files import shipped_dialects
from runner.instruments.discovery import ask_who, bench_entry, recognised
from tests.instruments.bench_of import opened_instrument
from tests.instruments.families import LOADS, METERS
from tests.instruments.scopes import SCOPES
from tests.instruments.twin import served
from tests.link.scripted import Scripted

TWINS = {
    **METERS,
    **{k: v for k, v in LOADS.items() if k not in {"korad-kel103"}},
    **{k: make() for k, make in SCOPES.items()},
}


@pytest.mark.parametrize("name", TWINS)
def test_twin_is_recognised(name: str) -> None:
    with served(TWINS[name]) as (player, address):
        found = ask_who(address, SystemClock())
    assert found.dialects == (name,)
    assert [line for line in player.log if not line.startswith("*IDN")] == []  # nothing else sent
    assert "never proved on the real instrument" in found.note


def test_entry_is_a_valid_part_of_a_bench_file() -> None:
    entry = bench_entry(recognised("TCPIP::192.0.2.9::5025::SOCKET", METERS["keysight-3446x"].idn))
    data = tomllib.loads('format = 1\nname = "b"\n[mains]\nnominal = "230 V 50 Hz"\n' + entry)
    one = Bench.model_validate(data).instrument[0]
    assert (one.role, one.dialect, one.serial) == ("meter", "keysight-3446x", "MY00000001")


@pytest.mark.parametrize("text", ['A,"B\\,C', "X,Y,\x1b[31m,1", "", "ä,ö,ü,ß"])
def test_no_identity_breaks_the_entry(text: str) -> None:
    assert tomllib.loads(bench_entry(recognised("ADDRESS", text)))["instrument"]


def test_another_serial_number_at_the_address_is_refused() -> None:
    with served(METERS["keysight-3446x"]) as (_, address):
        with (
            pytest.raises(ConnectError, match="serial number MY99 was expected"),
            opened_instrument("meter", address, "auto", serial="MY99"),
        ):
            pass
        with opened_instrument("meter", address, "auto", serial="MY00000001") as meter:
            assert meter.identity().dialect == "keysight-3446x"


def test_silence_says_why() -> None:
    with Scripted({}, nonce=False) as server:
        found = ask_who(server.address, SystemClock())
    assert not found.says and "no answer to *IDN?" in found.note


def test_command_prints_json(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    with served(METERS["siglent-sdm"]) as (_, address):
        result = CliRunner().invoke(
            find, [address, "--json", "--bench", str(bench)], standalone_mode=False
        )
    assert result.exception is None
    data = json.loads(result.stdout)
    assert data["found"][0]["dialects"] == ["siglent-sdm"]
    assert 'dialect = "siglent-sdm"' in bench.read_text()


def test_trial_asks_everything_and_sets_nothing() -> None:
    path = shipped_dialects() / "keysight-3446x.toml"
    with served(METERS["keysight-3446x"]) as (player, address):
        result = CliRunner().invoke(find, [address, "--try", str(path)], standalone_mode=False)
    assert result.exception is None and result.return_value == 0, result.output
    assert "meter.queries.reading" in result.output and "12.0035 V" in result.output
    sent = [line for line in player.log if "?" not in line and not line.startswith("*ESE")]
    assert sent == []


def test_trial_of_the_wrong_dialect_shows_it(tmp_path: Path) -> None:
    path = tmp_path / "keysight-3446x.toml"
    text = (shipped_dialects() / path.name).read_text()
    path.write_text(
        text.replace("timeout_s = 4.0", "timeout_s = 0.1").replace("late_s = 4.0", "late_s = 0.3")
    )
    with served(METERS["rigol-dm3058"]) as (_, address):
        result = CliRunner().invoke(
            find, [address, "--try", str(path), "--json"], standalone_mode=False
        )
    rows = json.loads(result.stdout)["tried"]
    assert result.return_value == 4
    assert "none of the identity patterns fits" in rows[0]["problem"]


def test_trial_needs_one_address() -> None:
    path = shipped_dialects() / "keysight-3446x.toml"
    result = CliRunner().invoke(find, ["--try", str(path)], standalone_mode=False)
    assert isinstance(result.exception, InputError)
