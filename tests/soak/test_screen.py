"""What a person is asked stands in a file beside the journal, and goes when it is answered."""

from __future__ import annotations

import json
from pathlib import Path

from runner.clock import VirtualClock
from runner.operator.requests import Answer, AskYesNo, Request, TurnKnob, Watcher
from runner.watch.screen import SCREEN, shown_on_page
from tests.soak.light_bench import Agreeing


class _Terminal(Agreeing):
    """An operator that can be shown a live value; keeps what stood on the screen when asked."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.stood, self.shown = folder, [], []
        self.bells = 0

    def answer(self, request: Request) -> Answer:
        self.stood.append(json.loads((self.folder / SCREEN).read_text())["asked"])
        return super().answer(request)

    def watch(self, shown: str) -> Answer | None:
        self.shown.append(shown)
        return None

    def heard(self) -> None:
        self.bells += 1


def _screen(folder: Path) -> tuple[str, str]:
    said = json.loads((folder / SCREEN).read_text())
    return said["asked"], said["live"]


def test_a_question_stands_there_until_it_is_answered(tmp_path: Path) -> None:
    terminal = _Terminal(tmp_path)
    shown = shown_on_page(terminal, VirtualClock(), lambda: tmp_path)
    assert shown.answer(AskYesNo("earth", "Is the link fitted?")).done
    assert terminal.stood == ["Is the link fitted?"]
    assert _screen(tmp_path) == ("", "")


def test_a_knob_is_shown_live_until_it_was_seen_to_rest(tmp_path: Path) -> None:
    terminal, clock = _Terminal(tmp_path), VirtualClock()
    shown = shown_on_page(terminal, clock, lambda: tmp_path)
    shown.answer(TurnKnob("knob", "Turn to 9.3 V.", target=9.3, watched=True))
    assert isinstance(shown, Watcher)
    for number in range(10):  # 0.05 s apart: one in four reaches the page, all the terminal
        shown.watch(f"now {number}")
        clock.sleep(0.0501)
    assert len(terminal.shown) == 10
    assert _screen(tmp_path) == ("Turn to 9.3 V.", "now 8")
    shown.heard()
    assert terminal.bells == 1
    assert _screen(tmp_path) == ("", "")


def test_a_script_or_a_folder_that_is_not_there_needs_no_screen(tmp_path: Path) -> None:
    script = Agreeing()
    assert shown_on_page(script, VirtualClock(), lambda: tmp_path) is script
    terminal = _Terminal(tmp_path)
    terminal.answer = Agreeing().answer  # type: ignore[method-assign]
    shown = shown_on_page(terminal, VirtualClock(), lambda: None)
    assert shown.answer(AskYesNo("earth", "?")).done
    gone = shown_on_page(terminal, VirtualClock(), lambda: tmp_path / "gone")
    assert gone.answer(AskYesNo("earth", "?")).done
    assert list(tmp_path.iterdir()) == []
