"""Relay operations that a soak counts, beside how often the plant's contacts really moved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from runner.checks.check import Workplace
from runner.profile import find_profile, load_profile
from runner.record.writer import CheckWriter
from runner.soak.loop import SETTING_OPERATIONS, SoakLoop
from runner.soak.plan import make_plan
from runner.soak.watch import Alone
from runner.soak.wear import CHANGES
from runner.unit_output import unit_output
from tests.checks.simulated import Simulated

COILS = ("unit.coil1", "unit.coil2")


def _tap_cycles(
    folder: Path, *, faults: tuple[str, ...] = (), coils: bool = True
) -> tuple[list[dict[str, Any]], int]:
    """Twenty swings over the tap point; returns the events and how often contacts arrived."""
    with Simulated(folder, faults=faults) as sim:
        profile = load_profile(find_profile("lb-2403"))
        plan = make_plan(profile, sim.bench, 105.0, 1.0, only=("tap-cycles",), armed=False)
        bench = sim.bench
        if not coils:
            kept = [wire for wire in bench.connection if not {wire.a, wire.b} & set(COILS)]
            bench = bench.model_copy(update={"connection": kept})
        work = Workplace(
            instruments=sim.instruments,
            output=unit_output(profile, sim.instruments, sim.opened.operator),
            profile=profile, bench=bench,
            log=CheckWriter(sim.writer, "soak", lambda *_: None),
            operator=sim.opened.operator, clock=sim.clock,
        )  # fmt: skip
        before = sim.truth.relay_transitions
        SoakLoop(work, plan, Alone(), folder).run()
        moved = sim.truth.relay_transitions - before
        return sim.writer.check_data("soak").events, moved


@pytest.mark.parametrize(("coils", "by"), [(True, "relay coil"), (False, "inlet power")])
def test_the_count_is_that_of_the_plants_contacts(tmp_path: Path, coils: bool, by: str) -> None:
    events, moved = _tap_cycles(tmp_path, coils=coils)
    changes = [e for e in events if e["what"] == CHANGES]
    assert {e["by"] for e in changes} == {by}
    assert moved == 19  # ten pairs, the last not gone back
    assert sum(e["count"] for e in changes) == pytest.approx(moved, abs=1)
    assert not [e for e in events if e["what"] in {"relay-spared", "windings-unseen"}]


def test_a_relay_that_chatters_is_spared(tmp_path: Path) -> None:
    # The thresholds brought about the output that this unit has at 13.2 V and half load.
    with Simulated(tmp_path / "at", faults=("tap-chatter",)) as sim:
        middle_v = (sim.truth.tap_up_v[0] + sim.truth.tap_down_v[0]) / 2
    faults = ("tap-chatter", f"tap-threshold-shift:volts={13.175 - middle_v}")
    events, moved = _tap_cycles(tmp_path / "on", faults=faults)
    counted = sum(e["count"] for e in events if e["what"] == CHANGES)
    assert counted > 20 + SETTING_OPERATIONS
    (spared,) = [e for e in events if e["what"] == "relay-spared"]
    assert events.index(spared) <= 4, "at the first swing"
    # 55 contacts a second here: left within the 2 s that chatter may last, and the rest.
    assert counted <= moved < 55 * 4
