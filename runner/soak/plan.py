"""What a soak of a given length does: stages at worst heat, full load, thermal and tap cycling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from runner.bench import Bench
from runner.checks.points import low_voltage_v, tap_bands
from runner.errors import InputError
from runner.profile import Profile

__all__ = ["COLD_START", "NAMES", "SoakPlan", "Stage", "make_plan"]

COLD_START = "cold-start"
"""The day after, alone: the same load from cold. Never part of a night."""
NAMES = ("hold", "worst-heat", "thermal-cycles", "tap-cycles")
SHARES = {"hold": 5 / 12, "worst-heat": 2 / 12, "thermal-cycles": 4 / 12, "tap-cycles": 1 / 12}
"""Of the whole length: five, two, four and one hour of a night of twelve (common practice)."""
ABOVE_TAP_V = 0.2
HIGH_LINE = 1.1
THERMAL_LOAD, THERMAL_ON_S, THERMAL_OFF_S = 0.8, 600.0, 120.0
TAP_PAIRS_MAX = 200
"""Relay life: about a hundredth of the low end of data-sheet figures (common practice)."""
TAP_PAIR_S = 10.0
SHORTEST_S = 1.0


@dataclass(frozen=True, slots=True)
class Stage:
    """A stretch of the soak.

    ``set_v`` is the set point in V, ``load_share`` of rated current, ``line_share`` of nominal
    line voltage. ``on_s`` and ``off_s`` switch the load in turn (0: always on). ``other_v`` is
    the second set point of tap cycling, ``pairs`` how often it is gone to and back.
    """

    name: str
    lasts_s: float
    set_v: float
    load_share: float = 1.0
    line_share: float = 1.0
    on_s: float = 0.0
    off_s: float = 0.0
    other_v: float | None = None
    pairs: int = 0

    @property
    def cycle_s(self) -> float:
        """Length of one cycle, 0 for a steady stage."""
        if self.pairs:
            return self.lasts_s / self.pairs
        return self.on_s + self.off_s


@dataclass(frozen=True, slots=True)
class SoakPlan:
    """Stages in order, and the sampling: a row of readings every ``every_s``, ripple rarer."""

    stages: tuple[Stage, ...]
    every_s: float
    ripple_every_s: float = 300.0
    heatsink_max_c: float = 90.0
    armed: bool = True

    @property
    def lasts_s(self) -> float:
        """Length of all stages in s."""
        return sum(stage.lasts_s for stage in self.stages)

    @property
    def relay_operations(self) -> int:
        """Winding changes that the plan makes on purpose."""
        return sum(2 * stage.pairs for stage in self.stages)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for the journal."""
        return asdict(self)

    @classmethod
    def from_dict(cls, plain: dict[str, Any]) -> SoakPlan:
        """Rebuild from the journal."""
        stages = tuple(Stage(**stage) for stage in plain["stages"])
        return cls(**{**plain, "stages": stages})


def make_plan(
    profile: Profile,
    bench: Bench,
    for_s: float,
    every_s: float,
    *,
    only: Sequence[str] = (),
    heatsink_max_c: float = 90.0,
    armed: bool = True,
) -> SoakPlan:
    """Share the length out among the stages that this unit and bench allow.

    A unit that is set by hand is soaked at the one voltage to which its knob was turned.

    :raises InputError: a length or pace that cannot be, or no stage is left
    """
    if for_s < SHORTEST_S or not 0.05 <= every_s <= max(for_s / 4, 0.05):
        raise InputError(
            "the soak cannot be sampled so", key="--every",
            expected="0.05 s to a quarter of the whole", found=f"{every_s:g} s in {for_s:g} s",
        )  # fmt: skip
    if set(only) == {COLD_START}:
        cold = Stage(COLD_START, for_s, profile.unit.voltage.high)
        return SoakPlan((cold,), every_s, heatsink_max_c=heatsink_max_c, armed=armed)
    possible = {stage.name: stage for stage in _stages(profile, bench)}
    unknown = sorted(set(only) - set(NAMES))
    if unknown:
        raise InputError(
            "there is no such stage", key="--stage",
            expected=f"some of {', '.join(NAMES)}, or {COLD_START} alone", found=", ".join(unknown),
        )  # fmt: skip
    chosen = [name for name in NAMES if name in possible and (not only or name in only)]
    if not chosen:
        raise InputError(
            "no such stage can be done with this unit on this bench", key="--stage",
            expected="one of " + ", ".join(possible), found=", ".join(only),
        )  # fmt: skip
    whole = sum(SHARES[name] for name in chosen)
    stages = tuple(_timed(possible[name], for_s * SHARES[name] / whole, every_s) for name in chosen)
    return SoakPlan(stages, every_s, heatsink_max_c=heatsink_max_c, armed=armed)


def _stages(profile: Profile, bench: Bench) -> list[Stage]:
    high_v = profile.unit.voltage.high
    remote = profile.unit.setting == "remote" and bench.by_role("supply") is not None
    found = [
        Stage("hold", 0.0, high_v),
        Stage(
            "thermal-cycles", 0.0, high_v,
            load_share=THERMAL_LOAD, on_s=THERMAL_ON_S, off_s=THERMAL_OFF_S,
        ),
    ]  # fmt: skip
    if not remote:
        return found
    bands = tap_bands(profile)
    hot_v = bands[0].high_v + ABOVE_TAP_V if bands else low_voltage_v(profile)
    line = HIGH_LINE if bench.by_role("mains-source") is not None else 1.0
    found.append(Stage("worst-heat", 0.0, hot_v, line_share=line))
    if bands and profile.unit.tap_control == "relay":
        below_v = bands[0].low_v - 1.0
        found.append(
            Stage("tap-cycles", 0.0, below_v, load_share=0.5, other_v=hot_v, pairs=TAP_PAIRS_MAX)
        )
    return found


def _timed(stage: Stage, lasts_s: float, every_s: float) -> Stage:
    """Give a stage its length; each side of a tap point is stayed at for a row at least."""
    pair_s = max(TAP_PAIR_S, 2 * every_s)
    pairs = min(stage.pairs, max(1, int(lasts_s / pair_s))) if stage.pairs else 0
    shrink = min(1.0, lasts_s / (2 * stage.cycle_s)) if stage.on_s else 1.0
    return Stage(
        stage.name, lasts_s, stage.set_v, stage.load_share, stage.line_share,
        stage.on_s * shrink, stage.off_s * shrink, stage.other_v, pairs,
    )  # fmt: skip
