"""A strict twin of an instrument family: it answers the documented words and nothing else.

Twins are written from what the makers' guides and public drivers document (the source is named
beside each in :mod:`tests.instruments.families`), not from our dialect files. A line that the
twin was not taught goes to ``unknown`` and stays unanswered. A :class:`Twin` is data, so that a
test can change one thing about it and prove that our driver notices.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from tests.link.scripted import Scripted, ScriptedSerial

__all__ = ["Player", "Twin", "definite", "served"]

State = dict[str, str]
Reply = str | bytes | Callable[[State], str | bytes]


@dataclass(frozen=True)
class Twin:
    """One family.

    ``sets``: pattern of a setting -> name under which its first group is kept. ``asks``:
    pattern of a question -> reply template over the kept values and the pattern's named groups.
    ``split``: messages may be joined by ``;``. ``verdict`` answers each setting.
    """

    idn: str
    sets: dict[str, str]
    asks: dict[str, Reply]
    source: str
    state: dict[str, str] = field(default_factory=dict)
    end: str = "\n"
    split: bool = False
    scpi: bool = True
    serial: bool = False
    no_end: bool = False
    verdict: str = ""
    idn_ask: str = r"\*IDN\?"


class Player:
    """Plays a twin; ``log`` has all commands one by one."""

    def __init__(self, twin: Twin) -> None:
        self.twin, self.state = twin, dict(twin.state)
        self.unknown: list[str] = []
        self.log: list[str] = []
        self.ese = "0"

    def __call__(self, line: str) -> bytes | None:
        parts = [line] if not self.twin.split else re.split(r";", line)
        replies: list[bytes] = []
        for part in parts:
            answer = self._one(part.strip().removeprefix(":"))
            if answer is not None:
                replies.append(answer)
        if not replies:
            return None
        return b";".join(replies) + self.twin.end.encode()

    def _one(self, part: str) -> bytes | None:
        self.log.append(part)
        if self.twin.scpi and (answer := self._common(part)) is not None:
            return answer or None
        if re.fullmatch(self.twin.idn_ask, part):
            return self.twin.idn.encode("latin-1")
        for pattern, reply in self.twin.asks.items():
            if match := re.fullmatch(pattern, part):
                values = self.state
                values.update({k: v for k, v in match.groupdict().items() if v})
                found = reply(values) if callable(reply) else reply
                if isinstance(found, bytes):
                    return found
                return found.format_map(values).encode("latin-1")
        for pattern, key in self.twin.sets.items():
            if match := re.fullmatch(pattern, part):
                groups = [g for g in match.groups()]
                name = key.format(*groups) if groups else key
                if name:
                    self.state[name] = groups[-1] if groups else self._counted(name)
                    self.state["last"] = name
                return self.twin.verdict.encode() or None
        self.unknown.append(part)
        return None

    def _counted(self, name: str) -> str:
        return str(int(self.state.get(name, "0")) + 1)

    def _common(self, part: str) -> bytes | None:
        """488.2 words; b"" is a word without answer, None not one of them."""
        if match := re.fullmatch(r"\*ESE (\d+)", part):
            self.ese = match[1]
            return b""
        fixed: dict[str, bytes] = {
            "*ESE?": self.ese.encode(),
            "*ESR?": b"0",
            "*CLS": b"",
            "*TRG": b"",
            "SYST:ERR?": b'0,"No error"',
            "SYST:REM": b"",
            "SYST:LOC": b"",
        }
        return fixed.get(part)


def definite(data: bytes, digits: int | None = None) -> bytes:
    """IEEE 488.2 definite block, optionally with a count of fixed width."""
    count = str(len(data)) if digits is None else f"{len(data):0{digits}d}"
    return f"#{len(count)}{count}".encode() + data


@contextmanager
def served(twin: Twin) -> Iterator[tuple[Player, str]]:
    """Serve a twin; give its player and its address."""
    player = Player(twin)
    if twin.serial:
        length = len if twin.no_end else None
        with ScriptedSerial(player, nonce=False, length_of=length) as line:
            yield player, line.address
    else:
        with Scripted(player, nonce=False) as server:
            yield player, server.address
