"""The inner loop of the simulation, compiled: a stretch of the circuit's time, step by step.

Trapezoidal rule on the reservoir and scalar Newton on the diode path, on a grid locked to
the mains phase. Nothing here but numbers and arrays; `circuit` holds the parts by name and
says what the regimes mean.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = [
    "GRID", "LOADS", "Constants", "Floats", "advance", "diode_path_a", "fired", "load_line",
]  # fmt: skip

GRID = 400  # steps in one mains cycle
SHORT_STEP_S = 2e-6  # below this a step is only the remnant up to an event
CV_LOAD_S = 20.0  # how steeply a constant-voltage load takes current above its level
LOADS = {"off": 0, "cc": 1, "cr": 2, "short": 2, "cp": 3, "cv": 4}

Floats = npt.NDArray[np.float64]


class Constants(NamedTuple):
    """What holds while no switch moves; the fields are those of `circuit.Circuit`."""

    f_hz: float
    third: float
    fifth: float
    firing: float
    emf_v: float
    table: Floats  # EMF in volts at each grid point of the cycle, shape (GRID,)
    fine: int
    r_pos_ohm: float  # diodes' series resistance included
    r_neg_ohm: float
    pos: bool
    neg: bool
    n_vt_v: float  # of the whole diode path
    is_a: float
    c_f: float
    esr_ohm: float
    g_leak_s: float
    i_quiescent_a: float
    goal_v: float
    i_limit_a: float
    limit_knee_a: float
    limit_knee_v: float
    limit_g_s: float
    dropout_v: float
    dropout_ohm: float
    r_out_ohm: float
    reject: float
    reject_tau_s: float
    raw_ref_v: float
    pass_g_s: float
    shorted: bool
    c_out_f: float
    slew_up: float
    slew_down: float
    settle_tau_s: float
    sink_a: float
    aux_ripple_v: float
    load_kind: int
    load_v_min: float
    load_i_max: float
    g_ext_s: float
    sense_tau_s: float
    sense_out: float
    sense_raw: float
    sense_kick_v: float
    sense_up_v: float
    sense_down_v: float
    sense_noise_v: float
    noise: Floats
    bulk_ratio: float
    efficiency: float
    standby_w: float


@njit(cache=True)
def fired(phase: float, third: float, fifth: float, firing: float) -> float:
    """EMF of unit rms at a phase (in cycles), harmonics in parts of the fundamental.

    firing: part of each half that a controlled rectifier lets pass by.
    """
    if firing > 0.0 and (phase * 2) % 1.0 < firing:
        return 0.0
    a = 2 * math.pi * phase
    v = math.sin(a) + third * math.sin(3 * a) + fifth * math.sin(5 * a)
    return v * math.sqrt(2 / (1 + third * third + fifth * fifth))


@njit(cache=True)
def diode_path_a(x_v: float, r_ohm: float, nvt_v: float, is_a: float, guess_a: float) -> float:
    """Current with x = i·r + n·Vt·ln(1 + i/Is); zero for x ≤ 0 (reverse leak is left out)."""
    if x_v <= 0.0:
        return 0.0
    z = x_v / nvt_v
    if z < 12.0:  # series resistance does not count yet
        i = is_a * math.expm1(z)
        if i * r_ohm < 1e-7 * x_v:
            return i
        i = min(i, x_v / r_ohm)
    else:
        i = guess_a if guess_a > 1e-6 else max((x_v - 20.0 * nvt_v) / r_ohm, 1e-4)
    for _ in range(50):
        f = i * r_ohm + nvt_v * math.log1p(i / is_a) - x_v
        j = i - f / (r_ohm + nvt_v / (is_a + i))
        if j <= 0.0:
            j = 0.2 * i
        if abs(j - i) <= 1e-8 * j + 1e-13:
            return j
        i = j
    return i


@njit(cache=True)
def load_line(
    kind: int, level: float, v_min: float, i_max: float, g_ext_s: float, v: float
) -> tuple[float, float]:
    """Linearise a load (kind as in LOADS) about v: current = a + g·v. Returns (a, g)."""
    a, g = 0.0, 0.0
    if kind == 0 or level <= 0.0:
        pass
    elif kind == 1:
        if v >= v_min or v_min <= 0.0:
            a = level
        else:
            g = level / v_min
    elif kind == 2:
        g = 1.0 / level
    elif kind == 3:  # constant power, as far as the load's own current limit
        if v * i_max > level:
            a, g = 2.0 * level / v, -level / (v * v)
        elif v > 0.5:
            a = i_max
        else:
            g = i_max / 0.5
    elif v > level:
        if (v - level) * CV_LOAD_S >= i_max:
            a = i_max
        else:
            a, g = -CV_LOAD_S * level, CV_LOAD_S
    return a, g + g_ext_s


@njit(cache=True)
def _two_paths(k: Constants, e: float, a: float, b: float, guess_a: float) -> tuple[float, float]:
    """Both half-cycle paths at once, for a raw voltage near zero: (i_pos, i_neg).

    Raw is v = a + b·(i_pos + i_neg); solved by bisection on v, rarely needed.
    """
    lo, hi = min(a, 0.0), max(abs(e), a) + 1e-3
    i_pos = i_neg = 0.0
    for _ in range(40):
        v = 0.5 * (lo + hi)
        i_pos = diode_path_a(e - v, k.r_pos_ohm, k.n_vt_v, k.is_a, guess_a) if k.pos else 0.0
        i_neg = diode_path_a(-e - v, k.r_neg_ohm, k.n_vt_v, k.is_a, guess_a) if k.neg else 0.0
        if a + b * (i_pos + i_neg) > v:
            lo = v
        else:
            hi = v
    return i_pos, i_neg


@njit(cache=True)
def _target(k: Constants, x: float, h: float) -> float:
    """Where the loop's target has moved to after h seconds."""
    if x == k.goal_v:
        return x
    move = k.goal_v - x
    if k.settle_tau_s > 0.0:
        move *= 1.0 - math.exp(-h / k.settle_tau_s)
    x += min(max(move, -k.slew_down * h), k.slew_up * h)
    return k.goal_v if abs(k.goal_v - x) < 1e-6 else x


