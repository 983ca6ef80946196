"""A soak over TCP is killed in every way; the load must be off, the journal whole, the rest told.

Sampled here; the whole of it with ``-m slow``. The table in README.md holds what was measured.
"""

from __future__ import annotations

import json
import os
import random
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from runner.bench import load_bench
from runner.deadman import FILE_NAME
from runner.errors import BenchError
from runner.guard import Guard
from runner.record.journal import JOURNAL_NAME
from runner.record.reader import open_record
from runner.resume import read_resumable
from tests.faults.killing import (
    SERIAL,
    Killer,
    close_pipe,
    deadman_pid,
    findings_of_record,
    kill_with,
    wait,
)
from tests.faults.link import why_no_links
from tests.faults.silences import bench_for, silence
from tests.soak.served import ask

SAMPLED, WHOLE = 4, 500


@pytest.fixture(scope="module")
def killer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Killer]:
    one = Killer(tmp_path_factory.mktemp("killing"))
    yield one
    one.close()


def _trials(killer: Killer, name: str, number: int, times: int, low_s: float = 0.1) -> None:
    rng = random.Random(number)
    for trial in range(times):
        found = killer.trial(f"{name}-{trial}", rng.uniform(low_s, 6.0), kill_with(number))
        assert found.good, found


def test_killed_at_any_instant(killer: Killer) -> None:
    _trials(killer, "kill", signal.SIGKILL, SAMPLED)


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_killed_at_five_hundred_instants(killer: Killer) -> None:
    _trials(killer, "many", signal.SIGKILL, WHOLE)


def test_frozen(killer: Killer) -> None:
    _trials(killer, "stop", signal.SIGSTOP, 2, low_s=2.0)


def test_told_to_end(killer: Killer) -> None:
    name = "term"
    pid = killer.begin(name)
    folder = killer.until_running(name)
    os.kill(pid, signal.SIGTERM)
    assert wait(pid, 10.0) == 130
    assert not killer.load_on()
    record = open_record(folder)
    assert record.problems == []
    assert (record.ending() or {})["how"] == "interrupted"
    assert next(record.of_kind("safe"))["load_off_confirmed"] is True


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_the_runner_ends_without_its_dead_man(killer: Killer, number: int) -> None:
    name = f"bereft-{number}"
    pid = killer.begin(name)
    folder = killer.until_running(name)
    os.kill(deadman_pid(folder), number)
    killed_s = time.monotonic()
    assert wait(pid, 10.0) == 4
    assert time.monotonic() - killed_s < 5.0
    assert not killer.load_on()
    record = open_record(folder)
    assert "dead-man is gone" in (record.ending() or {})["reason"]


def test_taken_up_again_it_finds_what_the_whole_one_finds(killer: Killer) -> None:
    assert wait(killer.begin("whole"), 40.0) in {0, 1}
    twin = findings_of_record(killer.folder("whole"))
    pid = killer.begin("cut")
    folder = killer.until_running("cut")
    _until(lambda: (folder / JOURNAL_NAME).read_bytes().count(b'"kind":"s"') >= 7)
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    _until(lambda: b"read back off" in (folder / FILE_NAME).read_bytes())
    journal = folder / JOURNAL_NAME
    with journal.open("ab") as file:  # a line torn by a power cut
        file.write(b'{"seq":99999,"t_utc":"2026')
    done_s = read_resumable(folder, SERIAL).done_s
    assert 0.0 < done_s < 3.0
    assert wait(killer.resume(folder), 40.0) in {0, 1}
    record = open_record(folder)
    assert record.problems == []
    (resumed,) = record.of_kind("resume")
    assert resumed["torn_bytes"] == 26
    assert resumed["load_was_on"] is False
    assert findings_of_record(folder) == twin
    assert not killer.load_on()


def test_two_runs_on_one_record(killer: Killer) -> None:
    pid = killer.begin("held")
    folder = killer.until_running("held")
    assert wait(killer.resume(folder), 20.0) == 4
    os.kill(pid, signal.SIGTERM)
    assert wait(pid, 10.0) == 130
    assert open_record(folder).problems == []


def test_a_server_that_pauses_is_waited_for(killer: Killer) -> None:
    pid = killer.begin("pause")
    folder = killer.until_running("pause")
    os.kill(killer.served.process.pid, signal.SIGSTOP)
    time.sleep(4.0)
    os.kill(killer.served.process.pid, signal.SIGCONT)
    assert wait(pid, 60.0) in {0, 1}
    record = open_record(folder)
    assert (record.ending() or {})["how"] == "complete"
    assert not killer.load_on()
    events = [line["what"] for line in record.of_kind("event")]
    assert "gap" in events or "silent" in events


