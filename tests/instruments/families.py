"""Twins of instrument families, each from its documented behaviour (source beside it).

Reply shapes that are peculiar to a family are kept: other words back than were sent, units in
replies, an index instead of a value, verdict words, spaces in an identity, bytes without end.
"""

from __future__ import annotations

from collections.abc import Callable

from tests.instruments.twin import State, Twin

__all__ = ["LOADS", "MAINS", "METERS", "SUPPLIES", "THERMOMETERS"]

NR = r"([-+.\dEe]+)"


def sci(key: str, digits: int = 8) -> Callable[[State], str]:
    """The kept number in scientific form, as most SCPI instruments answer."""
    return lambda state: f"{float(state[key]):+.{digits}E}"


def fixed(key: str, digits: int, tail: str = "") -> Callable[[State], str]:
    """The kept number with fixed decimals."""
    return lambda state: f"{float(state[key]):.{digits}f}{tail}"


def onoff(key: str, on: str = "1", off: str = "0") -> Callable[[State], str]:
    """The kept switch in this family's words."""
    return lambda state: on if state.get(key, "0").upper() in {"1", "ON"} else off


def plain_meter(idn: str, source: str, prefix: str = "", read: str = r"READ\?") -> Twin:
    """The lineage in which CONF chooses function and range."""
    p = prefix
    return Twin(
        idn=idn, source=source, split=True,
        state={"func": "DC", "range": "1000", "auto": "1", "nplc": "1"},
        sets={
            rf"{p}CONF:VOLT:(DC|AC)": "func", rf"{p}CONF:VOLT:(DC|AC) {NR}": "range",
            rf"{p}VOLT:DC:NPLC {NR}": "nplc",
        },
        asks={
            rf"{p}VOLT:(DC|AC):RANG\?": sci("range"), rf"{p}VOLT:DC:RANG:AUTO\?": "{auto}",
            rf"{p}VOLT:DC:NPLC\?": sci("nplc"), read: "+1.20034500E+01",
        },
    )  # fmt: skip


