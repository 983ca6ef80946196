"""The parts of a unit: everything that can be drawn within a tolerance, age or break.

All values are SI and describe one instance. A fault replaces one of these parts; nothing
else in the plant knows that a fault exists.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

__all__ = [
    "Diode",
    "Earth",
    "Heat",
    "Knob",
    "Loop",
    "Mains",
    "Panel",
    "Parts",
    "Rectifier",
    "Regulator",
    "Reservoir",
    "Switcher",
    "TapControl",
    "Transformer",
    "Winding",
]

BOLTZMANN_OVER_CHARGE_V_PER_K = 1.380649e-23 / 1.602176634e-19  # SI exact values


@dataclass(frozen=True, slots=True)
class Diode:
    """Exponential diode with series resistance: v = n·Vt·ln(1 + i/Is) + i·Rs."""

    is_a: float = 2.5e-9
    n: float = 1.75
    rs_ohm: float = 0.035
    temperature_k: float = 300.15

    @property
    def n_vt_v(self) -> float:
        """Return n·k·T/q in volts."""
        return self.n * BOLTZMANN_OVER_CHARGE_V_PER_K * self.temperature_k


@dataclass(frozen=True, slots=True)
class Winding:
    """One secondary as the rectifier sees it when selected: open-circuit EMF and resistance."""

    emf_v: float
    r_ohm: float
    is_open: bool = False


@dataclass(frozen=True, slots=True)
class Rectifier:
    """Which diodes lead where.

    Bridge: D1 and D4 carry the positive half-cycle, D2 and D3 the negative one.
    Centre-tapped: D1 and D2. Half-wave: D1 alone.
    """

    topology: Literal["bridge", "centre-tapped", "half-wave"] = "bridge"
    diode: Diode = field(default_factory=Diode)
    open_diodes: frozenset[int] = frozenset()
    extra_pos_ohm: float = 0.0
    extra_neg_ohm: float = 0.0

    @property
    def in_series(self) -> int:
        """How many diodes one current path goes through."""
        return 2 if self.topology == "bridge" else 1

    @property
    def conducts_pos(self) -> bool:
        """Whether current can flow in the positive half-cycle."""
        needed = {1, 4} if self.topology == "bridge" else {1}
        return not needed & self.open_diodes

    @property
    def conducts_neg(self) -> bool:
        """Whether current can flow in the negative half-cycle."""
        if self.topology == "half-wave":
            return False
        needed = {2, 3} if self.topology == "bridge" else {2}
        return not needed & self.open_diodes


@dataclass(frozen=True, slots=True)
class Reservoir:
    """The electrolytic after the rectifier."""

    c_f: float
    esr_ohm: float
    leak_ohm: float = math.inf


@dataclass(frozen=True, slots=True)
class Loop:
    """The control loop around the pass element, as its output sees it.

    With the output capacitor it forms a parallel resonance: f0 = 1/(2π√(L·C)),
    peak impedance about √(L/C). A negative damping is a limit cycle.
    """

    l_h: float = 0.4e-6
    damping: float = 0.7
    limit_cycle_v: float = 0.0
    limit_cycle_hz: float = 60e3
    limit_cycle_from_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Regulator:
    """Series pass element, its reference, its limit and the output capacitor."""

    v_max: float
    i_max: float
    dropout_v: float = 1.6
    dropout_ohm: float = 0.15
    line_rejection_db: float = 74.0
    line_corner_hz: float = 2000.0
    r_out_ohm: float = 0.001
    sense_lead_ohm: float = 0.0
    sense_lift_v: float = 0.0
    quiescent_a: float = 0.015
    bleed_ohm: float = 4700.0
    sink_a: float = 0.0
    reverse_diode_v: float = 0.75
    """Drop of the diode across the output at some 0.1 A; infinite when it is open."""
    pass_leak_ohm: float = math.inf
    pass_shorted: bool = False
    reference_gain: float = 1.0
    reference_offset_v: float = 0.0
    reference_tc_per_k: float = 30e-6
    reference_drift_per_h: float = 0.0
    limit_gain: float = 1.0
    limit_offset_a: float = 0.0
    limit_knee_a: float = 0.004
    limit_knee_v: float = 0.05
    limit_ohm: float = 20e3
    c_out_f: float = 220e-6
    c_out_esr_ohm: float = 0.06
    slew_up_v_per_s: float = 2000.0
    slew_down_v_per_s: float = 4000.0
    settle_tau_s: float = 0.8e-3
    start_delay_s: float = 0.12
    hold_up_s: float = 0.15
    noise_v: float = 90e-6
    aux_ripple_v: float = 0.0
    loop: Loop = field(default_factory=Loop)


@dataclass(frozen=True, slots=True)
class TapControl:
    """What chooses the winding.

    `windings` are the selections from the lowest to the highest; relay k moves the
    selection from k to k + 1 ("series") or adds its own weight ("binary").
    Thresholds are volts at the output ("output", "set"), or minimum and maximum volts
    across the pass element ("headroom", up and down).
    """

    kind: Literal["none", "relay", "scr", "preregulator"] = "none"
    windings: tuple[Winding, ...] = ()
    arrangement: Literal["series", "binary"] = "series"
    sense: Literal["output", "set", "headroom"] = "output"
    up_v: tuple[float, ...] = ()
    down_v: tuple[float, ...] = ()
    from_reference: bool = False
    threshold_tc_per_k: float = 100e-6
    sense_tau_s: float = 4e-3
    sense_noise_v: float = 0.4e-3
    raw_coupling: float = 0.0
    coil_kick_v: float = 0.01
    coil_v: float = 24.0
    pull_in_v: float = 14.4
    drop_out_v: float = 6.0
    operate_s: float = 8e-3
    release_s: float = 4e-3
    gap_s: float = 2.0e-3
    bounce_s: float = 0.4e-3
    bounces: int = 2
    contact_ohm: float = 0.01
    contact_noise_ohm: float = 0.0
    stuck: tuple[bool | None, ...] = ()
    prereg_headroom_v: float = 5.0


@dataclass(frozen=True, slots=True)
class Transformer:
    """What the primary draws beside the reflected load."""

    v_nominal: float = 230.0
    core_w: float = 3.0
    magnetising_a: float = 0.03
    aux_w: float = 2.5


@dataclass(frozen=True, slots=True)
class Mains:
    """The line at the socket and what stands between it and the unit's inlet."""

    v_rms: float = 230.0
    f_hz: float = 50.0
    wander: float = 0.003
    wander_tau_s: float = 90.0
    f_wander_hz: float = 0.01
    third: float = 0.0
    fifth: float = 0.0
    source_ohm: float = 0.4
    arrangement: Literal["direct", "isolating-transformer", "variac", "lamp-limiter"] = "direct"
    lamp_w: float = 100.0


