"""Words of a bench file that no dialect knows are told with file, line and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.bench import find_bench, load_bench
from runner.errors import InputError


def _changed(tmp_path: Path, old: str, new: str) -> tuple[Path, int]:
    text = find_bench("memory").read_text(encoding="utf-8")
    path = tmp_path / "bench.toml"
    changed = text.replace(old, new, 1)
    path.write_text(changed, encoding="utf-8")
    return path, changed[: changed.index(new)].count("\n") + 1 + new.count("\n")


SECOND = 'address = "TCPIP::sim-load::5026::SOCKET"\ndialect = "scpi-1999"'


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (SECOND, SECOND.replace("scpi-1999", "no-such"), r"instrument\.2\.dialect: there is no"),
        (SECOND, SECOND.replace("scpi-1999", "keithley-2000"), r"no words for the role load"),
        (SECOND, f"{SECOND}\nlink = {{ timeout = 3 }}", r"instrument\.2\.link\.timeout: "),
    ],
)
def test_file_line_and_key(tmp_path: Path, old: str, new: str, said: str) -> None:
    path, line = _changed(tmp_path, old, new)
    with pytest.raises(InputError, match=said) as caught:
        load_bench(path)
    assert (caught.value.file, caught.value.line) == (path, line)
    assert caught.value.expected


def test_the_benches_that_come_along_are_understood() -> None:
    for path in find_bench("memory").parent.glob("*.toml"):
        load_bench(path)
