"""The solve against ngspice (stored results, and run again where it is installed)."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from runner.hookup.edges import (
    EARTH,
    Capacitance,
    Diode,
    Edge,
    Isolation,
    Resistance,
    Source,
    Tie,
)
from runner.hookup.solve import Moment, solve
from tests.hookup.networks import LINE_HZ, netlist, random_network, run_ngspice

STORED = json.loads(
    (Path(__file__).parents[1] / "references" / "hookup_ngspice.json").read_text(encoding="utf-8")
)["networks"]
CASES: dict[str, tuple[float, Moment]] = {
    "surge": (0.0, "surge"),
    "sustained": (0.0, "sustained"),
    "line": (LINE_HZ, "surge"),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", sorted(STORED, key=int))
def test_agrees_with_stored_ngspice_results(seed: str, case: str) -> None:
    _compare(random_network(int(seed)), case, STORED[seed][case])


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", [3, 17, 29])
def test_agrees_with_ngspice_run_now(seed: int, case: str, tmp_path: Path) -> None:
    edges = random_network(seed)
    if shutil.which("ngspice") is None:
        expected = STORED[str(seed)][case]
    else:
        text = netlist(edges, limited=case == "sustained", alternating=case == "line")
        expected = run_ngspice(text, tmp_path)
    _compare(edges, case, expected)


def _compare(edges: tuple[Edge, ...], case: str, expected: dict[str, float]) -> None:
    frequency_hz, moment = CASES[case]
    solution = solve(edges, frequency_hz=frequency_hz, moment=moment)
    assert len(expected) == len({p for e in edges for p in (e.a, e.b)} - {EARTH})
    top = max(abs(v) for v in expected.values())
    for point, volts in expected.items():
        found = solution.voltages[point]
        value = abs(found) if frequency_hz else found.real
        assert value == pytest.approx(volts, rel=5e-3, abs=1e-6 * top), point


def test_current_limit_takes_over_after_the_first_instant() -> None:
    edges = (Source("plus", "minus", "unit", 30.0, 0.0, 0.1, 0.1, 3.0),
             Tie("plus", "minus", "short", "wire", 1e-4))  # fmt: skip
    # 30 V / 0.1 ohm = 300 A (common practice, the example of a clip on the wrong terminal)
    assert solve(edges).currents[0].real == pytest.approx(300.0, rel=2e-3)
    later = solve(edges, moment="sustained")
    assert later.currents[0].real == pytest.approx(3.0)
    assert later.limited == {0}


def test_stray_capacitance_makes_half_the_line_stand_on_a_floating_chassis() -> None:
    # Lost earth, equal suppression capacitors from line and neutral: half the line (IEC 60990
    # reasoning, check value T3-26: 230 V gives 115 V); 2.2 nF to earth give 0.15896 mA (T3-24).
    edges: tuple[Edge, ...] = (
        Source("l", EARTH, "mains", 0.0, 230.0, 0.5, 0.5),
        Capacitance("l", "case", "Y", 2.2e-9),
        Capacitance("case", EARTH, "Y", 2.2e-9),
    )
    assert abs(solve(edges, frequency_hz=50.0).voltages["case"]) == pytest.approx(115.0, rel=1e-3)
    tied = (*edges, Tie("case", EARTH, "finger", "wire", 1.0))
    assert abs(solve(tied, frequency_hz=50.0).currents[3]) == pytest.approx(0.15896e-3, rel=1e-3)


def test_a_diode_blocks_backwards_and_conducts_forwards() -> None:
    battery = Source("b", EARTH, "battery", 12.0, 0.0, 1.0, 1.0)
    load = Resistance("x", EARTH, "load", 11.0)
    forwards = solve((battery, load, Diode("b", "x", "diode", 0.001)))
    backwards = solve((battery, load, Diode("x", "b", "diode", 0.001)))
    assert forwards.voltages["x"].real == pytest.approx(11.0, rel=1e-3)
    assert backwards.voltages["x"].real == pytest.approx(0.0, abs=1e-9)


def test_a_floating_part_has_no_voltage_to_earth() -> None:
    edges = (
        Source("plus", "minus", "unit", 24.0),
        Isolation("minus", EARTH, "float rating", 100.0),
    )
    solution = solve(edges)
    assert solution.across("plus", EARTH) is None
    across = solution.across("plus", "minus")
    assert across is not None
    assert across.real == pytest.approx(24.0)


def test_the_stored_networks_exercise_the_current_limit() -> None:
    limited = [seed for seed in STORED if STORED[seed]["surge"] != STORED[seed]["sustained"]]
    assert len(limited) >= 5


def test_a_tie_of_no_resistance_can_be_solved() -> None:
    edges = (Tie("a", EARTH, "clip", "wire", 0.0), Source("a", EARTH, "s", 1.0))
    assert solve(edges).currents[1].real == pytest.approx(20.0, rel=5e-3)  # 1 V / 0.05 ohm


@pytest.mark.parametrize("ohms", [-1.0, float("nan"), float("inf")])
def test_nonsense_values_are_refused(ohms: float) -> None:
    edges = (Resistance("a", EARTH, "r", ohms), Source("a", EARTH, "s", 1.0))
    with pytest.raises(ValueError, match="finite value, not negative, for r"):
        solve(edges)
