"""The archive, on SQLite always and on PostgreSQL where ASLEFT_TEST_POSTGRES names a server."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import create_engine, text

from runner.assess import Assessment
from runner.cli.archive import archive as archive_command
from runner.cli.archive import history, stats
from runner.errors import InputError, RecordError
from runner.record.archive import Archive, ArchiveUnreachableError, open_archive
from runner.record.archive_entry import entry_of
from runner.record.archive_queue import put_off, send_waiting, waiting
from runner.record.archive_tables import CURRENT
from runner.record.reader import Record
from tests.reports import made_record
from tests.reports.hostile import HOSTILE
from tests.reports.made_entries import MODELS, entries

SERVER = os.environ.get("ASLEFT_TEST_POSTGRES", "")


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'archive.sqlite'}"
        return
    if not SERVER:
        pytest.skip("ASLEFT_TEST_POSTGRES does not name a server")
    engine = create_engine(SERVER.replace("postgresql://", "postgresql+psycopg://", 1))
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    yield SERVER


@pytest.fixture
def archive(url: str) -> Iterator[Archive]:
    archive = open_archive(url)
    yield archive
    archive.close()


def test_a_record_is_found_by_serial_and_model(
    archive: Archive, record: Record, assessment: Assessment
) -> None:
    archive.add(entry_of(record, assessment))
    archive.add_many(list(entries(10)))
    (found,) = archive.find(serial="N24-00317")
    assert found["folder"] == str(record.folder.resolve())
    assert found["last_hash"] == record.last_hash
    assert found["simulated"] is True
    assert found in archive.find(model="LB-2403")
    assert archive.find(serial="N24-00317", model="SW-3010") == []
    rows = archive.findings(found["record_id"])
    assert [row["what"] for row in rows] == [f.what for f in assessment.findings]
    assert [row["value"] for row in rows] == [f.value for f in assessment.findings]


def test_a_record_that_grew_replaces_what_was_there(archive: Archive, tmp_path: Path) -> None:
    folder = tmp_path / "r"
    half = made_record.write_record(folder, finish=False)
    archive.add(entry_of(half, made_record.assessment(half)))
    from runner.record.journal import Journal
    from runner.record.reader import open_record

    journal = Journal(
        folder, made_record.VirtualClock(made_record.START),
        resume_after=(
            len(half.lines), half.last_hash, (folder / "journal.jsonl").stat().st_size
        ),
    )  # fmt: skip
    journal.write("end", how="complete")
    journal.close()
    whole = open_record(folder)
    archive.add(entry_of(whole, made_record.assessment(whole)))
    (found,) = archive.find(serial="N24-00317")
    assert found["ended"] == "complete"
    assert found["line_count"] == len(half.lines) + 1
    assert len(archive.findings(found["record_id"])) == len(made_record.findings())


def test_stats_are_those_of_counting_by_hand(archive: Archive) -> None:
    made = list(entries(300))
    archive.add_many(made)
    for model in MODELS:
        by_hand: dict[tuple[str, str], int] = {}
        for entry in made:
            for row in entry.outcomes:
                if row["model"] == model:
                    place = (row["check_name"], row["decision"])
                    by_hand[place] = by_hand.get(place, 0) + 1
        found = {(r["check_name"], r["decision"]): r["n"] for r in archive.stats(model)}
        assert found == by_hand
        assert archive.stats(model, simulated=True) == []


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_text_stays_text(archive: Archive, name: str, tmp_path: Path) -> None:
    hostile = HOSTILE[name] + "'; DROP TABLE records; --"
    record = made_record.write_record(tmp_path / "r", serial=hostile)
    bad = made_record.finding(hostile, hostile, hostile, 1.0)
    archive.add(entry_of(record, made_record.assessment(record, [bad])))
    kept = hostile.replace("\x00", "")
    (found,) = archive.find(serial=kept)
    assert found["serial"] == kept
    assert archive.findings(found["record_id"])[0]["what"] == kept


def test_a_failing_addition_leaves_nothing_half_in(archive: Archive) -> None:
    first, second = entries(2)
    second.findings[1]["position"] = second.findings[0]["position"]
    with pytest.raises(RecordError, match="refused"):
        archive.add_many([first, second])
    assert archive.find() == []


WRITER = """
import sys
from runner.record.archive import open_archive
from tests.reports.made_entries import entries
archive = open_archive(sys.argv[1])
for entry in list(entries(60))[int(sys.argv[2]) :: 3]:
    archive.add(entry)
    archive.add(entry)
