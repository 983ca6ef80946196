"""Checks run with a twin of each load family on the bench, against the plain bench's findings.

What a load family lacks (a short, constant resistance, figures for the range in use) may leave a
finding open or conditional; a value that is given must agree. The drawn current may miss the
level by the family's own class, by which voltages under load differ in proportion.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from runner.acceptance import Acceptance, run_acceptance
from runner.finding import Finding
from runner.job import Job
from sim_instruments.families.table import LOADS
from tests.faults.compact import few, inputs
from tests.instruments.family_cases import family_cases

ONLY = ("load-effect", "current-limit", "transient", "impedance")
SAMPLED = ("rigol-dl3000", "siglent-sdl")
OPEN = {"easttester-et54": "constant resistance and pulses are not in its documents: the run ends"}


def _run(folder: Path, family: str | None) -> dict[tuple[str, str, int], Finding]:
    read = inputs("memory")
    options: dict[str, object] = {}
    if family is not None:
        rated = LOADS[family].rated
        change: dict[str, Any] = {
            "dialect": family, "link": {}, "current_max": rated.current_a,
            "voltage_max": rated.voltage_v, "power_max": rated.power_w,
        }  # fmt: skip
        entries = tuple(
            one.model_copy(update=change) if one.name == "load" else one
            for one in read.bench.instrument
        )
        read = replace(read, bench=read.bench.model_copy(update={"instrument": entries}))
        options = {"families": {"load": family}}
    wanted = Acceptance(
        inputs=read, job=Job(serial="S"), out=folder, only=ONLY, quick=True, options=options
    )
    with few():
        outcome = run_acceptance(wanted, _nobody, lambda *_: None)
    assert outcome.ending.how == "complete", outcome.ending.reason
    kept: dict[tuple[str, str, int], Finding] = {}
    for one in outcome.assessment.findings:
        number = sum(key[:2] == (one.check, one.what) for key in kept)
        kept[one.check, one.what, number] = one
    return kept


def _nobody(_: object) -> Any:
    raise AssertionError("the simulated bench brings its own hand")


@lru_cache(maxsize=1)
def _plain() -> dict[tuple[str, str, int], Finding]:
    with TemporaryDirectory() as folder:
        return _run(Path(folder), None)


@pytest.mark.parametrize("family", family_cases(LOADS, SAMPLED, OPEN))
def test_findings_agree_within_their_uncertainty(family: str, tmp_path: Path) -> None:
    found, due = _run(tmp_path, family), _plain()
    assert set(found) == set(due)
    rated = LOADS[family].rated
    # class of level and readback together, over the 2 A that the compact unit is loaded with
    amps = next(a for a in rated.current_ranges_a if a >= 2.0)
    if family == "chroma-63600":  # its dialect takes the highest range
        amps = rated.current_a
    miss_a = 2 * (5e-4 * 2.0 + 5e-4 * amps)
    for key, one in found.items():
        expected = due[key].value
        if one.value is None or expected is None:
            assert one.reason, one
            continue
        u = (one.u_expanded or 0.0) + (due[key].u_expanded or 0.0)
        absolute = miss_a if one.unit == "A" else 0.0
        assert abs(one.value - expected) <= u + absolute + miss_a / 2.0 * abs(expected), (
            one,
            due[key],
        )
        assert str(one.decision).removeprefix("conditional ") == due[key].decision, one