METERS: dict[str, Twin] = {
    "keysight-3446x": plain_meter(
        "Keysight Technologies,34465A,MY00000001,A.03.00-03.00", "public drivers of the 34401A/3446xA"
    ),
    "siglent-sdm": plain_meter(
        "Siglent Technologies,SDM3055,SDM00000000001,1.01.01.22R1", "SDM remote manual, command list"
    ),
    "keithley-2000": Twin(
        idn="KEITHLEY INSTRUMENTS INC.,MODEL 2000,0000001,A20  /A02",
        source="public drivers of the 2000; 2015 guide p. 119",
        split=True,
        state={"range": "1000", "nplc": "1", "auto": "0", "func": "DC"},
        sets={
            r"INIT:CONT OFF": "", r"ABOR": "", r"FORM:ELEM READ": "",
            r"CONF:VOLT:(DC|AC)": "func", rf"SENS:VOLT:(DC|AC):RANG {NR}": "range",
            r"SENS:VOLT:DC:RANG:AUTO ([01])": "auto", rf"SENS:VOLT:DC:NPLC {NR}": "nplc",
        },
        asks={
            r"SENS:VOLT:(DC|AC):RANG\?": lambda s: f"{1.1 * float(s['range']):.6E}",
            r"SENS:VOLT:DC:RANG:AUTO\?": "{auto}", r"SENS:VOLT:DC:NPLC\?": "{nplc}",
            r"READ\?": "+1.20034500E+01",
        },
    ),
    "keithley-dmm6500": Twin(
        idn="KEITHLEY INSTRUMENTS,MODEL DMM6500,04000001,1.7.12b",
        source="public drivers of the DMM6500",
        split=True,
        state={"range": "1000", "nplc": "1", "auto": "0", "func": "VOLT:DC", "az": "1", "inp": "AUTO"},
        sets={
            r'SENS:FUNC "([\w:]+)"': "func", rf"SENS:VOLT:(DC|AC):RANG {NR}": "range",
            r"SENS:VOLT:DC:RANG:AUTO (ON|OFF)": "auto", rf"SENS:VOLT:DC:NPLC {NR}": "nplc",
            r"SENS:VOLT:DC:AZER (ON|OFF)": "az", r"SENS:VOLT:DC:INP (AUTO|MOHM10)": "inp",
        },
        asks={
            r"\*LANG\?": "SCPI", r"SENS:VOLT:(DC|AC):RANG\?": "{range}",
            r"SENS:VOLT:DC:RANG:AUTO\?": onoff("auto"), r"SENS:VOLT:DC:NPLC\?": "{nplc}",
            r"SENS:VOLT:DC:AZER\?": onoff("az"), r"SENS:VOLT:DC:INP\?": "{inp}",
            r"READ\?": "1.200345E+01",
        },
    ),
    "rigol-dm3058": Twin(
        idn="Rigol Technologies,DM3058,DM3A000000001,01.01.00.02.02.00",
        source="digest of the guide of January 2015; an owner's DM3058 over LAN",
        state={"func": "", "range": "0"},
        sets={
            r"FUNC:VOLT:(DC|AC)": "func", r"MEAS:VOLT:(DC|AC) (\d)": "range", r"MEAS AUTO": "auto",
        },
        asks={
            r"CMDSET\?": "RIGOL", r"MEAS:VOLT:(DC|AC):RANG\?": "{range}", r"MEAS\?": "TRUE",
            r"MEAS:VOLT:DC\?": "1.200345e+01", r"MEAS:VOLT:AC\?": "1.200345e+01",
        },
        scpi=True,
    ),
    "owon-xdm": Twin(
        idn="OWON,XDM1041,23000001,V4.1.0,3",
        source="an owner's notes on the XDM1241 (five identity fields, silence on unknown words)",
        scpi=False, end="\r\n",
        state={"func": '"VOLT"', "auto": "0"},
        sets={
            rf"CONF:VOLT:(DC|AC) {NR}": "range of {0}", r"CONF:VOLT:DC": "", r"AUTO": "",
        },
        asks={
            r"FUNC\?": lambda s: '"VOLT AC"' if s["last"].startswith("range of AC") else '"VOLT"',
            r"AUTO1\?": "1", r"MEAS1\?": "1.200345E+01", r"\*ESR\?": "0",
        },
    ),
    "gw-gdm8": Twin(
        idn="GW,GDM8255A,000001,1.03", source="public driver of the GDM-8251A/8255A",
        end="\r\n", split=True,
        state={"func": "01"},
        sets={rf"CONF:VOLT:(DC|AC) {NR}": "range of {0}"},
        asks={
            r"CONF:STAT:FUNC\?": lambda s: "02" if s["last"].startswith("range of AC") else "01",
            r"VAL1\?": "+1.200345E+1",
        },
    ),
}  # fmt: skip


