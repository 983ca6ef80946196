"""`asleft ripple` end to end: exit codes, one JSON object, the page."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from runner.cli.main import asleft
from runner.errors import InputError
from tests.captures.made_files import SAMPLED, write


def run(*arguments: str | Path) -> int:
    code = asleft.main(["ripple", *map(str, arguments)], standalone_mode=False)
    assert isinstance(code, int)
    return code


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return write(tmp_path, SAMPLED["semicolon_decimal_comma"]())


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ((), 0),
        (("--limit-pp", "20 mV", "--accuracy", "3 % + 1 mV"), 0),
        (("--limit-pp", "20 mV"), 1),  # accuracy unknown: conditional
        (("--limit-pp", "20 mV", "--accept-conditional"), 0),
        (("--limit-rms", "0.5 mV", "--accuracy", "3 %"), 1),
        (("--limit-rms", "5 mV", "--limit-pp", "2 mV", "--accuracy", "3 %"), 1),
        (("--limit-pp", "20 mV", "--accuracy", "3 %", "--probe", "10"), 1),
    ],
)
def test_exit_codes(options: tuple[str, ...], code: int, file: Path) -> None:
    assert run(file, *options) == code


def test_json_is_one_object(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = run(file, "--limit-pp", "2 mV", "--accuracy", "3 %", "--json")
    shown: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert (shown["format"], shown["exit"], shown["hazards"]) == (1, code, [])
    (finding,) = shown["findings"]
    assert finding["decision"] == "fail"
    assert finding["unit"] == "V"
    assert finding["limit_high"] == pytest.approx(2e-3)
    assert finding["u_expanded"] > 0
    assert shown["summary"]["mains"]["f_hz"] == pytest.approx(50, abs=0.05)
    assert shown["summary"]["rms_v"] == pytest.approx(1.155e-3, rel=0.01)


def test_text_says_figures_and_columns(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(file)
    said = capsys.readouterr().out
    for words in ("decimal comma", "'Kanal 1' in mV", "peak to peak: 4.1", "rms: 1.15", "2f 1.27"):
        assert words in said


def test_rms_in_db_of_the_rated_output(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # 1.155 mV of 12 V: 20 log10 is -80.33 dB (form of check value T1-06).
    run(file, "--rated", "12 V")
    assert "rms of the rated 12 V: -80.3" in capsys.readouterr().out
    run(file, "--rated", "12 V", "--json")
    shown = json.loads(capsys.readouterr().out)["summary"]
    assert shown["rms_db_of_rated"] == pytest.approx(-80.33, abs=0.1)
    page = tmp_path / "page.html"
    run(file, "--rated", "12 V", "--html", str(page))
    assert "Rms of the rated 12 V" in page.read_text(encoding="utf-8")
    capsys.readouterr()
    run(file, "--json")
    assert json.loads(capsys.readouterr().out)["summary"]["rms_db_of_rated"] is None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--limit-pp", "20"), "--limit-pp: expected a number with unit V, found no unit"),
        (("--rated", "0 V"), "--rated: expected more than zero"),
        (("--limit-rms", "-1 mV"), "--limit-rms: expected more than zero"),
        (("--accuracy", "good"), "--accuracy"),
        (("--interval", "1 V"), "--interval"),
        (("--channel", "9"), "no such channel"),
    ],
)
def test_wrong_options_are_named(options: tuple[str, ...], words: str, file: Path) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        run(file, *options)


def test_page_is_whole_and_fetches_nothing(file: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    run(file, "--limit-pp", "2 mV", "--html", page)
    text = page.read_text(encoding="utf-8")
    assert text.count("data:image/svg+xml;base64,") == 2
    assert "Not within the limit" in text
    assert "Kanal 1" in text
    assert "<script" not in text
    assert not re.search(r"(src|href)=\"(?!data:)", text)
    assert "says nothing about electrical safety" in text


def test_names_from_the_file_are_escaped(tmp_path: Path) -> None:
    text = SAMPLED["plain"]().replace("CH1", "<script>alert(1)</script>", 1)
    page = tmp_path / "page.html"
    run(write(tmp_path, text), "--html", page)
    assert "<script" not in page.read_text(encoding="utf-8")


def test_page_of_a_file_that_cannot_be_measured(tmp_path: Path) -> None:
    path = write(tmp_path, "time,CH1\n" + "".join(f"{k * 1e-3:.3f},1.0\n" for k in range(100)))
    page = tmp_path / "page.html"
    assert run(path, "--html", page) == 1
    assert "could not be measured" in page.read_text(encoding="utf-8")
