"""``python -m tests.diagnose.generate FOLDER N…``: random units with one fault, two or none.

Each number is one case: a shipped profile, an instance, a fault that this unit can have, at a
random severity, at times a bench without one of its instruments. The whole acceptance runs in
memory in virtual time, without report. One JSON line a case (truth and what failed) is put to
``cases.jsonl`` and its record beside it, so that features can be read again without simulating;
cases that are there are left out, so the work can be cut off and gone on with.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from runner.acceptance import Acceptance, load_inputs, run_acceptance
from runner.bench import Bench, find_bench
from runner.checks.order import ALL
from runner.errors import AsleftError
from runner.job import Job
from runner.one_thread import one_thread
from runner.operator.terminal import TerminalOperator
from sim_instruments.plant import FAULTS

__all__ = ["HALVES_FROM", "HEALTHY_FROM", "PAIRS_FROM", "case", "fault_of", "one", "without"]

PROFILES = ("lb-2403", "lb-2403", "lb-2403", "lb-3605", "lb-3605", "kn-1502", "kn-1502", "sc-2502")
ONLY = {
    "pot-noisy": {"kn-1502"}, "pot-open": {"kn-1502"}, "tap-order-swapped": {"lb-3605"},
    "reverse-diode-open": {"sc-2502"}, "coil-weak": {"lb-2403", "lb-3605", "kn-1502"},
    "relay-contact-worn": {"lb-2403", "lb-3605", "kn-1502"},
}  # fmt: skip
"""Faults that not every one of these units can have."""
PAIRS_FROM, HEALTHY_FROM = 100_000, 200_000
"""Cases from these numbers have two faults, or none."""
HALVES_FROM = (400_000, 500_000)
"""From these on the unit of a pair with its first, or its second, fault alone."""
MISSING = ("scope", "mains-meter", "mains-source")
MISSING_SHARE = 0.15
"""How often one of these instruments does not stand on the bench."""
FACTOR = (0.6, 1.7)
"""Every parameter of a fault is its default times a factor in this range, evenly in the log."""


def fault_of(rng: np.random.Generator, profile: str) -> tuple[str, str]:
    """Draw a fault for this unit: its name, and as it is written on the command line."""
    names = [n for n in FAULTS if profile in ONLY.get(n, {profile})]
    name = str(rng.choice(names))
    values = []
    for key, value in FAULTS[name].defaults.items():
        if key in {"plus", "full"}:
            values.append(f"{key}={int(rng.integers(0, 2))}")
        elif key in {"diode", "relay", "winding"}:
            values.append(f"{key}={value:g}")
        else:
            drawn = value * float(np.exp(rng.uniform(*np.log(FACTOR))))
            top = 0.99 if key in {"fraction", "pull_in", "rail"} else drawn
            values.append(f"{key}={min(drawn, top):.6g}")
    return name, name + (":" + ",".join(values) if values else "")


def case(number: int) -> dict[str, Any]:
    """Return what case ``number`` is: profile, fault, seed."""
    for half, first in enumerate(HALVES_FROM):
        if 0 <= number - first < PAIRS_FROM:
            pair = case(number - first + PAIRS_FROM)
            alone = {key: [pair[key][half]] for key in ("causes", "faults")}
            return pair | alone | {"number": number}
    rng = np.random.default_rng([number, 10])
    profile = str(rng.choice(PROFILES))
    name, fault = fault_of(rng, profile)
    faults, causes = [fault], [name]
    if number >= HEALTHY_FROM:
        faults, causes = [], []
    elif number >= PAIRS_FROM:
        while causes[-1] == name:
            second, written = fault_of(rng, profile)
            causes, faults = [name, second], [fault, written]
    missing = str(rng.choice(MISSING)) if rng.random() < MISSING_SHARE else ""
    return {"number": number, "profile": profile, "causes": causes, "faults": faults,
            "missing": missing, "seed": 1000 + number}  # fmt: skip


def without(bench: Bench, role: str) -> Bench:
    """Return the bench without the instruments of this role and the wires that went to them."""
    gone = tuple(f"{one.name}." for one in bench.instrument if one.role == role)
    rest = tuple(one for one in bench.instrument if one.role != role)
    wires = (w for w in bench.connection if not (w.a.startswith(gone) or w.b.startswith(gone)))
    return bench.model_copy(update={"instrument": rest, "connection": tuple(wires)})


def one(asked: dict[str, Any], keep: Path) -> dict[str, Any]:
    """Run one case, keep its record, and return its line."""
    only = tuple(check.name for check in ALL if check.name != "soak")
    with tempfile.TemporaryDirectory() as out:
        inputs = load_inputs(find_bench("memory"), asked["profile"])
        bench = without(inputs.bench, asked["missing"])
        wanted = Acceptance(
            inputs=replace(inputs, bench=bench), job=Job(serial="S"), out=Path(out),
            faults=tuple(asked["faults"]), seed=asked["seed"], only=only,
        )  # fmt: skip
        try:
            outcome = run_acceptance(wanted, lambda _clock: TerminalOperator(), lambda *_: None)
        except AsleftError as error:
            return {**asked, "trouble": str(error)}
        shutil.make_archive(str(keep / str(asked["number"])), "gztar", outcome.record.folder)
        return {**asked, "how": outcome.ending.how, "failed": outcome.assessment.summary["failed"]}


def main() -> None:
    """Run the cases that are not there yet."""
    one_thread()
    path = Path(sys.argv[1]) / "cases.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {json.loads(x)["number"] for x in path.read_text().splitlines()} if path.exists() else ()
    for number in range(int(sys.argv[2]), int(sys.argv[3])):
        if number not in done:
            line = one(case(number), path.parent)
            if line.get("how") == "interrupted":
                return
            with path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")


if __name__ == "__main__":
    main()
