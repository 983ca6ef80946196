"""The figures of a night: drift, Allan deviation, worst minute, energy, temperature. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.signals.drift import AllanDeviation, RobustSlope, allan_deviation, robust_slope
from runner.soak.samples import Samples

__all__ = [
    "ENDS",
    "WARM_UP_S",
    "Drift",
    "WorstMinute",
    "drift_of",
    "energy_wh",
    "winding_changes",
    "worst_minute",
]

Floats = NDArray[np.float64]
WARM_UP_S = 1800.0
WARM_UP_SHARE = 0.25
"""A short soak warms up for a quarter of its holding stage at most."""
COOLED_S = 600.0
"""After a pause of so long the unit warms up once more."""
ENDS = 10
SETTLED_S = 60.0
"""After a stage begins its first minute is transit, not judged as a deviation."""
CONSTANT = ("hold", "worst-heat", "cold-start")
STEP_SHARE, LOAD_SHARE, LEAST_ROWS = 0.15, 0.05, 10
SLOPE_POINTS = 600
ALLAN_S = (10.0, 100.0, 1000.0)


@dataclass(frozen=True, slots=True)
class Drift:
    """Change over the watched part of the holding stage: means of ``ENDS`` rows at each end."""

    set_v: float
    first: Floats
    last: Floats
    watched_s: float
    slope: RobustSlope | None
    allan: Mapping[float, float]
    allan_reason: str

    @property
    def change_v(self) -> float:
        """Last less first, in V."""
        return float(self.last.mean() - self.first.mean())


@dataclass(frozen=True, slots=True)
class WorstMinute:
    """The minute whose mean lies farthest from its stage's median, in V and s."""

    stage: str
    t_s: float
    mean_v: float
    median_v: float
    n: int

    @property
    def deviation_v(self) -> float:
        """How far."""
        return self.mean_v - self.median_v


def drift_of(samples: Samples, set_v_of: str = "hold") -> Drift | str:
    """Return drift after warm-up, or the sentence why there is none."""
    stage = next((s for s in samples.stages if s.name == set_v_of), None)
    if stage is None:
        return "the soak had no stage at constant load"
    t_s, volts = samples.read("output-voltage", (set_v_of,))
    if t_s.size < 2:
        return "no valid reading at constant load"
    soaked_s = _soaked_s(samples, t_s)
    warm_s = min(WARM_UP_S, WARM_UP_SHARE * float(soaked_s[-1] - soaked_s[0]))
    keep = soaked_s >= soaked_s[0] + warm_s
    for at_s, length_s in samples.gaps:
        if length_s >= COOLED_S:  # it warms up anew
            keep &= (t_s <= at_s) | (t_s >= at_s + length_s + warm_s)
    t_s, soaked_s, volts = t_s[keep], soaked_s[keep], volts[keep]
    if t_s.size < 3 * ENDS:
        left_out = samples.left_out(set_v_of)
        slow = f"; {left_out} rows were left out, bench or computer being busy"
        return f"only {t_s.size} valid readings after warm-up" + (slow if left_out else "")
    slope = robust_slope(*_block_means(soaked_s, volts))
    allan, reason = _allan(t_s, volts, samples.every_s)
    return Drift(
        stage.set_v, volts[:ENDS], volts[-ENDS:], float(soaked_s[-1] - soaked_s[0]),
        slope if isinstance(slope, RobustSlope) else None, allan, reason,
    )  # fmt: skip


def _soaked_s(samples: Samples, t_s: Floats) -> Floats:
    """Times with the gaps taken out: a pause is neither warm-up nor watched."""
    begun_s = np.array([at_s for at_s, _ in samples.gaps])
    out_s = np.concatenate([[0.0], np.cumsum([length_s for _, length_s in samples.gaps])])
    shifted: Floats = t_s - out_s[np.searchsorted(begun_s, t_s, side="left")]
    return shifted


