"""The electrical circuit in time: rectifier, reservoir, pass element, output capacitor, load.

Trapezoidal rule on the reservoir and scalar Newton on the diode path, on a grid locked to
the mains phase. The control loop is far faster than a grid step and is taken as ideal
here (its own ringing is added in `fast`): each step asks which of five regimes holds.

    1 CV        the pass element gives what keeps the output at its target
    2 dropout   the pass element is wide open: v_out = v_raw - dropout
    3 CC        the current limit holds the pass current
    4 above     the output is above its target; only leakage flows
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

from sim_instruments.plant.parts import Diode

__all__ = ["GRID", "Circuit", "Row", "State", "diode_path_a", "emf_shape", "load_law", "run"]

GRID = 400  # steps in one mains cycle
STRIDE = 4  # steps taken at once while no diode is near conduction
SHORT_STEP_S = 2e-6  # below this a step is only the remnant up to an event
CV_LOAD_S = 20.0  # how steeply a constant-voltage load takes current above its level
CLEAR_V = 1.0  # how far the raw voltage must stand above the EMF for that

# t_s, v_raw, v_out, i_rect (signed by half-cycle), i_pass, i_load (outside load alone), mode
Row = tuple[float, float, float, float, float, float, int]


def emf_shape(phase: float, third: float, fifth: float) -> float:
    """EMF at a phase (in cycles), unit rms; harmonics in parts of the fundamental."""
    a = 2 * math.pi * phase
    v = math.sin(a) + third * math.sin(3 * a) + fifth * math.sin(5 * a)
    return v * math.sqrt(2 / (1 + third * third + fifth * fifth))


def _fired(phase: float, third: float, fifth: float, firing: float) -> float:
    """EMF shape behind a controlled rectifier that lets the first part of each half pass by."""
    if firing > 0.0 and (phase * 2) % 1.0 < firing:
        return 0.0
    return emf_shape(phase, third, fifth)


@lru_cache(maxsize=64)
def _shape_tables(third: float, fifth: float, firing: float) -> tuple[list[float], list[float]]:
    """EMF of unit rms on the grid, and the highest magnitude within the next STRIDE steps."""
    shape = [_fired(k / GRID, third, fifth, firing) for k in range(GRID)]
    size = [abs(e) for e in shape] * 2
    return shape, [max(size[k : k + STRIDE + 1]) for k in range(GRID)]


@dataclass(slots=True)
class Circuit:
    """Constants of the circuit while no switch moves; build a new one when one does."""

    f_hz: float
    emf_v: float  # 0 while the winding is disconnected
    r_pos_ohm: float
    r_neg_ohm: float
    c_f: float
    esr_ohm: float
    pos: bool = True
    neg: bool = True
    in_series: int = 2
    diode: Diode = field(default_factory=Diode)
    third: float = 0.0
    fifth: float = 0.0
    firing: float = 0.0  # part of each half-cycle before a controlled rectifier fires
    g_leak_s: float = 0.0
    i_quiescent_a: float = 0.0
    # regulator
    goal_v: float = 0.0
    i_limit_a: float = math.inf
    limit_knee_a: float = 0.0
    limit_knee_v: float = 1.0
    limit_g_s: float = 0.0
    dropout_v: float = 0.0
    dropout_ohm: float = 0.0
    r_out_ohm: float = 0.0
    reject: float = 0.0  # output volts for one volt of raw
    reject_tau_s: float = 0.0
    raw_ref_v: float = 0.0
    pass_g_s: float = 0.0
    shorted: bool = False
    c_out_f: float = 0.0
    slew_up: float = math.inf
    slew_down: float = math.inf
    settle_tau_s: float = 0.0
    sink_a: float = 0.0
    aux_ripple_v: float = 0.0
    # load: what the terminals see
    load_kind: str = "off"
    load_level: float = 0.0
    load_v_min: float = 0.0
    load_i_max: float = math.inf
    g_ext_s: float = 0.0
    # tap comparator
    sense_on: bool = False
    sense_tau_s: float = 4e-3
    sense_out: float = 1.0
    sense_raw: float = 0.0
    sense_kick_v: float = 0.0
    sense_up_v: float = math.inf
    sense_down_v: float = -math.inf
    sense_noise_v: float = 0.0
    noise: tuple[float, ...] = (0.0,)
    # switch-mode: the raw side feeds constant power
    bulk_ratio: float = 0.0
    efficiency: float = 1.0
    standby_w: float = 0.0
    table: list[float] = field(default_factory=list)
    fine: int = 1  # parts of a grid step, for a reservoir that hardly holds
    ahead: list[float] = field(default_factory=list)  # highest |EMF| in the next STRIDE steps

    def prepare(self) -> None:
        """Work out the tables that the inner loop reads; costs nothing the second time."""
        if self.table:
            return
        shape, ahead = _shape_tables(self.third, self.fifth, self.firing)
        self.table = [self.emf_v * x for x in shape]
        self.ahead = [self.emf_v * x + CLEAR_V for x in ahead]
        load_s = 1.0 / self.load_level if self.load_kind == "cr" and self.load_level > 0.0 else 0.0
        tau_s = self.c_f * (self.esr_ohm + 1.0 / max(self.g_leak_s + load_s, 1e-9))
        step_s = 1.0 / (self.f_hz * GRID)
        self.fine = min(max(math.ceil(step_s / (0.06 * tau_s)), 1), 8)

    def emf(self, phase: float) -> float:
        """Secondary EMF in volts at a phase in cycles."""
        return self.emf_v * _fired(phase, self.third, self.fifth, self.firing)


@dataclass(slots=True)
class State:
    """What the circuit remembers from one instant to the next."""

    t_s: float
    phase: float  # cycles since the plant began
    v_c: float = 0.0  # across the ideal part of the reservoir
    i_c: float = 0.0
    v_raw: float = 0.0
    v_out: float = 0.0
    target_v: float = 0.0
    sense_v: float = 0.0
    i_rect: float = 0.0
    i_pass: float = 0.0
    i_load: float = 0.0
    mode: int = 1
    raw_v_per_s: float = 0.0


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


def load_law(c: Circuit, v: float) -> tuple[float, float]:
    """Linearise the load about v: current = a + g·v. Returns (a, g)."""
    kind, level = c.load_kind, c.load_level
    if kind == "off" or level <= 0.0:
        a, g = 0.0, 0.0
    elif kind == "cc":
        full = v >= c.load_v_min or c.load_v_min <= 0.0
        a, g = (level, 0.0) if full else (0.0, level / c.load_v_min)
    elif kind in ("cr", "short"):
        a, g = 0.0, 1.0 / level
    elif kind == "cp":
        a, g = _constant_power(level, c.load_i_max, v)
    elif v <= level:  # "cv"
        a, g = 0.0, 0.0
    elif (v - level) * CV_LOAD_S >= c.load_i_max:
        a, g = c.load_i_max, 0.0
    else:
        a, g = -CV_LOAD_S * level, CV_LOAD_S
    return a, g + c.g_ext_s


def _constant_power(watts: float, i_max: float, v: float) -> tuple[float, float]:
    if v * i_max > watts:
        return 2.0 * watts / v, -watts / (v * v)
    return (i_max, 0.0) if v > 0.5 else (0.0, i_max / 0.5)


def _two_paths(c: Circuit, e: float, a: float, b: float, guess_a: float) -> tuple[float, float]:
    """Both half-cycle paths at once, for a raw voltage near zero: (i_pos, i_neg).

    Raw is v = a + b·(i_pos + i_neg); solved by bisection on v, rarely needed.
    """
    nd = c.in_series
    nvt, is_a, rs = nd * c.diode.n_vt_v, c.diode.is_a, nd * c.diode.rs_ohm
    lo, hi = min(a, 0.0), max(abs(e), a) + 1e-3
    i_pos = i_neg = 0.0
    for _ in range(40):
        v = 0.5 * (lo + hi)
        i_pos = diode_path_a(e - v, c.r_pos_ohm + rs, nvt, is_a, guess_a) if c.pos else 0.0
        i_neg = diode_path_a(-e - v, c.r_neg_ohm + rs, nvt, is_a, guess_a) if c.neg else 0.0
        if a + b * (i_pos + i_neg) > v:
            lo = v
        else:
            hi = v
    return i_pos, i_neg


def _between(a: Row, b: Row) -> list[Row]:
    """Rows at a quarter, a half and three quarters of a long step."""
    return [
        (
            a[0] + p * (b[0] - a[0]),
            a[1] + p * (b[1] - a[1]),
            a[2] + p * (b[2] - a[2]),
            a[3] + p * (b[3] - a[3]),
            a[4] + p * (b[4] - a[4]),
            a[5] + p * (b[5] - a[5]),
            b[6],
        )
        for p in (0.25, 0.5, 0.75)
    ]


def run(c: Circuit, s: State, t_end_s: float, rows: list[Row]) -> bool:  # noqa: PLR0912, PLR0915
    """Advance the state to t_end, appending one row a step.

    Returns True when it stopped early because the tap comparator's input crossed a
    threshold (the state is then at the crossing), False at t_end. This is the inner loop
    of the whole simulation, hence one function with local names.
    """
    c.prepare()
    table, ahead, fine, hg = c.table, c.ahead, c.fine, 1.0 / (c.f_hz * GRID)
    nd = c.in_series
    nvt, is_a, rs = nd * c.diode.n_vt_v, c.diode.is_a, nd * c.diode.rs_ohm
    r_pos, r_neg, pos, neg = c.r_pos_ohm + rs, c.r_neg_ohm + rs, c.pos, c.neg
    cap, esr, g_leak, iq, co = c.c_f, c.esr_ohm, c.g_leak_s, c.i_quiescent_a, c.c_out_f
    reject, rej_tau, raw_ref, r_out = c.reject, c.reject_tau_s, c.raw_ref_v, c.r_out_ohm
    vdo, rdo, knee = c.dropout_v, c.dropout_ohm, c.limit_knee_a
    aux, noise, n_noise = c.aux_ripple_v, c.noise, len(c.noise)
    sense_on, ratio, g_ext = c.sense_on, c.bulk_ratio, c.g_ext_s
    t, pos_f = s.t_s, (s.phase % 1.0) * GRID
    base = math.floor(s.phase)
    vc, ic, v, vo, x, sense = s.v_c, s.i_c, s.v_raw, s.v_out, s.target_v, s.sense_v
    i, ip, il, mode = abs(s.i_rect), s.i_pass, s.i_load, s.mode
    climb, signed, crossed = s.raw_v_per_s, s.i_rect, False
    last: Row = (t, v, vo, signed, ip, il - g_ext * vo, mode)
    while t < t_end_s - 1e-10:
        at = int(pos_f + 1e-7)
        k = at + 1
        stride = i == 0.0 and mode == 1 and v > ahead[at % GRID] and pos_f - at < 1e-7
        if stride and x == c.goal_v and at + STRIDE <= GRID and t + STRIDE * hg < t_end_s:
            k = at + STRIDE
        to = float(k) if fine == 1 else (int(pos_f * fine + 1e-6) + 1) / fine
        h = (to - pos_f) * hg
        if t + h > t_end_s + 1e-10:
            h = t_end_s - t
            pos_f += h / hg
            e = c.emf(pos_f / GRID)
        else:
            pos_f = to
            e = table[k % GRID] if to == k else c.emf(to / GRID)
        t += h
        # target: what the loop wants at the terminals
        goal = c.goal_v
        if x != goal:
            move = (
                (goal - x) * (1.0 - math.exp(-h / c.settle_tau_s)) if c.settle_tau_s else goal - x
            )
            x += min(max(move, -c.slew_down * h), c.slew_up * h)
            if abs(goal - x) < 1e-6:
                x = goal
        want = x - r_out * il
        if x > 0.0:
            want += reject * (v - raw_ref + rej_tau * climb)
            if aux:
                want += aux * (2.0 * (2.0 * pos_f / GRID % 1.0) - 1.0)
        # output: pass current asked for
        a_l, g_l = load_law(c, vo)
        gg = co / h + g_l
        jj = a_l - co / h * vo
        leak = (v - vo) * c.pass_g_s if v > vo else 0.0
        i_cc = c.i_limit_a - c.limit_g_s * vo
        if knee and want - vo < 20.0 * c.limit_knee_v:
            i_cc -= knee * math.exp(-max(want - vo, 0.0) / c.limit_knee_v)
        ask = gg * want + jj
        if c.shorted:
            mode = 2
        elif ask > i_cc:
            mode, ip = 3, i_cc
        elif ask < leak - c.sink_a:
            mode, ip = 4, leak
        else:
            mode, ip = 1, ask
        if mode == 1 or gg <= 0.0:
            vo1 = want
        elif mode == 4 and c.sink_a and vo > want:
            vo1 = max((ip - c.sink_a - jj) / gg, want)
        else:
            vo1 = (ip - jj) / gg
        # raw side
        r_c = esr + 0.5 * h / cap
        e_c = vc + 0.5 * h / cap * ic
        if ratio:
            p = (vo1 * ip) / c.efficiency + c.standby_w
            jd, gd = (2.0 * p / v, -p / (v * v)) if v > 20.0 else (0.0, p / 400.0)
        else:
            jd, gd = ip + iq, 0.0
        if v < 3.0:
            jd, gd = jd - iq, gd + iq / 3.0
        for attempt in (0, 1):
            d = 1.0 + r_c * (gd + g_leak)
            a, b = (e_c - r_c * jd) / d, r_c / d
            if e >= 0.0:
                i = diode_path_a(e - a, r_pos + b, nvt, is_a, i) if pos else 0.0
                signed = i
            else:
                i = diode_path_a(-e - a, r_neg + b, nvt, is_a, i) if neg else 0.0
                signed = -i
            v1 = a + b * i
            if v1 < 1.0 and c.emf_v and (pos or neg):
                i_p, i_n = _two_paths(c, e, a, b, i)
                i, signed = i_p + i_n, i_p - i_n
                v1 = a + b * i
            room = v1 * ratio if ratio else v1
            if attempt or mode == 4 or (mode != 2 and room - vo1 >= vdo + rdo * ip):
                break
            # dropout: v_out follows raw through the wide-open pass element
            mode = 2
            if ratio:
                vo1 = (room - vdo - rdo * jj) / (1.0 + rdo * gg)
                ip = max(gg * vo1 + jj, 0.0)
                break
            g2 = gg / (1.0 + rdo * gg)
            jd, gd = iq + jj - g2 * (vdo + rdo * jj), g2
            if v < 3.0:
                jd, gd = jd - iq, gd + iq / 3.0
        if mode == 2 and not ratio:
            vo1 = (v1 - vdo - rdo * jj) / (1.0 + rdo * gg)
            ip = gg * vo1 + jj
            if ip < 0.0:
                ip = 0.0
                vo1 = -jj / gg if gg > 0.0 else 0.0
        if h > SHORT_STEP_S:  # a remnant of a step says nothing of the slope
            climb = (v1 - v) / h
        v, vo = v1, vo1
        ic = (v - e_c) / r_c
        vc = v - esr * ic
        il = a_l + g_l * vo
        now = (t, v, vo, signed, ip, il - g_ext * vo, mode)
        if k - at == STRIDE and fine == 1:
            rows += _between(last, now)  # keep the grid even
        if fine == 1 or to == k or t >= t_end_s - 1e-10:
            rows.append(now)
        last = now
        if sense_on:
            y = c.sense_out * vo + c.sense_raw * v + c.sense_kick_v
            y += c.sense_noise_v * noise[(base * 97 + int(pos_f)) % n_noise]
            sense += (y - sense) * (1.0 - math.exp(-h / c.sense_tau_s))
            if sense > c.sense_up_v or sense < c.sense_down_v:
                crossed = True
                break
        if pos_f >= GRID - 1e-7:
            pos_f -= GRID
            base += 1
    s.t_s, s.phase = t, base + pos_f / GRID
    s.v_c, s.i_c, s.v_raw, s.v_out, s.target_v, s.sense_v = vc, ic, v, vo, x, sense
    s.i_rect, s.i_pass, s.i_load, s.mode, s.raw_v_per_s = signed, ip, il, mode, climb
    return crossed
