"""Names of the terminals that a bench file may join by wires."""

from __future__ import annotations

import re
from collections.abc import Mapping

__all__ = ["UNIT_TERMINALS", "spoken", "terminals_of", "unknown_terminal"]

UNIT_TERMINALS = (
    "plus", "minus", "earth", "chassis", "sense-plus", "sense-minus",
    "raw", "coil1", "coil2", "coil3", "mains-l", "mains-n", "primary",
)  # fmt: skip

_BY_ROLE: dict[str, tuple[str, ...]] = {
    "meter": ("hi", "lo"),
    "load": ("plus", "minus", "sense-plus", "sense-minus", "monitor", "monitor-shell"),
    "scope": tuple(f"ch{n}.{part}" for n in range(1, 9) for part in ("tip", "shell")),
    "supply": (),
    "mains-source": ("l", "n", "pe"),
    "mains-meter": ("l", "n", "pe"),
    "thermometer": ("probe",),
    "second-source": ("plus", "minus"),
}


_SPOKEN = {
    "unit.plus": "the unit's + post",
    "unit.minus": "the unit's − post",
    "unit.earth": "the unit's earth post (bare metal of its case where it has none)",
}


def spoken(terminal: str) -> str:
    """Return a terminal as a person at the bench is told of it."""
    if terminal in _SPOKEN:
        return _SPOKEN[terminal]
    owner, _, end = terminal.partition(".")
    return f"{end} of {owner}" if end else owner


def terminals_of(role: str) -> tuple[str, ...]:
    """Terminals that an instrument of this role has."""
    return _BY_ROLE[role]


def unknown_terminal(name: str, roles: Mapping[str, str]) -> str | None:
    """Return None when the terminal exists, else a sentence that says what was expected.

    ``roles`` maps instrument names to roles. ``pc.earth`` is the computer's chassis.
    """
    owner, _, terminal = name.partition(".")
    if owner == "pc":
        known: tuple[str, ...] = ("earth",)
    elif owner == "unit":
        known = UNIT_TERMINALS
    elif owner in roles:
        known = terminals_of(roles[owner])
    else:
        owners = ", ".join(["unit", *roles])
        return f"expected a terminal of {owners}, found {name!r}"
    if terminal in known:
        return None
    shown = re.sub(r"(ch1\.shell).*", r"\1, ch2.tip …", ", ".join(known)) or "no terminal at all"
    return f"expected one of {owner}'s terminals ({shown}), found {name!r}"
