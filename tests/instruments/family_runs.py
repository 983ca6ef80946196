"""Runs with a twin of each family on the bench: ``python -m tests.instruments.family_runs``.

Each twin takes the place of one instrument of the plain simulated bench; the checks that use its
role must give the plain bench's findings within both uncertainties. The command runs all of them
and writes the table in ``README.md``.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from runner.acceptance import Acceptance, run_acceptance
from runner.finding import Finding
from runner.job import Job
from sim_instruments.families import table
from tests.faults.compact import few, inputs
from tests.faults.every_place import scatter_of

__all__ = ["ROLES", "Outcome", "Role", "outcome", "run"]

README = Path(__file__).with_name("README.md")
Found = Mapping[tuple[str, str, int], Finding]


@dataclass(frozen=True)
class Role:
    """Which twins there are, which checks use the role, what the families need or forbid.

    ``short``: as few readings as the compact acceptance takes. ``manners``: what a family does not
    bear (a rule of :mod:`sim_instruments.rudeness`); what it ``lacks``: findings, by their name.
    """

    families: Mapping[str, Any]
    checks: tuple[str, ...]
    sampled: tuple[str, ...]
    short: bool = True
    manners: Mapping[str, str] = field(default_factory=dict)
    lacks: Mapping[str, str] = field(default_factory=dict)


ROLES: Mapping[str, Role] = {
    "meter": Role(
        table.METERS, ("setting", "load-effect"), ("siglent-sdm", "keithley-2000"), short=False,
        lacks={"gw-gdm8": "figures of one range only are documented: on the 100 V range compared"
               " with the twin's own class, conditional"},
    ),
    "load": Role(
        table.LOADS, ("load-effect", "current-limit", "transient", "impedance"),
        ("rigol-dl3000", "siglent-sdl"),
        lacks={"rigol-dl3000": "no short: none is documented",
               "easttester-et54": "current-limit, transient, impedance: no constant resistance and"
               " no pulses are documented"},
    ),
    "scope": Role(
        table.SCOPES, ("ripple", "tap-map", "transient", "switching", "impedance", "headroom"),
        ("rigol-ds1000z",),
    ),
    "supply": Role(
        table.SUPPLIES, ("setting", "load-effect", "current-limit"),
        ("korad-ka3005p", "siglent-spd3303x"), short=False,
        manners={"korad-ka3005p": "fast:gap=0.08", "siglent-spd3303x": "fast:gap=0.0095"},
    ),
    "mains-source": Role(
        table.MAINS_SOURCES, ("source-effect", "headroom", "switching"), ("chroma-61600",)
    ),
    "mains-meter": Role(
        table.MAINS_METERS, ("tap-map", "source-effect", "headroom"), ("yokogawa-wt310",)
    ),
    "thermometer": Role(table.THERMOMETERS, ("drift",), ("keysight-34970a",)),
}  # fmt: skip


BY_CHANCE = 1.5
"""Some 300 findings are compared. Both U together are 2.8 standard deviations of a difference: one
or two in 300 lie beyond by chance; beyond 4.2 it is one in a hundred runs of all (normal tails)."""


@dataclass
class Outcome:
    """What a run with a twin gave beside the plain bench's."""

    compared: int = 0
    missing: int = 0
    farthest: float = 0.0
    """Largest distance as a share of both uncertainties and what readings scatter."""
    wrong: list[str] = field(default_factory=list)


def run(role: str, family: str | None, folder: Path) -> tuple[Found, list[dict[str, Any]]]:
    """Findings by check, name and place in the row (noise chooses the worst point); the record."""
    read = inputs("memory")
    options: dict[str, Any] = {}
    if family is not None:
        entries = tuple(
            one.model_copy(update=_entry(role, family)) if one.role == role else one
            for one in read.bench.instrument
        )
        name = next(one.name for one in entries if one.role == role)
        read = replace(read, bench=read.bench.model_copy(update={"instrument": entries}))
        options = {"families": {name: family}}
        if family in ROLES[role].manners:
            options["rude"] = {name: [ROLES[role].manners[family]]}
    wanted = Acceptance(
        inputs=read, job=Job(serial="S"), out=folder, only=ROLES[role].checks,
        quick=role != "thermometer", options=options,  # quick runs leave drift out
    )  # fmt: skip
    with few() if ROLES[role].short else nullcontext():
        done = run_acceptance(wanted, _nobody, lambda *_: None)
    if done.ending.how != "complete":
        raise AssertionError(f"{family}: {done.ending.reason}")
    kept: dict[tuple[str, str, int], Finding] = {}
    for one in done.assessment.findings:
        number = sum(key[:2] == (one.check, one.what) for key in kept)
        kept[one.check, one.what, number] = one
    return kept, list(done.record.lines)


def _entry(role: str, family: str) -> dict[str, Any]:
    change: dict[str, Any] = {"dialect": family, "link": {}}
    if role == "load":
        rated = table.LOADS[family].rated
        change |= {"current_max": rated.current_a, "voltage_max": rated.voltage_v,
                   "power_max": rated.power_w}  # fmt: skip
    return change


