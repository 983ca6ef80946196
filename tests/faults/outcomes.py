"""Writes the outcome table: ``python -m tests.faults.outcomes``.

The table shows what each case is due; that the cases give it is what the tests prove.
"""

from __future__ import annotations

from pathlib import Path

from tests.faults.every_place import section as every_place
from tests.faults.harness import CASES
from tests.faults.test_faults import SECTIONS

__all__ = ["README", "table"]

README = Path(__file__).with_name("README.md")
KILLS = Path(__file__).with_name("kills.md")
"""What the kill tests measured when they were last run in full (tests.faults.killing)."""
ELSEWHERE = {
    "F84": "the gap in a long run's own bookkeeping is proved in tests/soak",
    "F88": "also proved for the whole engine in tests/unit",
}


def table() -> str:
    """The page as Markdown."""
    lines = [
        "# Field faults and their outcomes",
        "",
        "Written by `python -m tests.faults.outcomes`; a test fails when it is out of date.",
        "Each row is a fault that software has met on real bench instruments, played on a real",
        "socket or pseudo-terminal (stand-ins where only another transport can show it). *Twin* is",
        "the same conversation without the fault. VALUE: a value was returned. INVALID: recorded",
        "with its reason, never judged. IO-ERROR: the link said so. REFUSED: a setting or an",
        "instrument was not accepted. SAFE: load off and read back off.",
        "",
        "| case | fault | outcome | outcome of the twin |",
        "|---|---|---|---|",
    ]
    for one in sorted(CASES, key=lambda one: (int(one.number[1:3]), one.number)):
        cells = (one.number, one.title, one.fault_due, one.twin_due)
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    lines += ["", "Notes:", ""]
    lines += [f"- {number}: {note}." for number, note in ELSEWHERE.items()]
    parts = ("\n".join(lines) + "\n", every_place(), KILLS.read_text(encoding="utf-8"))
    return "\n".join(parts)


if __name__ == "__main__":
    _ = SECTIONS
    README.write_text(table(), encoding="utf-8")