LOADS: dict[str, Twin] = {
    "rigol-dl3000": Twin(
        idn="RIGOL TECHNOLOGIES,DL3031,DL3B000000001,00.01.05.00.01",
        source="digest of the guide of April 2019 (CURR answers CC; slew in A/us)",
        state={"mode": "CURR", "amps": "4", "range": "60", "slew": "0.001", "input": "0", "tran": "0"},
        sets={
            r"SOUR:FUNC:MODE FIX": "", r"SOUR:FUNC (CURR|VOLT|RES|POW)": "mode",
            rf"SOUR:CURR:RANG {NR}": "range", rf"SOUR:CURR:LEV:IMM {NR}": "amps",
            rf"SOUR:RES:LEV:IMM {NR}": "ohms", rf"SOUR:CURR:SLEW {NR}": "slew",
            r"SOUR:INP:STAT (ON|OFF)": "input", r"SOUR:TRAN:STAT ([01])": "tran",
            r"SOUR:CURR:TRAN:MODE CONT": "", rf"SOUR:CURR:TRAN:ALEV {NR}": "a",
            rf"SOUR:CURR:TRAN:BLEV {NR}": "b", rf"SOUR:CURR:TRAN:FREQ {NR}": "khz",
            r"SOUR:CURR:TRAN:ADUT (\d+)": "duty", r"TRIG:SOUR BUS": "",
        },
        asks={
            r"SOUR:FUNC\?": lambda s: {"CURR": "CC", "VOLT": "CV", "RES": "CR", "POW": "CP"}[s["mode"]],
            r"SOUR:CURR:RANG\?": lambda s: "6" if float(s["range"]) <= 6 else "60",
            r"SOUR:CURR:LEV:IMM\?": fixed("amps", 6), r"SOUR:RES:LEV:IMM\?": fixed("ohms", 6),
            r"SOUR:CURR:SLEW\?": fixed("slew", 6), r"SOUR:INP:STAT\?": onoff("input"),
            r"MEAS:VOLT\?": "12.003450", r"MEAS:CURR\?": b"1.500123\n0", r"STAT:QUES:COND\?": "0",
        },
    ),
    "siglent-sdl": Twin(
        idn="Siglent Technologies,SDL1020X-E,SDL00000000001,1.1.1.21R2",
        source="command list and guide SDL1030X-E pp. 10, 52 (slew in A/us)",
        state={"mode": "CURR", "amps": "0", "range": "30", "slew": "0.5", "down": "0.5",
               "input": "0", "short": "0"},
        sets={
            r"FUNC (CURRent|VOLTage|RESistance|POWer|CURR)": "mode", rf"CURR:IRANG {NR}": "range",
            rf"CURR:LEV:IMM {NR}": "amps", rf"RES:LEV:IMM {NR}": "ohms",
            rf"CURR:SLEW:POS {NR}": "slew", rf"CURR:SLEW:NEG {NR}": "down",
            r"INP:STAT (ON|OFF)": "input", r"SHOR:STAT (ON|OFF)": "short",
            r"FUNC:TRAN CURR": "", r"CURR:TRAN:MODE CONT": "", rf"CURR:TRAN:ALEV {NR}": "a",
            rf"CURR:TRAN:BLEV {NR}": "b", rf"CURR:TRAN:AWID {NR}": "aw", rf"CURR:TRAN:BWID {NR}": "bw",
            rf"CURR:TRAN:SLEW:(POS|NEG) {NR}": "ts", r"TRIG:SOUR BUS": "",
        },
        asks={
            r"FUNC\?": lambda s: s["mode"].upper(), r"CURR:IRANG\?": "{range}",
            r"CURR:LEV:IMM\?": fixed("amps", 3), r"RES:LEV:IMM\?": fixed("ohms", 3),
            r"CURR:SLEW:NEG\?": fixed("down", 3), r"INP\?": onoff("input"),
            r"SHOR:STAT\?": onoff("short"), r"MEAS:VOLT\?": "12.003450", r"MEAS:CURR\?": "1.500123",
        },
    ),
    "itech-it8500": Twin(
        idn="ITECH Ltd., IT8512A+, 600000000000000001, 1.36-1.41",
        source="B&K 8600 guide pp. 5, 47 (spaces after commas; slew in A/us)",
        split=True,
        state={"mode": "CURR", "amps": "0", "range": "30", "slew": "1", "input": "0", "short": "0",
               "tran": "0"},
        sets={
            r"FUNC (CURRent|VOLTage|RESistance|POWer)": "mode", rf"CURR:RANG {NR}": "range",
            rf"CURR {NR}": "amps", rf"RES {NR}": "ohms", rf"CURR:SLEW {NR}": "slew",
            r"INP (ON|OFF)": "input", r"INP:SHOR (0|1|ON|OFF)": "short",
            r"TRAN (0|1|ON|OFF)": "tran", r"CURR:TRAN:MODE CONT": "", rf"CURR:TRAN:ALEV {NR}": "a",
            rf"CURR:TRAN:BLEV {NR}": "b", rf"CURR:TRAN:AWID {NR}": "aw", rf"CURR:TRAN:BWID {NR}": "bw",
            r"TRIG:SOUR BUS": "",
        },
        asks={
            r"FUNC\?": lambda s: s["mode"].upper()[:4].replace("RESI", "RES").replace("POWE", "POW"),
            r"CURR:RANG\?": lambda s: "3" if float(s["range"]) <= 3 else "30",
            r"CURR\?": fixed("amps", 4), r"RES\?": fixed("ohms", 3), r"CURR:SLEW:POS\?": "{slew}",
            r"INP\?": onoff("input"), r"INP:SHOR\?": onoff("short"), r"TRAN\?": onoff("tran"),
            r"MEAS:VOLT\?": "12.00345", r"MEAS:CURR\?": "1.500123", r"STAT:QUES:COND\?": "0",
        },
    ),
    "keysight-el30000": Twin(
        idn="Keysight Technologies,EL34143A,MY00000001,1.2.9",
        source="public driver with guide page numbers (channel lists; slew in A/s)",
        split=True,
        state={"mode": "CURR", "amps": "0", "range": "61.2", "slew": "1e6", "input": "0", "short": "0"},
        sets={
            r"FUNC (CURRent|VOLTage|RESistance|POWer),\(@1\)": "mode",
            rf"CURR:RANG {NR},\(@1\)": "range", rf"CURR {NR},\(@1\)": "amps",
            rf"RES {NR},\(@1\)": "ohms", rf"CURR:SLEW {NR},\(@1\)": "slew",
            r"OUTP (ON|OFF),\(@1\)": "input", r"OUTP:SHOR (ON|OFF),\(@1\)": "short",
            rf"CURR:TLEV {NR},\(@1\)": "a", r"TRAN:MODE CONT,\(@1\)": "",
            rf"TRAN:FREQ {NR},\(@1\)": "hz", r"TRAN:DCYC (\d+),\(@1\)": "duty",
            r"CURR:MODE (STEP|FIX),\(@1\)": "step", r"INIT:CONT:TRAN (ON|OFF),\(@1\)": "init",
            r"TRIG:TRAN \(@1\)": "",
        },
        asks={
            r"FUNC\? \(@1\)": lambda s: s["mode"].upper()[:4].replace("RESI", "RES"),
            r"CURR:RANG\? \(@1\)": sci("range", 6), r"CURR\? \(@1\)": sci("amps", 6),
            r"RES\? \(@1\)": sci("ohms", 6), r"CURR:SLEW\? \(@1\)": sci("slew", 6),
            r"OUTP\? \(@1\)": onoff("input"), r"OUTP:SHOR\? \(@1\)": onoff("short"),
            r"MEAS:VOLT\? \(@1\)": "+1.20034500E+01", r"MEAS:CURR\? \(@1\)": "+1.50012300E+00",
            r"STAT:QUES:COND\? \(@1\)": "+0",
        },
    ),
    "chroma-63600": Twin(
        idn="Chroma,63004-150-60,000000000001,1.00",
        source="an owner's notes on a 63004 (range is the mode's last letter; LOAD? answers a word)",
        state={"mode": "CCL", "amps": "0", "slew": "0.1", "fall": "0.1", "load": "OFF", "short": "OFF"},
        sets={
            r"CHAN 1": "", r"MODE (CCH|CRH|CVH|CPH|CCDH)": "mode", rf"CURR:STAT:L1 {NR}": "amps",
            rf"RES:STAT:L1 {NR}": "ohms", rf"CURR:STAT:RISE {NR}": "slew",
            rf"CURR:STAT:FALL {NR}": "fall", r"LOAD (ON|OFF)": "load", r"LOAD:SHOR (ON|OFF)": "short",
            rf"CURR:DYN:(L1|L2|T1|T2|RISE|FALL) {NR}": "dyn",
        },
        asks={
            r"MODE\?": "{mode}", r"CURR:STAT:L1\?": fixed("amps", 4), r"RES:STAT:L1\?": fixed("ohms", 2),
            r"CURR:STAT:FALL\?": "{fall}", r"LOAD\?": "{load}", r"LOAD:SHOR\?": "{short}",
            r"MEAS:VOLT\?": "12.00345", r"MEAS:CURR\?": "1.500123", r"LOAD:PROT\?": "0",
        },
    ),
    "korad-kel103": Twin(
        idn="KORAD KEL103 V2.60 SN:00000001", source="public driver of the KEL103 (units in replies)",
        scpi=False,
        state={"mode": "CC", "amps": "0", "input": "OFF"},
        sets={
            r"FUNC (CC|CV|CR|CW)": "mode", r"CURR ([\d.]+)A": "amps", r"RES ([\d.]+)OHM": "ohms",
            r"INP (ON|OFF)": "input", r"DYN (2,[\d.]+A,[\d.]+A,[\d.]+HZ,50%)": "dyn",
        },
        asks={
            r"FUNC\?": "{mode}", r"CURR\?": fixed("amps", 3, "A"), r"RES\?": fixed("ohms", 3, "OHM"),
            r"INP\?": "{input}", r"MEAS:VOLT\?": "12.003V", r"MEAS:CURR\?": "1.500A", r"\*ESR\?": "0",
        },
    ),
    "easttester-et54": Twin(
        idn="ET5410A+ 00000000001 V1.00.2213.016 V1.00.2213.016",
        source="owners' notes (spaces in the identity; a verdict word after each setting)",
        scpi=False, end="\r\n", verdict="Rexecu success",
        state={"mode": "CC", "amps": "0", "input": "OFF"},
        sets={
            r"Ch1:MODE (CC|CV|CR|CP)": "mode", r"CURR1:CC ([\d.]+)": "amps", r"Ch1:SW (ON|OFF)": "input",
            r"SYST:LOCA": "",
        },
        asks={
            r"Ch1:MODE\?": "R {mode}", r"CURR1:CC\?": "R {amps}", r"Ch1:SW\?": "R {input}",
            r"MEAS1:ALL\?": "R 1.500123  12.00345  18.006  8.002", r"\*ESR\?": "0",
        },
    ),
}  # fmt: skip


