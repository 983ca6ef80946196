"""Plain SCPI meter, load and scope for the fault cases: words of SCPI-1999 volume 2.

They are no simulators: constant readings, settings kept and given back.
"""

from __future__ import annotations

import numpy as np

from tests.instruments.reply_shapes import NR, onoff, sci
from tests.instruments.scope_encoders import Sweep
from tests.instruments.twin import State, Twin, definite

__all__ = ["LOAD", "METER", "RECORD", "SCOPE"]

RECORD = 4.5 + 0.03 * np.sin(2 * np.pi * np.arange(1000) / 200.0)
"""Volts of the plain scope's record, shape (1000,)."""

METER = Twin(
    idn="ACME,DMM,1,1.0",
    source="SCPI-1999 volume 2",
    split=True,
    state={"func": "DC", "range": "1000", "nplc": "10"},
    sets={
        r"CONF:VOLT:(DC|AC)": "func",
        rf"CONF:VOLT:(DC|AC) {NR}": "range",
        rf"VOLT:DC:NPLC {NR}": "nplc",
    },
    asks={
        r"VOLT:(DC|AC):RANG\?": sci("range"),
        r"VOLT:DC:RANG:AUTO\?": "1",
        r"VOLT:DC:NPLC\?": sci("nplc"),
        r"READ\?": "+1.20000000E+01",
    },
)

LOAD = Twin(
    idn="ACME,LOAD,1,1.0",
    source="SCPI-1999 volume 2",
    split=True,
    state={
        "mode": "CURR",
        "amps": "0",
        "range": "30",
        "slew": "1e5",
        "input": "0",
        "short": "0",
        "tran": "0",
    },
    sets={
        r"FUNC (CURR|VOLT|RES|POW)": "mode",
        rf"CURR:RANG {NR}": "range",
        rf"CURR {NR}": "amps",
        rf"RES {NR}": "ohms",
        rf"CURR:SLEW {NR}": "slew",
        r"INP (ON|OFF)": "input",
        r"INP:SHOR (0|ON|OFF)": "short",
        r"TRAN (0|ON|OFF)": "tran",
        rf"CURR:TLEV {NR}": "high",
        rf"TRAN:FREQ {NR}": "hz",
        r"TRAN:DCYC 50": "",
    },
    asks={
        r"FUNC\?": "{mode}",
        r"CURR:RANG\?": lambda s: "3" if float(s["range"]) <= 3 else "30",
        r"CURR\?": sci("amps"),
        r"RES\?": sci("ohms"),
        r"CURR:SLEW\?": sci("slew"),
        r"INP\?": onoff("input"),
        r"INP:SHOR\?": onoff("short"),
        r"TRAN\?": onoff("tran"),
        r"MEAS:VOLT\?": "+1.20000000E+01",
        r"MEAS:CURR\?": lambda s: f"{float(s['amps']) if s['input'] in ('ON', '1') else 0.0:+.8E}",
        r"STAT:QUES:COND\?": "0",
    },
)


def _codes(state: State) -> bytes:
    order = "<u2" if state["order"].startswith("SWAP") else ">u2"
    first, last = int(float(state.get("star", "1"))), int(float(state.get("stop", "1000")))
    raw = np.rint((RECORD - 4.5) / 1e-5 + 32768).astype(order)
    return definite(raw[first - 1 : last].tobytes())


def _captures(state: State) -> str:
    return state.get("arm_count", "0")


def SCOPE() -> Twin:  # noqa: N802 - a twin like the others, but fresh each time
    """One channel of 4.5 V with 60 mVpp; 16-bit codes of 10 uV."""
    return Twin(
        idn="ACME,SCOPE,1,1.0",
        source="words of the plain SCPI scope",
        split=True,
        state={
            "probe": "1",
            "rang": "8",
            "offs": "0",
            "type": "NORM",
            "order": "NORM",
            "lev": "0",
            "band": "MAX",
            "mode": "AUTO",
            "poin": "1000",
        },
        sets={
            r"CHAN([1-4]):STAT (ON|OFF)": "stat{0}",
            r"CHAN1:COUP (DC|AC)": "coup",
            r"CHAN1:BAND (20E6|MAX)": "band",
            rf"CHAN1:PROB {NR}": "probe",
            rf"CHAN1:RANG {NR}": "rang",
            rf"CHAN1:OFFS {NR}": "offs",
            rf"TIM:RANG {NR}": "tim",
            rf"TIM:POS {NR}": "pos",
            rf"ACQ:POIN {NR}": "poin",
            r"ACQ:TYPE (\w+)": "type",
            rf"ACQ:COUN {NR}": "coun",
            r"TRIG:TYPE EDGE": "",
            r"TRIG:SOUR (\w+)": "sour",
            r"TRIG:SLOP (\w+)": "slop",
            rf"TRIG:LEV {NR}": "lev",
            r"TRIG:MODE (\w+)": "mode",
            r"TRIG:FORC": "",
            r"SING": "arm_count",
            r"STOP": "",
            r"WAV:SOUR (\w+)": "wsour",
            r"WAV:FORM (WORD)": "form",
            r"WAV:BORD (\w+)": "order",
            rf"WAV:STAR {NR}": "star",
            rf"WAV:STOP {NR}": "stop",
        },
        asks={
            r"CHAN(?P<n>[1-4]):STAT\?": lambda s: onoff("stat" + s["n"])(s),
            r"CHAN1:COUP\?": "{coup}",
            r"CHAN1:BAND\?": lambda s: "2.0E+07" if s["band"] == "20E6" else "1.0E+08",
            r"CHAN1:PROB\?": sci("probe"),
            r"CHAN1:RANG\?": sci("rang"),
            r"CHAN1:OFFS\?": sci("offs"),
            r"TIM:RANG\?": sci("tim"),
            r"TIM:POS\?": sci("pos"),
            r"ACQ:POIN\?": "{poin}",
            r"ACQ:TYPE\?": lambda s: s["type"].upper(),
            r"ACQ:COUN\?": "{coun}",
            r"TRIG:SOUR\?": "{sour}",
            r"TRIG:SLOP\?": lambda s: s["slop"].upper(),
            r"TRIG:LEV\?": sci("lev"),
            r"TRIG:MODE\?": lambda s: s["mode"].upper(),
            r"TRIG:STAT\?": Sweep(("WAIT", "RUN"), "STOP"),
            r"ACQ:NUMB\?": _captures,
            r"WAV:SOUR\?": "{wsour}",
            r"WAV:FORM\?": "WORD",
            r"WAV:BORD\?": lambda s: s["order"].upper(),
            r"WAV:POIN\?": "1000",
            r"WAV:PRE\?": "1,0,1000,1,+1.0E-05,-1.0E-03,0,+1.0E-05,+4.5E+00,32768",
            r"WAV:DATA\?": _codes,
            r"MEAS:VAV\? CHAN1": "+4.50000E+00",
            r"MEAS:VPP\? CHAN1": "+6.00000E-02",
        },
    )
