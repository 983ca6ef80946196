"""``python -m tests.benchmarks [NAME]…``: one JSON object of ratios, each measured in one run.

Never absolute times: both sides of a ratio run on the same machine in the same minute.
"""

from __future__ import annotations

import json
import pkgutil
import sys
from importlib import import_module

import tests.benchmarks
from runner.one_thread import one_thread


def main() -> None:
    """Measure the named benchmarks, or all, and print their ratios."""
    one_thread()
    names = sorted(m.name for m in pkgutil.iter_modules(tests.benchmarks.__path__))
    wanted = sys.argv[1:] or [name for name in names if not name.startswith("_")]
    unknown = sorted(set(wanted) - set(names))
    if unknown:
        sys.exit(f"there is no benchmark {unknown[0]!r}; expected one of {', '.join(names)}")
    ratios: dict[str, float] = {}
    for name in wanted:
        measured = import_module(f"tests.benchmarks.{name}").measure()
        ratios.update({key: round(value, 4) for key, value in measured.items()})
    print(json.dumps(ratios))


if __name__ == "__main__":
    main()
