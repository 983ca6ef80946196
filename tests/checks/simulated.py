"""One check at a time on the simulated bench in memory, beside the truth of its plant."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from runner.assess import findings_of
from runner.bench import find_bench, load_bench
from runner.bench_provider import BenchSetup, open_simulated
from runner.checks.check import Conditions, Workplace
from runner.checks.order import ALL
from runner.finding import Finding
from runner.instruments.open import open_instruments
from runner.profile import Profile, find_profile, load_profile
from runner.record.reader import CheckData
from runner.record.writer import CheckWriter, RecordWriter
from runner.unit_output import unit_output


@dataclass(frozen=True)
class Result:
    """What one check wrote and what it found."""

    data: CheckData
    findings: list[Finding]

    def finding(self, what: str, at: str = "") -> Finding:
        """Return the only finding whose ``what`` begins so and whose ``at`` contains this."""
        found = [f for f in self.all(what, at) if f.what.startswith(what)]
        assert len(found) == 1, f"{len(found)} findings {what!r} {at!r}"
        return found[0]

    def all(self, what: str, at: str = "") -> list[Finding]:
        """Findings whose ``what`` and ``at`` contain these words."""
        return [f for f in self.findings if what in f.what and at in f.at]


class Simulated:
    """The open bench; a context manager."""

    def __init__(
        self,
        folder: Path,
        *,
        profile: str | Profile = "lb-2403",
        bench: str = "memory",
        faults: Sequence[str] = (),
        seed: int = 1,
        options: Mapping[str, Any] | None = None,
    ) -> None:
        self.bench = load_bench(find_bench(bench))
        named = isinstance(profile, str)
        self.profile = load_profile(find_profile(profile)) if named else profile
        setup = BenchSetup(self.bench, self.profile, seed, tuple(faults), dict(options or {}))
        self.opened: Any = open_simulated("memory", setup)
        self.clock = self.opened.clock
        self.instruments = open_instruments(self.bench, self.opened, self.clock)
        self.writer = RecordWriter(folder / "record", self.clock)
        self.writer.header(simulated=True)
        for fields in self.instruments.identities():
            self.writer.write("instrument", **fields)
        self.earlier: dict[str, list[Finding]] = {}

    @property
    def truth(self) -> Any:
        """The plant's own knowledge."""
        return self.opened.truth

    @property
    def plant(self) -> Any:
        """The plant itself."""
        return self.opened.plant

    def run(self, name: str, *, quick: bool = False) -> Result:
        """Do one check as the engine does it."""
        check = {one.name: one for one in ALL}[name]
        plan = check.plan(Conditions(self.profile, self.bench, quick))
        assert plan.applies
        assert plan.missing is None, plan.missing
        self.writer.write("check-start", check=name, question=check.question)
        output = unit_output(self.profile, self.instruments, self.opened.operator)
        check.measure(
            Workplace(
                instruments=self.instruments,
                output=output,
                profile=self.profile,
                bench=self.bench,
                log=CheckWriter(self.writer, name, lambda *_: None),
                operator=self.opened.operator,
                clock=self.clock,
                quick=quick,
                earlier=self.earlier,
            )
        )
        assert self.instruments.load is not None
        assert self.instruments.load.off_confirmed()
        self.writer.write("check-end", check=name)
        data = self.writer.check_data(name)
        self.earlier[name] = findings_of(data, self.profile)
        return Result(data, self.earlier[name])

    def __enter__(self) -> Simulated:
        return self

    def __exit__(
        self,
        _type: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.instruments.close()
        self.writer.close()
        self.opened.close()
