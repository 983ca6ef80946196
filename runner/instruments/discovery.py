"""Finding instruments: who announces itself, who answers at an address, which dialect fits.

Nothing is scanned: the LAN is listened to (instruments announce themselves), USB and serial
ports are listed by the computer, and only addresses that were named or announced are asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from runner.clock import Clock
from runner.errors import BenchError
from runner.instruments.dialect import Dialect
from runner.instruments.dialect_files import matching_dialects
from runner.instruments.open import identity_fields
from runner.link.numbers import shown
from runner.link.opening import open_session, visa_manager
from runner.link.options import LinkOptions

__all__ = [
    "SERVICES", "Found", "ask_who", "bench_entry", "listen_on_lan", "ports_and_usb", "recognised",
    "told",
]  # fmt: skip

SERVICES: dict[str, str] = {
    "_lxi._tcp.local.": "TCPIP::{host}::INSTR",
    "_vxi-11._tcp.local.": "TCPIP::{host}::INSTR",
    "_hislip._tcp.local.": "TCPIP::{host}::hislip0::INSTR",
    "_scpi-raw._tcp.local.": "TCPIP::{host}::{port}::SOCKET",
}
"""Service types that instruments announce, and the VISA address each stands for."""

_ASK = LinkOptions(timeout_s=2.0, first_timeout_s=3.0, late_s=0.5, sync="none", repeats=0)


@dataclass(frozen=True, slots=True)
class Found:
    """Somebody at an address: what it says, which dialects claim it, or why nothing is known."""

    address: str
    says: str = ""
    maker: str = ""
    model: str = ""
    serial: str = ""
    dialects: tuple[str, ...] = ()
    roles: tuple[str, ...] = ()
    proven: bool = False
    note: str = ""


def ask_who(address: str, clock: Clock, library: Any = None) -> Found:
    """Ask one address who it is; nothing but ``*IDN?`` is sent."""
    session = open_session(address, address, _ASK, clock, library=library)
    try:
        text = session.query("*IDN?", _ASK.first_timeout_s)
    except BenchError as error:
        why = str(error).removeprefix(f"{address}: ")
        return Found(address, note=f"no answer to *IDN? ({why})")
    finally:
        session.close()
    return recognised(address, text)


def recognised(address: str, text: str) -> Found:
    """What the identity tells."""
    fitting = matching_dialects(text)
    maker, model, serial, _ = identity_fields(fitting[0] if fitting else None, text)
    note = ""
    if not fitting:
        note = "no dialect knows it: write one, or try scpi-1999 by name"
    elif not fitting[0].proven:
        note = "its dialect was never proved on the real instrument: check the first readings"
    return Found(
        address=address, says=text, maker=maker, model=model, serial=serial,
        dialects=tuple(one.name for one in fitting), roles=_roles(fitting),
        proven=bool(fitting) and fitting[0].proven, note=note,
    )  # fmt: skip


def _roles(dialects: Sequence[Dialect]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(role for one in dialects for role in one.roles))


def listen_on_lan(clock: Clock, seconds: float = 2.0) -> list[str]:
    """Addresses of instruments that announce themselves on the LAN, while listening so long."""
    from zeroconf import ServiceBrowser, ServiceListener, Zeroconf

    found: dict[str, None] = {}

    class Listener(ServiceListener):
        """Collects addresses."""

        def add_service(self, zc: Zeroconf, type_: str, name: str) -> None:
            """Turn an announcement into an address."""
            info = zc.get_service_info(type_, name, timeout=500)
            for host in info.parsed_addresses() if info else ():
                found[SERVICES[type_].format(host=host, port=info.port if info else 0)] = None

        def update_service(self, zc: Zeroconf, type_: str, name: str) -> None:
            """The same."""
            self.add_service(zc, type_, name)

        def remove_service(self, zc: Zeroconf, type_: str, name: str) -> None:
            """An instrument that leaves is no news here."""

    try:
        zeroconf = Zeroconf()
    except OSError:
        return []
    try:
        ServiceBrowser(zeroconf, list(SERVICES), Listener())
        clock.sleep(seconds)
    finally:
        zeroconf.close()
    return list(found)


def ports_and_usb(library: Any = None) -> list[tuple[str, str]]:
    """Addresses that the computer itself knows (USB, serial), each with a word on what it is."""
    from serial.tools import list_ports

    found = {
        f"ASRL{port.device}::INSTR": port.description or "serial port"
        for port in list_ports.comports()
    }
    try:
        resources: Iterable[str] = visa_manager(library).list_resources("?*::INSTR")
    except Exception:  # noqa: BLE001 - a backend without discovery has nothing to add
        resources = ()
    for resource in resources:
        found.setdefault(str(resource), "USB" if str(resource).startswith("USB") else "VISA")
    return list(found.items())


def bench_entry(found: Found, name: str | None = None) -> str:
    """The ``[[instrument]]`` part of a bench file, ready to paste."""
    role = found.roles[0] if found.roles else "meter"
    lines = [
        "[[instrument]]",
        f'name = "{name or role}"',
        f'role = "{role}"' + ("" if found.roles else "        # put the right one"),
        f"address = {_toml(found.address)}",
        f'dialect = "{found.dialects[0] if len(found.dialects) == 1 else "scpi-1999"}"',
    ]
    if found.serial:
        lines.append(f"serial = {_toml(found.serial)}    # another one at this address is refused")
    lines += [
        f'reference = "unknown"        # earthed | joined | isolated | differential: {_REFERENCE}',
        '# calibration_due = "YYYY-MM-DD"',
    ]
    return "\n".join(lines) + "\n"


_REFERENCE = "look it up, unknown counts as earthed"


def _toml(text: str) -> str:
    safe = re.sub(r"[\x00-\x1f\x7f]", "?", text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{safe}"'


def told(found: Found) -> str:
    """One line for people."""
    who = " ".join(part for part in (found.maker, found.model) if part) or shown(found.says)
    if not found.says:
        return f"{found.address}: {found.note}"
    fits = ", ".join(found.dialects) or "none"
    serial = f", serial {found.serial}" if found.serial else ""
    return f"{found.address}: {who}{serial}; dialect {fits}" + (
        f" ({found.note})" if found.note else ""
    )
