"""What can stand between two points of the bench: the edges of the hookup.

Points are named as in the bench file (``unit.plus``, ``scope.ch1.shell``), with a few more that
no wire can reach: ``earth`` (the socket's protective conductor), ``mains.l`` and ``mains.n``
(the line as it arrives at the unit), ``<instrument>.case`` and ``<instrument>.common``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = [
    "EARTH",
    "MAINS_SIDE",
    "Capacitance",
    "Diode",
    "Edge",
    "Isolation",
    "IsolationKind",
    "Resistance",
    "Source",
    "Tie",
    "TieKind",
]

EARTH = "earth"
MAINS_SIDE = ("unit.mains-l", "unit.mains-n", "unit.primary")

IsolationKind = Literal["input", "channels", "float", "differential", "monitor", "cable"]
TieKind = Literal["wire", "inside", "earth-lead", "strap", "cable", "found"]


@dataclass(frozen=True, slots=True)
class Tie:
    """A connection that carries whatever comes (``ohms`` at most 10 Ω).

    ``kind`` tells a wire of the bench file from a tie inside an instrument or the unit, an earth
    lead, the unit's strap, a data cable's screen, and a tie found by measuring.
    """

    a: str
    b: str
    name: str
    kind: TieKind
    ohms: float


@dataclass(frozen=True, slots=True)
class Resistance:
    """A resistance in ohms that limits the current: an input, a leak, a resistor."""

    a: str
    b: str
    name: str
    ohms: float


@dataclass(frozen=True, slots=True)
class Capacitance:
    """A capacitance in farads: nothing at dc, an impedance at the mains frequency."""

    a: str
    b: str
    name: str
    farads: float


@dataclass(frozen=True, slots=True)
class Diode:
    """A diode in a lead, conducting from ``a`` to ``b``; ``ohms`` is that of the lead."""

    a: str
    b: str
    name: str
    ohms: float


@dataclass(frozen=True, slots=True)
class Isolation:
    """Insulation that stands ``rated_v`` (V, dc or rms); None when nobody said how much."""

    a: str
    b: str
    name: str
    rated_v: float | None
    kind: IsolationKind = "input"


@dataclass(frozen=True, slots=True)
class Source:
    """A voltage from ``b`` (−) to ``a`` (+): ``dc_v`` and ``ac_v`` (rms) in V.

    ``surge_ohms`` limits the first instant (capacitor, line), ``ohms`` what follows;
    ``limit_a`` is a current limit that acts after that instant, None without one.
    ``farads`` is the capacitor across it.
    """

    a: str
    b: str
    name: str
    dc_v: float = 0.0
    ac_v: float = 0.0
    surge_ohms: float = 0.05
    ohms: float = 0.05
    limit_a: float | None = None
    farads: float = 0.0

    @property
    def stored_j(self) -> float:
        """Energy in the capacitor across it, ½CV², in J."""
        return 0.5 * self.farads * self.dc_v**2


Edge = Tie | Resistance | Capacitance | Diode | Isolation | Source
