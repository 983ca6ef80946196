"""A record in a notebook; the example in the documentation is run as it stands."""

from __future__ import annotations

import doctest
from pathlib import Path

import numpy as np
import pytest

import runner.record
import runner.record.frames
from runner.errors import RecordError
from runner.record.reader import Record
from tests.soak.light_bench import LightBench, light_plan, soak_on


def test_the_documented_example(folder: Path) -> None:
    failed, tried = doctest.testmod(runner.record.frames, extraglobs={"folder": folder})
    assert (failed, tried > 5) == (0, True)


def test_frames_hold_what_the_journal_holds(folder: Path, record: Record) -> None:
    frames = runner.record.open(folder)
    assert len(frames.readings) == len(list(record.of_kind("reading")))
    assert frames.readings["value"].isna().sum() == 1
    assert set(frames.events["what"]) == {"tap-change"}
    assert frames.problems == []
    assert frames.header["job"]["serial"] == "N24-00317"


def test_a_waveform_is_in_volts_over_seconds_from_the_trigger(folder: Path) -> None:
    trace = runner.record.open(folder).waveform("tap-map", "coil-rising")
    assert trace.index[0] == pytest.approx(-0.03)
    assert np.diff(trace.index).mean() == pytest.approx(2e-5)
    assert trace.loc[0.01:, "v"].mean() == pytest.approx(24.0, abs=0.1)


def test_what_is_not_there_is_one_sentence(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no waveform 'x'"):
        runner.record.open(folder).waveform("ripple", "x")
    with pytest.raises(RecordError, match="cannot be read"):
        runner.record.open(tmp_path)


def test_a_soak_is_a_frame_of_its_own(folder: Path, tmp_path: Path) -> None:
    soak_on(LightBench(), tmp_path / "r", light_plan(1200.0, 10.0))
    frame = runner.record.open(tmp_path / "r").soak
    assert frame["output-voltage"].notna().all()
    assert frame.groupby("stage", sort=False).size().index.tolist() == [
        "hold", "worst-heat", "thermal-cycles", "tap-cycles",
    ]  # fmt: skip
    assert frame.index[-1] == pytest.approx(1200.0, abs=20.0)
    assert runner.record.open(folder).soak.empty
