"""Stand-ins for transports that a loopback socket cannot show (VXI-11, HiSLIP, USBTMC, locks)."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

__all__ = ["FakeVisaResource", "numbered_resource"]


class FakeVisaResource:
    """The part of a VISA resource that the link uses, with calls that misbehave on demand.

    ``write`` and ``read`` are given as functions; ``cleared`` and ``closed`` count.
    """

    def __init__(
        self, write: Callable[[bytes], None], read: Callable[[], bytes], *, message: bool = True
    ) -> None:
        self._write, self._read = write, read
        self.cleared = self.closed = 0
        self.resource_class = "INSTR" if message else "SOCKET"
        self.interface_type = 7
        self.session = 1
        self.timeout = 0
        self.read_termination: str | None = None
        self.visalib = SimpleNamespace(
            write=self._visa_write,
            read=self._visa_read,
            clear=self._visa_clear,
            sessions={},
            issue_warning_on=set(),
        )

    def _visa_write(self, _: Any, data: bytes) -> tuple[int, int]:
        self._write(data)
        return len(data), 0

    def _visa_read(self, _: Any, count: int) -> tuple[bytes, int]:
        return self._read(), 0

    def _visa_clear(self, _: Any) -> int:
        self.cleared += 1
        return 0

    def close(self) -> None:
        self.closed += 1


def numbered_resource(broken: list[bool]) -> FakeVisaResource:
    """A transport that numbers its messages: once out of step, every call fails until reopened.

    It answers 12 V and the synchronising register.
    """
    state = {"ese": b"0", "answer": b""}

    def write(data: bytes) -> None:
        if broken[0]:
            raise RuntimeError("wrong xid 7 in reply instead of 8")
        if data.startswith(b"*ESE "):
            state["ese"] = data.split()[1]
        elif data.startswith(b"*ESE?"):
            state["answer"] = state["ese"] + b"\n"
        elif b"?" in data:
            state["answer"] = b"+1.2E+01\n"

    def read() -> bytes:
        if not state["answer"]:
            raise TimeoutError("timeout expired before operation completed")
        answer, state["answer"] = state["answer"], b""
        return answer

    return FakeVisaResource(write, read)
