"""Which twin stands for which family, by role."""

from __future__ import annotations

from sim_instruments.families.family import Family
from sim_instruments.families.loads import Dl3000, El30000, It8500, Sdl
from sim_instruments.families.loads_apart import Chroma63, Et54, Kel103
from sim_instruments.families.meters import K2000, Dmm6500, K3446x, Sdm
from sim_instruments.families.pulsing import PulsingLoad
from sim_instruments.families.shown_meters import Dm3058, Gdm8, Xdm

__all__ = ["LOADS", "METERS"]

METERS: dict[str, type[Family]] = {
    "keysight-3446x": K3446x,
    "siglent-sdm": Sdm,
    "rigol-dm3058": Dm3058,
    "keithley-2000": K2000,
    "keithley-dmm6500": Dmm6500,
    "owon-xdm": Xdm,
    "gw-gdm8": Gdm8,
}
LOADS: dict[str, type[PulsingLoad]] = {
    "rigol-dl3000": Dl3000,
    "siglent-sdl": Sdl,
    "itech-it8500": It8500,
    "keysight-el30000": El30000,
    "chroma-63600": Chroma63,
    "korad-kel103": Kel103,
    "easttester-et54": Et54,
}
