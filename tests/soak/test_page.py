"""The live page in a real browser: numbers move, two widths, nothing executed, the token."""

from __future__ import annotations

import json
import math
import os
import shutil
import socket
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from runner.deadman import FILE_NAME
from runner.record.writer import END_WANTED
from runner.soak.telling import HEARTBEAT
from runner.watch.process import serve_beside
from runner.watch.screen import SCREEN
from tests.soak.made_night import HOSTILE, MadeNight

CHROMIUM = shutil.which("chromium")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")


@pytest.fixture
def night(tmp_path: Path) -> Iterator[MadeNight]:
    made = MadeNight(tmp_path / "record")
    for minute in range(240):
        made.minute(minute, 24.0 + 2e-3 * math.sin(minute / 40))
    made.event("silent", instrument=HOSTILE, reason=HOSTILE)
    made.row(23.991)
    beat = {"done_s": 14400.0, "left_s": 21600.0, "heard_s": {"meter": 0.2, "load": 0.3}}
    (made.folder / HEARTBEAT).write_text(json.dumps(beat), encoding="utf-8")
    yield made
    made.journal.close()


@pytest.fixture
def address(night: MadeNight) -> Iterator[str]:
    found, end = serve_beside(night.folder)
    yield found
    end()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as running:
        one = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield one
        one.close()


def _open(browser: Any, address: str, width: int) -> tuple[Any, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 844 if width < 500 else 900})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(address)
    _shows(page, "volts", "23.991")
    return page, said


def _shows(page: Any, name: str, text: str) -> None:
    """Wait for a text; the page's own policy forbids the waiting by script."""
    from playwright.sync_api import expect

    expect(page.locator(f"#{name}")).to_contain_text(text)


@needs_browser
def test_numbers_move_and_nothing_is_said_on_the_console(
    browser: Any, address: str, night: MadeNight
) -> None:
    page, said = _open(browser, address, 1280)
    night.row(24.012)
    _shows(page, "volts", "24.012")
    night.minute(241, 24.5)
    _shows(page, "trend-text", "24.501")
    night.event("abort", reason="the heatsink is hotter than allowed")
    _shows(page, "events", "hotter")
    assert said == []
    page.close()


@needs_browser
def test_what_is_asked_at_the_bench_stands_on_the_page(
    browser: Any, address: str, night: MadeNight
) -> None:
    page, said = _open(browser, address, 390)
    assert not page.locator("#asking").is_visible()
    asked = {"asked": f"Turn the knob to about 9.30 V. {HOSTILE}", "live": "now 9.281 V"}
    (night.folder / SCREEN).write_text(json.dumps(asked), encoding="utf-8")
    _shows(page, "asked", HOSTILE)
    _shows(page, "live-value", "9.281 V")
    for live, words, value in (
        ("target 9.30 V, now 9.282 V", "target 9.30 V", "9.282 V"),
        ("now 9.283 V, moving 0.02 V/s (at most 0.05) good", "moving 0.02 V/s (at m", "9.283 V"),
        (f"hand off the knob {HOSTILE}", HOSTILE, ""),
    ):
        shown = {"asked": "Turn", "live": live}
        (night.folder / SCREEN).write_text(json.dumps(shown), encoding="utf-8")
        _shows(page, "live-words", words)
        _shows(page, "live-value", value)
    (night.folder / SCREEN).write_text(json.dumps(asked), encoding="utf-8")
    _shows(page, "asked", HOSTILE)
    assert page.locator("#asking img").count() == 0
    assert not page.locator("#main-reading").is_visible(), "an older reading would mislead"
    (night.folder / SCREEN).write_text('{"asked": "", "live": ""}', encoding="utf-8")
    playwright = pytest.importorskip("playwright.sync_api")
    playwright.expect(page.locator("#asking")).to_be_hidden()
    assert said == []
    page.close()


@needs_browser
def test_a_run_that_died_is_told_and_what_the_dead_man_did(
    browser: Any, address: str, night: MadeNight
) -> None:
    beat = night.folder / HEARTBEAT
    old_s = beat.stat().st_mtime - 3600.0  # an hour before anybody looks
    os.utime(beat, (old_s, old_s))
    page, _ = _open(browser, address, 1280)
    _shows(page, "silent", "no sign of life for 1 h 00 min")
    lines = [
        {"what": "watching", "runner": 1, "load": "x"},
        {"what": "acting", "said": "the pipe was closed", "runner_alive": False},
        *({"what": "load not off", "said": "refused", "tries": n} for n in range(1, 20)),
        {"what": "load off, read back off", "tries": 20, "took_s": 60.0},
    ]
    with (night.folder / FILE_NAME).open("a", encoding="utf-8") as file:
        file.writelines(json.dumps({"t_utc": "", **line}) + "\n" for line in lines)
    _shows(page, "events", "put the load off and read it back off")
    _shows(page, "doing", "Ended: by the dead-man: the pipe was closed")
    _shows(page, "load", "off")
    assert page.text_content("#events").count("CANNOT") == 1
    page.close()