def _supply_status(state: State) -> bytes:
    """One raw byte: bit 0 channel 1 in CV, bit 6 output on."""
    return bytes([0x01 | (0x40 if state.get("out") == "1" else 0x00)])


SUPPLIES: dict[str, Twin] = {
    "rigol-dp800": Twin(
        idn="RIGOL TECHNOLOGIES,DP832,DP8C000000001,00.01.14", source="public drivers of the DP800",
        state={"volts": "0", "amps": "0", "out": "OFF"},
        sets={rf"SOUR1:VOLT {NR}": "volts", rf"SOUR1:CURR {NR}": "amps", r"OUTP CH1,(ON|OFF)": "out"},
        asks={
            r"SOUR1:VOLT\?": fixed("volts", 3), r"SOUR1:CURR\?": fixed("amps", 3),
            r"OUTP\? CH1": "{out}", r"MEAS:VOLT\? CH1": "12.0034", r"MEAS:CURR\? CH1": "0.5001",
            r"OUTP:MODE\? CH1": "CV",
        },
    ),
    "siglent-spd3303x": Twin(
        idn="Siglent Technologies,SPD3303X-E,SPD00000000001,1.01.01.02.07R2,V3.0",
        source="public drivers (five identity fields; hexadecimal status)",
        state={"volts": "0", "amps": "0", "out": "OFF"},
        sets={
            rf"CH1:VOLT {NR}": "volts", rf"CH1:CURR {NR}": "amps", r"OUTP CH1,(ON|OFF)": "out",
            r"\*LOCK": "", r"\*UNLOCK": "",
        },
        asks={
            r"CH1:VOLT\?": fixed("volts", 3), r"CH1:CURR\?": fixed("amps", 3),
            r"SYST:STAT\?": lambda s: "0x14" if s["out"] == "ON" else "0x4",
            r"MEAS:VOLT\? CH1": "12.003", r"MEAS:CURR\? CH1": "0.500",
        },
    ),
    "keysight-e36300": Twin(
        idn="Keysight Technologies,E36312A,MY00000001,2.1.0-1.0.4-1.12", source="public drivers",
        split=True,
        state={"volts": "0", "amps": "0", "out": "OFF"},
        sets={
            rf"VOLT {NR},\(@1\)": "volts", rf"CURR {NR},\(@1\)": "amps", r"OUTP (ON|OFF),\(@1\)": "out",
        },
        asks={
            r"VOLT\? \(@1\)": sci("volts"), r"CURR\? \(@1\)": sci("amps"), r"OUTP\? \(@1\)": onoff("out"),
            r"MEAS:VOLT\? \(@1\)": "+1.20034000E+01", r"MEAS:CURR\? \(@1\)": "+5.00100000E-01",
            r"STAT:QUES:INST:ISUM1:COND\?": "+2",
        },
    ),
    "korad-ka3005p": Twin(
        idn="KORADKA3005PV2.0", source="public driver (no line ends, five characters, status byte)",
        scpi=False, serial=True, no_end=True, end="",
        state={"volts": "0", "amps": "0", "out": "0"},
        sets={r"VSET1:([\d.]{5})": "volts", r"ISET1:([\d.]{5})": "amps", r"OUT([01])": "out"},
        asks={
            r"VSET1\?": lambda s: f"{float(s['volts']):05.2f}",
            r"ISET1\?": lambda s: f"{float(s['amps']):.3f}K",
            r"STATUS\?": _supply_status, r"VOUT1\?": "12.00", r"IOUT1\?": "0.500",
        },
    ),
}  # fmt: skip


