"""The electrical circuit in time: rectifier, reservoir, pass element, output capacitor, load.

The control loop is far faster than a step of the grid and is taken as ideal here (its own
ringing is added in `fast`): each step asks which of four regimes holds.

    1 CV        the pass element gives what keeps the output at its target
    2 dropout   the pass element is wide open: v_out = v_raw - dropout
    3 CC        the current limit holds the pass current
    4 above     the output is above its target; only leakage flows

The stepping itself is compiled, in `stepping`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from sim_instruments.plant.parts import Diode
from sim_instruments.plant.stepping import (
    GRID,
    LOADS,
    Constants,
    Floats,
    advance,
    fired,
    load_line,
)

__all__ = ["GRID", "ROW", "Circuit", "State", "load_law", "run", "settled_draw"]

# columns of a row; i_rect is signed by half-cycle, i_load is the outside load alone
ROW = ("t_s", "v_raw", "v_out", "i_rect", "i_pass", "i_load", "mode")


@lru_cache(maxsize=64)
def _shape_table(third: float, fifth: float, firing: float) -> Floats:
    """EMF of unit rms on the grid."""
    return np.array([fired(k / GRID, third, fifth, firing) for k in range(GRID)])


@dataclass(slots=True)
class Circuit:
    """The circuit while no switch moves; build a new one when one does."""

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
    noise: Floats = field(default_factory=lambda: np.zeros(1))
    # switch-mode: the raw side feeds constant power
    bulk_ratio: float = 0.0
    efficiency: float = 1.0
    standby_w: float = 0.0
    made: Constants | None = field(default=None, init=False, repr=False, compare=False)

    def constants(self) -> Constants:
        """Numbers for the inner loop; load level and comparator on or off stay outside."""
        if self.made is None:
            d, nd = self.diode, self.in_series
            given = {name: getattr(self, name) for name in _SAME}
            self.made = Constants(
                table=self.emf_v * _shape_table(self.third, self.fifth, self.firing),
                fine=self._fine(), load_kind=LOADS[self.load_kind],
                r_pos_ohm=self.r_pos_ohm + nd * d.rs_ohm, r_neg_ohm=self.r_neg_ohm + nd * d.rs_ohm,
                n_vt_v=nd * d.n_vt_v, is_a=d.is_a, **given,
            )  # fmt: skip
        return self.made

    def _fine(self) -> int:
        """Parts of a grid step, for a reservoir that hardly holds."""
        load_s = 1.0 / self.load_level if self.load_kind == "cr" and self.load_level > 0.0 else 0.0
        tau_s = self.c_f * (self.esr_ohm + 1.0 / max(self.g_leak_s + load_s, 1e-9))
        step_s = 1.0 / (self.f_hz * GRID)
        return min(max(math.ceil(step_s / (0.06 * tau_s)), 1), 8)

    def emf(self, phase: float) -> float:
        """Secondary EMF in volts at a phase in cycles."""
        return self.emf_v * float(fired(phase, self.third, self.fifth, self.firing))

    def emf_peak_v(self) -> float:
        """Highest magnitude of the secondary EMF on the grid."""
        return float(np.abs(self.constants().table).max())


_OWN = {"table", "fine", "load_kind", "r_pos_ohm", "r_neg_ohm", "n_vt_v", "is_a"}
_SAME = tuple(name for name in Constants._fields if name not in _OWN)


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

    def row(self, g_ext_s: float) -> Floats:
        """This instant as a row, shape (1, 7)."""
        outside_a = self.i_load - g_ext_s * self.v_out
        now = (self.t_s, self.v_raw, self.v_out, self.i_rect, self.i_pass, outside_a, self.mode)
        return np.array([now], dtype=np.float64)


def load_law(c: Circuit, v: float) -> tuple[float, float]:
    """Linearise the load about v: current = a + g·v. Returns (a, g)."""
    kind = LOADS[c.load_kind]
    a, g = load_line(kind, c.load_level, c.load_v_min, c.load_i_max, c.g_ext_s, v)
    return float(a), float(g)


def settled_draw(c: Circuit) -> tuple[float, float]:
    """Return the amperes that the load takes at rest, and the volts at which it does.

    At the target while the current limit allows it, below where load and limit meet.
    """

    def drawn_a(v: float) -> float:
        a, g = load_law(c, v)
        return a + g * v

    wanted_a = drawn_a(c.goal_v)
    if wanted_a <= c.i_limit_a:
        return wanted_a, c.goal_v
    low_v, high_v = 0.0, c.goal_v
    for _ in range(30):
        v = 0.5 * (low_v + high_v)
        low_v, high_v = (low_v, v) if drawn_a(v) > c.i_limit_a else (v, high_v)
    return c.i_limit_a, low_v


def run(c: Circuit, s: State, t_end_s: float) -> tuple[bool, Floats]:
    """Advance the state to t_end.

    Returns whether it stopped early because the tap comparator's input crossed a threshold
    (the state is then at the crossing), and one row a step, shape (n, 7), columns as ROW.
    """
    steps = max(t_end_s - s.t_s, 0.0) * c.f_hz * GRID
    rows = np.empty((math.ceil(steps) + 3, len(ROW)))
    now = np.array(
        [s.t_s, s.phase, s.v_c, s.i_c, s.v_raw, s.v_out, s.target_v, s.sense_v, s.i_rect,
         s.i_pass, s.i_load, s.mode, s.raw_v_per_s]
    )  # fmt: skip
    crossed, n = advance(c.constants(), c.load_level, c.sense_on, now, t_end_s, rows)
    (s.t_s, s.phase, s.v_c, s.i_c, s.v_raw, s.v_out, s.target_v, s.sense_v, s.i_rect,
     s.i_pass, s.i_load, mode, s.raw_v_per_s) = now.tolist()  # fmt: skip
    s.mode = int(mode)
    return bool(crossed), rows[:n]
