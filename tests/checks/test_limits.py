"""Every limit: a default with its source for each class, and the profile's own instead of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.limits import LIMITS
from runner.profile import Profile, find_profile, load_profile
from runner.quantity import parse_limit

CLASSES = ("hobby", "lab", "switch-mode")
CHECKS = Path(__file__).parents[2] / "runner"


def _profile(tmp_path: Path, name: str, text: str) -> Profile:
    """The profile SW-3010, which brings no limit of its own, with this one."""
    plain = find_profile("sw-3010").read_text(encoding="utf-8")
    path = tmp_path / "own.toml"
    path.write_text(
        f'{plain}\n[limits.{name}]\nmax = "{text}"\nsource = "the maker, page 7"\n', "utf-8"
    )
    return load_profile(path)


@pytest.mark.parametrize("name", LIMITS)
def test_each_class_has_a_default_that_names_its_source(name: str) -> None:
    spec = LIMITS[name]
    assert set(spec.defaults) == set(CLASSES)
    for text, source in spec.defaults.values():
        assert parse_limit(text, spec.unit).at(1.0) > 0
        assert source


@pytest.mark.parametrize("name", LIMITS)
def test_a_profile_may_set_each_limit_and_says_where_it_is_from(tmp_path: Path, name: str) -> None:
    text = f"0.123 {LIMITS[name].unit}"
    found = _profile(tmp_path, name, text).limit(name)
    assert found.limit.at(10.0) == pytest.approx(0.123)
    assert found.source == "the maker, page 7"


@pytest.mark.parametrize("name", LIMITS)
def test_each_limit_is_used_by_a_check(name: str) -> None:
    """A limit that no check asks for would be a promise in the profile that nothing keeps."""
    used = [
        path for path in CHECKS.rglob("*.py")
        if path.name != "limits.py" and f'"{name}"' in path.read_text(encoding="utf-8")
    ]  # fmt: skip
    assert used
