"""Faults by name. Each one changes a part; none touches a reading.

A fault is written `name:key=value,key=value`; times take s, min or h, for instance
`reservoir-dried:fraction=0.2,esr=10,at=3600s` or `reference-low:percent=15,at_c=45`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from sim_instruments.plant.parts import Parts, TapControl

__all__ = ["FAULTS", "ActiveFault", "Fault", "FaultSpec", "apply_fault", "parse_fault"]

Change = Callable[[Parts, Mapping[str, float]], Parts]


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """What a fault is, its parameters with their default severity, and the change it makes."""

    doc: str
    change: Change
    defaults: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault as asked for: from a time (seconds after start) or a heatsink temperature."""

    name: str
    values: Mapping[str, float]
    at_s: float = 0.0
    at_c: float | None = None

    def is_due(self, age_s: float, heatsink_c: float) -> bool:
        """Whether it has begun."""
        if self.at_c is not None and heatsink_c < self.at_c:
            return False
        return age_s >= self.at_s - 1e-6


@dataclass(slots=True)
class ActiveFault:
    """A fault and whether it has begun."""

    fault: Fault
    on: bool = False


def _earth(side: str, ohms_key: str) -> Change:
    def change(p: Parts, v: Mapping[str, float]) -> Parts:
        key = f"r_{side}_ohm"
        ohms = 1.0 / (1.0 / getattr(p.earth, key) + 1.0 / max(v[ohms_key], 1e-3))
        return replace(p, earth=replace(p.earth, **{key: ohms}))

    return change


def _earth_leak(p: Parts, v: Mapping[str, float]) -> Parts:
    return _earth("plus" if v["plus"] else "minus", "ohms")(p, v)


def _diode_open(p: Parts, v: Mapping[str, float]) -> Parts:
    number = int(v["diode"])
    if p.rectifier.topology != "bridge":
        number = min(number, 2)
    opened = p.rectifier.open_diodes | {number}
    return replace(p, rectifier=replace(p.rectifier, open_diodes=opened))


def _winding_open(p: Parts, v: Mapping[str, float]) -> Parts:
    if p.rectifier.topology == "centre-tapped":  # one half of the pair
        return replace(p, rectifier=replace(p.rectifier, open_diodes=frozenset({2})))
    first = min(int(v["winding"]), len(p.taps.windings)) - 1
    windings = tuple(  # in a series arrangement everything above hangs on the open part
        replace(w, is_open=w.is_open or k >= first) if p.taps.arrangement == "series" else
        replace(w, is_open=w.is_open or k == first)
        for k, w in enumerate(p.taps.windings)
    )  # fmt: skip
    return replace(p, taps=replace(p.taps, windings=windings))


def _reservoir_dried(p: Parts, v: Mapping[str, float]) -> Parts:
    r = p.reservoir
    return replace(p, reservoir=replace(r, c_f=r.c_f * v["fraction"], esr_ohm=r.esr_ohm * v["esr"]))


def _reservoir_leaky(p: Parts, v: Mapping[str, float]) -> Parts:
    return replace(p, reservoir=replace(p.reservoir, leak_ohm=v["ohms"]))


def _regulator(p: Parts, **changed: object) -> Parts:
    return replace(p, regulator=replace(p.regulator, **changed))  # type: ignore[arg-type]


def _output_dried(p: Parts, v: Mapping[str, float]) -> Parts:
    reg = p.regulator
    loop = replace(reg.loop, damping=reg.loop.damping * math.sqrt(v["fraction"]))
    return _regulator(
        p,
        c_out_f=reg.c_out_f * v["fraction"],
        c_out_esr_ohm=reg.c_out_esr_ohm * v["esr"],
        loop=loop,
    )


def _pass_leak(p: Parts, v: Mapping[str, float]) -> Parts:
    return _regulator(p, pass_leak_ohm=v["ohms"])


def _pass_short(p: Parts, v: Mapping[str, float]) -> Parts:
    return _regulator(p, pass_shorted=True, dropout_v=0.02, dropout_ohm=v["ohms"])


def _taps(p: Parts, **changed: object) -> Parts:
    return replace(p, taps=replace(p.taps, **changed))  # type: ignore[arg-type]


def _stuck(where: bool) -> Change:
    def change(p: Parts, v: Mapping[str, float]) -> Parts:
        n = len(p.taps.up_v)
        stuck = list(p.taps.stuck) + [None] * (n - len(p.taps.stuck))
        if n:
            stuck[min(int(v["relay"]), n) - 1] = where
        return _taps(p, stuck=tuple(stuck))

    return change


def _chatter(p: Parts, v: Mapping[str, float]) -> Parts:
    t: TapControl = p.taps
    down = tuple(up - v["hysteresis"] for up in t.up_v)
    return _taps(p, down_v=down, coil_kick_v=v["kick"])


