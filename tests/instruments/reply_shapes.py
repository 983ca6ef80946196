"""Shapes of replies that several families share."""

from __future__ import annotations

from collections.abc import Callable

from tests.instruments.twin import State

__all__ = ["NR", "fixed", "onoff", "sci"]

NR = r"([-+.\dEe]+)"


def sci(key: str, digits: int = 8) -> Callable[[State], str]:
    """The kept number in scientific form, as most SCPI instruments answer."""
    return lambda state: f"{float(state[key]):+.{digits}E}"


def fixed(key: str, digits: int, tail: str = "") -> Callable[[State], str]:
    """The kept number with fixed decimals."""
    return lambda state: f"{float(state[key]):.{digits}f}{tail}"


def onoff(key: str, on: str = "1", off: str = "0") -> Callable[[State], str]:
    """The kept switch in this family's words."""
    return lambda state: on if state.get(key, "0").upper() in {"1", "ON"} else off