@njit(cache=True)
def advance(  # noqa: PLR0912, PLR0915
    k: Constants, load_level: float, sense_on: bool, s: Floats, t_end_s: float, rows: Floats
) -> tuple[bool, int]:
    """Advance the state s in place to t_end; one row a step of rows is filled.

    s: t_s, phase, v_c, i_c, v_raw, v_out, target_v, sense_v, i_rect, i_pass, i_load, mode,
    raw_v_per_s (shape (13,)). rows: shape (n, 7), columns as `circuit.Row`. Returns whether
    the comparator's input crossed a threshold (the state is then at the crossing) and the
    number of rows. One function, because it is the inner loop of everything.
    """
    hg = 1.0 / (k.f_hz * GRID)
    t, pos_f, base = s[0], (s[1] % 1.0) * GRID, math.floor(s[1])
    vc, ic, v, vo, x, sense = s[2], s[3], s[4], s[5], s[6], s[7]
    signed, ip, il, mode, climb = s[8], s[9], s[10], int(s[11]), s[12]
    i, n, crossed = abs(signed), 0, False
    while t < t_end_s - 1e-10:
        at = int(pos_f + 1e-7)
        to = float(at + 1) if k.fine == 1 else (int(pos_f * k.fine + 1e-6) + 1) / k.fine
        h = (to - pos_f) * hg
        if t + h > t_end_s + 1e-10:
            h = t_end_s - t
            pos_f += h / hg
            e = k.emf_v * fired(pos_f / GRID, k.third, k.fifth, k.firing)
        else:
            pos_f = to
            if to == at + 1:
                e = k.table[(at + 1) % GRID]
            else:
                e = k.emf_v * fired(to / GRID, k.third, k.fifth, k.firing)
        t += h
        x = _target(k, x, h)
        want = x - k.r_out_ohm * il
        if x > 0.0:
            want += k.reject * (v - k.raw_ref_v + k.reject_tau_s * climb)
            if k.aux_ripple_v > 0.0:
                want += k.aux_ripple_v * (2.0 * ((2.0 * pos_f / GRID) % 1.0) - 1.0)
        # output: pass current asked for
        a_l, g_l = load_line(k.load_kind, load_level, k.load_v_min, k.load_i_max, k.g_ext_s, vo)
        gg = k.c_out_f / h + g_l
        jj = a_l - k.c_out_f / h * vo
        leak = (v - vo) * k.pass_g_s if v > vo else 0.0
        i_cc = k.i_limit_a - k.limit_g_s * vo
        if k.limit_knee_a > 0.0 and want - vo < 20.0 * k.limit_knee_v:
            i_cc -= k.limit_knee_a * math.exp(-max(want - vo, 0.0) / k.limit_knee_v)
        ask = gg * want + jj
        if k.shorted:
            mode = 2
        elif ask > i_cc:
            mode, ip = 3, i_cc
        elif ask < leak - k.sink_a:
            mode, ip = 4, leak
        else:
            mode, ip = 1, ask
        if mode == 1 or gg <= 0.0:
            vo1 = want
        elif mode == 4 and k.sink_a > 0.0 and vo > want:
            vo1 = max((ip - k.sink_a - jj) / gg, want)
        else:
            vo1 = (ip - jj) / gg
        if k.load_kind == 1 and vo1 < k.load_v_min <= vo and mode != 2:
            # a sink cannot pull below zero: from here on it is the resistor it ends as
            a_l, g_l = 0.0, load_level / k.load_v_min + k.g_ext_s
            gg, jj = k.c_out_f / h + g_l, -k.c_out_f / h * vo
            if mode == 1:
                ip = max(gg * want + jj, leak)
            elif mode == 4 and k.sink_a > 0.0 and vo > want:
                vo1 = max((ip - k.sink_a - jj) / gg, want)
            else:
                vo1 = (ip - jj) / gg
        # raw side
        r_c = k.esr_ohm + 0.5 * h / k.c_f
        e_c = vc + 0.5 * h / k.c_f * ic
        if k.bulk_ratio > 0.0:
            p = (vo1 * ip) / k.efficiency + k.standby_w
            jd, gd = (2.0 * p / v, -p / (v * v)) if v > 20.0 else (0.0, p / 400.0)
        else:
            jd, gd = ip + k.i_quiescent_a, 0.0
        if v < 3.0:
            jd, gd = jd - k.i_quiescent_a, gd + k.i_quiescent_a / 3.0
        for attempt in range(2):
            d = 1.0 + r_c * (gd + k.g_leak_s)
            a, b = (e_c - r_c * jd) / d, r_c / d
            if e >= 0.0:
                i = diode_path_a(e - a, k.r_pos_ohm + b, k.n_vt_v, k.is_a, i) if k.pos else 0.0
                signed = i
            else:
                i = diode_path_a(-e - a, k.r_neg_ohm + b, k.n_vt_v, k.is_a, i) if k.neg else 0.0
                signed = -i
            v1 = a + b * i
            if v1 < 1.0 and k.emf_v != 0.0 and (k.pos or k.neg):
                i_p, i_n = _two_paths(k, e, a, b, i)
                i, signed = i_p + i_n, i_p - i_n
                v1 = a + b * i
            room = v1 * k.bulk_ratio if k.bulk_ratio > 0.0 else v1
            wide_open = room - vo1 < k.dropout_v + k.dropout_ohm * ip
            if attempt == 1 or mode == 4 or (mode != 2 and not wide_open):
                break
            # dropout: v_out follows raw through the wide-open pass element
            mode = 2
            if k.bulk_ratio > 0.0:
                vo1 = (room - k.dropout_v - k.dropout_ohm * jj) / (1.0 + k.dropout_ohm * gg)
                ip = max(gg * vo1 + jj, 0.0)
                break
            g2 = gg / (1.0 + k.dropout_ohm * gg)
            jd, gd = k.i_quiescent_a + jj - g2 * (k.dropout_v + k.dropout_ohm * jj), g2
            if v < 3.0:
                jd, gd = jd - k.i_quiescent_a, gd + k.i_quiescent_a / 3.0
        if mode == 2 and k.bulk_ratio == 0.0:
            vo1 = (v1 - k.dropout_v - k.dropout_ohm * jj) / (1.0 + k.dropout_ohm * gg)
            ip = gg * vo1 + jj
            if ip < 0.0:
                ip = 0.0
                vo1 = -jj / gg if gg > 0.0 else 0.0
        if h > SHORT_STEP_S:  # a remnant of a step says nothing of the slope
            climb = (v1 - v) / h
        v, vo = v1, vo1
        ic = (v - e_c) / r_c
        vc = v - k.esr_ohm * ic
        il = a_l + g_l * vo
        if k.fine == 1 or to == at + 1 or t >= t_end_s - 1e-10:
            row = rows[n]
            row[0], row[1], row[2], row[3] = t, v, vo, signed
            row[4], row[5], row[6] = ip, il - k.g_ext_s * vo, mode
            n += 1
        if sense_on:
            y = k.sense_out * vo + k.sense_raw * v + k.sense_kick_v
            y += k.sense_noise_v * k.noise[(base * 97 + int(pos_f)) % len(k.noise)]
            sense += (y - sense) * (1.0 - math.exp(-h / k.sense_tau_s))
            if sense > k.sense_up_v or sense < k.sense_down_v:
                crossed = True
                break
        if pos_f >= GRID - 1e-7:
            pos_f -= GRID
            base += 1
    s[0], s[1], s[2], s[3], s[4], s[5] = t, base + pos_f / GRID, vc, ic, v, vo
    s[6], s[7], s[8], s[9], s[10], s[11], s[12] = x, sense, signed, ip, il, mode, climb
    return crossed, n
