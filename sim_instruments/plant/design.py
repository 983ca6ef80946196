"""Designs a unit from its ratings, as its maker would have, and draws one instance.

Rule: the EMF of each winding is such that the valley of the raw voltage at 10 % low line
and full load still keeps the regulator alive at the tap's own change-over point (the rated
voltage for the last), with 0.5 V to 1 V to spare.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from sim_instruments.plant.circuit import Circuit, State
from sim_instruments.plant.parts import (
    Earth,
    Heat,
    Knob,
    Loop,
    Mains,
    Panel,
    Parts,
    Rectifier,
    Regulator,
    Reservoir,
    Switcher,
    TapControl,
    Transformer,
    Winding,
)
from sim_instruments.plant.steady import find_cycle

__all__ = ["UnitSpec", "design_unit"]


@dataclass(frozen=True, slots=True)
class UnitSpec:
    """Ratings that the design starts from. Volts, amperes, hertz."""

    kind: Literal["linear", "linear-tapped", "switch-mode"]
    tap_control: Literal["none", "relay", "scr", "phase", "preregulator"]
    v_max: float
    i_max: float
    mains_v: float = 230.0
    mains_f: float = 50.0
    tap_up_v: tuple[float, ...] = ()
    tap_hysteresis_v: float = 0.6
    tap_down_v: tuple[float, ...] = ()
    output: Literal["floating", "negative-earthed", "positive-earthed"] = "floating"
    setting: Literal["hand", "remote"] = "hand"
    grade: Literal["hobby", "lab", "switch-mode"] = "hobby"

    @classmethod
    def from_profile(cls, profile: Any) -> UnitSpec:
        """Take the ratings out of a profile (`runner.profile.Profile`)."""
        unit = profile.unit
        taps = profile.tap_points
        up = tuple(t.nominal for t in taps.up) if taps is not None else ()
        down = tuple(t.nominal for t in taps.down) if taps is not None and taps.down else ()
        least = taps.hysteresis_min if taps is not None else 0.3
        return cls(
            kind=unit.kind, tap_control=unit.tap_control, v_max=unit.voltage.high,
            i_max=unit.current.high, mains_v=unit.mains.voltage_v, mains_f=unit.mains.frequency_hz,
            tap_up_v=up, tap_hysteresis_v=max(2.0 * least, 0.6), tap_down_v=down,
            output=unit.output, setting=unit.setting, grade=unit.grade,
        )  # fmt: skip


class _Draw:
    """Draws values within tolerance; with tolerance off, the nominal ones."""

    def __init__(self, seed: int, tolerance: bool) -> None:
        self._rng = np.random.default_rng([seed, 77])
        self._on = tolerance

    def part(self, nominal: float, tolerance: float) -> float:
        """Nominal value times 1 ± tolerance, most of them near the middle."""
        return nominal * (1.0 + tolerance * self.swing())

    def swing(self) -> float:
        """Return a number from -1 to 1, normal with sigma 0.4."""
        x = float(self._rng.standard_normal())
        return min(max(0.4 * x, -1.0), 1.0) if self._on else 0.0


LINE_THIRD, LINE_FIFTH = 0.01, -0.015  # the flat top of an ordinary line
PREFERRED = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8, 10.0)  # E6, IEC 60063


def _preferred_above(value: float) -> float:
    decade = 10.0 ** math.floor(math.log10(value))
    return next(decade * p for p in PREFERRED if decade * p >= value * 0.999)


def _valley_v(emf_v: float, r_ohm: float, res: Reservoir, draw_a: float, f_hz: float) -> float:
    circuit = Circuit(
        f_hz,
        emf_v,
        r_ohm,
        r_ohm,
        res.c_f,
        res.esr_ohm,
        third=LINE_THIRD,
        fifth=LINE_FIFTH,
        i_quiescent_a=draw_a,
    )
    cycle = find_cycle(circuit, State(0.0, 0.0))
    return cycle.low("raw") if cycle is not None else 0.0


def _winding(need_v: float, draw_a: float, res: Reservoir, f_hz: float) -> Winding:
    """EMF whose valley at 10 % low line just meets need_v (secant on the full circuit)."""
    emf = (need_v + 4.0) / 1.2
    r = 0.055 * emf / draw_a
    for _ in range(6):
        short = need_v - _valley_v(0.9 * emf, r, res, draw_a, f_hz)
        emf += short / 1.15
        r = 0.055 * emf / draw_a
        if abs(short) < 0.02:
            break
    return Winding(emf, r)


def design_unit(profile: Any, seed: int = 1, tolerance: bool = True) -> Parts:
    """Design a unit and draw one instance of it.

    :param profile: a `UnitSpec`, or a profile to take one from
    :param seed: which instance
    :param tolerance: draw every part within its tolerance; otherwise nominal
    """
    spec = profile if isinstance(profile, UnitSpec) else UnitSpec.from_profile(profile)
    draw = _Draw(seed, tolerance)
    return _switch_mode(spec, draw) if spec.kind == "switch-mode" else _linear(spec, draw)


def _regulator(spec: UnitSpec, draw: _Draw) -> Regulator:
    lab = spec.grade == "lab"
    return Regulator(
        v_max=spec.v_max,
        i_max=spec.i_max,
        dropout_v=draw.part(1.5, 0.08),
        dropout_ohm=draw.part(0.5 / spec.i_max, 0.1),
        line_rejection_db=draw.part(78.0 if lab else 74.0, 0.03),
        line_corner_hz=draw.part(2000.0, 0.2),
        r_out_ohm=draw.part((0.5e-3 if lab else 1.5e-3) * min(3.0 / spec.i_max, 1.0), 0.3),
        quiescent_a=draw.part(0.015, 0.1),
        bleed_ohm=draw.part(spec.v_max / (0.006 if lab else 0.018), 0.05),
        sink_a=draw.part(0.1, 0.1) if lab else 0.0,  # a down-programmer
        reference_gain=1.0 + (2e-4 if lab else 1.5e-3) * draw.swing(),
        reference_offset_v=(1.5e-3 if lab else 5e-3) * draw.swing(),
        reference_tc_per_k=(25e-6 if lab else 80e-6) * draw.swing(),
        limit_gain=draw.part(1.0, 0.001 if lab else 0.01),
        limit_offset_a=(1e-3 if lab else 5e-3) * draw.swing(),
        limit_ohm=draw.part(40e3, 0.2),
        c_out_f=draw.part(_preferred_above(70e-6 * spec.i_max), 0.2),
        c_out_esr_ohm=draw.part(0.015, 0.3),
        noise_v=draw.part(60e-6 if lab else 110e-6, 0.2),
        loop=Loop(l_h=draw.part(0.3e-6, 0.2), damping=draw.part(0.7, 0.15)),
    )


def _taps(spec: UnitSpec, reg: Regulator, res: Reservoir, draw: _Draw) -> TapControl:
    tops = (*spec.tap_up_v, spec.v_max) if spec.tap_control in ("relay", "scr") else (spec.v_max,)
    load_a = spec.i_max + reg.quiescent_a + 0.01
    drop = reg.dropout_v + reg.dropout_ohm * spec.i_max
    windings = []
    for top in tops:
        w = _winding(top + drop + 0.9, load_a, res, spec.mains_f)
        windings.append(Winding(draw.part(w.emf_v, 0.006), draw.part(w.r_ohm, 0.05)))
    if len(tops) == 1:
        kind = "preregulator" if spec.tap_control in ("phase", "preregulator") else "none"
        return TapControl(kind=kind, windings=tuple(windings))  # type: ignore[arg-type]
    shift = [0.010 * draw.swing() for _ in spec.tap_up_v]
    up = tuple(v * (1.0 + s) for v, s in zip(spec.tap_up_v, shift, strict=True))
    wide = draw.part(spec.tap_hysteresis_v, 0.12)
    down = tuple(v - wide for v in up)
    if spec.tap_down_v:
        down = tuple(v * (1.0 + s) for v, s in zip(spec.tap_down_v, shift, strict=True))
    return TapControl(
        kind=spec.tap_control,  # type: ignore[arg-type]
        windings=tuple(windings),
        up_v=up,
        down_v=down,
        threshold_tc_per_k=60e-6 * draw.swing(),
        sense_tau_s=draw.part(4e-3, 0.2),
        sense_noise_v=0.4e-3,
        coil_kick_v=draw.part(4e-3, 0.3),
        pull_in_v=draw.part(14.0, 0.08),
        drop_out_v=draw.part(5.5, 0.15),
        operate_s=draw.part(8e-3, 0.15),
        release_s=draw.part(4e-3, 0.2),
        gap_s=draw.part(1.6e-3, 0.2),
        bounce_s=draw.part(0.4e-3, 0.3),
        contact_ohm=draw.part(0.012, 0.4),
    )


def _earth(spec: UnitSpec, draw: _Draw) -> Earth:
    e = Earth(
        r_plus_ohm=draw.part(2e9, 0.5),
        r_minus_ohm=draw.part(2e9, 0.5),
        c_plus_f=draw.part(4.7e-9, 0.2),
        c_minus_f=draw.part(4.7e-9, 0.2),
        c_stray_f=draw.part(4.4e-9 if spec.kind == "switch-mode" else 150e-12, 0.2),
    )
    if spec.output == "negative-earthed":
        return replace(e, r_minus_ohm=0.05)
    if spec.output == "positive-earthed":
        return replace(e, r_plus_ohm=0.05)
    return e


def _shared(spec: UnitSpec, draw: _Draw) -> dict[str, Any]:
    lab = spec.grade == "lab"
    digit_v = 0.01 if spec.v_max < 100.0 else 0.1
    return {
        "mains": Mains(v_rms=spec.mains_v, f_hz=spec.mains_f, third=LINE_THIRD, fifth=LINE_FIFTH),
        "earth": _earth(spec, draw),
        "panel": Panel(
            v_gain=1.0 + (3e-4 if lab else 2.5e-3) * draw.swing(),
            v_offset=(2e-3 if lab else 8e-3) * draw.swing(),
            v_step=digit_v,
            a_gain=1.0 + (1e-3 if lab else 5e-3) * draw.swing(),
            a_offset=(2e-3 if lab else 5e-3) * draw.swing(),
            a_step=0.001 if lab else 0.01,
        ),
        "knob": Knob(
            span=draw.part(1.03, 0.01),
            offset_v=0.0,
            wiper_noise_v=1e-3,
            dac_gain=1.0 + (1.5e-4 if lab else 8e-4) * draw.swing(),
            dac_offset_v=(1.5e-3 if lab else 4e-3) * draw.swing(),
        ),
        "setting": spec.setting,
    }


def _linear(spec: UnitSpec, draw: _Draw) -> Parts:
    reg = _regulator(spec, draw)
    farads = _preferred_above(0.7 * spec.i_max / (2.0 * spec.mains_f * 2.4))
    res = Reservoir(farads, 0.09 / spec.i_max)
    taps = _taps(spec, reg, res, draw)
    worst_w = (1.35 * taps.windings[-1].emf_v - spec.v_max * 0.4) * spec.i_max
    heat = Heat(
        heatsink_j_per_k=draw.part(max(2.5 * worst_w, 80.0), 0.1),
        heatsink_k_per_w=draw.part(52.0 / worst_w, 0.1),
        junction_k_per_w=draw.part(0.5, 0.1),
        ambient_c=23.0,
        fan_on_c=55.0 if worst_w > 60.0 else math.inf,
    )
    return Parts(
        regulator=reg,
        reservoir=Reservoir(draw.part(res.c_f, 0.1), draw.part(res.esr_ohm, 0.2)),
        taps=taps,
        rectifier=Rectifier(),
        transformer=Transformer(
            v_nominal=spec.mains_v,
            core_w=draw.part(2.0 + 0.02 * spec.v_max * spec.i_max, 0.1),
            magnetising_a=draw.part(0.04 * 230.0 / spec.mains_v, 0.15),
        ),
        heat=heat,
        **_shared(spec, draw),
    )


def _switch_mode(spec: UnitSpec, draw: _Draw) -> Parts:
    watts = spec.v_max * spec.i_max
    bulk_v = spec.mains_v * math.sqrt(2.0)
    ratio = (spec.v_max * 1.15 + 2.0) / (bulk_v * 0.72)
    reg = replace(
        _regulator(spec, draw),
        dropout_v=1.0,
        line_rejection_db=draw.part(95.0, 0.03),  # for a volt of bulk, 325 V high
        r_out_ohm=draw.part(8e-3 / spec.i_max, 0.3),
        quiescent_a=0.0,
        bleed_ohm=draw.part(spec.v_max / 0.02, 0.05),
        c_out_f=draw.part(_preferred_above(100e-6 * spec.i_max), 0.2),
        slew_up_v_per_s=spec.v_max / 0.05,
        settle_tau_s=3e-3,
        start_delay_s=0.6,
        hold_up_s=0.02,
        loop=Loop(l_h=draw.part(6e-6, 0.2), damping=draw.part(0.6, 0.15)),
    )
    switcher = Switcher(
        f_hz=draw.part(95e3, 0.05),
        ripple_pp_v=draw.part(5e-3, 0.2),
        spike_v=draw.part(6e-3, 0.2),
        efficiency=draw.part(0.86, 0.02),
        bulk_ratio=ratio,
    )
    ohm = draw.part(3.0 * (spec.mains_v / 230.0) ** 2, 0.2)
    return Parts(
        regulator=reg,
        reservoir=Reservoir(
            draw.part(_preferred_above(1.1e-6 * watts * (230.0 / spec.mains_v) ** 2), 0.15), 0.15
        ),
        taps=TapControl(windings=(Winding(spec.mains_v, ohm),)),
        transformer=Transformer(v_nominal=spec.mains_v, core_w=0.0, magnetising_a=0.0, aux_w=1.0),
        heat=Heat(heatsink_j_per_k=200.0, heatsink_k_per_w=30.0 / (0.2 * watts), fan_on_c=45.0),
        switcher=switcher,
        **_shared(spec, draw),
    )
