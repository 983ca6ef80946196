"""``python -m tests.faults.unit_faults``: the demo with each fault of the simulated unit.

Every result is a whole acceptance through the command line. The results stand in
``unit_faults.json`` beside this file; two tables are made from them in
``sim_instruments/README.md``: what fails first, and the decision of each check.
"""

from __future__ import annotations

import json
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from runner.checks.order import BY_NAME
from sim_instruments.plant import FAULTS
from tests.e2e.cli import asleft

__all__ = ["HEALTHY", "README", "RESULTS", "results", "tables", "try_fault"]

README = Path(__file__).parents[2] / "sim_instruments" / "README.md"
RESULTS = Path(__file__).with_name("unit_faults.json")
BEGIN, END = "<!-- faults: begin -->", "<!-- faults: end -->"
HEALTHY = (
    "none lb-2403", "none lb-3605", "none sw-3010", "none kn-1502", "none sc-2502", "none pc-4002",
)  # fmt: skip
NAMES = (*HEALTHY, *FAULTS)
UNITS = {
    "pot-noisy": "kn-1502",  # a remote set-point bypasses the pot
    "pot-open": "kn-1502",
    "reverse-diode-open": "sc-2502",  # an outside source is joined where the profile allows it
    "tap-order-swapped": "lb-3605",  # takes three taps to swap two
}
# the worst decision of a check stands for it
WORST = ("fail", "conditional fail", "not measured", "conditional pass", "pass")
SIGNS = {"fail": "F", "conditional fail": "f", "not measured": "–", "conditional pass": "p",
         "pass": "·"}  # fmt: skip


def try_fault(name: str) -> dict[str, Any]:
    """Run one acceptance with the fault (or "none PROFILE") and return what it came to."""
    unit = name.removeprefix("none ") if name in HEALTHY else UNITS.get(name, "lb-2403")
    fault = [] if name in HEALTHY else ["--fault", name]
    with tempfile.TemporaryDirectory() as out:
        called = asleft(
            "demo", "--profile", unit, *fault, "--json", "--no-report", "--out", out,
            timeout_s=900.0,
        )  # fmt: skip
    if called.code not in {0, 1, 3, 4}:
        raise RuntimeError(f"{name}: exit {called.code}: {called.err.strip()[-300:]}")
    findings = called.json["findings"]
    by_check: dict[str, list[dict[str, Any]]] = {}
    for finding in findings:
        by_check.setdefault(finding["check"], []).append(finding)
    checks = {c: min((f["decision"] for f in fs), key=WORST.index) for c, fs in by_check.items()}
    first = {
        c: next(f["what"] for f in fs if f["decision"] == checks[c])
        for c, fs in by_check.items()
        if checks[c] in {"fail", "conditional fail"}
    }
    return {"unit": unit, "exit": called.code, "checks": checks, "first": first}


def tables(found: dict[str, Any]) -> str:
    """Return both tables between their marks."""
    names = [name for name in NAMES if name in found]
    said = [
        f"| {n} | {found[n]['unit']} | {found[n]['exit']} | {_said(found[n]['first'])} |"
        for n in names
    ]
    columns = list(BY_NAME)
    columns = [c for c in columns if any(c in found[n]["checks"] for n in names)]
    cells = [
        f"| {n} | "
        + " | ".join(SIGNS.get(found[n]["checks"].get(c, ""), "") for c in columns)
        + " |"
        for n in names
    ]
    return "\n".join(
        [
            BEGIN,
            "| fault | unit | exit | first failing finding of each check |",
            "|---|---|---|---|",
            *said,
            "",
            "The worst decision of each check: F fail, f conditional fail, p conditional pass,"
            " · pass, – not measured, empty where the unit has no such question.",
            "",
            f"| fault | {' | '.join(columns)} |",
            "|---" * (len(columns) + 1) + "|",
            *cells,
            END,
        ]
    )


def _said(first: dict[str, str]) -> str:
    return "; ".join(f"{check}: {what}" for check, what in first.items()) or "nothing fails"


def results() -> dict[str, Any]:
    """Return the stored results by fault."""
    found: dict[str, Any] = json.loads(RESULTS.read_text(encoding="utf-8"))
    return found


def main() -> None:
    """Run the named faults (all without names), one at a time, and rewrite the tables."""
    found = results() if RESULTS.exists() else {}
    wanted = sys.argv[1:] or list(NAMES)
    with ThreadPoolExecutor(1) as pool:
        for name, result in zip(wanted, pool.map(try_fault, wanted), strict=True):
            found[name] = result
            RESULTS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    text = README.read_text(encoding="utf-8")
    README.write_text(text.split(BEGIN)[0] + tables(found) + text.split(END)[1], encoding="utf-8")


if __name__ == "__main__":
    main()
