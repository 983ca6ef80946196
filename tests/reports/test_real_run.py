"""A whole acceptance on the simulated bench, reported: every check has its picture.

Slow, because the acceptance is; it guards the words that checks and plots share.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from reports.build import build_document
from reports.catalogue import load_strings
from reports.html import render_html
from reports.plots.choose import plots_of
from runner.assess import assess
from runner.record.reader import open_record

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1200)]

DRAWN = {
    "setting": {"setting-error"},
    "load-effect": {"load-line"},
    "tap-map": {"tap-map", "tap_change-1"},
    "ripple": {"ripple", "spectrum"},
    "current-limit": {"knee"},
    "transient": {"transient-1"},
    "switching": {"switching"},
    "impedance": {"impedance"},
    "headroom": {"headroom"},
    "source-effect": {"source_effect"},
    "drift": {"over-time"},
}


def test_every_check_of_a_whole_run_is_drawn(tmp_path: Path) -> None:
    from runner.cli.demo import demo

    result = CliRunner().invoke(
        demo, ["--out", str(tmp_path), "--no-report", "--json"], standalone_mode=False
    )
    assert result.exception is None
    (folder,) = tmp_path.iterdir()
    record = open_record(folder)
    assessment = assess(record)
    strings = load_strings()
    found: dict[str, set[str]] = {}
    plots = plots_of(record, assessment, strings)
    for plot in plots:
        found.setdefault(plot.check, set()).add(plot.name)
    assert found == {check: DRAWN[check] for check in DRAWN if check in record.check_names()}
    document = build_document(record, assessment, plots=plots)
    assert document.hookup_svg.startswith("<svg")
    titled = {row.name for row in document.checks}
    assert titled <= set(strings.table["check"]), "a check without words in the catalogue"
    assert "SIMULATED" in render_html(document)
