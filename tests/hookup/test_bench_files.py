"""Bench and profile files with nonsense: one sentence with file, line, key, expected, found."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.bench import load_bench
from runner.errors import InputError
from runner.profile import load_profile

BENCH = """format = 1
name = "a bench"

[mains]
nominal = "230 V 50 Hz"
chain = ["mains-meter"]

[unit]
case = "open"
bleed_resistor = "1 MΩ"

[[instrument]]
name = "meter"
role = "meter"
address = "by-hand"
reference = "isolated"

[[instrument]]
name = "load"
role = "load"
address = "by-hand"
reference = "isolated"

[[instrument]]
name = "scope"
role = "scope"
address = "by-hand"

[[connection]]
from = "meter.hi"
to = "unit.plus"

[[connection]]
from = "meter.lo"
to = "unit.minus"

[[connection]]
from = "scope.ch1.tip"
to = "unit.plus"

[[connection]]
from = "scope.ch2.tip"
to = "unit.coil1"
"""
PROFILE = """format = 1

[unit]
maker = "Norvane"
model = "X"
kind = "linear-tapped"
tap_control = "relay"
voltage = "0 V .. 24 V"
current = "0 A .. 3 A"
mains = "230 V 50 Hz"

[limits.setting]
max = "0.1 % + 10 mV"
source = "service manual"

[limits.tap-points]
up = ["12.5 V ± 0.5 V"]
hysteresis_min = "0.3 V"
"""


def _line_with(text: str, wanted: str, nth: int = 1) -> int:
    lines = [n for n, line in enumerate(text.splitlines(), start=1) if wanted in line]
    return lines[nth - 1]


@pytest.mark.parametrize(
    ("old", "new", "marker", "nth", "key", "found"),
    [
        ('to = "unit.coil1"', 'to = "unit.nowhere"', "unit.nowhere", 1, "connection.4.to",
         "'unit.nowhere'"),
        ('from = "meter.lo"', 'from = "ghost.lo"', "ghost.lo", 1, "connection.2.from",
         "'ghost.lo'"),
        ('from = "scope.ch2.tip"\nto = "unit.coil1"', 'from = "scope.ch1.tip"\nto = "unit.plus"',
         'from = "scope.ch1.tip"', 2, "connection.4.from", "'scope.ch1.tip' to 'unit.plus'"),
        ('from = "scope.ch2.tip"\nto = "unit.coil1"', 'from = "unit.coil1"\nto = "unit.coil1"',
         'to = "unit.coil1"', 1, "connection.4.to", "'unit.coil1' twice"),
        ('name = "load"', 'name = "meter"', 'name = "meter"', 2, "instrument.2.name",
         "'meter' twice"),
        ('name = "load"', 'name = "unit"', 'name = "unit"', 1, "instrument.2.name", "'unit'"),
        ('reference = "isolated"', 'reference = "floating"', 'reference = "floating"', 1,
         "instrument.1.reference", "'floating'"),
        ('chain = ["mains-meter"]', 'chain = ["transformer"]', 'chain = ["transformer"]', 1,
         "mains.chain.1", "'transformer'"),
        ('chain = ["mains-meter"]', 'chain = []\nisolating_transformer_feeds = ["lamp"]',
         "isolating_transformer_feeds", 1, "mains.isolating_transformer_feeds", "'lamp'"),
        ('bleed_resistor = "1 MΩ"', 'bleed_resistor = "1 MV"', "1 MV", 1, "unit.bleed_resistor",
         "'1 MV'"),
    ],
)  # fmt: skip
def test_a_bench_file_with_nonsense_names_the_line(
    tmp_path: Path, old: str, new: str, marker: str, nth: int, key: str, found: str
) -> None:
    text = BENCH.replace(old, new, 1 if nth == 1 and "reference" in old else -1)
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_bench(path)
    error = caught.value
    assert error.line == _line_with(text, marker, nth)
    assert error.key == key
    assert error.expected
    assert found in str(error)
    assert str(path) in str(error)


@pytest.mark.parametrize(
    ("old", "new", "marker", "key"),
    [
        ('max = "0.1 % + 10 mV"', 'max = "0.1 % + 10 mA"', "10 mA", "limits.setting.max"),
        ("[limits.setting]", "[limits.seting]", "limits.seting", "limits.seting"),
        ("12.5 V ± 0.5 V", "125 V ± 0.5 V", "125 V", "limits.tap-points.up"),
        ("12.5 V ± 0.5 V", "12.5", '["12.5"]', "limits.tap-points.up"),
        ("hysteresis_min", "hysteresis", "hysteresis", "limits.tap-points.hysteresis"),
        ('kind = "linear-tapped"', 'kind = "tapped"', 'kind = "tapped"', "unit.kind"),
    ],
)
def test_limits_that_cannot_be_name_the_line(
    tmp_path: Path, old: str, new: str, marker: str, key: str
) -> None:
    text = PROFILE.replace(old, new, 1)
    path = tmp_path / "profile.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_profile(path)
    assert caught.value.line == _line_with(text, marker)
    assert caught.value.key == key
    assert caught.value.expected
    assert caught.value.found


def test_a_second_source_needs_its_voltage(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.replace('role = "meter"', 'role = "second-source"'), "utf-8")
    with pytest.raises(InputError, match="source_voltage"):
        load_bench(path)