@needs_browser
@pytest.mark.parametrize("width", [390, 1280])
def test_layout_holds_and_the_reading_is_large(
    browser: Any, address: str, width: int, tmp_path: Path
) -> None:
    page, _ = _open(browser, address, width)
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= width
    # Two metres away: letters of 1/200 of the distance are read with ease (ISO 9241-303 asks for
    # 20 to 22 minutes of arc, from memory): 12 mm, and a phone's 390 px are about 65 mm wide.
    height = page.evaluate("parseFloat(getComputedStyle(document.getElementById('big')).fontSize)")
    cap_mm = 0.7 * height * (65 / 390 if width == 390 else 0.2645)
    assert cap_mm >= 9.0 if width == 390 else cap_mm >= 12.0
    for name in ("load", "left", "winding", "trend", "events", "heard", "end"):
        box = page.locator(f"#{name}").bounding_box()
        assert box is not None
        assert box["width"] > 0
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width + 1
    page.screenshot(path=str(tmp_path / f"page-{width}.png"), full_page=True)
    page.close()


@needs_browser
def test_markup_in_names_stays_text(browser: Any, address: str) -> None:
    page, said = _open(browser, address, 1280)
    assert HOSTILE in page.text_content("#serial")
    assert HOSTILE in page.text_content("#unit")
    assert HOSTILE in page.text_content("#events")
    assert page.locator("main img, header img, main script, header script").count() == 0
    assert page.title() == "asleft: live"
    assert said == []
    page.close()


@needs_browser
def test_the_only_control_asks_twice_and_leaves_a_wish(
    browser: Any, address: str, night: MadeNight
) -> None:
    page, _ = _open(browser, address, 390)
    wish = night.folder / END_WANTED
    page.click("#end")
    _shows(page, "end", "again")
    assert not wish.exists()
    page.click("#end")
    _shows(page, "end", "Ending")
    assert wish.exists()
    page.close()


def _status(address: str, **headers: str) -> int:
    request = urllib.request.Request(address, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=5.0) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        with error:
            return error.code


def test_another_name_for_this_computer_is_refused(address: str) -> None:
    assert _status(address) == 200
    assert _status(address, Host="evil.example") == 403


def test_a_foreign_page_cannot_end_the_run(address: str, night: MadeNight) -> None:
    request = urllib.request.Request(address + "end-safely", data=b"", method="POST")
    with pytest.raises(urllib.error.HTTPError) as caught:
        urllib.request.urlopen(request, timeout=5.0)
    with caught.value:
        assert caught.value.code == 403
    assert not (night.folder / END_WANTED).exists()


@pytest.fixture
def elsewhere(night: MadeNight) -> Iterator[str]:
    """An address that is not taken for this computer's own, with its token."""
    found, end = serve_beside(night.folder, host="127.0.0.2")
    yield found
    end()


@pytest.mark.parametrize("path", ["", "events", "page.js", "page.css"])
def test_away_from_this_computer_a_token_is_needed(elsewhere: str, path: str) -> None:
    base, _, token = elsewhere.partition("?token=")
    assert len(token) >= 20
    assert _status(base + path) == 403
    assert _status(f"{base}{path}?token=wrong") == 403
    assert _status(f"{base}{path}?token={token}") == 200


def test_without_the_token_nobody_ends_the_run(elsewhere: str, night: MadeNight) -> None:
    base, _, token = elsewhere.partition("?token=")
    for given, due in (("", 403), (f"?token={token}", 202)):
        request = urllib.request.Request(
            f"{base}end-safely{given}", data=b"", headers={"X-Asleft": "end-safely"}
        )
        try:
            with urllib.request.urlopen(request, timeout=5.0) as answer:
                found = answer.status
        except urllib.error.HTTPError as error:
            with error:
                found = error.code
        assert found == due
        assert (night.folder / END_WANTED).exists() is (due == 202)


def test_with_the_token_the_cookie_carries_it_on(elsewhere: str) -> None:
    base = elsewhere.partition("?")[0]
    with urllib.request.urlopen(elsewhere, timeout=5.0) as answer:
        cookie = answer.headers["Set-Cookie"]
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert _status(base + "page.js", Cookie=cookie.partition(";")[0]) == 200


def test_the_page_is_served_where_nobody_listens_outside(address: str) -> None:
    port = int(address.rsplit(":", maxsplit=1)[1].strip("/"))
    others = {found[4][0] for found in socket.getaddrinfo(socket.gethostname(), None)}
    for other in others - {"127.0.0.1", "::1", "127.0.1.1"}:
        with pytest.raises(OSError, match=r"."):
            socket.create_connection((str(other), port), timeout=0.5)
