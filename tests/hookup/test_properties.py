"""What must hold for every wiring, not only for those of the table."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from runner.bench import Bench
from runner.hookup import HookupVerdict, judge
from runner.hookup.drawing import draw_svg
from runner.hookup.plain_text import draw_text
from runner.profile import Profile, shipped_profiles
from runner.terminals import UNIT_TERMINALS

PROFILE = Profile.model_validate(
    tomllib.loads((shipped_profiles() / "sw-3010.toml").read_text(encoding="utf-8"))
)
ENDS = [f"unit.{t}" for t in UNIT_TERMINALS] + [
    "meter.hi", "meter.lo", "load.plus", "load.minus", "load.monitor", "scope.ch1.tip",
    "scope.ch1.shell", "scope.ch2.tip", "scope.ch2.shell", "second.plus", "second.minus",
    "pc.earth",
]  # fmt: skip
SHORTS = {
    "output-shorted-through-earth", "screens-on-two-points", "source-shorted",
    "shorted-through-data-cables", "series-outputs-shorted", "sources-joined",
    "second-source-back-feeds", "load-reversed",
}  # fmt: skip
MAINS = {"mains-to-earth", "mains-shorted", "mains-on-output"}
references = st.sampled_from(["earthed", "joined", "isolated", "differential", "unknown"])
interfaces = st.sampled_from(["none", "lan", "usb", "gpib", "serial", "fibre"])
wires = st.tuples(st.sampled_from(ENDS), st.sampled_from(ENDS)).filter(lambda w: w[0] != w[1])


@st.composite
def benches(draw: st.DrawFn) -> dict[str, Any]:
    """A bench of random classes, mains arrangement and wires, as plain data."""
    instruments = [
        {"name": name, "role": role, "address": "by-hand", "reference": draw(references),
         "interface": draw(interfaces), "isolation_rating": "300 V", "voltage_max": "300 V",
         "earthed_by_mains": draw(st.booleans()), **more}
        for name, role, more in (
            ("meter", "meter", {}), ("load", "load", {}), ("scope", "scope", {}),
            ("second", "second-source", {"source_voltage": "12 V", "source_current": "2 A"}),
        )
    ]  # fmt: skip
    chain = draw(st.sets(st.sampled_from(["isolating-transformer", "variac", "lamp-limiter"])))
    unique: dict[frozenset[str], tuple[str, str]] = {}
    for wire in draw(st.lists(wires, max_size=8)):
        unique.setdefault(frozenset(wire), wire)
    return {
        "format": 1,
        "name": "random",
        "mains": {"nominal": "230 V 50 Hz", "chain": sorted(chain)},
        "unit": {"earth_strap": draw(st.sampled_from(["none", "plus", "minus"]))},
        "pc": {"power": draw(st.sampled_from(["earthed", "battery"]))},
        "instrument": instruments,
        "connection": [{"from": a, "to": b} for a, b in unique.values()],
    }


def _stops(verdict: HookupVerdict, family: set[str]) -> bool:
    return any(hazard.code in family for hazard in verdict.stops)


@settings(max_examples=120, deadline=None)
@given(data=benches(), wire=wires)
def test_a_further_wire_never_removes_a_short_or_mains_stop(
    data: dict[str, Any], wire: tuple[str, str]
) -> None:
    before = judge(Bench.model_validate(data), PROFILE)
    pairs = [{w["from"], w["to"]} for w in data["connection"]]
    if set(wire) in pairs:
        return
    more = [*data["connection"], {"from": wire[0], "to": wire[1]}]
    after = judge(Bench.model_validate(data | {"connection": more}), PROFILE)
    for family in (SHORTS, MAINS):
        assert not _stops(before, family) or _stops(after, family)


@settings(max_examples=60, deadline=None)
@given(data=benches())
def test_every_wiring_can_be_judged_and_drawn(data: dict[str, Any]) -> None:
    import xml.etree.ElementTree as ET

    bench = Bench.model_validate(data)
    verdict = judge(bench, PROFILE)
    assert judge(bench, PROFILE).to_dict() == verdict.to_dict()
    ET.fromstring(draw_svg(bench, verdict.graph, verdict.hazards))
    text = draw_text(verdict.graph, verdict.hazards)
    assert text.startswith("protective earth")
    for hazard in verdict.hazards:
        assert all(number >= 0 for number in hazard.numbers.values())