def _block_means(t_s: Floats, volts: Floats) -> tuple[Floats, Floats]:
    """At most ``SLOPE_POINTS`` means of neighbours: pairs of points grow with the square."""
    block = -(-t_s.size // SLOPE_POINTS)
    whole = t_s.size // block * block
    t_mean, v_mean = (row[:whole].reshape(-1, block).mean(axis=1) for row in (t_s, volts))
    return t_mean, v_mean


def _allan(t_s: Floats, volts: Floats, every_s: float) -> tuple[dict[float, float], str]:
    """Allan deviation at a few averaging times, of the longest stretch without a gap."""
    cuts = np.flatnonzero(np.diff(t_s) > 1.4 * every_s) + 1
    pieces = np.split(np.arange(t_s.size), cuts)
    longest = max(pieces, key=len)
    wanted = tuple(sorted({max(1, round(tau / every_s)) for tau in ALLAN_S}))
    if longest.size < 4:
        return {}, "no stretch without a pause is long enough"
    found = allan_deviation(t_s[longest], volts[longest], factors=wanted)
    if not isinstance(found, AllanDeviation):
        return {}, found.reason
    pairs = zip(found.tau_s, found.deviation, strict=True)
    return {round(float(tau), 3): float(d) for tau, d in pairs}, ""


def worst_minute(samples: Samples) -> WorstMinute | None:
    """Return the worst minute of the stages at a constant set point (load constant or not)."""
    worst: WorstMinute | None = None
    for stage in samples.stages:
        if stage.name == "tap-cycles":
            continue
        t_s = samples.t_s[stage.first : stage.last]
        volts = samples.column("output-voltage")[stage.first : stage.last]
        keep = np.isfinite(volts) & (t_s >= t_s[0] + min(SETTLED_S, 0.1 * float(np.ptp(t_s))))
        if not keep.any():
            continue
        median_v = float(np.median(volts[keep]))
        minutes = ((t_s[keep]) // 60.0).astype(int)
        starts = np.flatnonzero(np.r_[True, np.diff(minutes) != 0])
        counts = np.diff(np.r_[starts, minutes.size])
        means = np.add.reduceat(volts[keep], starts) / counts
        at = int(np.argmax(np.abs(means - median_v)))
        found = WorstMinute(
            stage.name, float(minutes[starts[at]]) * 60.0, float(means[at]), median_v,
            int(counts[at]),
        )  # fmt: skip
        if worst is None or abs(found.deviation_v) > abs(worst.deviation_v):
            worst = found
    return worst


def winding_changes(samples: Samples) -> tuple[float, ...] | None:
    """Times in s at which the inlet power stepped with set point, load and line as they were.

    A winding more or less moves the raw voltage, and with it the power taken per volt of line,
    by a third to a half at once; heat moves it by a few percent in an hour. None where the
    inlet power was not read beside a constant load for long enough.
    """
    found: list[float] = []
    watched = False
    for stage in samples.stages:
        if stage.name not in CONSTANT:
            continue
        inside = slice(stage.first, stage.last)
        t_s = samples.t_s[inside]
        drawn = samples.column("inlet-power")[inside]
        line_v = samples.column("line-voltage")[inside]
        load_a = samples.column("load-current")[inside]
        if np.isfinite(line_v).any():
            drawn = drawn / line_v
        keep = np.isfinite(drawn) & (np.abs(load_a - stage.load_a) <= LOAD_SHARE * stage.load_a)
        keep &= t_s >= t_s[0] + min(SETTLED_S, 0.1 * float(np.ptp(t_s))) if t_s.size else False
        if np.count_nonzero(keep) < LEAST_ROWS:
            continue
        watched = True
        seen, at_s = drawn[keep], t_s[keep]
        stepped = np.abs(np.diff(seen)) > STEP_SHARE * np.minimum(seen[1:], seen[:-1])
        found += [float(one) for one in at_s[1:][stepped]]
    return tuple(found) if watched else None


def energy_wh(samples: Samples) -> tuple[float | None, float | None]:
    """Energy into the load and taken at the inlet, in Wh; None where it was not read.

    A reading counts for the time to the next, gaps left out.
    """
    if samples.t_s.size < 2:
        return None, None
    steps = np.diff(samples.t_s)
    steps = np.where(steps > 3 * samples.every_s + 5.0, 0.0, steps)
    out = samples.column("output-voltage") * samples.column("load-current")
    return _energy(out, steps), _energy(samples.column("inlet-power"), steps)


def _energy(watts: Floats, steps: Floats) -> float | None:
    power = watts[:-1]
    seen = np.isfinite(power)
    return float(np.sum(power[seen] * steps[seen]) / 3600.0) if seen.any() else None
