"""Twins of scope families: each encodes the same volts by its own documented formula.

The encoding is the inverse of the formula printed for the family, written here a second time
and independently of runner.instruments.waveforms.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np

from tests.instruments.families import NR, fixed, onoff, sci
from tests.instruments.twin import State, Twin, definite

__all__ = ["DT_S", "N", "SCOPES", "VOLTS", "scope_twin"]

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


def scope_twin(name: str) -> Twin:
    """A fresh twin (trigger states are its own)."""
    return SCOPES[name]()


def _rigol() -> Twin:
    sweep = Sweep(("WAIT", "TD"), "STOP")
    return Twin(
        idn="RIGOL TECHNOLOGIES,DS1104Z,DS1ZA000000001,00.04.04.SP3",
        source="public drivers of the DS1000Z; formula (raw - yor - yref) * yinc",
        state={"probe": "10", "scal": "0.1", "offs": "0", "slop": "POS", "lev": "0"},
        sets={
            r"CHAN([1-4]):DISP (ON|OFF)": "disp{0}", r"CHAN1:COUP (AC|DC)": "coup",
            r"CHAN1:BWL (20M|OFF)": "bwl", rf"CHAN1:PROB {NR}": "probe", rf"CHAN1:SCAL {NR}": "scal",
            rf"CHAN1:OFFS {NR}": "offs", rf"TIM:MAIN:SCAL {NR}": "tim", rf"TIM:MAIN:OFFS {NR}": "pos",
            r"RUN": "", r"STOP": "", rf"ACQ:MDEP {NR}": "mdep", r"ACQ:TYPE (NORM|PEAK|AVER|HRES)": "type",
            r"TRIG:MODE EDGE": "", r"TRIG:EDG:SOUR (\w+)": "sour", r"TRIG:EDG:SLOP (POS|NEG|RFAL)": "slop",
            rf"TRIG:EDG:LEV {NR}": "lev", r"SING": "arm_count", r"TFOR": "", r"WAV:SOUR (\w+)": "wsour",
            r"WAV:MODE RAW": "wmode", r"WAV:FORM BYTE": "wform", rf"WAV:STAR {NR}": "star",
            rf"WAV:STOP {NR}": "stop",
        },
        asks={
            r"CHAN(?P<n>[1-4]):DISP\?": lambda s: onoff("disp" + s["n"])(s), r"CHAN1:COUP\?": "{coup}",
            r"CHAN1:BWL\?": "{bwl}", r"CHAN1:PROB\?": "{probe}", r"CHAN1:SCAL\?": sci("scal", 6),
            r"CHAN1:OFFS\?": sci("offs", 6), r"TIM:MAIN:SCAL\?": sci("tim", 6),
            r"TIM:MAIN:OFFS\?": sci("pos", 6), r"ACQ:MDEP\?": "{mdep}", r"ACQ:TYPE\?": "{type}",
            r"TRIG:EDG:SOUR\?": "{sour}", r"TRIG:EDG:SLOP\?": "{slop}", r"TRIG:EDG:LEV\?": sci("lev", 6),
            r"TRIG:STAT\?": sweep, r"WAV:SOUR\?": "{wsour}", r"WAV:MODE\?": "RAW", r"WAV:FORM\?": "BYTE",
            r"MEAS:ITEM\? VAVG,CHAN1": "4.500000e+00", r"MEAS:ITEM\? VPP,CHAN1": "6.000000e-02",
            r"WAV:PRE\?": f"0,2,{N},1,{DT_S:.6e},-1.0e-3,0,4.0e-4,-11250,127", r"WAV:DATA\?": rigol_bytes,
        },
    )  # fmt: skip


def _siglent_legacy() -> Twin:
    sweep = Sweep(("Ready", "Trig'd"), "Stop")
    return Twin(
        idn="Siglent Technologies,SDS1104X-E,SDS000000001,8.2.6.1.37R9",
        source="public drivers of the SDS1000X-E; v = raw * vdiv / 25 - offset",
        scpi=True,
        state={"attn": "1", "vdiv": "0.02", "offset": "-4.5", "acqw": "SAMPLING", "lev": "0"},
        sets={
            r"CHDR OFF": "", r"C([12]):TRA (ON|OFF)": "tra{0}", r"C1:CPL (D1M|A1M)": "cpl",
            r"BWL C1,(ON|OFF)": "bwl", rf"C1:ATTN {NR}": "attn", rf"C1:VDIV {NR}V": "vdiv",
            rf"C1:OFST {NR}V": "offset", rf"TDIV {NR}S": "tdiv", r"MSIZ (7K|70K|700K|7M)": "msiz",
            r"ACQW (\w+)(?:,\d+)?": "acqw", r"TRSE EDGE,SR,(\w+),HT,OFF": "trse",
            r"C1:TRSL (POS|NEG|WINDOW)": "slop", rf"C1:TRLV {NR}V": "lev", r"TRMD SINGLE": "",
            r"ARM": "arm_count", r"STOP": "", r"FRTR": "",
        },
        asks={
            r"C(?P<n>[12]):TRA\?": lambda s: onoff("tra" + s["n"], "ON", "OFF")(s), r"C1:CPL\?": "{cpl}",
            r"C1:BWL\?": "{bwl}", r"C1:ATTN\?": "{attn}", r"C1:VDIV\?": lambda s: f"{float(s['vdiv']):.2E}V",
            r"C1:OFST\?": lambda s: f"{float(s['offset']):.2E}V", r"TDIV\?": lambda s: f"{float(s['tdiv']):.2E}S",
            r"MSIZ\?": "{msiz}", r"ACQW\?": "{acqw}", r"TRSE\?": "EDGE,SR,{trse},HT,OFF",
            r"C1:TRSL\?": "{slop}", r"C1:TRLV\?": lambda s: f"{float(s['lev']):.2E}V", r"SAST\?": sweep,
            r"SARA\?": f"{1 / DT_S / 1e3:g}kSa/s", r"C1:WF\? DAT2": siglent_bytes,
        },
    )  # fmt: skip


def _siglent_hd() -> Twin:
    sweep = Sweep(("Arm", "Ready", "Trig'd"), "Stop")
    return Twin(
        idn="Siglent Technologies,SDS814X HD,SDS000000001,1.1.3.3",
        source="public drivers of the X HD families; description block of 346 bytes",
        state={"prob": "VAL,1.00E+00", "scal": "0.02", "offset": "0", "type": "NORMal", "lev": "0"},
        sets={
            r"CHAN([1-4]):SWIT (ON|OFF)": "swit{0}", r"CHAN1:COUP (DC|AC)": "coup",
            r"CHAN1:BWL (20M|FULL)": "bwl", r"CHAN1:PROB (VAL,[\d.]+)": "prob", rf"CHAN1:SCAL {NR}": "scal",
            rf"CHAN1:OFFS {NR}": "offset", rf"TIM:SCAL {NR}": "tim", r"ACQ:MDEP (10k|100k|1M|10M)": "mdep",
            r"ACQ:TYPE (\w+)(?:,\d+)?": "type", r"TRIG:TYPE EDGE": "", r"TRIG:EDGE:SOUR (\w+)": "sour",
            r"TRIG:EDGE:SLOP (\w+)": "slop", rf"TRIG:EDGE:LEV {NR}": "lev", r"TRIG:MODE SING": "arm_count",
            r"TRIG:STOP": "", r"TRIG:FOR": "", r"WAV:SOUR (C\d)": "wsour", r"WAV:WIDT (WORD|BYTE)": "widt",
        },
        asks={
            r"CHAN(?P<n>[1-4]):SWIT\?": lambda s: onoff("swit" + s["n"], "ON", "OFF")(s),
            r"CHAN1:COUP\?": "{coup}", r"CHAN1:BWL\?": "{bwl}", r"CHAN1:PROB\?": "{prob}",
            r"CHAN1:SCAL\?": sci("scal", 2), r"CHAN1:OFFS\?": sci("offset", 2), r"TIM:SCAL\?": sci("tim", 2),
            r"ACQ:MDEP\?": "{mdep}", r"ACQ:TYPE\?": lambda s: s["type"].upper(),
            r"TRIG:EDGE:SOUR\?": "{sour}", r"TRIG:EDGE:SLOP\?": "{slop}", r"TRIG:EDGE:LEV\?": sci("lev", 2),
            r"TRIG:STAT\?": sweep, r"WAV:SOUR\?": "{wsour}", r"WAV:WIDT\?": "{widt}",
            r"ACQ:POIN\?": f"{N:.2E}", r"WAV:PRE\?": siglent_description, r"WAV:DATA\?": siglent_words,
        },
    )  # fmt: skip


def _keysight() -> Twin:
    sweep = Sweep(("+8", "+8"), "+0")
    return Twin(
        idn="KEYSIGHT TECHNOLOGIES,DSO-X 2022A,MY00000001,02.50",
        source="public drivers of the InfiniiVision; (raw - yref) * yinc + yor",
        split=True,
        state={"probe": "1", "rang": "8", "offs": "0", "type": "NORM", "order": "MSBF", "lev": "0"},
        sets={
            r"CHAN([1-4]):DISP (ON|OFF)": "disp{0}", r"CHAN1:COUP (DC|AC)": "coup", r"CHAN1:BWL ([01])": "bwl",
            rf"CHAN1:PROB {NR}": "probe", rf"CHAN1:RANG {NR}": "rang", rf"CHAN1:OFFS {NR}": "offs",
            rf"TIM:RANG {NR}": "tim", r"TIM:REF CENT": "", rf"TIM:POS {NR}": "pos",
            r"WAV:POIN:MODE RAW": "", rf"WAV:POIN {NR}": "poin", r"ACQ:TYPE (\w+)": "type",
            r"TRIG:MODE EDGE": "", r"TRIG:EDGE:SOUR (\w+)": "sour", r"TRIG:EDGE:SLOP (\w+)": "slop",
            rf"TRIG:EDGE:LEV {NR}": "lev", r"TRIG:SWE (\w+)": "swe", r"SING": "arm_count", r"STOP": "",
            r"TRIG:FORC": "", r"WAV:SOUR (\w+)": "wsour", r"WAV:FORM WORD": "", r"WAV:BYT (LSBF|MSBF)": "order",
            r"WAV:UNS (1|0)": "uns",
        },
        asks={
            r"CHAN(?P<n>[1-4]):DISP\?": lambda s: onoff("disp" + s["n"])(s), r"CHAN1:COUP\?": "{coup}",
            r"CHAN1:BWL\?": "{bwl}", r"CHAN1:PROB\?": sci("probe", 5), r"CHAN1:RANG\?": sci("rang", 5),
            r"CHAN1:OFFS\?": sci("offs", 5), r"TIM:RANG\?": sci("tim", 5), r"TIM:POS\?": sci("pos", 8),
            r"ACQ:TYPE\?": lambda s: s["type"].upper()[:4], r"TRIG:EDGE:SOUR\?": "{sour}",
            r"TRIG:EDGE:SLOP\?": lambda s: s["slop"].upper()[:3], r"TRIG:EDGE:LEV\?": sci("lev", 5),
            r"TRIG:SWE\?": lambda s: s["swe"].upper()[:4], r"OPER:COND\?": sweep, r"WAV:SOUR\?": "{wsour}",
            r"WAV:FORM\?": "WORD", r"WAV:BYT\?": "{order}", r"WAV:UNS\?": "{uns}",
            r"MEAS:VAV\? DISP,CHAN1": "+4.5E+00", r"MEAS:VPP\? CHAN1": "+6.0E-02",
            r"WAV:PRE\?": f"1,0,{N},1,{DT_S:.8E},-5.0E-03,0,+1.0E-05,+4.5E+00,32768",
            r"WAV:DATA\?": keysight_bytes,
        },
    )  # fmt: skip


def _tek() -> Twin:
    sweep = Sweep(("ARMED", "READY", "TRIGGER"), "SAVE")
    return Twin(
        idn="TEKTRONIX,MDO3024,C000001,CF:91.1CT FV:v1.30",
        source="public drivers of the MDO3000/4000; (raw - YOF) * YMU + YZE",
        split=True,
        state={"gain": "0.1", "scale": "1", "offs": "0", "mod": "SAM", "wid": "1"},
        sets={
            r"HEAD 0": "", r"VERB 0": "", r"SEL:CH([1-4]) (ON|OFF)": "sel{0}", r"CH1:COUP (DC|AC)": "coup",
            r"CH1:BAN (20E6|FUL)": "ban", rf"CH1:PRO:GAIN {NR}": "gain", rf"CH1:SCA {NR}": "scale",
            r"CH1:POS 0": "", rf"CH1:OFFS {NR}": "offs", rf"HOR:SCA {NR}": "hor", r"HOR:DEL:MOD ON": "",
            rf"HOR:DEL:TIM {NR}": "del", rf"HOR:RECO {NR}": "reco", r"ACQ:MOD (\w+)": "mod",
            r"TRIG:A:TYP EDGE": "", r"TRIG:A:EDGE:SOU (\w+)": "sou", r"TRIG:A:EDGE:SLO (\w+)": "slo",
            rf"TRIG:A:LEV:CH1 {NR}": "lev", r"TRIG:A:MOD (\w+)": "tmod", r"ACQ:STOPA SEQ": "",
            r"STATE ON": "arm_count", r"ACQ:STATE STOP": "", r"TRIG FORC": "", r"DAT:SOU (CH\d)": "dsou",
            r"DAT:ENC (\w+)": "enc", r"DAT:WID (\d)": "wid", r"DAT:STAR 1": "", r"DAT:STOP \d+": "",
        },
        asks={
            r"ALLEV\?": '0,"No events to report - queue empty"', r"SEL:CH(?P<n>[1-4])\?": lambda s: onoff("sel" + s["n"])(s),
            r"CH1:COUP\?": "{coup}", r"CH1:BAN\?": lambda s: "20.0000E+6" if s["ban"] == "20E6" else "200.0000E+6",
            r"CH1:PRO:GAIN\?": lambda s: f"{float(s['gain']):.4E}", r"CH1:SCA\?": sci("scale", 4),
            r"CH1:OFFS\?": sci("offs", 4), r"HOR:SCA\?": sci("hor", 4), r"HOR:DEL:TIM\?": sci("del", 6),
            r"HOR:RECO\?": "{reco}", r"ACQ:MOD\?": lambda s: s["mod"].upper(), r"TRIG:A:EDGE:SOU\?": "{sou}",
            r"TRIG:A:EDGE:SLO\?": lambda s: s["slo"].upper(), r"TRIG:A:LEV:CH1\?": sci("lev", 4),
            r"TRIG:A:MOD\?": lambda s: s["tmod"].upper(), r"TRIG:STATE\?": sweep, r"DAT:SOU\?": "{dsou}",
            r"DAT:ENC\?": lambda s: s["enc"].upper(), r"DAT:WID\?": "{wid}", r"WFMO:YMU\?": "400.0000E-6",
            r"WFMO:YOF\?": "3.0E+0", r"WFMO:YZE\?": "4.5000", r"WFMO:XIN\?": f"{DT_S:.4E}",
            r"WFMO:XZE\?": "-1.0000E-3", r"WFMO:NR_P\?": str(N), r"CURV\?": tek_bytes,
        },
    )  # fmt: skip


def _rs() -> Twin:
    sweep = Sweep(("RUN", "RUN"), "COMP")
    return Twin(
        idn="Rohde&Schwarz,RTB2004,1333.1005k04/100001,02.400",
        source="public drivers of the RTB2000; DATA:HEAD? is xstart, xstop, n, values an interval",
        split=True,
        state={"att": "1", "scal": "1", "offs": "0", "order": "MSBF", "lev": "0"},
        sets={
            r"CHAN([1-4]):STAT (ON|OFF)": "stat{0}", r"CHAN1:COUP (DCLimit|ACLimit)": "coup",
            r"CHAN1:BAND (B20|FULL)": "band", rf"PROB1:SET:ATT:MAN {NR}": "att", rf"CHAN1:SCAL {NR}": "scal",
            r"CHAN1:POS 0": "", rf"CHAN1:OFFS {NR}": "offs", rf"TIM:SCAL {NR}": "tim", rf"TIM:POS {NR}": "pos",
            rf"ACQ:POIN {NR}": "poin", r"TRIG:A:TYPE EDGE": "", r"TRIG:A:SOUR (\w+)": "sour",
            r"TRIG:A:EDGE:SLOP (\w+)": "slop", rf"TRIG:A:LEV1 {NR}": "lev", r"TRIG:A:MODE (\w+)": "mode",
            r"SING": "arm_count", r"STOP": "", r"FORM (REAL),32": "form", r"FORM:BORD (LSBF|MSBF)": "order",
            r"CHAN1:DATA:POIN (DMAX|MAX|DEF)": "dpoin",
        },
        asks={
            r"CHAN(?P<n>[1-4]):STAT\?": lambda s: onoff("stat" + s["n"])(s),
            r"CHAN1:COUP\?": lambda s: {"DCLimit": "DCL", "ACLimit": "ACL"}[s["coup"]],
            r"CHAN1:BAND\?": "{band}", r"PROB1:SET:ATT:MAN\?": sci("att", 2), r"CHAN1:SCAL\?": sci("scal", 2),
            r"CHAN1:OFFS\?": sci("offs", 2), r"TIM:SCAL\?": sci("tim", 2), r"TIM:POS\?": sci("pos", 8),
            r"ACQ:POIN\?": fixed("poin", 0), r"TRIG:A:SOUR\?": "{sour}",
            r"TRIG:A:EDGE:SLOP\?": lambda s: s["slop"].upper()[:3], r"TRIG:A:LEV1\?": sci("lev", 2),
            r"TRIG:A:MODE\?": lambda s: s["mode"].upper()[:4], r"ACQ:STAT\?": sweep, r"FORM\?": "REAL,32",
            r"FORM:BORD\?": "{order}", r"CHAN1:DATA:POIN\?": "{dpoin}",
            r"CHAN1:DATA:HEAD\?": f"-1.000E-03,{-1e-3 + (N - 1) * DT_S:.6E},{N},1", r"CHAN1:DATA\?": rs_bytes,
        },
    )  # fmt: skip


SCOPES: dict[str, Callable[[], Twin]] = {
    "rigol-ds1000z": _rigol,
    "siglent-sds1000x-e": _siglent_legacy,
    "siglent-sds-hd": _siglent_hd,
    "keysight-infiniivision": _keysight,
    "tektronix-mdo": _tek,
    "rs-rtb2000": _rs,
}