@dataclass(frozen=True, slots=True)
class Earth:
    """Paths from the output to the chassis and from the primary to the output."""

    r_plus_ohm: float = 1e9
    r_minus_ohm: float = 1e9
    c_plus_f: float = 4.7e-9
    c_minus_f: float = 4.7e-9
    c_stray_f: float = 150e-12
    stray_fraction: float = 0.5
    pickup_v: float = 0.004


@dataclass(frozen=True, slots=True)
class Heat:
    """Lumped thermal path: junction, heatsink, air inside, ambient."""

    heatsink_j_per_k: float = 450.0
    heatsink_k_per_w: float = 0.55
    junction_k_per_w: float = 0.6
    inside_fraction: float = 0.12
    inside_tau_s: float = 500.0
    ambient_c: float = 23.0
    ambient_wander_k: float = 0.5
    ambient_tau_s: float = 3600.0
    fan_on_c: float = math.inf
    fan_gain: float = 2.5
    trip_c: float = 95.0
    reset_c: float = 75.0


@dataclass(frozen=True, slots=True)
class Panel:
    """The unit's own meters."""

    v_gain: float = 1.0
    v_offset: float = 0.0
    v_step: float = 0.01
    a_gain: float = 1.0
    a_offset: float = 0.0
    a_step: float = 0.001


@dataclass(frozen=True, slots=True)
class Knob:
    """Set-point potentiometer and, beside it, the converter of a remote set-point."""

    span: float = 1.02
    offset_v: float = 0.0
    wiper_noise_v: float = 0.2e-3
    wiper_rest_noise_v: float = 0.0
    wiper_open: Literal["", "full", "zero"] = ""
    dac_step_v: float = 0.001
    dac_gain: float = 1.0
    dac_offset_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Switcher:
    """A switch-mode unit behind the mains rectifier."""

    f_hz: float = 95e3
    ripple_pp_v: float = 6e-3
    spike_v: float = 12e-3
    spike_hz: float = 9e6
    spike_tau_s: float = 60e-9
    efficiency: float = 0.86
    standby_w: float = 4.0
    bulk_ratio: float = 0.25
    v_min: float = 0.3
    soft_start_s: float = 0.05


@dataclass(frozen=True, slots=True)
class Parts:
    """A whole unit, drawn or worn."""

    regulator: Regulator
    reservoir: Reservoir
    taps: TapControl
    rectifier: Rectifier = field(default_factory=Rectifier)
    transformer: Transformer = field(default_factory=Transformer)
    mains: Mains = field(default_factory=Mains)
    earth: Earth = field(default_factory=Earth)
    heat: Heat = field(default_factory=Heat)
    panel: Panel = field(default_factory=Panel)
    knob: Knob = field(default_factory=Knob)
    switcher: Switcher | None = None
    setting: Literal["hand", "remote"] = "hand"
