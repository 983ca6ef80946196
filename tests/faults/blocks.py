"""Section D: binary blocks (F40 to F49)."""

from __future__ import annotations

from typing import Any

from runner.errors import AsleftError
from runner.link.blocks import BlockShape
from tests.faults.harness import T_S, case, session_on, told
from tests.faults.scope_setup import capture
from tests.instruments.twin import definite
from tests.link.scripted import Pause

DATA = bytes(range(256))  # holds line ends, number signs and all else


def block(answer: Any, shape: BlockShape | None = None, n_blocks: int = 1) -> str:
    """Fetch the block, then ask the error queue: both outcomes."""
    script = {"CURV?": answer, "SYST:ERR?": b'0,"No error"\n'}
    with session_on(script) as (session, _):
        try:
            parts = session.query_block("CURV?", shape or BlockShape(), n_blocks=n_blocks)
            outcome = "VALUE " + " + ".join(str(len(part)) for part in parts) + " bytes"
            assert all(DATA.startswith(part[:256]) or len(part) != 256 for part in parts)
        except AsleftError as error:
            outcome = told(error)
        assert session.query("SYST:ERR?") == '0,"No error"'
        return outcome


def plain() -> str:
    return block(definite(DATA) + b"\n")


OK = "VALUE 256 bytes"


@case("F40", "Line end inside the data", due="VALUE 8 bytes", twin=plain, twin_due=OK)
def f40() -> str:
    return block(b"#18" + bytes([1, 10, 2, 10, 10, 35, 3, 10]) + b"\n")


@case(
    "F41",
    "Tail after the block absent, LF, CR LF, two LF",
    due=f"4 × {OK}",
    twin=plain,
    twin_due=OK,
)
def f41() -> str:
    outcomes = [block(definite(DATA) + tail) for tail in (b"", b"\n", b"\r\n", b"\n\n")]
    assert set(outcomes) == {OK}, outcomes
    return f"{len(outcomes)} × {outcomes[0]}"


@case(
    "F42",
    "Length too small",
    due="IO-ERROR(7 bytes beyond the block's declared length)",
    twin=plain,
    twin_due=OK,
)
def f42() -> str:
    return block(b"#3250" + DATA + b"\n")


@case(
    "F43",
    "Length too large, or the transfer stalls",
    due="IO-ERROR(short reply: 400 of 1000 bytes), never the rest: the same",
    twin=lambda: block([b"#41000" + bytes(400), Pause(0.05), bytes(600) + b"\n"]),
    twin_due="VALUE 1000 bytes",
)
def f43() -> str:
    late = block([b"#41000" + bytes(400), Pause(T_S + 0.1), bytes(600) + b"\n"])
    never = block([b"#41000" + bytes(400)])
    assert late == never
    return late + ", never the rest: the same"


@case(
    "F45",
    "Empty block",
    due="INVALID(no samples: the scope sent an empty block)",
    twin=lambda: told(capture({})),
    twin_due="VALUE 1000 points",
)
def f45() -> str:
    return told(capture({"WAV:DATA?": b"#10\n"}))


@case(
    "F46",
    "Header dressing",
    due=f"3 × {OK}; undeclared text IO-ERROR(a block header '#<digit>' was due, found b':C')",
    twin=plain,
    twin_due=OK,
)
def f46() -> str:
    outcomes = [
        block(b"#9000000256" + DATA + b"\n"),
        block(b":CURVE #3256" + DATA + b"\n", BlockShape(b":CURVE ")),
        block(b"C1:WF DAT2,#9000000256" + DATA + b"\n\n", BlockShape(b"C1:WF DAT2,")),
    ]
    assert set(outcomes) == {OK}, outcomes
    undeclared = block(b":CURVE #3256" + DATA + b"\n")
    return f"{len(outcomes)} × {OK}; undeclared text {undeclared}"


@case(
    "F47",
    "Length counts points, or the width is not what was asked",
    due="declared VALUE 2000 bytes;"
    " undeclared IO-ERROR(1001 bytes beyond the block's declared length);"
    " width ignored INVALID(width: 1000 points of 2 bytes were due, found 1000 bytes)",
    twin=lambda: told(capture({})),
    twin_due="VALUE 1000 points",
)
def f47() -> str:
    answer = b"#41000" + bytes(2000) + b"\n"
    declared = block(answer, BlockShape(unit_bytes=2))
    undeclared = block(answer)
    ignored = told(capture({"WAV:DATA?": b"#41000" + bytes(1000) + b"\n"}))
    return f"declared {declared}; undeclared {undeclared}; width ignored {ignored}"


@case(
    "F48",
    "Reply exactly a multiple of a chunk",
    due="9 × right length at normal speed",
    twin=plain,
    twin_due=OK,
)
def f48() -> str:
    sizes = [whole + off for whole in (1024, 4096, 20480) for off in (-1, 0, 1)]
    for size in sizes:
        header = len(definite(bytes(size))) - size
        n = size - header - 1
        assert block(definite(bytes(n)) + b"\n") == f"VALUE {n} bytes"
    return f"{len(sizes)} × right length at normal speed"


@case(
    "F49",
    "Several blocks in one answer",
    due="VALUE 4 + 4 bytes; one expected: IO-ERROR",
    twin=plain,
    twin_due=OK,
)
def f49() -> str:
    both = block(b"#14abcd,#14efgh\n", n_blocks=2)
    one = block(b"#14abcd,#14efgh\n")
    assert one == "IO-ERROR(9 bytes beyond the block's declared length)", one
    return f"{both}; one expected: IO-ERROR"
