"""The same volts, encoded by each scope family's own documented formula.

Each is the inverse of the formula printed for the family, written here a second time and
independently of runner.instruments.waveforms.
"""

from __future__ import annotations

import struct

import numpy as np

from tests.instruments.twin import State, definite

__all__ = [
    "DT_S",
    "VOLTS",
    "N",
    "Sweep",
    "keysight_bytes",
    "rigol_bytes",
    "rs_bytes",
    "siglent_bytes",
    "siglent_description",
    "siglent_words",
    "tek_bytes",
]

N = 1000
DT_S = 1e-5
VOLTS = 4.5 + 0.03 * np.sin(2 * np.pi * np.arange(N) / 200.0)
"""True volts at the probe tip: 4.5 V with 60 mVpp on it."""


class Sweep:
    """Trigger state of a twin: idle until armed, then each word once, then idle for good."""

    def __init__(self, armed: tuple[str, ...], idle: str) -> None:
        self.armed, self.idle = armed, idle
        self._left: list[str] = []

    def __call__(self, state: State) -> str:
        if state.get("arm_count", "0") != state.get("swept", "0"):
            state["swept"] = state["arm_count"]
            self._left = list(self.armed)
        return self._left.pop(0) if self._left else self.idle


def rigol_bytes(state: State) -> bytes:
    """raw = v / yinc + yorigin + yref, u8; the numbers are those of the preamble below."""
    first, last = int(float(state.get("star", "1"))), int(float(state.get("stop", str(N))))
    raw = np.rint(VOLTS / 4e-4 + (-11250) + 127).astype(np.uint8)
    return definite(raw[first - 1 : last].tobytes(), 9)


def keysight_bytes(state: State) -> bytes:
    """raw = (v − yorigin) / yinc + yref, u16 little-endian when LSBF was asked for."""
    raw = np.rint((VOLTS - 4.5) / 1e-5 + 32768).astype("<u2" if state["order"] == "LSBF" else ">u2")
    return definite(raw.tobytes(), 8)


def siglent_bytes(state: State) -> bytes:
    """raw = (v + offset)·25 / vdiv, i8; text before the block and two line ends after it."""
    vdiv, offset = 0.02, float(state["offset"])
    raw = np.rint((VOLTS + offset) * 25.0 / vdiv).astype(np.int8)
    return b"DAT2," + definite(raw.tobytes(), 9) + b"\n"


def siglent_words(state: State) -> bytes:
    """raw = (v + offset)·codes / vdiv, i16 little-endian; probe 1."""
    raw = np.rint((VOLTS + float(state["offset"])) * 30720.0 / 0.02 / 4).astype("<i2")
    return definite(raw.tobytes(), 9) + b"\n"


def siglent_description(state: State) -> bytes:
    """346 bytes with the fields at their documented places."""
    block = bytearray(346)
    struct.pack_into("<f", block, 0x9C, 0.02)
    struct.pack_into("<f", block, 0xA0, float(state["offset"]))
    struct.pack_into("<f", block, 0xA4, 30720.0 / 4)
    struct.pack_into("<h", block, 0xAC, 12)
    struct.pack_into("<f", block, 0xB0, DT_S)
    struct.pack_into("<d", block, 0xB4, 0.0)
    struct.pack_into("<f", block, 0x148, 1.0)
    return definite(bytes(block), 9) + b"\n"


def tek_bytes(state: State) -> bytes:
    """raw = (v − yzero) / ymult + yoff, i8."""
    raw = np.rint((VOLTS - 4.5) / 4e-4 + 3).astype(np.int8)
    return definite(raw.tobytes())


def rs_bytes(state: State) -> bytes:
    """Volts as 32-bit floats, low byte first when LSBF was asked for."""
    return definite(VOLTS.astype("<f4" if state["order"] == "LSBF" else ">f4").tobytes())
