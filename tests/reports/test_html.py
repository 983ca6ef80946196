"""The page: what it says, in what order, and what it never does."""

from __future__ import annotations

import base64
import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from reports.build import build_document
from reports.catalogue import languages, load_strings
from reports.html import render_html, write_html
from runner.assess import Assessment
from runner.errors import InputError, RecordError
from runner.finding import Decision
from runner.record.reader import Record
from tests.reports import made_record
from tests.reports.hostile import HOSTILE

IMAGE = re.compile(r'src="(data:image/svg\+xml;base64,([A-Za-z0-9+/=]+))"')


class Page(HTMLParser):
    """Tags, attributes and text of a page as a browser would see them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._style = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._style = False

    def handle_data(self, data: str) -> None:
        if not self._style:
            self.text += data


@pytest.fixture(scope="module")
def html(record: Record, assessment: Assessment) -> str:
    return render_html(build_document(record, assessment))


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_hazards_and_cautions_come_before_result_and_findings(page: Page) -> None:
    order = [
        "Hazards and cautions", "Does not meet its limits", "Result by check", "Not tested",
        "Findings", "Conditions", "Instruments", "How it was decided", "This record",
        "Where each uncertainty comes from",
    ]  # fmt: skip
    places = [page.text.index(word) for word in order]
    assert places == sorted(places)


def test_every_finding_stands_there_with_value_uncertainty_limit_and_decision(page: Page) -> None:
    for word in ("18.4", "±34", "10.40", "0.80", "≤ 10", "conditional fail", "21 %", "12 … 13"):
        assert word in page.text
    assert page.text.count("not measured") >= 2


def test_it_says_simulated_and_a_real_record_does_not(
    page: Page, tmp_path: Path, assessment: Assessment
) -> None:
    assert page.text.count("SIMULATED") >= 3
    real = made_record.write_record(tmp_path / "real", simulated=False)
    html = render_html(build_document(real, made_record.assessment(real)))
    assert "SIMULATED" not in html


def test_simulated_is_printed_in_the_margin_of_every_page(html: str) -> None:
    rule = re.search(r"@page \{.*?\} \}", html, re.DOTALL)
    assert rule is not None
    assert '@top-left { content: "SIMULATED"' in rule[0]
    assert ".watermark { display: block; position: fixed" in html


def test_it_never_calls_a_unit_safe_and_defers_to_local_codes(page: Page) -> None:
    assert not re.search(r"\bsafe(ly)?\b", page.text, re.IGNORECASE)
    assert "local code" in page.text
    assert "licensed" in page.text


def test_it_stands_alone_without_script_or_anything_fetched(page: Page) -> None:
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "iframe", "object", "embed", "link", "form", "base"}
    for tag, attrs in page.tags:
        assert not [name for name in attrs if name.startswith("on")], tag
        for name in ("src", "href", "action", "poster", "srcset"):
            assert (attrs.get(name) or "data:").startswith(("data:", "#"))
    assert "url(" not in "".join(str(attrs.get("style", "")) for _, attrs in page.tags)


def test_pictures_are_whole_drawings_with_words_for_those_who_cannot_see_them(html: str) -> None:
    tags = [attrs for tag, attrs in Page(html).tags if tag == "img"]
    described = [attrs for attrs in tags if attrs.get("alt")]
    assert len(described) == 6
    for _, data in IMAGE.findall(html):
        root = ET.fromstring(base64.b64decode(data))
        assert root.tag == "{http://www.w3.org/2000/svg}svg"


def test_a_half_finished_record_says_so(tmp_path: Path) -> None:
    half = made_record.write_record(tmp_path / "half", finish=False)
    found = [f for f in made_record.findings() if f.decision is Decision.PASS]
    page = Page(render_html(build_document(half, made_record.assessment(half, found))))
    assert "The run did not reach its end" in page.text
    assert "torn off without an end" in page.text
    assert "Meets every limit" not in page.text


def test_all_pass_reads_as_limits_met_and_no_more(record: Record) -> None:
    found = [f for f in made_record.findings() if f.decision is Decision.PASS]
    document = build_document(record, made_record.assessment(record, found))
    assert (document.level, document.headline) == ("pass", "Meets every limit that was tested")


def test_nothing_measured_is_never_a_pass(record: Record) -> None:
    found = [f for f in made_record.findings() if f.decision is Decision.NOT_MEASURED]
    for some in (found, []):
        document = build_document(record, made_record.assessment(record, some))
        assert document.headline == "Nothing was decided"


def test_an_altered_journal_is_said_in_the_result(tmp_path: Path) -> None:
    from runner.record.reader import open_record

    folder = tmp_path / "altered"
    made_record.write_record(folder)
    path = folder / "journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"set_v":24.0', b'"set_v":23.0', 1))
    record = open_record(folder)
    page = Page(render_html(build_document(record, made_record.assessment(record))))
    assert "shows signs of change" in page.text
    assert "was altered" in page.text


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_paper(record: Record, assessment: Assessment, tmp_path: Path, paper: str) -> None:
    path = tmp_path / "report.html"
    write_html(record, assessment, path, paper)
    assert f"@page {{ size: {paper};" in path.read_text(encoding="utf-8")
    assert list(tmp_path.iterdir()) == [path]


def test_an_unwritable_place_is_one_sentence(
    record: Record, assessment: Assessment, tmp_path: Path
) -> None:
    with pytest.raises(RecordError, match="cannot be written"):
        write_html(record, assessment, tmp_path / "missing" / "report.html")


def test_the_same_record_gives_the_same_page(
    record: Record, assessment: Assessment, html: str
) -> None:
    assert render_html(build_document(record, assessment)) == html


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_text_stays_text(name: str, tmp_path: Path, page: Page) -> None:
    text = HOSTILE[name]
    job = {key: text for key in ("serial", "customer", "complaint", "fuse", "line_selector")}
    record = made_record.write_record(tmp_path / "r", **job, parts_replaced=[text])
    bad = made_record.finding(text, text, text, 1.0, decision=Decision.FAIL, reason=text,
                              limit_source=text, limit_high=0.5)  # fmt: skip
    assessment = made_record.assessment(record, [bad])
    assessment.hazards[0]["sentence"] = text
    html = render_html(build_document(record, assessment, plots=[]))
    hostile = Page(html)
    assert not {tag for tag, _ in hostile.tags} - {tag for tag, _ in page.tags}
    assert not [a for _, attrs in hostile.tags for a in attrs if a.startswith("on")]
    assert "1337" not in hostile.text  # 7*191
    assert "root:" not in hostile.text
    assert not [c for c in html if not c.isprintable() and c != "\n"]


def test_control_characters_do_not_reach_the_page(tmp_path: Path) -> None:
    record = made_record.write_record(tmp_path / "r", complaint=HOSTILE["escape"])
    html = render_html(build_document(record, made_record.assessment(record), plots=[]))
    assert "\x1b" not in html
    assert "\x00" not in html
    assert "\u202e" not in html


def test_languages_have_the_same_keys_and_an_unknown_one_is_refused() -> None:
    def keys(table: dict[str, object], prefix: str = "") -> set[str]:
        found = set()
        for key, value in table.items():
            found |= keys(value, f"{prefix}{key}.") if isinstance(value, dict) else {prefix + key}
        return found

    english = keys(load_strings("en").table)
    for language in languages():
        assert keys(load_strings(language).table) == english
    with pytest.raises(InputError, match="no such language"):
        load_strings("xx")