@pytest.mark.slow
def test_a_server_gone_for_good_is_told_loudly(tmp_path: Path) -> None:
    killer = Killer(tmp_path)
    try:
        pid = killer.begin("gone")
        folder = killer.until_running("gone")
        killer.served.process.kill()
        assert wait(pid, 120.0) == 4
        record = open_record(folder)
        assert next(record.of_kind("safe"))["load_off_confirmed"] is False
        _until(lambda: b"load not off" in (folder / FILE_NAME).read_bytes())
        os.kill(deadman_pid(folder), signal.SIGKILL)
    finally:
        killer.close()


def test_the_runner_loses_the_pipe_to_its_dead_man(killer: Killer) -> None:
    for trial in range(2):
        found = killer.trial_under_way(f"pipe-{trial}", 0.2 + trial, close_pipe)
        assert found.good, found


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_the_pipe_is_lost_at_twenty_instants(killer: Killer) -> None:
    rng = random.Random(20)
    for trial in range(20):
        found = killer.trial_under_way(f"pipes-{trial}", rng.uniform(0.0, 3.0), close_pipe)
        assert found.good, found


@pytest.mark.slow
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("word", ["FROZEN", "LINK", "CUT", "GONE"])
def test_the_bench_falls_silent_at_twenty_instants(word: str, tmp_path: Path) -> None:
    if word in {"LINK", "CUT"} and why_no_links():
        pytest.skip(why_no_links())
    rng = random.Random(21)
    for trial in range(20):
        place = tmp_path / str(trial)
        place.mkdir()
        one = bench_for(word, place)
        try:
            found = silence(one, "t", word, rng.uniform(0.0, 2.5))
        finally:
            one.close()
        assert found.good, found


@pytest.mark.skipif(bool(why_no_links()), reason=why_no_links())
def test_a_link_that_vanishes_for_a_while_is_waited_for(tmp_path: Path) -> None:
    one = bench_for("LINK", tmp_path)
    try:
        found = silence(one, "t", "LINK", 0.5)
    finally:
        one.close()
    assert found.good, found


# ---- the dead-man alone -----------------------------------------------------------------------


def _guard(killer: Killer, folder: Path, silence_s: float = 1.0) -> Guard:
    folder.mkdir()
    entry = load_bench(killer.served.bench).by_role("load")
    assert entry is not None
    return Guard(
        {
            "instrument": entry.model_dump(mode="json", by_alias=True),
            "address": entry.address,
            "dialect": "scpi-1999",
            "ratings": {},
            "folder": str(folder),
            "silence_s": silence_s,
        }
    )


def _until(true: object, within_s: float = 10.0) -> None:
    end_s = time.monotonic() + within_s
    while not true():  # type: ignore[operator]
        assert time.monotonic() < end_s
        time.sleep(0.02)


def _load_on(killer: Killer) -> None:
    killer._wire.sendall(b"CURR 0.5\nINP ON\n")
    _until(killer.load_on)


def test_a_closed_pipe_puts_the_load_off(killer: Killer, tmp_path: Path) -> None:
    guard = _guard(killer, tmp_path / "pipe")
    _load_on(killer)
    guard.release(safe=False)
    _until(lambda: not killer.load_on(), 3.0)
    _until(lambda: b"read back off" in (tmp_path / "pipe" / FILE_NAME).read_bytes())
    guard._child.wait(timeout=10.0)


def test_let_go_in_order_it_touches_nothing(killer: Killer, tmp_path: Path) -> None:
    guard = _guard(killer, tmp_path / "order")
    _load_on(killer)
    guard.release(safe=True)
    time.sleep(0.3)
    assert killer.load_on()
    killer._wire.sendall(b"INP OFF\n")
    said = [
        json.loads(x)["what"] for x in (tmp_path / "order" / FILE_NAME).read_bytes().splitlines()
    ]
    assert said == ["watching", "watching ended"]


def test_it_cannot_be_started_for_an_instrument_without_words(
    killer: Killer, tmp_path: Path
) -> None:
    (tmp_path / "r").mkdir()
    entry = load_bench(killer.served.bench).by_role("load")
    assert entry is not None
    setup = {
        "instrument": entry.model_dump(mode="json", by_alias=True), "address": entry.address,
        "dialect": "keithley-2000", "ratings": {}, "folder": str(tmp_path / "r"),
    }  # fmt: skip
    with pytest.raises(BenchError, match="no words for a load"):
        Guard(setup)


def test_the_load_cuts_by_itself_during_a_soak_and_not_after(killer: Killer) -> None:
    name = "cut"
    pid = killer.begin(f"own-{name}")
    folder = killer.until_running(f"own-{name}")
    # Half the set point of the holding stage, 24 V.
    assert float(ask(killer.served.ports["load"], "VOLT:ON?")) == 12.0
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    _until(lambda: b"read back off" in (folder / FILE_NAME).read_bytes())
    _until(lambda: float(ask(killer.served.ports["load"], "VOLT:ON?")) == 0.0)
