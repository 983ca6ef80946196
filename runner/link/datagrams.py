"""Instruments that speak UDP: one datagram a message, which VISA does not know.

Addresses are written ``UDP::host::port``. A datagram may be lost without a sign; deadlines,
proof of step and read-back treat that as any other silence.
"""

from __future__ import annotations

import re
import socket

from runner.clock import Clock
from runner.errors import ConnectError
from runner.link.ports import CHUNK, receive_within

__all__ = ["DatagramPort", "is_datagram"]

_ADDRESS = re.compile(r"UDP\d*::(?P<host>[^:\s]+)::(?P<port>\d{1,5})", re.IGNORECASE)
_LARGEST = 65_507  # bytes in one datagram over IPv4


def is_datagram(address: str) -> bool:
    """Whether the address is one of this kind."""
    return address.upper().startswith("UDP")


class DatagramPort:
    """A socket tied to one peer; what others send is not heard.

    :raises ConnectError: the address cannot be understood or has no host
    """

    def __init__(self, address: str, clock: Clock) -> None:
        found = _ADDRESS.fullmatch(address)
        if found is None:
            raise ConnectError(f"{address} is no address such as UDP::192.0.2.30::18190")
        self._clock = clock
        self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._sock.connect((found["host"], int(found["port"])))
        except (OSError, OverflowError) as error:
            self._sock.close()
            raise ConnectError(f"nothing can be opened at {address} ({error})") from None

    def send(self, data: bytes, until_s: float) -> None:
        """Send one message as one datagram (see :class:`runner.link.ports.Port`)."""
        try:
            self._sock.send(data)
        except OSError as error:
            raise ConnectError(f"the datagram was not sent ({error.strerror})") from None

    def receive(self, until_s: float, at_most: int = CHUNK) -> tuple[bytes, bool]:
        """Return the next datagram, which is a whole message."""
        return receive_within(self._sock, until_s, _LARGEST, self._clock), True

    def waiting(self) -> bool:
        """Whether a datagram lies unread."""
        self._sock.setblocking(False)
        try:
            return bool(self._sock.recv(1, socket.MSG_PEEK))
        except BlockingIOError:
            return False
        except OSError:
            return True

    def clear(self, until_s: float) -> None:
        """Datagrams have none."""

    def close(self) -> None:
        """Give the socket back."""
        self._sock.close()
