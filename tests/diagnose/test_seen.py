"""What is kept of a record is what would be read from it."""

from __future__ import annotations

import json
import tarfile
from pathlib import Path
from typing import Any

import pytest

from runner.assess import assess
from runner.diagnose.diagnosis import rank
from runner.diagnose.feature import BAD
from runner.diagnose.features import features_of
from runner.diagnose.fitted import kind_of, load_fitted
from runner.diagnose.likelihood import StateTable
from runner.record.reader import open_record
from tests.diagnose.coverage import held_in, table
from tests.diagnose.generate import one
from tests.diagnose.prove import read_cases
from tests.diagnose.seen import KEPT, LUCK, keep_seen, load_seen, seen_in, source


def _case(number: int, *faults: str) -> dict[str, Any]:
    return {"number": number, "profile": "lb-2403", "causes": [f.split(":")[0] for f in faults],
            "faults": list(faults), "missing": "", "seed": 1000 + number}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One run with a worn relay contact."""
    folder = tmp_path_factory.mktemp("cases")
    line = one(_case(3, "relay-contact-worn:ohms=0.9"), folder)
    (folder / "cases.jsonl").write_text(json.dumps(line) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def seen(folder: Path) -> dict[str, Any]:
    return seen_in(folder, json.loads((folder / "cases.jsonl").read_text(encoding="utf-8")))


def test_a_kept_case_is_ranked_as_its_record_is(
    folder: Path, seen: dict[str, Any], tmp_path: Path
) -> None:
    (case,) = read_cases([json.loads(json.dumps(seen))])
    with tarfile.open(folder / "3.tar.gz") as packed:
        packed.extractall(tmp_path, filter="data")
    record = open_record(tmp_path)
    done = assess(record)
    failed = [f for f in done.findings if f.decision in BAD]
    assert failed, "the fault must make something fail"
    features = features_of(record, done.findings, done.profile)
    counts = StateTable(load_fitted(), kind_of(done.profile))
    whole = rank(features, done.profile, failed, counts)
    kept = rank(case.features, case.profile, case.failed, counts)
    assert kept.present == pytest.approx(whole.present)
    assert kept.pairs == whole.pairs


def test_estimates_are_kept_with_what_is_true(seen: dict[str, Any]) -> None:
    held = list(held_in(seen))
    assert {name for name, *_ in held} >= {"reservoir", "output-capacitor"}
    assert any(row.startswith("| reservoir | ") for row in table(held))


def test_the_later_of_two_cases_with_one_number_stays(tmp_path: Path) -> None:
    path = tmp_path / "cases.jsonl.xz"
    assert load_seen(path) == []
    old, new = (_case(7) | {"source": word, "seen": [], "held": []} for word in ("old", "new"))
    assert keep_seen([old, _case(5) | {"source": "old"}], path) == 2
    assert keep_seen([new], path) == 2
    assert [(one["number"], one["source"]) for one in load_seen(path)] == [(5, "old"), (7, "new")]


def test_a_healthy_case_has_unlucky_twins() -> None:
    row = ["setting", "offset", "", 1.2, "V", "conditional fail", 0.5, None, 1.0]
    assert len(row) == len(KEPT)
    seen = [{"features": {}, "failed": []}]
    seen += [{"features": {"gain": ["near", 1.2]}, "failed": [row]}] * LUCK
    cases = read_cases([_case(200_001) | {"source": source(), "seen": seen, "held": []}])
    assert [(c.luck, len(c.failed)) for c in cases] == [(0, 0), *((n + 1, 1) for n in range(LUCK))]
    assert cases[1].failed[0].value == 1.2
    assert cases[1].features["gain"].value == 1.2
