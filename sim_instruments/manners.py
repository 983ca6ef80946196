"""How an instrument behaves on its connections: politely, unless rules say otherwise.

`Rudeness` belongs to the instrument and counts its queries; `Manners` belongs to one connection
and is asked at every step by the exchange.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from sim_instruments.reply_shapes import SHAPES, Piece
from sim_instruments.rudeness import Rule, parse_rule

if TYPE_CHECKING:
    from sim_instruments.scpi.instrument import ScpiInstrument

__all__ = ["Manners", "Piece", "Rudeness"]

_BEFORE_ADMISSION = frozenset({"deaf", "wedge", "instead", "untaught", "restart"})


class Rudeness:
    """The rules of one instrument, shared by all its connections."""

    def __init__(self, rules: Iterable[Rule | str] = ()) -> None:
        self.rules: list[Rule] = []
        self.query_count = 0
        self.generation = 0
        self.refuse_until_s = float("-inf")
        self.deaf_until_s = float("-inf")
        self.last_message_s = float("-inf")
        for rule in rules:
            self.add(rule)

    def add(self, rule: Rule | str) -> Rule:
        """Switch a rule on; the rule given back tells how often it was used."""
        known = parse_rule(rule) if isinstance(rule, str) else rule
        self.rules.append(known)
        return known

    def of(self, *kinds: str) -> list[Rule]:
        """Rules of these kinds."""
        return [rule for rule in self.rules if rule.kind in kinds]

    def first(self, kind: str, now_s: float) -> Rule | None:
        """Return a rule of this kind that holds at this time."""
        return next((rule for rule in self.of(kind) if rule.in_time(now_s)), None)

    def refuses(self, now_s: float) -> bool:
        """Tell whether new connections are refused now."""
        return now_s < self.refuse_until_s or self.first("refuse", now_s) is not None


class Manners:
    """Manners on one connection."""

    def __init__(self, rudeness: Rudeness, instrument: ScpiInstrument) -> None:
        self.rudeness, self.instrument = rudeness, instrument
        self._opened_s = self._heard_s = instrument.now_s
        self._generation = rudeness.generation
        self._wedged = False
        self._last_reply: dict[str, bytes] = {}
        self.pending: list[Piece] = []

    # --- asked by the exchange

    @property
    def interrupts(self) -> bool:
        """True when a new message discards an answer under way."""
        return bool(self.rudeness.rules) and bool(self.rudeness.of("interrupts"))

    def echo(self, data: bytes) -> list[Piece]:
        """Pieces sent back before anything else."""
        return [Piece(data)] if self.rudeness.of("echo") else []

    def greeting(self, now_s: float) -> list[Piece]:
        """Say something at the start of a connection, if a rule asks for it."""
        pieces = [Piece(r.text("text").encode("latin-1")) for r in self.rudeness.of("banner")]
        if self.rudeness.first("hang-up", now_s):
            pieces.append(Piece(action="close"))
        return pieces

    def unasked(self, now_s: float) -> list[Piece]:
        """Lines that come though nothing was carried out, and the end of a cut connection."""
        if not self.rudeness.rules:
            return []
        pieces, self.pending = self.pending, []
        for rule in self.rudeness.of("unasked"):
            if rule.used == 0 and rule.in_time(now_s):
                rule.used += 1
                pieces.append(Piece(rule.text("text").encode("latin-1") + b"\n"))
        if self._generation != self.rudeness.generation:
            self._generation = self.rudeness.generation
            pieces.append(Piece(action="reset"))
        return pieces

    def admit(self, messages: Sequence[str], now_s: float) -> list[str]:
        """Leave out the messages that get lost, answer those that are not carried out."""
        if not self.rudeness.rules:
            return list(messages)
        if self.rudeness.of("one-line"):
            messages = messages[:1]
        self._idle(now_s)
        return [message for message in messages if self._admits(message, now_s)]

    def before(self, message: str, instrument: ScpiInstrument) -> None:
        """Do what happens to the instrument as this message reaches it."""
        if "?" in message:
            self.rudeness.query_count += 1
        if not self.rudeness.rules:
            return
        now_s = instrument.now_s
        stuck = self.rudeness.of("stuck-trigger")
        if stuck:
            number = self.rudeness.query_count
            instrument.stuck_trigger = any(rule.applies(number, message, now_s) for rule in stuck)
        for rule in self.rudeness.of(*_EVENTS):
            once = not {"every", "times"} & rule.options.keys()
            if (rule.used and once) or not rule.applies(self.rudeness.query_count, message, now_s):
                continue
            rule.used += 1
            _EVENTS[rule.kind](rule, instrument)

    def shape(self, message: str, reply: bytes, now_s: float) -> list[Piece]:
        """Turn an answer into the pieces that go out."""
        end = self.instrument.reply_end
        pieces = [Piece(reply + end)]
        if not self.rudeness.rules:
            return pieces
        if any(self._applies(rule, message, now_s) for rule in self.rudeness.of("stale")):
            pieces = [Piece(self._last_reply.get(message, reply) + end)]
        else:
            self._last_reply[message] = reply
        for rule in self.rudeness.of("slow-connect"):
            wait_s = self._opened_s + rule.seconds("by") - now_s
            pieces[0] = Piece(pieces[0].data, max(0.0, wait_s))
        for rule in self.rudeness.rules:
            shape = SHAPES.get(rule.kind)
            if shape and pieces and self._applies(rule, message, now_s):
                pieces = shape(rule, pieces)
        return pieces

    # --- inside

    def _applies(self, rule: Rule, message: str, now_s: float) -> bool:
        if rule.applies(self.rudeness.query_count, message, now_s):
            rule.used += 1
            return True
        return False

    def _idle(self, now_s: float) -> None:
        for rule in self.rudeness.of("idle"):
            if now_s - self._heard_s > rule.seconds("limit"):
                self._wedged = True
                if rule.text("how", "mute") == "reset":
                    self._generation -= 1
        self._heard_s = now_s

    def _admits(self, message: str, now_s: float) -> bool:
        shared = self.rudeness
        gap_s, shared.last_message_s = now_s - shared.last_message_s, now_s
        if self._wedged or now_s < shared.deaf_until_s:
            return False
        if any(gap_s < rule.seconds("gap") for rule in shared.of("fast")):
            return False
        number = shared.query_count + ("?" in message)
        for rule in shared.of(*_BEFORE_ADMISSION):
            if rule.applies(number, message, now_s) and not self._lets_pass(rule):
                rule.used += 1
                shared.query_count = number
                return False
        if message.upper().strip().startswith("*RST"):
            for rule in shared.of("slow-reset"):
                shared.deaf_until_s = now_s + rule.seconds("by")
        return not self._refused_locally(message)

    def _lets_pass(self, rule: Rule) -> bool:
        """Carry out a rule that takes the place of a message; True when the message goes on."""
        if rule.kind == "restart":
            if rule.used:
                return True
            self.rudeness.generation += 1
            self.rudeness.refuse_until_s = self.instrument.now_s + rule.seconds("refuse")
            self.instrument.power_on()
        elif rule.kind == "wedge":
            self._wedged = True
        elif rule.kind == "untaught":
            self.instrument.status.fail(-113)
        elif rule.kind == "instead":
            self.pending.append(Piece(rule.text("text").encode("latin-1") + b"\n"))
        return False

    def _refused_locally(self, message: str) -> bool:
        rules = self.rudeness.of("needs-remote")
        if not rules or self.instrument.remote or "?" in message or "SYST" in message.upper():
            return False
        self.instrument.status.fail(rules[0].number("error", -203))
        return True


def _overflow(rule: Rule, instrument: ScpiInstrument) -> None:
    for _ in range(instrument.status.errors.depth + 1):
        instrument.status.fail(-310)


def _outside(rule: Rule, instrument: ScpiInstrument) -> None:
    for bound in instrument.bind(rule.text("send")):
        instrument.carry_out(bound)


_EVENTS: Mapping[str, Callable[[Rule, ScpiInstrument], None]] = {
    "overflow": _overflow,
    "error": lambda rule, instrument: instrument.status.fail(rule.number("number", -310)),
    "outside": _outside,
    "trip": lambda rule, instrument: instrument.provoke(rule.text("kind")),
}
