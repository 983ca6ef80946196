"""Checks run with a twin of each meter family on the bench, against the plain bench's findings.

A family whose accuracy is from memory can pass conditionally only; the side of the limit is
what must not change.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from runner.acceptance import Acceptance, run_acceptance
from runner.finding import Finding
from runner.job import Job
from sim_instruments.families.table import METERS
from tests.faults.compact import inputs
from tests.instruments.family_cases import family_cases

ONLY = ("setting", "load-effect")
Found = Mapping[tuple[str, str, int], Finding]
SAMPLED = ("siglent-sdm", "keithley-2000")
OPEN = {"gw-gdm8": "figures for one range only are known, so that readings elsewhere have no U"}


def _run(folder: Path, family: str | None) -> Found:
    read = inputs("memory")
    options: dict[str, object] = {}
    if family is not None:
        entries = tuple(
            one.model_copy(update={"dialect": family, "link": {}}) if one.name == "meter" else one
            for one in read.bench.instrument
        )
        read = replace(read, bench=read.bench.model_copy(update={"instrument": entries}))
        options = {"families": {"meter": family}}
    wanted = Acceptance(
        inputs=read, job=Job(serial="S"), out=folder, only=ONLY, quick=True, options=options
    )
    outcome = run_acceptance(wanted, _nobody, lambda *_: None)
    assert outcome.ending.how == "complete", outcome.ending.reason
    return _numbered(outcome.assessment.findings)


def _numbered(findings: list[Finding]) -> Found:
    """By check, quantity and place in the row: which point is worst is chosen by noise."""
    kept: dict[tuple[str, str, int], Finding] = {}
    for one in findings:
        number = sum(key[:2] == (one.check, one.what) for key in kept)
        kept[one.check, one.what, number] = one
    return kept


def _nobody(_: object) -> Any:
    raise AssertionError("the simulated bench brings its own hand")


@lru_cache(maxsize=1)
def _plain() -> Found:
    with TemporaryDirectory() as folder:
        return _run(Path(folder), None)


def _side(one: Finding) -> str:
    return str(one.decision).removeprefix("conditional ")


@pytest.mark.parametrize("family", family_cases(METERS, SAMPLED, OPEN))
def test_findings_agree_within_their_uncertainty(family: str, tmp_path: Path) -> None:
    found, due = _run(tmp_path, family), _plain()
    assert set(found) == set(due)
    for key, one in found.items():
        assert _side(one) == _side(due[key]), (one, due[key])
        expected = due[key].value
        if one.value is None or expected is None:
            assert one.value is expected, one
            continue
        u = math.hypot(one.u_expanded or 0.0, due[key].u_expanded or 0.0)
        assert abs(one.value - expected) <= u, (one, due[key])