archive.close()
"""


def test_three_benches_write_at_once_from_the_very_first_moment(url: str) -> None:
    root = Path(__file__).parents[2]
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, url, str(i)], cwd=root) for i in range(3)
    ]
    assert [writer.wait(timeout=120) for writer in writers] == [0, 0, 0]
    archive = open_archive(url)
    assert len(archive.find()) == 60
    archive.close()


def test_an_archive_of_version_1_is_migrated(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'a.sqlite'}"
    archive = open_archive(url)
    archive.add(next(entries(1)))
    with archive.engine.begin() as connection:
        connection.execute(text("ALTER TABLE records DROP COLUMN imported"))
        connection.execute(text("UPDATE archive_version SET version = 1"))
    archive.close()
    again = open_archive(url)
    assert again.find()[0]["imported"] in (False, 0)
    with again.engine.begin() as connection:
        assert connection.execute(text("SELECT version FROM archive_version")).scalar() == CURRENT
        connection.execute(text("UPDATE archive_version SET version = 99"))
    again.close()
    with pytest.raises(RecordError, match="version 99"):
        open_archive(url)


@pytest.mark.parametrize("address", ["junk", "nosuch://x/y", "sqlite+nosuch:///x"])
def test_an_address_that_is_none_is_one_sentence(address: str) -> None:
    with pytest.raises(InputError, match="no archive's address"):
        open_archive(address)


def test_a_server_that_does_not_answer_is_unreachable() -> None:
    with pytest.raises(ArchiveUnreachableError, match="cannot be reached"):
        open_archive("postgresql://nobody@127.0.0.1:9/none?connect_timeout=2")


def test_what_cannot_be_sent_waits_and_goes_later(tmp_path: Path) -> None:
    queue = tmp_path / "q" / "waiting.txt"
    folders = [tmp_path / name for name in ("a", "b", "c")]
    for folder in (*folders, folders[0]):
        put_off(queue, folder)
    assert waiting(queue) == folders
    tried = []

    def add(folder: Path) -> None:
        tried.append(folder)
        if folder.name == "a":
            raise RecordError("no record")
        if len(tried) == 3:
            raise ArchiveUnreachableError("gone")

    assert send_waiting(queue, add) == (1, [(folders[0], "no record")])
    assert waiting(queue) == [folders[2]]
    assert send_waiting(queue, lambda _folder: None) == (1, [])
    assert waiting(queue) == []


def test_the_commands(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("ASLEFT_ARCHIVE", raising=False)
    copy = tmp_path / "records" / "one"
    shutil.copytree(folder, copy)

    def run(command: Any, *args: str) -> tuple[int, str]:
        result = CliRunner().invoke(command, list(args), standalone_mode=False)
        assert result.exception is None, result.exception
        return result.return_value, result.output

    dead = "postgresql://nobody@127.0.0.1:9/none?connect_timeout=2"
    assert run(archive_command, "add", str(copy), "--archive", dead)[0] == 4
    assert run(archive_command, "add") == (0, "1 record(s) archived\n")
    listed = json.loads(run(history, "N24-00317", "--json")[1])["records"]
    assert [row["folder"] for row in listed] == [str(copy)]
    assert run(archive_command, "rebuild", str(tmp_path / "records"))[0] == 0
    assert json.loads(run(archive_command, "find", "--json")[1])["records"] == listed
    assert json.loads(run(stats, "LB-2403", "--simulated", "--json")[1])["outcomes"]
    assert run(archive_command, "export", str(tmp_path / "out"))[1] == "1 record(s) exported\n"
