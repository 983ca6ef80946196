"""The job sheet: parts replaced, whether they fit their place, what can no longer be compared."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.errors import InputError
from runner.job import job_parts, load_job
from runner.job_parts import Part, part_line, remarks, voids


@pytest.mark.parametrize(
    ("was", "now", "needs", "said"),
    [
        # IEC 60062 codes: 100 nF ±10 % is 100 nF; 47 nF is not.
        ("100n 275V X2", "104K 275V X2", [], ""),
        ("100n 275V X2", "473K 275V X2", [], "47 nF where 100 nF was"),
        ("1000 uF 63 V", "1000 uF 50 V", [], "50 V where 63 V was"),
        ("1000 uF 63 V", "1000 uF", [], "no voltage is given where 63 V was"),
        ("1000 uF 63 V", "1000 uF 100 V", [], ""),
        # IEC 60384-14: a Y2 may replace an X2, never the reverse.
        ("2n2 250V Y2", "2n2 275V X2", [], "needs class Y2, the new part is X2"),
        ("100n 275V X2", "100n 300V Y2", [], ""),
        ("100n 275V X2", "100n 275V", [], "needs class X2, the new part has no class"),
        ("", "2n2 400V", ["Y2"], "needs class Y2"),
        ("2n2 250V Y2", "2n2 500V Y1", [], ""),
    ],
)
def test_a_capacitor_in_its_place(was: str, now: str, needs: list[str], said: str) -> None:
    part = Part.model_validate({"place": "C3", "was": was, "now": now, "needs": needs})
    found = "; ".join(remarks(part))
    assert said in found and bool(found) == bool(said)


def test_a_resistor_of_another_value() -> None:
    assert remarks(Part(place="R7", was="4K7", now="472")) == []
    assert "470 Ω where 4.7 kΩ was" in remarks(Part(place="R7", was="4K7", now="470R"))[0]


def test_parts_without_values_are_kept_as_they_are() -> None:
    part = Part(place="K1", what="winding relay", was="24 V coil", now="24 V coil, other maker")
    assert remarks(part) == []
    assert part_line(part) == "K1 (winding relay): 24 V coil → 24 V coil, other maker"


def test_what_a_replaced_part_makes_incomparable() -> None:
    # Common practice: reference, divider, shunt, potentiometers, meters.
    shunt = Part(place="R1", touches=("shunt",))
    meter = Part(place="M1", touches=("panel-meter",))
    reference = Part(place="IC1", touches=("reference",))
    assert voids([shunt], "current-limit", "limited current") == ["R1"]
    assert voids([shunt], "setting", "gain error") == []
    assert voids([meter], "setting", "panel voltmeter error") == ["M1"]
    assert voids([meter], "setting", "error of the output voltage") == []
    assert voids([reference], "tap-map", "tap point 1, rising") == ["IC1"]
    assert voids([reference], "ripple", "ripple and noise, rms") == []


def test_a_job_sheet_with_parts(tmp_path: Path) -> None:
    file = tmp_path / "job.toml"
    file.write_text(
        'complaint = "It hums."\nparts_replaced = ["cord"]\n'
        '[[part]]\nplace = "C3"\nwas = "100n 275V X2"\nnow = "104K 275V X2"\n',
        encoding="utf-8",
    )
    job = load_job(str(file), serial="7", stage="as-left")
    assert job_parts(job.model_dump(mode="json")) == list(job.part)
    file.write_text('[[part]]\nplace = "C3"\nnow = "banana"\n', encoding="utf-8")
    with pytest.raises(InputError, match="printed on a capacitor"):
        load_job(str(file), serial="7", stage="as-left")
