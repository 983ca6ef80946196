"""The lock of a resource: one owner, gone with its release, no race at the removal."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from runner.errors import ConnectError
from runner.link import lockfile
from runner.link.lockfile import ResourceLock

RESOURCE = "TCPIP::192.0.2.77::5025::SOCKET"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    yield tmp_path


def test_one_owner_and_nothing_left_behind(folder: Path) -> None:
    held = ResourceLock(RESOURCE, "meter")
    with pytest.raises(ConnectError, match=r"in use by another run \(process \d+\)"):
        ResourceLock(RESOURCE.lower(), "meter")
    held.release()
    held.release()
    assert list(folder.iterdir()) == []
    ResourceLock(RESOURCE, "meter").release()


def test_a_file_removed_between_opening_and_locking_is_no_lock(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last owner removes the file just then: whoever comes next must not find it free."""
    first, real, calls = ResourceLock(RESOURCE, "meter"), lockfile._lock, []

    def late(file: object) -> None:
        calls.append(file)
        if len(calls) == 1:
            first.release()
        real(file)  # type: ignore[arg-type]

    monkeypatch.setattr(lockfile, "_lock", late)
    second = ResourceLock(RESOURCE, "meter")
    monkeypatch.undo()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    assert len(calls) == 2
    with pytest.raises(ConnectError, match="in use"):
        ResourceLock(RESOURCE, "meter")
    second.release()


def test_a_file_that_cannot_be_opened_is_told(folder: Path) -> None:
    held = ResourceLock(RESOURCE, "meter")
    held.release()
    held.path.mkdir()
    with pytest.raises(ConnectError, match=r"meter: .*\.lock cannot be opened"):
        ResourceLock(RESOURCE, "meter")
