"""From parts and settings to the constants of the circuit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

from sim_instruments.plant.circuit import Circuit
from sim_instruments.plant.history import Line
from sim_instruments.plant.parts import Parts, Winding
from sim_instruments.plant.stepping import Floats

__all__ = ["Wiring", "circuit_of", "line_of", "loss_w", "reject_gain"]

Amount = TypeVar("Amount", float, Floats)


@dataclass(frozen=True, slots=True)
class Wiring:
    """What the plant knows at an instant and the circuit needs."""

    winding: Winding | None
    line_v_rms: float
    f_hz: float
    source_ohm: float
    goal_v: float
    live: bool  # the control electronics has power and the output is on
    limit_a: float
    g_across_s: float
    farads_across: float
    load_kind: str
    load_level: float
    load_v_min: float
    load_i_max: float
    sense_bounds_v: tuple[float, float]
    sense_kick_v: float
    noise: Floats
    firing: float = 0.0


def reject_gain(parts: Parts) -> float:
    """Output volts for one volt of raw ripple."""
    return float(10.0 ** (-parts.regulator.line_rejection_db / 20.0))


def loss_w(parts: Parts, raw_v: Amount, out_v: Amount, pass_a: Amount) -> Amount:
    """Heat in the pass element, or in a switcher, watts."""
    if parts.switcher is None:
        return (raw_v - out_v) * pass_a
    return out_v * pass_a * (1.0 / parts.switcher.efficiency - 1.0) + parts.switcher.standby_w


def line_of(parts: Parts, w: Wiring, on: bool) -> Line:
    """The mains side of this wiring."""
    connected = w.winding is not None and not w.winding.is_open
    emf = w.winding.emf_v if w.winding is not None else 0.0
    ratio = emf / parts.transformer.v_nominal if connected else 0.0
    m = parts.mains
    v = w.line_v_rms if on else 0.0
    return Line(v, w.f_hz, m.third, m.fifth, ratio, w.source_ohm, on)


def circuit_of(parts: Parts, w: Wiring, line: Line) -> Circuit:
    """Constants of the circuit for this wiring."""
    reg, rect, res, taps = parts.regulator, parts.rectifier, parts.reservoir, parts.taps
    winding_ohm = w.winding.r_ohm if w.winding is not None else 1.0
    reflected = w.source_ohm * line.ratio**2
    up, down = w.sense_bounds_v
    by_headroom = taps.sense == "headroom"
    switcher = parts.switcher
    return Circuit(
        f_hz=w.f_hz,
        emf_v=line.ratio * line.v_rms,
        r_pos_ohm=winding_ohm + reflected + rect.extra_pos_ohm,
        r_neg_ohm=winding_ohm + reflected + rect.extra_neg_ohm,
        c_f=res.c_f,
        esr_ohm=res.esr_ohm,
        pos=rect.conducts_pos and line.ratio > 0.0,
        neg=rect.conducts_neg and line.ratio > 0.0,
        in_series=rect.in_series,
        diode=rect.diode,
        third=parts.mains.third,
        fifth=parts.mains.fifth,
        firing=w.firing,
        g_leak_s=1.0 / res.leak_ohm,
        i_quiescent_a=reg.quiescent_a if switcher is None else 0.0,
        goal_v=w.goal_v if w.live else 0.0,
        i_limit_a=w.limit_a if w.live else 0.0,
        limit_knee_a=reg.limit_knee_a if math.isfinite(w.limit_a) and w.live else 0.0,
        limit_knee_v=reg.limit_knee_v,
        limit_g_s=1.0 / reg.limit_ohm if w.live else 0.0,
        dropout_v=reg.dropout_v,
        dropout_ohm=reg.dropout_ohm,
        r_out_ohm=reg.r_out_ohm + reg.sense_lead_ohm,
        reject=reject_gain(parts),
        reject_tau_s=1.0 / (2.0 * math.pi * reg.line_corner_hz),
        raw_ref_v=1.3 * reg.v_max if switcher is None else 310.0,
        pass_g_s=1.0 / reg.pass_leak_ohm,
        shorted=reg.pass_shorted,
        c_out_f=max(reg.c_out_f + w.farads_across, 1e-7),
        slew_up=reg.slew_up_v_per_s,
        slew_down=reg.slew_down_v_per_s,
        settle_tau_s=reg.settle_tau_s,
        sink_a=reg.sink_a if w.live else 0.0,
        aux_ripple_v=reg.aux_ripple_v if w.live else 0.0,
        load_kind=w.load_kind,
        load_level=w.load_level,
        load_v_min=w.load_v_min,
        load_i_max=w.load_i_max,
        g_ext_s=1.0 / reg.bleed_ohm + w.g_across_s,
        sense_on=bool(taps.up_v) and w.live and taps.sense != "set",
        sense_tau_s=taps.sense_tau_s,
        sense_out=1.0,
        sense_raw=-1.0 if by_headroom else taps.raw_coupling,
        sense_kick_v=w.sense_kick_v,
        sense_up_v=up,
        sense_down_v=down,
        sense_noise_v=taps.sense_noise_v,
        noise=w.noise,
        bulk_ratio=switcher.bulk_ratio if switcher is not None else 0.0,
        efficiency=switcher.efficiency if switcher is not None else 1.0,
        standby_w=switcher.standby_w if switcher is not None else 0.0,
    )