def _threshold_shift(p: Parts, v: Mapping[str, float]) -> Parts:
    t = p.taps
    return _taps(
        p,
        up_v=tuple(x + v["volts"] for x in t.up_v),
        down_v=tuple(x + v["volts"] for x in t.down_v),
    )


def _order_swapped(p: Parts, v: Mapping[str, float]) -> Parts:
    w = list(p.taps.windings)
    if len(w) >= 3:
        w[1], w[2] = w[2], w[1]
    return _taps(p, windings=tuple(w))


def _coil_weak(p: Parts, v: Mapping[str, float]) -> Parts:
    t = p.taps
    return _taps(p, pull_in_v=t.coil_v * v["pull_in"], drop_out_v=t.coil_v * v["drop_out"])


def _contact_worn(p: Parts, v: Mapping[str, float]) -> Parts:
    t = p.taps
    return _taps(
        p, contact_ohm=v["ohms"], contact_noise_ohm=v["ohms"] * 0.5, bounces=8,
        bounce_s=t.bounce_s * v["bounce"],
    )  # fmt: skip


def _pot_noisy(p: Parts, v: Mapping[str, float]) -> Parts:
    knob = replace(p.knob, wiper_noise_v=v["volts"], wiper_rest_noise_v=v["rest"])
    return replace(p, knob=knob)


def _pot_open(p: Parts, v: Mapping[str, float]) -> Parts:
    return replace(p, knob=replace(p.knob, wiper_open="full" if v["full"] else "zero"))


def _reference_low(p: Parts, v: Mapping[str, float]) -> Parts:
    return _regulator(p, reference_gain=p.regulator.reference_gain * (1.0 - v["percent"] / 100.0))


def _reference_drift(p: Parts, v: Mapping[str, float]) -> Parts:
    return _regulator(
        p, reference_tc_per_k=v["ppm_per_k"] * 1e-6, reference_drift_per_h=v["ppm_per_h"] * 1e-6
    )


def _sense_open(p: Parts, v: Mapping[str, float]) -> Parts:
    return _regulator(p, sense_lift_v=v["volts"], sense_lead_ohm=v["ohms"])


def _limit_low(p: Parts, v: Mapping[str, float]) -> Parts:
    return _regulator(p, limit_gain=p.regulator.limit_gain * v["fraction"])


def _oscillating(p: Parts, v: Mapping[str, float]) -> Parts:
    loop = replace(
        p.regulator.loop, damping=-0.05, limit_cycle_v=v["volts"], limit_cycle_hz=v["hz"],
        limit_cycle_from_a=v["from_a"],
    )  # fmt: skip
    return _regulator(p, loop=loop)


def _cutout(p: Parts, v: Mapping[str, float]) -> Parts:
    return replace(p, heat=replace(p.heat, trip_c=v["trip"], reset_c=v["trip"] - v["below"]))


def _reverse_open(p: Parts, _: Mapping[str, float]) -> Parts:
    return _regulator(p, reverse_diode_v=math.inf)


def _aux_ripple(p: Parts, v: Mapping[str, float]) -> Parts:
    t = p.taps
    return replace(
        _regulator(p, aux_ripple_v=v["volts"]), taps=replace(t, coil_v=t.coil_v * v["rail"])
    )


