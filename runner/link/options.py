"""What one link needs to know about its instrument's manners; data of dialect and bench file."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, ValidationError

from runner.errors import InputError
from runner.profile import StrictModel

__all__ = ["LinkOptions", "SerialLine", "link_options"]


class SerialLine(StrictModel):
    """Line settings of a serial port."""

    baud: int = Field(default=9600, gt=0)
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "odd", "even"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "xon-xoff", "rts-cts", "dtr-dsr"] = "none"


class LinkOptions(StrictModel):
    """Framing, patience and habits of one link.

    ``read_end`` empty means that replies carry no terminator: a query then states how many
    bytes its reply has, or the reply ends when nothing came for ``quiet_s``. ``late_s`` is the
    slowest answer that may still come after a deadline
    has passed. ``pace_s`` is the least time between the end of one message and the start of the
    next, ``after_write_s`` follows a message without answer, ``before_read_s`` stands between a
    query and its answer. ``sync`` says how the session is proved in step: ``nonce`` sets a
    register to a number that changes every time and asks for it; ``identity`` asks
    ``sync_ask`` twice after silence. ``clear`` says whether a device clear is harmless.
    ``release_s`` is how
    long the instrument holds its only connection after it was lost. ``verdict`` lists the words
    with which an instrument answers every setting. ``unasked`` says what to do with bytes that
    come without a question: ``fault`` (the session is proved again) or ``discard``.
    """

    write_end: str = "\n"
    read_end: str = "\n"
    timeout_s: float = Field(default=3.0, gt=0)
    first_timeout_s: float = Field(default=5.0, gt=0)
    late_s: float = Field(default=3.0, ge=0)
    pace_s: float = Field(default=0.0, ge=0)
    after_write_s: float = Field(default=0.0, ge=0)
    before_read_s: float = Field(default=0.0, ge=0)
    quiet_s: float = Field(default=0.02, ge=0)
    boot_s: float = Field(default=0.0, ge=0)
    idle_check_s: float = Field(default=30.0, gt=0)
    release_s: float = Field(default=0.0, ge=0)
    sync: Literal["nonce", "identity", "none"] = "nonce"
    sync_ask: str = "*IDN?"
    clear: bool = False
    echo: Literal["auto", "yes", "no"] = "auto"
    unasked: Literal["fault", "discard"] = "fault"
    verdict: tuple[str, ...] = ()
    verdict_good: tuple[str, ...] = ()
    text_cap: int = Field(default=65_536, gt=0)
    block_cap: int = Field(default=268_435_456, gt=0)
    repeats: int = Field(default=2, ge=0, le=5)
    library: str | None = None
    serial: SerialLine = SerialLine()


def link_options(dialect: LinkOptions, bench: dict[str, Any], name: str) -> LinkOptions:
    """The dialect's options with those of the bench file's ``link`` table on top.

    :raises InputError: an unknown key or a value that cannot be
    """
    merged = {**dialect.model_dump(), **bench}
    if isinstance(bench.get("serial"), dict):
        merged["serial"] = {**dialect.serial.model_dump(), **bench["serial"]}
    try:
        return LinkOptions.model_validate(merged)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise InputError(
            "the link of this instrument cannot be set so",
            key=f"{name}.link.{key}",
            expected="one of " + ", ".join(sorted(LinkOptions.model_fields))
            if first["type"] == "extra_forbidden"
            else first["msg"],
            found=repr(first["input"]),
        ) from None
