"""``python -m tests.faults.unit_faults``: the demo with each fault of the simulated unit, and the
table of what it came to, written into ``sim_instruments/README.md``.

Every row is a whole acceptance through the command line; nothing is typed in by hand.
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from sim_instruments.plant import FAULTS
from tests.e2e.cli import asleft

__all__ = ["README", "rows_in", "table", "try_fault"]

README = Path(__file__).parents[2] / "sim_instruments" / "README.md"
BEGIN, END = "<!-- faults: begin -->", "<!-- faults: end -->"
FAILS = {"fail", "conditional fail"}
UNITS = {
    "pot-noisy": "kn-1502",  # a remote set-point bypasses the pot
    "pot-open": "kn-1502",
    "tap-order-swapped": "lb-3605",  # takes three taps to swap two
}


def try_fault(name: str) -> str:
    """Run one acceptance with the fault and return its row of the table."""
    unit = UNITS.get(name, "lb-2403")
    with tempfile.TemporaryDirectory() as out:
        called = asleft(
            "demo", "--profile", unit, "--fault", name, "--json", "--no-report", "--out", out,
            timeout_s=900.0,
        )  # fmt: skip
    if called.code not in {0, 1, 3, 4}:
        return f"| {name} | {unit} | {called.code} | {called.err.strip()[-120:]} |"
    findings = called.json["findings"]
    failed = [f for f in findings if f["decision"] in FAILS]
    by_check: dict[str, list[str]] = {}
    for finding in failed:
        by_check.setdefault(finding["check"], []).append(finding["what"])
    said = "; ".join(f"{check}: {whats[0]}" for check, whats in by_check.items())
    if not failed:
        lost = sorted({f["check"] for f in findings if f["decision"] == "not measured"})
        said = "nothing fails" + (f"; not measured: {', '.join(lost)}" if lost else "")
    return f"| {name} | {unit} | {called.code} | {said} |"


def table(rows: list[str]) -> str:
    """Return the whole table between its marks."""
    head = "| fault | unit | exit | first failing finding of each check |\n|---|---|---|---|"
    return "\n".join([BEGIN, head, *rows, END])


def rows_in(text: str) -> dict[str, str]:
    """Return the rows that stand in the README, by fault."""
    body = text.split(BEGIN)[1].split(END, maxsplit=1)[0]
    rows = [line for line in body.splitlines() if line.startswith("| ") and "---" not in line]
    return {row.split("|")[1].strip(): row for row in rows[1:]}


def main() -> None:
    """Run the named faults (all without names) two at a time and rewrite their rows."""
    text = README.read_text(encoding="utf-8")
    known = rows_in(text) if BEGIN in text else {}
    wanted = sys.argv[1:] or list(FAULTS)
    with ThreadPoolExecutor(2) as pool:
        for name, row in zip(wanted, pool.map(try_fault, wanted), strict=True):
            known[name] = row
            made = table([known[one] for one in FAULTS if one in known])
            before, after = (
                (text.split(BEGIN)[0], text.split(END)[1]) if BEGIN in text else (text + "\n", "\n")
            )
            README.write_text(before + made + after, encoding="utf-8")


if __name__ == "__main__":
    main()
