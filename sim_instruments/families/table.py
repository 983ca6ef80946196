"""Which twin stands for which family, by role."""

from __future__ import annotations

from sim_instruments.families.family import Family
from sim_instruments.families.infiniivision import InfiniiVision
from sim_instruments.families.loads import Dl3000, El30000, It8500, Sdl
from sim_instruments.families.loads_apart import Chroma63, Et54, Kel103
from sim_instruments.families.mains import K34970, Chroma61, Gpm8310, Wt310
from sim_instruments.families.meters import K2000, Dmm6500, K3446x, Sdm
from sim_instruments.families.pulsing import PulsingLoad
from sim_instruments.families.scopes import Ds1000z, FamilyScope
from sim_instruments.families.scopes_apart import Mdo3000, Rtb2000
from sim_instruments.families.shown_meters import Dm3058, Gdm8, Xdm
from sim_instruments.families.siglents import Sds1000xe, SdsHd
from sim_instruments.families.supplies import E36300, Dp800, Ka3005p, Spd3303x
from sim_instruments.mains_gear import MainsMeter, MainsSource, Thermometer
from sim_instruments.supply import Supply

__all__ = [
    "LOADS",
    "MAINS_METERS",
    "MAINS_SOURCES",
    "METERS",
    "SCOPES",
    "SUPPLIES",
    "THERMOMETERS",
]

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
SUPPLIES: dict[str, type[Supply]] = {
    "keysight-e36300": E36300,
    "rigol-dp800": Dp800,
    "siglent-spd3303x": Spd3303x,
    "korad-ka3005p": Ka3005p,
}
MAINS_SOURCES: dict[str, type[MainsSource]] = {"chroma-61600": Chroma61}
MAINS_METERS: dict[str, type[MainsMeter]] = {"yokogawa-wt310": Wt310, "gw-gpm8310": Gpm8310}
THERMOMETERS: dict[str, type[Thermometer]] = {"keysight-34970a": K34970}
SCOPES: dict[str, type[FamilyScope]] = {
    "rigol-ds1000z": Ds1000z,
    "siglent-sds1000x-e": Sds1000xe,
    "siglent-sds-hd": SdsHd,
    "keysight-infiniivision": InfiniiVision,
    "tektronix-mdo": Mdo3000,
    "rs-rtb2000": Rtb2000,
}
