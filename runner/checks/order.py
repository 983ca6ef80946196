"""The checks in the order in which they are done: safe and cool first, hot and line-bound last."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec

from runner.checks.check import Check

__all__ = ["ALL", "BY_NAME", "NAMES"]

NAMES = (
    "before-power",
    "earth-reference",
    "setting",
    "load-effect",
    "tap-map",
    "ripple",
    "current-limit",
    "transient",
    "switching",
    "impedance",
    "headroom",
    "source-effect",
    "back-feed",
    "drift",
)
"""Every check; each is the object ``CHECK`` of ``runner.checks.<name with underscores>``."""


def _all() -> tuple[Check, ...]:
    modules = [f"runner.checks.{name.replace('-', '_')}" for name in NAMES]
    return tuple(import_module(one).CHECK for one in modules if find_spec(one) is not None)


ALL: tuple[Check, ...] = _all()

BY_NAME: dict[str, Check] = {
    check.name: check for check in (*ALL, import_module("runner.checks.soak").CHECK)
}
"""All that a record may hold: the soak is begun by its own command, not by the acceptance."""