MAINS: dict[str, Twin] = {
    "chroma-61600": Twin(
        idn="Chroma,61604,000000000001,1.00", source="public driver of the 61604; 61503 guide p. 94",
        state={"volts": "0", "hertz": "50", "out": "OFF"},
        sets={
            rf"SOUR:VOLT:AC {NR}": "volts", rf"SOUR:FREQ {NR}": "hertz", r"OUTP (ON|OFF)": "out",
        },
        asks={
            r"SOUR:VOLT:AC\?": fixed("volts", 1), r"SOUR:FREQ\?": fixed("hertz", 2), r"OUTP\?": "{out}",
        },
    ),
    "yokogawa-wt310": Twin(
        idn="YOKOGAWA,WT310E,C0000000001,F1.03", source="WT310EH guide pp. 33, 39, 96",
        sets={
            r"COMM:REM (ON|OFF)": "", r"HEAD OFF": "", r"VERB OFF": "", r"INP:MODE RMS": "", r"CFAC 3": "",
            r"RATE 500MS": "", r"NUM:FORM ASC": "", r"NORM:NUM 6": "", r"ITEM[1-6] (U|I|P|S|LAMB|FU),1": "",
        },
        asks={r"STAT:ERR\?": '0,"No error"', r"NUM:NORM:VAL\?": "230.12E+00,0.194E+00,32.13E+00,44.80E+00,0.7172E+00,50.000E+00"},
        split=True,
    ),
    "gw-gpm8310": Twin(
        idn="GW Instek,GPM-8310,GEQ000001,V1.00", source="public driver with a recorded reply",
        end="\r\n", split=True,
        sets={r"NUM:NORM:NUM 8": "", r"NUM:NORM:ITEM1 U,1": "", r"ITEM[2-8] \w+,1": ""},
        asks={r"NUM:NORM:VAL\?": "230.12,0.1940,32.13,44.80,50.000,0.7172,-31.22,44.18"},
    ),
}  # fmt: skip


THERMOMETERS: dict[str, Twin] = {
    "keysight-34970a": Twin(
        idn="HEWLETT-PACKARD,34970A,0,13-2-2", source="public drivers of the 34970A",
        split=True,
        sets={r"UNIT:TEMP C,\(@101,102\)": ""},
        asks={
            r"MEAS:TEMP\? TC,K,\(@101\)": "+4.12340000E+01",
            r"MEAS:TEMP\? TC,K,\(@102\)": "+9.90000000E+37",
        },
    ),
}  # fmt: skip