def _nobody(_: object) -> Any:
    raise AssertionError("the simulated bench brings its own hand")


@lru_cache(maxsize=8)
def plain(role: str) -> tuple[Found, list[dict[str, Any]]]:
    """The same checks on the plain bench."""
    with TemporaryDirectory() as folder:
        return run(role, None, Path(folder))


def outcome(role: str, family: str) -> Outcome:
    """Run the family and compare."""
    due, plain_lines = plain(role)
    with TemporaryDirectory() as folder:
        found, lines = run(role, family, Path(folder))
    result = Outcome()
    lacks = ROLES[role].lacks.get(family, "")
    if found.keys() != due.keys() and not lacks:
        result.wrong.append(f"other findings: {sorted(found.keys() ^ due.keys())}")
    for key in sorted(found.keys() & due.keys()):
        _compare(role, family, found[key], due[key], result)
    if role == "thermometer":
        _compare_heat(lines, plain_lines, result)
    return result


def _compare(role: str, family: str, one: Finding, due: Finding, result: Outcome) -> None:
    if one.value is None or due.value is None:
        result.missing += 1
        if (due.value is not None and role != "load") or not one.reason:
            result.wrong.append(f"{one.what} {one.at}: no value ({one.reason})")
        return
    result.compared += 1
    room = (one.u_expanded or 0.0) + (due.u_expanded or 0.0) + _own(role, family, one, due.value)
    distance = abs(one.value - due.value)
    result.farthest = max(result.farthest, distance / room if room else float(distance > 0))
    if distance > BY_CHANCE * room:
        result.wrong.append(f"{one.what} {one.at}: {one.value}, due {due.value} within {room:.3g}")
    if _side(one) != _side(due):
        result.wrong.append(f"{one.what} {one.at}: {one.decision}, due {due.decision}")


def _own(role: str, family: str, one: Finding, due_value: float) -> float:
    """Scatter of few readings; the family's own class where its dialect cannot state it.

    The drawn current may miss the level by the family's class, by which voltages under load differ
    in proportion.
    """
    scatter = scatter_of(one) if ROLES[role].short else 0.0
    if family == "gw-gdm8":  # 0.0035 % of 12 V and 0.0005 % of 100 V
        return 0.92e-3
    if role != "load":
        return scatter
    rated = table.LOADS[family].rated
    amps = next(a for a in rated.current_ranges_a if a >= 2.0)
    if family == "chroma-63600":  # its dialect takes the highest range
        amps = rated.current_a
    miss_a = 2 * (5e-4 * 2.0 + 5e-4 * amps)  # level and readback, at the 2 A of the compact unit
    return scatter + (miss_a if one.unit == "A" else 0.0) + miss_a / 2.0 * abs(due_value)


def _side(one: Finding) -> str:
    """A family whose accuracy is from memory can pass conditionally only."""
    return str(one.decision).removeprefix("conditional ")


def _compare_heat(
    lines: list[dict[str, Any]], plain_lines: list[dict[str, Any]], result: Outcome
) -> None:
    """No finding is made of temperatures: the readings are compared, each 1 K (thermocouples)."""
    means = []
    for them in (lines, plain_lines):
        seen = [one for one in them if one.get("quantity") == "heatsink-temperature"]
        values = [one["value"] for one in seen if one["value"] is not None]
        if not values or len(values) != len(seen):
            result.wrong.append("a temperature is missing")
            return
        means.append(sum(values) / len(values))
    result.compared += 1
    result.farthest = max(result.farthest, abs(means[0] - means[1]) / 2.0)
    if abs(means[0] - means[1]) > 2.0:
        result.wrong.append(f"heatsink {means[0]:.2f}, due {means[1]:.2f} within 2 K")


def main() -> None:
    """Run all families and write the table."""
    rows = []
    for role, one in ROLES.items():
        for family in one.families:
            seen = outcome(role, family)
            said = "; ".join(seen.wrong) or one.lacks.get(family, "")
            rows.append(
                f"| {role} | {family} | {', '.join(one.checks)} | {seen.compared} |"
                f" {seen.missing} | {100 * seen.farthest:.0f} % | {said or '–'} |"
            )
            print(rows[-1], flush=True)
    README.write_text("\n".join([*HEAD, *rows, ""]), encoding="utf-8")


HEAD = (
    "# Families on the bench",
    "",
    "Written by `python -m tests.instruments.family_runs`. A twin of each family, written from",
    "what its makers and public drivers document (`sim_instruments/families`), took the place of",
    "one instrument of the simulated bench; the checks that use the role were run and their",
    "findings compared with the plain bench's. *Farthest*: the largest distance between two values",
    "as a share of both expanded uncertainties (where readings are few, with 1 % of the limit for",
    "their scatter; for loads with the family's own class). *No value*: on either bench. The tests",
    "run some families each time, all of them with `-m slow`.",
    "",
    "| role | family | checks | findings compared | no value | farthest | remarks |",
    "|---|---|---|---|---|---|---|",
)

if __name__ == "__main__":
    main()
