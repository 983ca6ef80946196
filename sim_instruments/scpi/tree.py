"""Commands declared as data, and the tree that finds them.

A header is written as the standards print it, `[SENSe]:VOLTage[:DC]:RANGe[:UPPer]`, with the
highest numeric suffix in angle brackets, `CHANnel<4>:SCALe`. Every combination of optional nodes
becomes a path of its own, so that finding a command is a plain walk.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sim_instruments.scpi.errors import ScpiError
from sim_instruments.scpi.kinds import Kind
from sim_instruments.scpi.mnemonic import forms, split_suffix

__all__ = ["Command", "Tree"]

_NODE = re.compile(r"(?P<opt>\[)?:?(?P<word>\*?[A-Za-z_][A-Za-z0-9_]*)(?:<(?P<max>[0-9]+)>)?:?\]?")


@dataclass(frozen=True)
class Command:
    """One header: what it does when set and what it answers when asked.

    `act` receives the numeric suffixes, then one value per kind in `takes`. `ask` receives the
    suffixes, then one value per kind in `asks` (given by the user after the query, all optional).
    The last `optional` of `takes` may be left out.
    """

    header: str
    act: Callable[..., Any] | None = None
    ask: Callable[..., Any] | None = None
    takes: tuple[Kind, ...] = ()
    asks: tuple[Kind, ...] = ()
    optional: int = 0
    limits_of: Kind | None = None
    indefinite: bool = False


@dataclass
class _Node:
    children: dict[str, _Node] = field(default_factory=dict)
    suffix_max: int = 0
    acting: Command | None = None
    asking: Command | None = None


class Tree:
    """All commands of one instrument."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self._root = _Node()
        self._common: dict[str, Command] = {}
        for command in commands:
            if command.header.startswith("*"):
                self._common[command.header.upper()] = command
            else:
                for path in _spell(command.header):
                    self._insert(path, command)

    def _insert(self, path: Sequence[tuple[str, int]], command: Command) -> None:
        node = self._root
        for word, suffix_max in path:
            child = next((node.children[f] for f in forms(word) if f in node.children), _Node())
            child.suffix_max = max(child.suffix_max, suffix_max)
            for form in forms(word):
                node.children[form] = child
            node = child
        if (command.act and node.acting) or (command.ask and node.asking):
            raise ValueError(f"{command.header} is declared twice")
        node.acting = command if command.act else node.acting
        node.asking = command if command.ask else node.asking

    def common(self, word: str, query: bool) -> Command:
        """Find a `*` command or raise −113."""
        command = self._common.get(word)
        if command is None or (command.ask if query else command.act) is None:
            raise ScpiError(-113)
        return command

    def find(self, path: Sequence[str], query: bool) -> tuple[Command, tuple[int, ...]]:
        """Walk the upper-case keywords; give the command and its numeric suffixes."""
        node, suffixes = self._root, []
        for word in path:
            child, suffix = _step(node, word)
            if child is None:
                raise ScpiError(-113)
            if child.suffix_max:
                number = int(suffix or "1")
                if not 1 <= number <= child.suffix_max:
                    raise ScpiError(-114)
                suffixes.append(number)
            elif suffix:
                raise ScpiError(-113)
            node = child
        command = node.asking if query else node.acting
        if command is None:
            raise ScpiError(-113)
        return command, tuple(suffixes)


def _step(node: _Node, word: str) -> tuple[_Node | None, str]:
    child = node.children.get(word)
    if child is not None:
        return child, ""
    stem, suffix = split_suffix(word)
    return (node.children.get(stem), suffix) if suffix else (None, "")


def _spell(header: str) -> list[list[tuple[str, int]]]:
    """Every legal sequence of (keyword, highest suffix) that a written header stands for."""
    paths: list[list[tuple[str, int]]] = [[]]
    for match in _NODE.finditer(header):
        part = (match["word"], int(match["max"] or 0))
        longer = [[*path, part] for path in paths]
        paths = paths + longer if match["opt"] else longer
    return [path for path in paths if path]
