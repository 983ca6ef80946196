"""The example benches: what `asleft hookup` says of them, and its exit codes."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from runner.bench import find_bench, load_bench
from runner.cli.hookup import hookup
from runner.hookup import judge
from runner.hookup.drawing import draw_svg, edges_in_loop, on_the_loop
from runner.profile import find_profile, load_profile, shipped_profiles

BENCHES = shipped_profiles() / "benches"
HAZARDOUS = {
    "hz-clip-on-plus": "output-shorted-through-earth",
    "hz-two-screens": "screens-on-two-points",
    "hz-mains-probe": "mains-to-earth",
    "hz-shared-transformer": "isolating-transformer-shared",
    "hz-small-load": "load-voltage-rating",
    "hz-battery-back-feed": "second-source-back-feeds",
    "hz-lifted-earth": "earth-lifted",
    "hz-usb-earth": "output-shorted-through-earth",
    "hz-series-above-rating": "float-rating-exceeded",
}


def _judged(name: str, *more: str) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(hookup, ["--bench", name, "--json", *more], standalone_mode=False)
    return done.return_value, json.loads(done.stdout)


def test_every_hazardous_example_is_in_the_table() -> None:
    assert {path.stem for path in BENCHES.glob("hz-*.toml")} == set(HAZARDOUS)


@pytest.mark.parametrize("name", HAZARDOUS)
def test_a_hazardous_example_stops_with_exit_3(name: str) -> None:
    code, said = _judged(name)
    assert code == said["exit"] == 3
    assert HAZARDOUS[name] in [h["code"] for h in said["hazards"] if h["grade"] == "stop"]
    assert "licensed person" in said["caution"]


@pytest.mark.parametrize(
    "name", sorted(p.stem for p in BENCHES.glob("*.toml") if not p.stem.startswith("hz-"))
)
def test_a_harmless_example_has_no_stop(name: str) -> None:
    more = () if "simulation" in find_bench(name).read_text("utf-8") else ("-p", "lb-2403")
    code, said = _judged(name, *more)
    assert code == 0
    assert said["stops"] == 0


def test_the_drawing_carries_the_current_and_marks_the_loop_without_colour(tmp_path: Path) -> None:
    svg = tmp_path / "bench.svg"
    CliRunner().invoke(
        hookup, ["--bench", "hz-clip-on-plus", "--svg", str(svg)], standalone_mode=False
    )
    root = ET.fromstring(svg.read_text(encoding="utf-8"))
    words = " ".join("".join(e.itertext()) for e in root.iter() if e.tag.endswith("text"))
    assert "86.3 A, then 3.15 A" in words  # 24 V / 0.278 Ω, then 1.05 · 3 A
    assert "clip of channel 1" in words
    broken = [e for e in root.iter() if e.get("stroke-dasharray") == "7 5"]
    wide = [e for e in root.iter() if e.get("stroke-width") == "6"]
    assert len(broken) == len(wide) >= 5


def test_the_text_shows_the_tree_and_marks_the_loop() -> None:
    done = CliRunner().invoke(hookup, ["--bench", "hz-clip-on-plus"], standalone_mode=False)
    assert done.return_value == 3
    marked = [line for line in done.stdout.splitlines() if "<<1: 86.3 A, then 3.15 A>>" in line]
    assert len(marked) == 6
    assert any("earth lead of scope" in line for line in marked)
    assert "1. STOP" in done.stdout


def test_a_drawing_that_cannot_be_written_is_wrong_input(tmp_path: Path) -> None:
    from runner.errors import InputError

    done = CliRunner().invoke(
        hookup,
        ["--bench", "memory", "--svg", str(tmp_path / "nowhere" / "x.svg")],
        standalone_mode=False,
    )
    assert isinstance(done.exception, InputError)


def test_what_a_second_source_pushes_back_is_drawn_as_a_loop_with_its_current() -> None:
    bench = load_bench(find_bench("hz-battery-back-feed"))
    profile = load_profile(find_profile(bench.simulation.unit)) if bench.simulation else None
    assert profile is not None
    verdict = judge(bench, profile)
    (stop,) = verdict.stops
    drawn = edges_in_loop(verdict.graph, stop)
    assert len(drawn) >= 2
    assert f"1: {on_the_loop(stop)}" in draw_svg(bench, verdict.graph, verdict.hazards)
