"""The morning page: says what the record says, on one page, with nothing live in it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from reports.morning import render_morning, write_morning
from runner.assess import assess
from runner.record.reader import open_record
from tests.soak.light_bench import LightBench, light_plan, soak_on
from tests.soak.made_night import HOSTILE, MadeNight

CHROMIUM = shutil.which("chromium")


def _page(folder: Path) -> str:
    record = open_record(folder)
    return render_morning(record, assess(record))


def test_it_tells_a_quiet_night(tmp_path: Path) -> None:
    soak_on(LightBench(), tmp_path / "r", light_plan(43200.0, 60.0))
    page = _page(tmp_path / "r")
    # 12 h; 5 h and 2 h at 3 A, 4 h at 80 % for ten minutes in twelve, 1 h at half load:
    # about 24 x 3 x 5 + 13.2 x 3 x 2 + 24 x 2.4 x 4 x 10/12 + ~12 x 1.5 = 650 Wh, by hand.
    assert "12 h 00 min" in page
    energy = float(page.split("Energy into the load</dt><dd>")[1].split(" Wh")[0])
    assert energy == pytest.approx(650, rel=0.03)
    # An hour of two minutes a pair: 30 there and back, the last not gone back from. Each is a
    # change at this bench's inlet; setting the stages, with the load off, shows nothing there.
    assert "60 planned in tap cycling; 59 seen at changes of set point (inlet power)" in page
    assert "0 unasked (inlet power, constant load); 0.12 % of 50,000 (data sheets)" in page


def test_a_stopped_soak_says_why_first(tmp_path: Path) -> None:
    bench = LightBench()
    bench.before_row = lambda b: setattr(b, "heat_c", 40.0 if b.read_count < 200 else 99.0)
    soak_on(bench, tmp_path / "r", light_plan(7200.0, 10.0, ("hold",)))
    page = _page(tmp_path / "r")
    assert "The soak failed" in page
    assert "the heatsink is hotter than allowed" in page


def test_names_that_are_markup_stay_text(tmp_path: Path) -> None:
    made = MadeNight(tmp_path / "r")
    for _ in range(100):
        made.row(24.0)
    made.event("silent", instrument=HOSTILE, reason=HOSTILE)
    made.journal.close()
    page = _page(tmp_path / "r")
    assert "<script" not in page
    assert "<img src=x" not in page
    assert "not complete: torn off" in page


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
def test_it_prints_on_one_page(tmp_path: Path) -> None:
    playwright = pytest.importorskip("playwright.sync_api")
    made = MadeNight(tmp_path / "r", serial="M-1")
    for i in range(600):
        made.row(24.0 + 1e-4 * (i % 9))
    for number in range(30):
        made.event("output-event", number=number, stage="hold")
    made.journal.close()
    record = open_record(tmp_path / "r")
    write_morning(record, assess(record), tmp_path / "morning.html")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page()
        page.goto((tmp_path / "morning.html").as_uri())
        paper = page.pdf(prefer_css_page_size=True)
        page.screenshot(path=str(tmp_path / "morning.png"), full_page=True)
        browser.close()
    assert paper.count(b"/Type /Page\n") == 1
