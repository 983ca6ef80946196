"""What each reply rule does to an answer on its way out.

An answer is a list of pieces; a shape takes the rule and the pieces and gives other pieces.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from sim_instruments.rudeness import Rule

__all__ = ["SHAPES", "Piece"]

_BLOCK = re.compile(rb"#([1-9])")
_NEVER_ENDING = 20000


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes sent `after_s` seconds after the piece before; `action` ends or breaks the link."""

    data: bytes = b""
    after_s: float = 0.0
    action: str = ""


def _joined(pieces: list[Piece]) -> bytes:
    return b"".join(piece.data for piece in pieces)


def _raw(text: str) -> bytes:
    return text.encode("latin-1")


def _late(rule: Rule, pieces: list[Piece]) -> list[Piece]:
    first = pieces[0]
    return [replace(first, after_s=first.after_s + rule.seconds("by")), *pieces[1:]]


def _torn(rule: Rule, pieces: list[Piece]) -> list[Piece]:
    data, cut = _joined(pieces), rule.number("after")
    rest = [Piece(data[cut:], rule.seconds("by"))] if "by" in rule.options else []
    return [Piece(data[:cut], pieces[0].after_s), *rest]


def _segments(rule: Rule, pieces: list[Piece]) -> list[Piece]:
    data, size = _joined(pieces), max(1, rule.number("size", 1))
    gap_s = rule.seconds("gap", 0.03)
    parts = [data[at : at + size] for at in range(0, len(data), size)]
    return [Piece(part, gap_s if n else pieces[0].after_s) for n, part in enumerate(parts)]


def _endless(rule: Rule, pieces: list[Piece]) -> list[Piece]:
    byte, gap_s = _raw(rule.text("byte", "9")), rule.seconds("gap", 0.05)
    return [Piece(byte, gap_s)] * _NEVER_ENDING


def _edit(change: Callable[[Rule, bytes], bytes]) -> Callable[[Rule, list[Piece]], list[Piece]]:
    def shape(rule: Rule, pieces: list[Piece]) -> list[Piece]:
        return [Piece(change(rule, _joined(pieces)), pieces[0].after_s)]

    return shape


def _drop(rule: Rule, data: bytes) -> bytes:
    at = rule.number("byte")
    return data[:at] + data[at + 1 :]


def _cut_fields(rule: Rule, data: bytes) -> bytes:
    separator = _raw(rule.text("sep", ";"))
    keep = rule.number("keep", 1)
    return separator.join([*data.rstrip(b"\n").split(separator)[:keep], b""]) + b"\n"


def _body(data: bytes) -> tuple[bytes, bytes, bytes]:
    """Part an answer into what stands before the block, its data, and what follows."""
    match = _BLOCK.search(data[:64])
    if match is None:
        return b"", data.removesuffix(b"\n"), b"\n"
    digits = int(match[1])
    start = match.end() + digits
    size = int(data[match.end() : start])
    return data[: match.start()], data[start : start + size], data[start + size :]


def _header(size: int, digits: int = 0) -> bytes:
    text = str(size).zfill(digits)
    return f"#{len(text)}{text}".encode()


def _block_length(rule: Rule, data: bytes) -> bytes:
    before, body, after = _body(data)
    scaled = int(len(body) * float(rule.options.get("scale", "1")))
    return before + _header(rule.number("declared", scaled)) + body + after


def _block_digits(rule: Rule, data: bytes) -> bytes:
    before, body, after = _body(data)
    return before + _header(len(body), rule.number("digits", 9)) + body + after


def _block_twice(rule: Rule, data: bytes) -> bytes:
    before, body, after = _body(data)
    block = _header(len(body)) + body
    return before + block + _raw(rule.text("sep", ",")) + block + after


def _ending(action: str) -> Callable[[Rule, list[Piece]], list[Piece]]:
    def shape(rule: Rule, pieces: list[Piece]) -> list[Piece]:
        data = _joined(pieces)[: rule.number("after")]
        return [Piece(data, pieces[0].after_s), Piece(action=action)]

    return shape


SHAPES: Mapping[str, Callable[[Rule, list[Piece]], list[Piece]]] = {
    "late": _late,
    "mute": lambda rule, pieces: [],
    "torn": _torn,
    "segments": _segments,
    "endless": _endless,
    "double": _edit(lambda rule, data: data + data),
    "tail": _edit(lambda rule, data: data.removesuffix(b"\n") + _raw(rule.text("text"))),
    "head": _edit(lambda rule, data: _raw(rule.text("text")) + data),
    "junk": _edit(lambda rule, data: _raw(rule.text("text")) + b"\n" + data),
    "more": _edit(lambda rule, data: data + _raw(rule.text("text")) + b"\n"),
    "say": _edit(lambda rule, data: _raw(rule.text("text")) + b"\n"),
    "drop": _edit(_drop),
    "cut-fields": _edit(_cut_fields),
    "block-length": _edit(_block_length),
    "block-digits": _edit(_block_digits),
    "block-empty": _edit(lambda rule, data: b"#10\n"),
    "block-twice": _edit(_block_twice),
    "close": _ending("close"),
    "reset": _ending("reset"),
    "raise": _ending("raise"),
}