FAULTS: Mapping[str, FaultSpec] = {
    "output-earth-short-positive": FaultSpec(
        "The capacitor from plus to chassis is shorted.", _earth("plus", "ohms"), {"ohms": 0.2}
    ),
    "output-earth-short-negative": FaultSpec(
        "The capacitor from minus to chassis is shorted.", _earth("minus", "ohms"), {"ohms": 0.2}
    ),
    "output-earth-leak": FaultSpec(
        "Resistive leak from one terminal to chassis (plus=0 for minus).",
        _earth_leak,
        {"ohms": 220e3, "plus": 1.0},
    ),
    "bridge-diode-open": FaultSpec("One rectifier diode is open.", _diode_open, {"diode": 2.0}),
    "winding-open": FaultSpec(
        "A secondary (or one half of a pair) is open; in a chain all above it is lost too.",
        _winding_open,
        {"winding": 2.0},
    ),
    "reservoir-dried": FaultSpec(
        "The reservoir has lost capacitance (fraction left) and its ESR has grown (factor).",
        _reservoir_dried,
        {"fraction": 0.2, "esr": 10.0},
    ),
    "reservoir-leaky": FaultSpec(
        "The reservoir leaks (ohms across it).", _reservoir_leaky, {"ohms": 33.0}
    ),
    "output-capacitor-dried": FaultSpec(
        "The output capacitor has lost capacitance and its ESR has grown.",
        _output_dried,
        {"fraction": 0.03, "esr": 8.0},
    ),
    "pass-leak": FaultSpec(
        "The pass transistor leaks collector to emitter (ohms).", _pass_leak, {"ohms": 300.0}
    ),
    "pass-short": FaultSpec(
        "The pass transistor is shorted (ohms left).", _pass_short, {"ohms": 0.1}
    ),
    "tap-stuck-low": FaultSpec(
        "A tap relay never operates (dead coil, driver or contact).", _stuck(False), {"relay": 1.0}
    ),
    "tap-stuck-high": FaultSpec(
        "A tap relay's contact is welded made.", _stuck(True), {"relay": 1.0}
    ),
    "tap-chatter": FaultSpec(
        "The hysteresis is lost: it lies below the disturbance that the coil itself makes.",
        _chatter,
        {"hysteresis": 0.005, "kick": 0.03},
    ),
    "tap-threshold-shift": FaultSpec(
        "Both thresholds of every tap have moved (volts).", _threshold_shift, {"volts": 1.5}
    ),
    "tap-order-swapped": FaultSpec(
        "The second and third winding are exchanged.", _order_swapped, {}
    ),
    "coil-weak": FaultSpec(
        "The relay pulls in late and drops out early (parts of the rated coil voltage).",
        _coil_weak,
        {"pull_in": 0.97, "drop_out": 0.93},
    ),
    "pot-noisy": FaultSpec(
        "Dirty track: jumps while it is turned, and a little at rest (volts rms).",
        _pot_noisy,
        {"volts": 0.15, "rest": 0.03},
    ),
    "pot-open": FaultSpec(
        "The wiper lifts: output full (full=1) or zero (full=0).", _pot_open, {"full": 1.0}
    ),
    "reference-low": FaultSpec(
        "The reference is low (percent).", _reference_low, {"percent": 12.0}
    ),
    "reference-drift": FaultSpec(
        "The reference moves with temperature and time.",
        _reference_drift,
        {"ppm_per_k": 2000.0, "ppm_per_h": 5000.0},
    ),
    "sense-open": FaultSpec(
        "A sense link is open: a diode drop more, and lead ohms inside the load effect.",
        _sense_open,
        {"volts": 0.6, "ohms": 0.03},
    ),
    "limit-low": FaultSpec(
        "The current limit acts too early (part of what it should be).",
        _limit_low,
        {"fraction": 0.5},
    ),
    "regulator-oscillating": FaultSpec(
        "The loop oscillates above a load current.",
        _oscillating,
        {"volts": 0.08, "hz": 60e3, "from_a": 0.0},
    ),
    "thermal-cutout": FaultSpec(
        "The thermal cut-out acts too early (degrees Celsius).",
        _cutout,
        {"trip": 30.0, "below": 3.0},
    ),
    "aux-ripple": FaultSpec(
        "The auxiliary rail's capacitor is dried: its ripple reaches the output at all loads.",
        _aux_ripple,
        {"volts": 0.012, "rail": 0.85},
    ),
    "reverse-diode-open": FaultSpec(
        "The diode across the output is open: nothing holds a reversed source.", _reverse_open, {}
    ),
    "relay-contact-worn": FaultSpec(
        "The tap contacts are worn: ohms in the winding, long bounce (factor).",
        _contact_worn,
        {"ohms": 0.8, "bounce": 3.0},
    ),
}

_TIMES = {"s": 1.0, "min": 60.0, "h": 3600.0}


def _seconds(text: str) -> float:
    for unit in ("min", "h", "s"):
        if text.endswith(unit):
            return float(text[: -len(unit)]) * _TIMES[unit]
    return float(text)


def parse_fault(text: str) -> Fault:
    """Read a fault as written on the command line.

    :raises ValueError: unknown name or key, or a value that is no finite number
    """
    name, _, rest = text.strip().partition(":")
    if name not in FAULTS:
        raise ValueError(f"there is no fault {name!r}; known are {', '.join(sorted(FAULTS))}")
    values = dict(FAULTS[name].defaults)
    at_s, at_c = 0.0, None
    for item in filter(None, (x.strip() for x in rest.split(","))):
        key, equals, value = item.partition("=")
        known = [*FAULTS[name].defaults, "at", "at_c"]
        if not equals or key not in known:
            raise ValueError(f"fault {name!r} takes {', '.join(known)}, found {item!r}")
        try:
            number = _seconds(value) if key == "at" else float(value)
        except ValueError:
            raise ValueError(f"{key} of fault {name!r} is no number: {value!r}") from None
        if not math.isfinite(number) or (number < 0.0 and key not in ("volts", "at_c")):
            raise ValueError(f"{key} of fault {name!r} must be finite and positive: {value!r}")
        if key == "at":
            at_s = number
        elif key == "at_c":
            at_c = number
        else:
            values[key] = number
    return Fault(name, values, at_s, at_c)


def apply_fault(parts: Parts, fault: Fault) -> Parts:
    """Return the parts with this fault in them."""
    return FAULTS[fault.name].change(parts, fault.values)
