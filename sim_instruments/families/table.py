"""Which twin stands for which family, by role."""

from __future__ import annotations

from sim_instruments.families.family import Family
from sim_instruments.families.meters import K2000, Dmm6500, K3446x, Sdm
from sim_instruments.families.shown_meters import Dm3058, Gdm8, Xdm

__all__ = ["METERS"]

METERS: dict[str, type[Family]] = {
    "keysight-3446x": K3446x,
    "siglent-sdm": Sdm,
    "rigol-dm3058": Dm3058,
    "keithley-2000": K2000,
    "keithley-dmm6500": Dmm6500,
    "owon-xdm": Xdm,
    "gw-gdm8": Gdm8,
}
