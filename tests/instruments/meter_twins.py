"""Twins of meter families, from their documented behaviour."""

from __future__ import annotations

from tests.instruments.reply_shapes import NR, onoff, sci
from tests.instruments.twin import Twin

__all__ = ["METERS"]


def plain_meter(idn: str, source: str, prefix: str = "", read: str = r"READ\?") -> Twin:
    """The lineage in which CONF chooses function and range."""
    p = prefix
    return Twin(
        idn=idn,
        source=source,
        split=True,
        state={"func": "DC", "range": "1000", "auto": "1", "nplc": "1"},
        sets={
            rf"{p}CONF:VOLT:(DC|AC)": "func",
            rf"{p}CONF:VOLT:(DC|AC) {NR}": "range",
            rf"{p}VOLT:DC:NPLC {NR}": "nplc",
            rf"{p}INIT": "inits",
        },
        asks={
            rf"{p}VOLT:(DC|AC):RANG\?": sci("range"),
            rf"{p}VOLT:DC:RANG:AUTO\?": "{auto}",
            rf"{p}VOLT:DC:NPLC\?": sci("nplc"),
            read: "+1.20034500E+01",
            rf"{p}FETC\?": "+1.20034500E+01",
        },
    )


METERS: dict[str, Twin] = {
    "keysight-3446x": plain_meter(
        "Keysight Technologies,34465A,MY00000001,A.03.00-03.00",
        "public drivers of the 34401A/3446xA",
    ),
    "siglent-sdm": plain_meter(
        "Siglent Technologies,SDM3055,SDM00000000001,1.01.01.22R1",
        "SDM remote manual, command list",
    ),
    "keithley-2000": Twin(
        idn="KEITHLEY INSTRUMENTS INC.,MODEL 2000,0000001,A20  /A02",
        source="public drivers of the 2000; 2015 guide p. 119",
        split=True,
        state={"range": "1000", "nplc": "1", "auto": "0", "func": "DC"},
        sets={
            r"INIT": "inits",
            r"INIT:CONT OFF": "",
            r"ABOR": "",
            r"FORM:ELEM READ": "",
            r"CONF:VOLT:(DC|AC)": "func",
            rf"SENS:VOLT:(DC|AC):RANG {NR}": "range",
            r"SENS:VOLT:DC:RANG:AUTO ([01])": "auto",
            rf"SENS:VOLT:DC:NPLC {NR}": "nplc",
        },
        asks={
            r"SENS:VOLT:(DC|AC):RANG\?": lambda s: f"{1.1 * float(s['range']):.6E}",
            r"SENS:VOLT:DC:RANG:AUTO\?": "{auto}",
            r"SENS:VOLT:DC:NPLC\?": "{nplc}",
            r"READ\?": "+1.20034500E+01",
            r"FETC\?": "+1.20034500E+01",
        },
    ),
    "keithley-dmm6500": Twin(
        idn="KEITHLEY INSTRUMENTS,MODEL DMM6500,04000001,1.7.12b",
        source="public drivers of the DMM6500",
        split=True,
        state={
            "range": "1000",
            "nplc": "1",
            "auto": "0",
            "func": "VOLT:DC",
            "az": "1",
            "inp": "AUTO",
        },
        sets={
            r'SENS:FUNC "([\w:]+)"': "func",
            rf"SENS:VOLT:(DC|AC):RANG {NR}": "range",
            r"SENS:VOLT:DC:RANG:AUTO (ON|OFF)": "auto",
            rf"SENS:VOLT:DC:NPLC {NR}": "nplc",
            r"SENS:VOLT:DC:AZER (ON|OFF)": "az",
            r"SENS:VOLT:DC:INP (AUTO|MOHM10)": "inp",
        },
        asks={
            r"\*LANG\?": "SCPI",
            r"SENS:VOLT:(DC|AC):RANG\?": "{range}",
            r"SENS:VOLT:DC:RANG:AUTO\?": onoff("auto"),
            r"SENS:VOLT:DC:NPLC\?": "{nplc}",
            r"SENS:VOLT:DC:AZER\?": onoff("az"),
            r"SENS:VOLT:DC:INP\?": "{inp}",
            r"READ\?": "1.200345E+01",
        },
    ),
    "rigol-dm3058": Twin(
        idn="Rigol Technologies,DM3058,DM3A000000001,01.01.00.02.02.00",
        source="digest of the guide of January 2015; an owner's DM3058 over LAN",
        state={"func": "", "range": "0"},
        sets={
            r"FUNC:VOLT:(DC|AC)": "func",
            r"MEAS:VOLT:(DC|AC) (\d)": "range",
            r"MEAS AUTO": "auto",
        },
        asks={
            r"CMDSET\?": "RIGOL",
            r"MEAS:VOLT:(DC|AC):RANG\?": "{range}",
            r"MEAS\?": "TRUE",
            r"MEAS:VOLT:DC\?": "1.200345e+01",
            r"MEAS:VOLT:AC\?": "1.200345e+01",
        },
        scpi=True,
    ),
    "owon-xdm": Twin(
        idn="OWON,XDM1041,23000001,V4.1.0,3",
        source="an owner's notes on the XDM1241 (five identity fields, silence on unknown words)",
        scpi=False,
        end="\r\n",
        state={"func": '"VOLT"', "auto": "0"},
        sets={
            rf"CONF:VOLT:(DC|AC) {NR}": "range of {0}",
            r"CONF:VOLT:DC": "",
            r"AUTO": "",
        },
        asks={
            r"FUNC\?": lambda s: '"VOLT AC"' if s["last"].startswith("range of AC") else '"VOLT"',
            r"AUTO1\?": "1",
            r"MEAS1\?": "1.200345E+01",
            r"\*ESR\?": "0",
        },
    ),
    "gw-gdm8": Twin(
        idn="GW,GDM8255A,000001,1.03",
        source="public driver of the GDM-8251A/8255A",
        end="\r\n",
        split=True,
        state={"func": "01"},
        sets={rf"CONF:VOLT:(DC|AC) {NR}": "range of {0}"},
        asks={
            r"CONF:STAT:FUNC\?": lambda s: "02" if s["last"].startswith("range of AC") else "01",
            r"VAL1\?": "+1.200345E+1",
        },
    ),
}
