"""``python -m tests.diagnose.generate FOLDER N…``: random units with one fault each.

Each number is one case: a shipped profile, an instance, a fault that this unit can have, at a
random severity. The acceptance runs in memory in virtual time, without report and without the
drift watch. One JSON line a case (truth and findings) is put to ``cases.jsonl``; cases that are
there are left out, so the work can be cut off and gone on with.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from runner.acceptance import Acceptance, load_inputs, run_acceptance
from runner.bench import find_bench
from runner.checks.order import ALL
from runner.diagnose.features import features_of
from runner.errors import AsleftError
from runner.job import Job
from runner.operator.terminal import TerminalOperator
from sim_instruments.plant import FAULTS

__all__ = ["case", "fault_of", "one"]

PROFILES = ("lb-2403", "lb-2403", "lb-3605", "kn-1502")
HAND_ONLY = {"pot-noisy", "pot-open"}
FACTOR = (0.6, 1.7)
"""Every parameter of a fault is its default times a factor in this range, evenly in the log."""


def fault_of(rng: np.random.Generator, profile: str) -> tuple[str, str]:
    """Draw a fault for this unit: its name, and as it is written on the command line."""
    names = [n for n in FAULTS if (profile == "kn-1502") or n not in HAND_ONLY]
    names = [n for n in names if (profile == "lb-3605") or n != "tap-order-swapped"]
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
    rng = np.random.default_rng([number, 10])
    profile = str(rng.choice(PROFILES))
    name, fault = fault_of(rng, profile)
    return {"number": number, "profile": profile, "cause": name, "fault": fault,
            "seed": 1000 + number}  # fmt: skip


def one(asked: dict[str, Any]) -> dict[str, Any]:
    """Run one case and return its line."""
    only = tuple(check.name for check in ALL if check.name not in {"drift", "soak"})
    with tempfile.TemporaryDirectory() as out:
        wanted = Acceptance(
            inputs=load_inputs(find_bench("memory"), asked["profile"]), job=Job(serial="S"),
            out=Path(out), faults=(asked["fault"],) if asked["fault"] else (), seed=asked["seed"],
            only=only,
        )  # fmt: skip
        try:
            outcome = run_acceptance(wanted, lambda _clock: TerminalOperator(), lambda *_: None)
        except AsleftError as error:
            return {**asked, "trouble": str(error)}
        found = features_of(outcome.record, outcome.assessment.findings, outcome.assessment.profile)
        return {
            **asked,
            "failed": outcome.assessment.summary["failed"],
            "features": {name: one.to_dict() for name, one in found.items()},
        }


def main() -> None:
    """Run the cases that are not there yet."""
    path = Path(sys.argv[1]) / "cases.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {json.loads(x)["number"] for x in path.read_text().splitlines()} if path.exists() else ()
    for number in range(int(sys.argv[2]), int(sys.argv[3])):
        if number not in done:
            line = one(case(number))
            with path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")


if __name__ == "__main__":
    main()
