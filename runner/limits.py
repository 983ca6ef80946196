"""The limits a profile may set: their units, and the defaults proposed where it sets none.

The figures are those of the trade's habits gathered by class of unit; where no published
figure exists the source says "proposed default". A data sheet or service manual of the unit
always wins: put its figure and its name into the profile.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LIMITS", "LimitSpec"]

_PROPOSED = "proposed default"


@dataclass(frozen=True, slots=True)
class LimitSpec:
    """Unit and meaning of one limit, and its default (text, source) by class of unit."""

    unit: str
    meaning: str
    defaults: dict[str, tuple[str, str]]


def _same(text: str, source: str = _PROPOSED) -> dict[str, tuple[str, str]]:
    return dict.fromkeys(("hobby", "lab", "switch-mode"), (text, source))


LIMITS: dict[str, LimitSpec] = {
    "setting": LimitSpec(
        "V",
        "output voltage against the set point",
        {
            "hobby": ("1 % + 20 mV", "proposed default: digital panel setting, hobby class"),
            "lab": ("0.05 % + 10 mV", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("0.5 % + 20 mV", _PROPOSED),
        },
    ),
    "knob-jump": LimitSpec(
        "V",
        "step against the turn from one reading to the next while the knob is turned steadily",
        _same("0.25 % + 30 mV", "proposed default: no hand trembles that far"),
    ),
    "panel-voltage": LimitSpec(
        "V",
        "panel voltmeter against the measured output",
        {
            "hobby": ("1 % + 20 mV", "common practice: ±1 % ±2 digits"),
            "lab": ("0.05 % + 10 mV", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("0.5 % + 20 mV", _PROPOSED),
        },
    ),
    "panel-current": LimitSpec(
        "A",
        "panel ammeter against the measured current",
        {
            "hobby": ("1.5 % + 20 mA", "common practice: ±1 % ±2 digits"),
            "lab": ("0.2 % + 10 mA", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("1 % + 20 mA", "common practice: ±1 % ±2 digits of 10 mA"),
        },
    ),
    "ripple-rms": LimitSpec(
        "V",
        "ripple and noise, rms, 20 Hz to 20 MHz",
        {
            "hobby": ("2 mV", "common practice for hobby-grade linear supplies"),
            "lab": ("0.5 mV", "usual data-sheet figure of laboratory supplies"),
            "switch-mode": ("5 mV", _PROPOSED),
        },
    ),
    "ripple-pp": LimitSpec(
        "V",
        "ripple and noise, peak to peak, 20 Hz to 20 MHz",
        {
            "hobby": ("10 mV", "common practice for hobby-grade linear supplies"),
            "lab": ("5 mV", "usual data-sheet figure of laboratory supplies"),
            "switch-mode": ("50 mV", _PROPOSED),
        },
    ),
    "ripple-pick-up": LimitSpec(
        "V",
        "what shorted leads may pick up, as a share of the ripple limit",
        _same("33.3 %", "common practice: with shorted leads at most a third of the ripple limit"),
    ),
    "ripple-half-wave": LimitSpec(
        "V",
        "component at the mains frequency that is of no interest, as a share of the rms limit",
        _same("5 %", "proposed default: below the component at twice the mains frequency, or this"),
    ),
    "load-effect": LimitSpec(
        "V",
        "change of output voltage from no load to rated load",
        {
            "hobby": ("0.01 % + 10 mV", "older bench-supply manuals: 8 to 10 mV"),
            "lab": ("0.01 % + 3 mV", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("0.1 % + 10 mV", _PROPOSED),
        },
    ),
    "source-effect": LimitSpec(
        "V",
        "change of output voltage for ±10 % line voltage",
        {
            "hobby": ("0.01 % + 5 mV", "common practice"),
            "lab": ("0.01 % + 3 mV", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("0.05 % + 5 mV", _PROPOSED),
        },
    ),
    "output-resistance": LimitSpec(
        "Ω",
        "slope of output voltage against load current",
        {
            "hobby": ("50 mΩ", "common practice: at most 50 mΩ to 1 kHz"),
            "lab": ("10 mΩ", _PROPOSED),
            "switch-mode": ("50 mΩ", _PROPOSED),
        },
    ),
    "output-impedance": LimitSpec(
        "Ω",
        "magnitude of the output impedance, 70 Hz to 1 kHz",
        {
            "hobby": ("50 mΩ", "common practice: at most 50 mΩ to 1 kHz"),
            "lab": ("10 mΩ", _PROPOSED),
            "switch-mode": ("100 mΩ", "a data sheet's figure, nearly flat with frequency"),
        },
    ),
    "tap-glitch": LimitSpec("V", "output deviation while the winding changes", _same("100 mV")),
    "earth-resistance": LimitSpec(
        "Ω",
        "least resistance of either output terminal to earth, floating output",
        _same("1 MΩ", "after-repair insulation practice, class I"),
    ),
    "earth-current": LimitSpec(
        "A",
        "most alternating current a terminal may drive to earth",
        _same("0.5 mA", "touch-current ceiling in use for after-repair tests"),
    ),
    "headroom": LimitSpec("V", "ripple just below a tap change, low line", _same("20 mV")),
    "headroom-sag": LimitSpec(
        "V",
        "change of output voltage at low line just below a tap change, unless the source effect"
        " may be more",
        _same("10 mV"),
    ),
    "headroom-margin": LimitSpec(
        "V",
        "how far the line must be able to fall from its rating before regulation is lost",
        _same("10 %", "common practice: the line may be 10 % low"),
    ),
    "tap-chatter": LimitSpec(
        "",
        "changes of winding while nothing is moved, or while the load rises",
        _same("1", "common practice: one change at most while nothing is moved"),
    ),
    "tap-wear": LimitSpec(
        "",
        "relay operations that the tap map may spend",
        _same("300", "proposed default: below 1 % of a relay's life at the low end of data sheets"),
    ),
    "current-limit": LimitSpec(
        "A",
        "current at which the limit acts against its setting",
        {
            "hobby": ("5 % + 50 mA", _PROPOSED),
            "lab": ("0.2 % + 10 mA", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("1 % + 20 mA", _PROPOSED),
        },
    ),
    "cc-load-effect": LimitSpec(
        "A",
        "change of limited current from half voltage to short",
        {
            "hobby": ("10 mA", "common practice"),
            "lab": ("0.01 % + 1 mA", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("20 mA", _PROPOSED),
        },
    ),
    "transient-band": LimitSpec(
        "V",
        "band that counts as recovered after a load step",
        {
            "hobby": ("15 mV", "usual data-sheet figure of linear supplies"),
            "lab": ("15 mV", "usual data-sheet figure of linear supplies"),
            "switch-mode": ("100 mV", "usual data-sheet figure of switch-mode supplies"),
        },
    ),
    "transient-recovery": LimitSpec(
        "s",
        "time from load step until the output stays in the band",
        {
            "hobby": ("1 ms", "common practice: well under 1 ms"),
            "lab": ("50 us", "usual data-sheet figure of laboratory supplies"),
            "switch-mode": ("2 ms", "data-sheet figures from 0.25 to 2 ms"),
        },
    ),
    "transient-rings": LimitSpec(
        "",
        "ring cycles after a load step",
        _same("3", "common practice: more than three visible cycles are poor damping"),
    ),
    "switching-overshoot": LimitSpec(
        "V", "overshoot at mains or output switching", _same("2 % + 100 mV")
    ),
    "switching-reverse": LimitSpec(
        "V", "swing below zero when mains or output is switched off", _same("0.3 V")
    ),
    "reverse-clamp": LimitSpec(
        "V",
        "voltage at which the output holds a reversed source that is limited in current",
        _same("1.2 V", "common practice: a silicon diode drops 0.5 V to 1 V at 0.1 A to 0.5 A"),
    ),
    "back-feed": LimitSpec(
        "A",
        "current that the output may take from an outside source, unit off or a volt below it",
        _same("30 mA", "proposed default: bleeders draw up to 20 mA"),
    ),
    "drift": LimitSpec(
        "V",
        "drift over 8 h after 30 min warm-up",
        {
            "hobby": ("0.1 % + 5 mV", "common practice"),
            "lab": ("0.03 % + 2 mV", "usual data-sheet form of laboratory supplies"),
            "switch-mode": ("0.1 % + 5 mV", _PROPOSED),
        },
    ),
}
