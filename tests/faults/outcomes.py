"""Writes the outcome table: ``python -m tests.faults.outcomes``.

The table shows what each case is due; that the cases give it is what the tests prove.
"""

from __future__ import annotations

from pathlib import Path

from tests.faults.harness import CASES
from tests.faults.place_table import section as every_place
from tests.faults.test_faults import SECTIONS

__all__ = ["README", "table"]

README = Path(__file__).with_name("README.md")
KILLS = Path(__file__).with_name("kills.md")
"""What the kill tests measured when they were last run in full (tests.faults.killing)."""
ELSEWHERE = {
    "F84": "the gap in a long run's own bookkeeping is proved in tests/soak",
    "F88": "also proved for the whole engine in tests/unit",
}
OBLIGATIONS: dict[str, tuple[str, tuple[str, ...], str]] = {
    "R1": ("one deadline a transaction", ("F11", "F38", "F43", "F75", "F78b"), "tests/link"),
    "R2": ("out of step is proved in step", ("F05", "F09", "F15", "F16", "F17", "F21", "F84"),
           "tests/link/test_session.py"),
    "R3": ("numbers whole or invalid", ("F24", "F25", "F26", "F27", "F29", "F31", "F33"),
           "tests/link/test_numbers.py"),
    "R4": ("settings read back", ("F10", "F32", "F58", "F68", "F70", "F77", "F86"),
           "tests/unit/test_engine.py"),
    "R5": ("state before and after", ("F20", "F55", "F65", "F66", "F69"), "tests/soak"),
    "R6": ("safe on any exception", ("F88", "F88b", "F91"), "tests/unit/test_engine.py"),
    "R7": ("raw bytes kept", (), "tests/link/test_trace.py"),
    "R8": ("only harmless questions repeated", ("F12", "F14", "F22", "F22b", "F22c", "F22d", "F23"),
           "tests/link/test_session.py"),
}  # fmt: skip
"""What every link owes, and the cases and tests that hold it to that."""


def obligations() -> list[str]:
    """The rows of the obligations; a case that is not there is an error."""
    known = {one.number for one in CASES}
    lines = ["| obligation | cases | tests |", "|---|---|---|"]
    for number, (words, cases, where) in OBLIGATIONS.items():
        if missing := set(cases) - known:
            raise KeyError(f"{number} names {missing}")
        lines.append(f"| {number}: {words} | {', '.join(cases)} | `{where}` |")
    return lines


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
    lines += ["", *obligations(), "", "Notes:", ""]
    lines += [f"- {number}: {note}." for number, note in ELSEWHERE.items()]
    parts = ("\n".join(lines) + "\n", every_place(), KILLS.read_text(encoding="utf-8"))
    return "\n".join(parts)


if __name__ == "__main__":
    _ = SECTIONS
    README.write_text(table(), encoding="utf-8")
