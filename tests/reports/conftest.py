"""Records made once for the whole session; nobody writes into them."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.assess import Assessment
from runner.record.reader import Record
from tests.reports import made_record


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("records") / "whole"
    made_record.write_record(folder)
    return folder


@pytest.fixture(scope="session")
def record(folder: Path) -> Record:
    from runner.record.reader import open_record

    return open_record(folder)


@pytest.fixture(scope="session")
def assessment(record: Record) -> Assessment:
    return made_record.assessment(record)
