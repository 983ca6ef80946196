"""``python -m tests.metrology.sweep``: see the package."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from runner.one_thread import one_thread


def main() -> None:
    """Run seeds, or print the tables of what was run."""
    one_thread()
    parser = argparse.ArgumentParser(prog="python -m tests.metrology.sweep")
    todo = parser.add_subparsers(required=True, dest="todo")
    run = todo.add_parser("run", help="measure units and append one line each")
    run.add_argument("file", type=Path)
    run.add_argument("first", type=int)
    run.add_argument("last", type=int)
    run.add_argument("--only", action="append", default=[], help="a check; all but drift if none")
    run.add_argument("--long", action="store_true", help="the whole acceptance, not the quick one")
    run.add_argument("--keep", type=Path, help="folder for the records and what was true")
    again = todo.add_parser("again", help="make the findings of kept records again")
    again.add_argument("file", type=Path)
    again.add_argument("folder", type=Path)
    again.add_argument("--only", action="append", default=[], help="a check; all if none")
    made = todo.add_parser("tables", help="print the tables of these files")
    made.add_argument("file", type=Path, nargs="+")
    given = parser.parse_args()
    if given.todo == "tables":
        from tests.metrology.sweep.tables import read, tables

        print(tables(read(given.file)))
    elif given.todo == "again":
        _again(given.file, given.folder, tuple(given.only))
    else:
        _run(given.file, given.first, given.last, tuple(given.only), given.keep, long=given.long)


def _again(file: Path, folder: Path, only: tuple[str, ...]) -> None:
    from tests.metrology.sweep.one_unit import judged_again

    with file.open("w", encoding="utf-8") as out:
        for archive in sorted(folder.glob("*.tar.gz")):
            out.write(json.dumps(judged_again(archive, only)) + "\n")
            out.flush()


def _run(
    file: Path, first: int, last: int, only: tuple[str, ...], keep: Path | None, *, long: bool
) -> None:
    from tests.metrology.sweep.one_unit import CHECKS, measure_unit

    lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
    done = {json.loads(line)["seed"] for line in lines}
    with file.open("a", encoding="utf-8") as out:
        for seed in range(first, last + 1):
            if seed not in done:
                line = measure_unit(seed, checks=only or CHECKS, quick=not long, keep_in=keep)
                if line["how"] == "interrupted":
                    return
                out.write(json.dumps(line) + "\n")
                out.flush()


if __name__ == "__main__":
    main()
