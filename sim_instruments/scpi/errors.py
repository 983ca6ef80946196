"""Error numbers, their texts, the event bit each class sets, and the queue.

Numbers and texts: SCPI-1999 vol. 2, 21.8. Class to event bit: IEEE 488.2, 11.5.1.
"""

from __future__ import annotations

from collections import deque

__all__ = ["ERROR_TEXTS", "ErrorQueue", "ScpiError", "event_bit", "format_error"]

ERROR_TEXTS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -105: "GET not allowed",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -115: "Unexpected number of parameters",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -130: "Suffix error",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -140: "Character data error",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -150: "String data error",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -160: "Block data error",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -170: "Expression error",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -180: "Macro error",
    -200: "Execution error",
    -201: "Invalid while in local",
    -202: "Settings lost due to rtl",
    -203: "Command protected",
    -210: "Trigger error",
    -211: "Trigger ignored",
    -212: "Arm ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -215: "Arm deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -226: "Lists not same length",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -232: "Invalid format",
    -233: "Invalid version",
    -240: "Hardware error",
    -241: "Hardware missing",
    -250: "Mass storage error",
    -260: "Expression error",
    -270: "Macro error",
    -280: "Program error",
    -290: "Memory use error",
    -300: "Device specific error",
    -310: "System error",
    -311: "Memory error",
    -313: "Calibration memory lost",
    -314: "Save/recall memory lost",
    -315: "Configuration memory lost",
    -320: "Storage fault",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -361: "Parity error in program message",
    -362: "Framing error in program message",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
    -500: "Power on",
    -600: "User request",
    -700: "Request control",
    -800: "Operation complete",
}

# hundreds of the (negative) number -> bit value in the standard event register
_CLASS_BIT = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}


class ScpiError(Exception):
    """A program message unit that cannot be parsed or carried out; it ends up in the queue."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(format_error(number))

    @property
    def is_command_error(self) -> bool:
        """Tell whether the parser found it (class −1xx), which ends the message."""
        return -200 < self.number <= -100


def event_bit(number: int) -> int:
    """Value of the standard event bit that an error number sets; positive ones are device's."""
    if number == 0:
        return 0
    return 8 if number > 0 else _CLASS_BIT.get(-number // 100, 8)


def format_error(number: int) -> str:
    """Write one queue entry as `SYST:ERR?` answers it."""
    return f'{number},"{ERROR_TEXTS.get(number, "Device specific error")}"'


class ErrorQueue:
    """First in, first out; when it is full the newest entry gives way to −350."""

    def __init__(self, depth: int = 20) -> None:
        self.depth = depth
        self._numbers: deque[int] = deque()

    def __len__(self) -> int:
        return len(self._numbers)

    def push(self, number: int) -> None:
        """Add an error, or mark the overflow."""
        if len(self._numbers) < self.depth:
            self._numbers.append(number)
        else:
            self._numbers[-1] = -350

    def pop(self) -> int:
        """Take the oldest number, 0 when there is none."""
        return self._numbers.popleft() if self._numbers else 0

    def clear(self) -> None:
        """Forget all."""
        self._numbers.clear()
