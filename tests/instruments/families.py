"""Twins of instrument families, each from its documented behaviour (source beside it).

Reply shapes that are peculiar to a family are kept: other words back than were sent, units in
replies, an index instead of a value, verdict words, spaces in an identity, bytes without end.
"""

from __future__ import annotations

from tests.instruments.load_twins import LOADS
from tests.instruments.meter_twins import METERS
from tests.instruments.reply_shapes import NR, fixed, onoff, sci
from tests.instruments.twin import State, Twin

__all__ = ["LOADS", "MAINS", "METERS", "SUPPLIES", "THERMOMETERS"]


def _supply_status(state: State) -> bytes:
    """One raw byte: bit 0 channel 1 in CV, bit 6 output on."""
    return bytes([0x01 | (0x40 if state.get("out") == "1" else 0x00)])


SUPPLIES: dict[str, Twin] = {
    "rigol-dp800": Twin(
        idn="RIGOL TECHNOLOGIES,DP832,DP8C000000001,00.01.14",
        source="public drivers of the DP800",
        state={"volts": "0", "amps": "0", "out": "OFF"},
        sets={
            rf"SOUR1:VOLT {NR}": "volts",
            rf"SOUR1:CURR {NR}": "amps",
            r"OUTP CH1,(ON|OFF)": "out",
        },
        asks={
            r"SOUR1:VOLT\?": fixed("volts", 3),
            r"SOUR1:CURR\?": fixed("amps", 3),
            r"OUTP\? CH1": "{out}",
            r"MEAS:VOLT\? CH1": "12.0034",
            r"MEAS:CURR\? CH1": "0.5001",
            r"OUTP:MODE\? CH1": "CV",
        },
    ),
    "siglent-spd3303x": Twin(
        idn="Siglent Technologies,SPD3303X-E,SPD00000000001,1.01.01.02.07R2,V3.0",
        source="public drivers (five identity fields; hexadecimal status; neither *ESE nor *ESR?)",
        scpi=False,
        state={"volts": "0", "amps": "0", "out": "OFF"},
        sets={
            rf"CH1:VOLT {NR}": "volts",
            rf"CH1:CURR {NR}": "amps",
            r"OUTP CH1,(ON|OFF)": "out",
            r"\*LOCK": "",
            r"\*UNLOCK": "",
        },
        asks={
            r"CH1:VOLT\?": fixed("volts", 3),
            r"CH1:CURR\?": fixed("amps", 3),
            r"SYST:ERR\?": "0  No Error",
            r"SYST:STAT\?": lambda s: "0x14" if s["out"] == "ON" else "0x4",
            r"MEAS:VOLT\? CH1": "12.003",
            r"MEAS:CURR\? CH1": "0.500",
        },
    ),
    "keysight-e36300": Twin(
        idn="Keysight Technologies,E36312A,MY00000001,2.1.0-1.0.4-1.12",
        source="public drivers",
        split=True,
        state={"volts": "0", "amps": "0", "out": "OFF"},
        sets={
            rf"VOLT {NR},\(@1\)": "volts",
            rf"CURR {NR},\(@1\)": "amps",
            r"OUTP (ON|OFF),\(@1\)": "out",
        },
        asks={
            r"VOLT\? \(@1\)": sci("volts"),
            r"CURR\? \(@1\)": sci("amps"),
            r"OUTP\? \(@1\)": onoff("out"),
            r"MEAS:VOLT\? \(@1\)": "+1.20034000E+01",
            r"MEAS:CURR\? \(@1\)": "+5.00100000E-01",
            r"STAT:QUES:INST:ISUM1:COND\?": "+2",
        },
    ),
    "korad-ka3005p": Twin(
        idn="KORADKA3005PV2.0",
        source="public driver (no line ends, five characters, status byte)",
        scpi=False,
        serial=True,
        no_end=True,
        end="",
        state={"volts": "0", "amps": "0", "out": "0"},
        sets={r"VSET1:([\d.]{5})": "volts", r"ISET1:([\d.]{5})": "amps", r"OUT([01])": "out"},
        asks={
            r"VSET1\?": lambda s: f"{float(s['volts']):05.2f}",
            r"ISET1\?": lambda s: f"{float(s['amps']):.3f}K",
            r"STATUS\?": _supply_status,
            r"VOUT1\?": "12.00",
            r"IOUT1\?": "0.500",
        },
    ),
}


MAINS: dict[str, Twin] = {
    "chroma-61600": Twin(
        idn="Chroma,61604,000000000001,1.00",
        source="public driver of the 61604; 61503 guide p. 94",
        state={"volts": "0", "hertz": "50", "out": "OFF"},
        sets={
            rf"SOUR:VOLT:AC {NR}": "volts",
            rf"SOUR:FREQ {NR}": "hertz",
            r"OUTP (ON|OFF)": "out",
        },
        asks={
            r"SOUR:VOLT:AC\?": fixed("volts", 1),
            r"SOUR:FREQ\?": fixed("hertz", 2),
            r"OUTP\?": "{out}",
        },
    ),
    "yokogawa-wt310": Twin(
        idn="YOKOGAWA,WT310E,C0000000001,F1.03",
        source="WT310EH guide pp. 33, 39, 96",
        sets={
            r"COMM:REM (ON|OFF)": "",
            r"HEAD OFF": "",
            r"VERB OFF": "",
            r"INP:MODE RMS": "",
            r"CFAC 3": "",
            r"RATE 500MS": "",
            r"NUM:FORM ASC": "",
            r"NORM:NUM 6": "",
            r"ITEM[1-6] (U|I|P|S|LAMB|FU),1": "",
        },
        asks={
            r"STAT:ERR\?": '0,"No error"',
            r"NUM:NORM:VAL\?": "230.12E+00,0.194E+00,32.13E+00,44.80E+00,0.7172E+00,50.000E+00",
        },
        split=True,
    ),
    "gw-gpm8310": Twin(
        idn="GW Instek,GPM-8310,GEQ000001,V1.00",
        source="public driver with a recorded reply",
        end="\r\n",
        split=True,
        sets={r"NUM:NORM:NUM 8": "", r"NUM:NORM:ITEM1 U,1": "", r"ITEM[2-8] \w+,1": ""},
        asks={r"NUM:NORM:VAL\?": "230.12,0.1940,32.13,44.80,50.000,0.7172,-31.22,44.18"},
    ),
}


THERMOMETERS: dict[str, Twin] = {
    "keysight-34970a": Twin(
        idn="HEWLETT-PACKARD,34970A,0,13-2-2",
        source="public drivers of the 34970A",
        split=True,
        sets={r"UNIT:TEMP C,\(@101,102\)": ""},
        asks={
            r"MEAS:TEMP\? TC,K,\(@101\)": "+4.12340000E+01",
            r"MEAS:TEMP\? TC,K,\(@102\)": "+9.90000000E+37",
        },
    ),
}
