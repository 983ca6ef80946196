"""Bad manners that can be switched on for any instrument: what, when, how much.

A rule is written `kind:key=value,key=value`, for example `late:query=17,by=1.2s` or
`tail:text=\\r\\n`. Selectors, all of which must hold (none: always):

    query=N    only at the N-th message with a query (from 1)     after=N   from the N-th on
    every=N    at each N-th                                       match=P   message fits the pattern
    at=T       from this bench time on (s)                        until=T   up to this bench time
    times=N    at most N times

Text values know `\\n \\r \\t \\0 \\xHH \\\\`; a comma inside a text is written `\\x2c`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

__all__ = ["KINDS", "Rule", "parse_rule"]

_ESCAPE = re.compile(r"\\(x[0-9A-Fa-f]{2}|.)")
_PLAIN_ESCAPES = {"n": "\n", "r": "\r", "t": "\t", "0": "\0", "\\": "\\"}
_PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "k": 1e3}
_SECONDS = re.compile(r"([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*([mukµ]?)s?")

_SELECTORS = frozenset({"query", "after", "every", "match", "at", "until", "times"})

# kind -> (its own keys, what it does)
KINDS: Mapping[str, tuple[frozenset[str], str]] = {
    name: (frozenset(keys.split()), doc)
    for name, keys, doc in (
        # replies
        ("late", "by", "the reply comes `by` seconds late"),
        ("mute", "", "the query is carried out and never answered"),
        ("torn", "after by", "`after` bytes, then the rest `by` seconds later (never without by)"),
        ("segments", "size gap", "the reply in pieces of `size` bytes, `gap` seconds apart"),
        ("endless", "byte gap", "one byte each `gap` seconds that never becomes a line"),
        ("double", "", "the whole line is sent twice"),
        ("tail", "text", "ends the reply with `text` instead of LF"),
        ("head", "text", "puts `text` before the reply"),
        ("junk", "text", "a line of `text` before the reply"),
        ("more", "text", "a line of `text` after the reply"),
        ("say", "text", "the query is carried out but answered with `text`"),
        ("drop", "byte", "the byte with this index (from 0) is lost"),
        ("cut-fields", "keep sep", "only the first `keep` fields between `sep` survive"),
        ("stale", "", "the last reply to the same message again"),
        ("block-length", "declared scale", "the block header lies about the length"),
        ("block-digits", "digits", "the block length is padded to so many digits"),
        ("block-empty", "", "`#10` instead of the block"),
        ("block-twice", "sep", "the block two times, with `sep` between"),
        ("close", "after", "the connection is closed after so many bytes of the reply"),
        ("reset", "after", "the connection is reset after so many bytes of the reply"),
        ("raise", "", "the transport fails with an error that is none of VISA's (memory only)"),
        # commands
        ("deaf", "", "the message is read and ignored"),
        ("wedge", "", "from this message on nothing is carried out until somebody reconnects"),
        ("instead", "text", "the message is not carried out but answered with `text` at once"),
        ("untaught", "", "the message is an undefined header"),
        ("fast", "gap", "a message within `gap` seconds of the one before is lost"),
        ("one-line", "", "only the first line of a packet is carried out"),
        ("slow-reset", "by", "deaf for `by` seconds after *RST"),
        ("needs-remote", "error", "settings are ignored with `error` until SYST:REM"),
        ("interrupts", "", "a new message discards the answer under way, on streams too"),
        # the instrument itself
        ("restart", "refuse", "power-on defaults and lost connections, refused for `refuse` s"),
        ("overflow", "", "the error queue overflows"),
        ("error", "number", "an error turns up in the queue"),
        ("outside", "send", "somebody at the panel sends `send`"),
        ("stuck-trigger", "", "no trigger comes"),
        (
            "trip",
            "kind",
            "a load's protection `kind` trips: OC OV OP OT RV; FULL drives it fully on",
        ),
        # connection
        ("banner", "text", "says `text` when somebody connects"),
        ("unasked", "text", "a line of `text` at time `at`, asked by nobody"),
        ("one-client", "hold", "a second client waits; the place is free `hold` s after the first"),
        ("refuse", "", "connections are refused (use at and until)"),
        ("hang-up", "", "accepts a connection and closes it at once"),
        ("slow-connect", "by", "the first answer comes `by` seconds after connecting"),
        ("idle", "limit how", "after `limit` s without traffic: how=mute or how=reset"),
        ("not-reading", "", "never reads what is sent"),
        ("echo", "", "sends every byte back first (serial)"),
    )
}
_REQUIRED = {
    "late": "by", "tail": "text", "head": "text", "junk": "text", "more": "text", "say": "text",
    "drop": "byte", "instead": "text", "fast": "gap", "slow-reset": "by", "error": "number",
    "outside": "send", "trip": "kind", "banner": "text", "unasked": "text", "slow-connect": "by",
    "idle": "limit", "torn": "after",
}  # fmt: skip


@dataclass
class Rule:
    """One rule; `used` counts how often it was applied."""

    kind: str
    options: Mapping[str, str] = field(default_factory=dict)
    used: int = 0

    def text(self, key: str, default: str = "") -> str:
        """Option as text, escapes resolved."""
        return _ESCAPE.sub(_unescape, self.options[key]) if key in self.options else default

    def seconds(self, key: str, default: float = 0.0) -> float:
        """Option as seconds."""
        return _seconds(self.options[key]) if key in self.options else default

    def number(self, key: str, default: int = 0) -> int:
        """Option as a whole number."""
        return int(self.options.get(key, default))

    def applies(self, query_number: int, message: str, now_s: float) -> bool:
        """Tell whether all selectors hold; `query_number` counts messages with a query."""
        options = self.options
        if "times" in options and self.used >= int(options["times"]):
            return False
        if "query" in options and query_number != int(options["query"]):
            return False
        if (
            "after" in options
            and self.kind not in _AFTER_IS_BYTES
            and (query_number < int(options["after"]))
        ):
            return False
        if "every" in options and (query_number == 0 or query_number % int(options["every"])):
            return False
        if "match" in options and not fnmatchcase(message.upper(), self.text("match").upper()):
            return False
        return self.in_time(now_s)

    def in_time(self, now_s: float) -> bool:
        """Tell whether bench time lies between `at` and `until`."""
        return self.seconds("at", -1.0) <= now_s < self.seconds("until", float("inf"))


_AFTER_IS_BYTES = frozenset({"torn", "close", "reset"})


def parse_rule(text: str) -> Rule:
    """Read one rule.

    :raises ValueError: unknown kind or key, missing key, or a value that is no number
    """
    kind, _, tail = text.lstrip().partition(":")
    if kind not in KINDS:
        raise ValueError(f"expected one of {', '.join(sorted(KINDS))}, found {kind!r}")
    options: dict[str, str] = {}
    for part in filter(None, tail.split(",")):
        key, equals, value = part.partition("=")
        key = key.strip()
        allowed = KINDS[kind][0] | _SELECTORS
        if not equals or key not in allowed:
            raise ValueError(f"{kind}: expected {', '.join(sorted(allowed))}, found {part!r}")
        options[key] = value
    needed = _REQUIRED.get(kind)
    if needed and needed not in options:
        raise ValueError(f"{kind}: expected {needed}=…, found {tail!r}")
    _check_values(kind, options)
    return Rule(kind, options)


def _check_values(kind: str, options: Mapping[str, str]) -> None:
    for key, value in options.items():
        if key in (
            "query",
            "after",
            "every",
            "times",
            "byte",
            "size",
            "declared",
            "digits",
            "keep",
        ):
            good = re.fullmatch(r"[0-9]+", value) is not None or (kind, key) == ("endless", "byte")
            good = good and not (key == "every" and int(value) == 0)
        elif key in ("by", "gap", "at", "until", "hold", "limit"):
            good = _SECONDS.fullmatch(value) is not None
        else:
            continue
        if not good:
            raise ValueError(f"{kind}: expected a number for {key}, found {value!r}")


def _seconds(text: str) -> float:
    match = _SECONDS.fullmatch(text)
    if match is None:
        raise ValueError(f"expected seconds, found {text!r}")
    return float(match[1]) * _PREFIX[match[2]]


def _unescape(match: re.Match[str]) -> str:
    what = match[1]
    if what.startswith("x") and len(what) == 3:
        return chr(int(what[1:], 16))
    return _PLAIN_ESCAPES.get(what, what)
