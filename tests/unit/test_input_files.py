"""Bad input gets one sentence: file, line, key, what was expected, what was found."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.bench import find_bench, load_bench
from runner.errors import InputError
from runner.profile import find_profile, load_profile, shipped_profiles

PROFILE = find_profile("lb-2403").read_text()
BENCH = find_bench("memory").read_text()


@pytest.mark.parametrize("path", sorted(shipped_profiles().glob("*.toml")), ids=lambda p: p.stem)
def test_every_profile_that_comes_along_is_valid(path: Path) -> None:
    assert load_profile(path).unit.maker


@pytest.mark.parametrize(
    "path", sorted((shipped_profiles() / "benches").glob("*.toml")), ids=lambda p: p.stem
)
def test_every_bench_that_comes_along_is_valid(path: Path) -> None:
    assert load_bench(path).name


PROFILE_CASES = [
    ('current = "0 A .. 3 A"', 'current = "0 V .. 3 A"', "unit.current", "unit A"),
    ("grade =", "gradee =", "unit.gradee", "not known"),
    ('up = ["12.5 V', 'up = ["32.5 V', "limits", "rated 0 V to 24 V"),
    ('max = "2 mV"', 'max = "2 mA"', "limits", "unit V"),
    ("[limits.ripple-pp]", "[limits.rippling]", "limits", "limit name"),
    ('setting = "remote"', 'setting = "remotely"', "unit.setting", "remotely"),
    ('kind = "linear-tapped"\n', "", "unit.kind", "required"),
    ("format = 1", "format = 2", "format", "2"),
    ("[decision]", "[decision", "", "TOML"),
    ("coverage = 0.95", "coverage = 95", "decision.coverage", "95"),
    ('mains = "230 V 50 Hz"', 'mains = "23 V 50 Hz"', "unit.mains", "80 V to 300 V"),
    ('tap_control = "relay"', 'tap_control = "none"', "unit", "tap_control"),
]


@pytest.mark.parametrize(("old", "new", "key", "says"), PROFILE_CASES)
def test_a_wrong_profile_is_one_sentence(
    tmp_path: Path, old: str, new: str, key: str, says: str
) -> None:
    assert old in PROFILE
    path = tmp_path / "unit.toml"
    path.write_text(PROFILE.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        load_profile(path)
    text = str(caught.value)
    assert str(path) in text
    assert key in text
    assert says in text
    assert "\n" not in text


BENCH_CASES = [
    ('to = "unit.coil1"', 'to = "unit.coil9"', "unit.coil9"),
    ('role = "load"', 'role = "lod"', "instrument"),
    ("factor = 10.0", "factor = -1.0", "factor"),
    ('name = "load"', 'name = "meter"', "'meter'"),
    ('reference = "isolated"', 'reference = "floating"', "floating"),
    ('voltage_max = "150 V"', 'voltage_max = "150 A"', "unit V"),
    ('address = "TCPIP::sim-load::5026::SOCKET"\n', "", "address"),
]


@pytest.mark.parametrize(("old", "new", "says"), BENCH_CASES)
def test_a_wrong_bench_is_one_sentence(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in BENCH
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        load_bench(path)
    assert str(path) in str(caught.value)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_named() -> None:
    with pytest.raises(InputError, match="no-such-profile"):
        find_profile("no-such-profile")
    with pytest.raises(InputError, match="no-such-bench"):
        find_bench("no-such-bench")


@given(st.data())
@settings(max_examples=80)
def test_no_damage_to_a_file_does_anything_but_load_or_be_refused(
    tmp_path_factory: pytest.TempPathFactory,
    data,  # type: ignore[no-untyped-def]
) -> None:
    source, load = data.draw(st.sampled_from([(PROFILE, load_profile), (BENCH, load_bench)]))
    start = data.draw(st.integers(0, len(source)))
    length = data.draw(st.integers(0, 40))
    junk = data.draw(st.text(max_size=12))
    path = tmp_path_factory.mktemp("damaged") / "file.toml"
    path.write_text(source[:start] + junk + source[start + length :], encoding="utf-8",
                    errors="replace")  # fmt: skip
    try:
        load(path)
    except InputError as error:
        assert "\n" not in str(error)
