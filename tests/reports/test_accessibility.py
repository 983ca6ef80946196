"""The pages judged by axe-core in a headless browser.

Runs where the environment names both: ``AXE_CORE``, the path of axe.min.js from the npm package
axe-core, and ``CHROMIUM``, the browser's path (default: chromium on the search path).
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from reports.build import build_document
from reports.compare import Side, compare_records, overlays
from reports.html import render_comparison, render_html
from runner.assess import Assessment
from runner.record.reader import Record

AXE = os.environ.get("AXE_CORE", "")
BROWSER = os.environ.get("CHROMIUM") or shutil.which("chromium") or ""

pytestmark = pytest.mark.skipif(
    not (AXE and BROWSER), reason="AXE_CORE does not name axe.min.js, or there is no chromium"
)


def violations(page_file: Path) -> list[dict[str, Any]]:
    """What axe-core finds wrong, WCAG 2.1 A and AA and best practice."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        context = browser.new_context(bypass_csp=True)
        page = context.new_page()
        page.goto(page_file.as_uri())
        page.add_script_tag(path=AXE)
        found: list[dict[str, Any]] = page.evaluate("axe.run().then(r => r.violations)")
        browser.close()
    return found


def serious(found: list[dict[str, Any]]) -> list[str]:
    return [
        f"{one['id']}: {one['help']}: {[n['html'][:90] for n in one['nodes'][:2]]}"
        for one in found
        if one["impact"] in {"serious", "critical"}
    ]


def test_the_report_has_no_serious_finding(
    record: Record, assessment: Assessment, tmp_path: Path
) -> None:
    page = tmp_path / "report.html"
    page.write_text(render_html(build_document(record, assessment)), encoding="utf-8")
    assert serious(violations(page)) == []


def test_the_comparison_has_no_serious_finding(
    record: Record, assessment: Assessment, tmp_path: Path
) -> None:
    side = Side(record, assessment)
    page = tmp_path / "compare.html"
    html = render_comparison(compare_records(side, side), overlays(side, side))
    page.write_text(html, encoding="utf-8")
    assert serious(violations(page)) == []


def test_the_judge_does_judge(tmp_path: Path) -> None:
    page = tmp_path / "bad.html"
    page.write_text("<html><body><img src='data:,'><p style='color:#eee'>pale</p></body></html>")
    assert len(serious(violations(page))) >= 2
