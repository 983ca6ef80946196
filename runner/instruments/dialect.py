"""A dialect: the words, ranges, habits and accuracy of one instrument family, as data.

Commands are templates. ``{value}`` is what is set (SI times ``scale``) or the word sent for it;
other names in braces are given by the role (``{channel}``, ``{n}``…). The directory
``dialects/`` holds the files and a page that explains them to people who write no Python.
"""

from __future__ import annotations

import re
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from runner.link.options import LinkOptions
from runner.profile import StrictModel

__all__ = [
    "Bits", "Dialect", "ErrorQueue", "IdentityWords", "LoadWords", "MainsMeterWords",
    "MainsSourceWords", "MeterWords", "Question", "RoleWords", "ScopeWords", "Setting",
    "SupplyWords", "ThermometerWords", "WaveformWords",
]  # fmt: skip


class Question(StrictModel):
    """One query and how its answer becomes a value.

    ``decode``: ``number`` (one of ``fields`` parts, number ``field``, in ``unit``), ``bool``,
    ``word``, ``integer``, ``byte`` (one raw byte as an integer), ``bit`` (whether ``bit`` is set
    in an integer, or in a byte where ``n_bytes`` is 1). ``pattern`` must match
    the whole reply and names the group ``value``. ``prepare`` is sent before. The answer is
    divided by ``scale`` to give SI. ``takes_s`` is time the answer takes beyond the usual.
    """

    ask: str
    decode: Literal["number", "bool", "word", "integer", "byte", "bit"] = "number"
    bit: int = Field(default=0, ge=0)
    unit: str = ""
    units: tuple[str, ...] = ()
    field: int = Field(default=0, ge=0)
    fields: int = Field(default=1, ge=1)
    separator: str = ","
    pattern: str | None = None
    prepare: tuple[str, ...] = ()
    scale: float = Field(default=1.0, gt=0)
    n_bytes: int = Field(default=0, ge=0)
    takes_s: float = Field(default=0.0, ge=0)
    good_state: tuple[str, ...] = ()

    @field_validator("pattern")
    @classmethod
    def _pattern_compiles(cls, pattern: str | None) -> str | None:
        if pattern is not None and "value" not in re.compile(pattern).groupindex:
            raise ValueError("expected a pattern with a group named 'value', found none")
        return pattern

    @model_validator(mode="after")
    def _field_exists(self) -> Question:
        if self.field >= self.fields:
            raise ValueError(f"expected field below {self.fields}, found {self.field}")
        return self


class Setting(StrictModel):
    """One thing that is set and read back.

    ``words`` gives what is sent for our word, ``answers`` what comes back for it where that is
    another word. ``choices`` are the values the instrument has, smallest first: the first that
    is not below the wanted one is taken. ``by_index``: the place in ``choices`` is sent instead
    of the value. ``at_least``: the instrument takes the next value up that it has, and the
    read-back tells which. ``confirms`` is the one word that the read-back must give whatever the
    value (where only the function can be asked back, not the range). ``scale`` may be negative;
    ``inverse`` sends one over the value; ``words_by_value`` sends a word for each choice. A
    read-back number may differ by ``rel`` of the value plus ``abs``.
    """

    set: tuple[str, ...]
    get: Question | None = None
    words: dict[str, str] = Field(default_factory=dict)
    answers: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    choices: tuple[float, ...] = ()
    by_index: bool = False
    at_least: bool = False
    confirms: str | None = None
    scale: float = 1.0
    inverse: bool = False
    words_by_value: dict[str, str] = Field(default_factory=dict)
    rel: float = Field(default=2e-3, ge=0)
    abs: float = Field(default=0.0, ge=0)
    settle_s: float = Field(default=0.0, ge=0)
    takes_s: float = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _sendable(self) -> Setting:
        if self.scale == 0:
            raise ValueError("expected a scale other than 0, found 0")
        missing = [
            c for c in self.choices if self.words_by_value and _key(c) not in self.words_by_value
        ]
        if missing:
            raise ValueError(f"expected a word for choice {missing[0]:g}, found none")
        return self


class Bits(StrictModel):
    """A status question and what its bits mean (bit value as text: meaning)."""

    get: Question
    bits: dict[str, str]

    @field_validator("bits")
    @classmethod
    def _powers_of_two(cls, bits: dict[str, str]) -> dict[str, str]:
        for key in bits:
            if not key.isdigit() or int(key).bit_count() != 1:
                raise ValueError(f"expected a power of two, found {key!r}")
        return bits

    def meanings(self, value: int) -> list[str]:
        """What the set bits mean; unknown ones are left out."""
        return [word for key, word in self.bits.items() if value & int(key)]


class IdentityWords(StrictModel):
    """How the family says who it is; ``patterns`` are searched in the whole reply.

    ``split`` names the groups maker, model, serial, firmware where the reply is not the usual
    four fields with commas.
    """

    ask: str = "*IDN?"
    patterns: tuple[str, ...]
    split: str | None = None
    n_bytes: int = 0

    @field_validator("patterns")
    @classmethod
    def _patterns_compile(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        for pattern in patterns:
            try:
                re.compile(pattern)
            except re.error as error:
                raise ValueError(
                    f"expected a regular expression, found {pattern!r} ({error})"
                ) from None
        return patterns


class ErrorQueue(StrictModel):
    """The first of ``ask`` that is answered is used; none means that errors cannot be read."""

    ask: tuple[str, ...] = ("SYST:ERR?",)
    deepest: int = 50


class RoleWords(StrictModel):
    """Common to all roles: what is sent at the start, to give the panel back, to be harmless.

    ``require`` are questions that must be answered with a certain word (a command set chosen on
    the panel): it is asked, never set.
    """

    start: tuple[str, ...] = ()
    require: dict[str, str] = Field(default_factory=dict)
    local: tuple[str, ...] = ()
    safe: tuple[str, ...] = ()
    settings: dict[str, Setting] = Field(default_factory=dict)
    queries: dict[str, Question] = Field(default_factory=dict)
    actions: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    status: Bits | None = None


class MeterWords(RoleWords):
    """A dc meter. Readings are ``queries.reading``; ``settings`` need ``dc-volts``.

    ``renew_s``: the reading is what the display shows, and this is how often it is renewed.
    """

    over_range: float = Field(default=1.2, ge=1)
    overload_from: float = Field(default=9.0e37, gt=0)
    input_ohms: float = Field(default=1e7, gt=0)
    cycles_a_reading: float = Field(default=2.0, gt=0)
    extra_s: float = Field(default=0.05, ge=0)
    renew_s: float = Field(default=0.0, ge=0)
    nplc: float | None = None
    ac_settle_s: float = Field(default=1.5, ge=0)
    range_in_answer: bool = False
    lossy: bool = False


class LoadWords(RoleWords):
    """An electronic load. ``settings`` need ``mode``, ``current`` and ``input``.

    ``renew_s``: after how long a readback is one that was begun after the question (the time
    between two renewals plus the time that one is integrated).
    """

    max_current_a: float | None = None
    max_voltage_v: float | None = None
    max_power_w: float | None = None
    default_slew_a_per_s: float | None = None
    range_needs_input_off: bool = False
    ranges: dict[str, tuple[float, ...]] = Field(default_factory=dict)
    renew_s: float = Field(default=0.0, ge=0)


class WaveformWords(StrictModel):
    """How a record is fetched. ``decode`` names a function of runner.instruments.waveforms.

    ``prepare`` are settings of this role with their values, sent in this order before each
    fetch. ``facts`` are questions whose numbers the decoder needs by name. ``window`` selects
    points ``{first}`` to ``{last}`` where a record comes in pieces of ``chunk_points``.
    ``prefix`` is the exact text before the block's ``#``; ``count_in_points`` says that its
    header counts points, not bytes.
    """

    decode: Literal[
        "ten-fields", "ten-fields-offset-first", "siglent-codes", "siglent-descriptor",
        "tek-fields", "real-volts",
    ]  # fmt: skip
    prepare: tuple[tuple[str, str], ...] = ()
    preamble: str = ""
    preamble_fields: int = Field(default=0, ge=0)
    preamble_is_block: bool = False
    facts: dict[str, Question] = Field(default_factory=dict)
    data: str
    prefix: str = ""
    count_in_points: bool = False
    sample: Literal["uint8", "int8", "uint16", "int16", "float32"] = "uint8"
    order: Literal["little", "big"] = "little"
    chunk_points: int = Field(default=0, ge=0)
    window: tuple[str, ...] = ()
    first_point: int = 1
    rails: tuple[int, int] | None = None
    wait_s: float = Field(default=0.0, ge=0)


class ScopeWords(RoleWords):
    """An oscilloscope. Channels are ``ch1`` …; templates get ``{n}``, the channel's number.

    ``states`` sorts the answers of ``queries.state``: idle, filling, armed, running, auto.
    ``span`` and ``duration`` are set for the whole screen; their ``scale`` makes it a division.
    ``shared_memory``: the choices of ``points`` are those of one channel; two that are on have
    half of them each, more a quarter.
    """

    channel: str = "CHAN{n}"
    channels: int = Field(default=4, ge=1, le=8)
    max_points: int = Field(default=10_000, gt=0)
    points: tuple[int, ...] = ()
    shared_memory: bool = False
    divisions: float = Field(default=8.0, gt=0)
    time_divisions: float = Field(default=10.0, gt=0)
    states: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    bandwidth_limit_hz: float = 20e6
    waveform: WaveformWords
    timebases_s: tuple[float, ...] = ()
    polls_a_second: float = Field(default=50.0, gt=0)
    line_source: str = "LINE"


class SupplyWords(RoleWords):
    """A settable supply. ``modes`` turns words or bits of ``queries.mode`` into cv, cc, off."""

    modes: dict[str, str] = Field(default_factory=dict)
    mode_bits: dict[str, str] = Field(default_factory=dict)


class MainsSourceWords(RoleWords):
    """A settable mains source. ``settings`` need ``line-volts``, ``line-hertz``, ``output``."""


class MainsMeterWords(RoleWords):
    """A power meter. ``queries`` are single ones, or ``all`` with ``order`` naming its fields.

    ``update_s`` is how often it renews its figures. ``shows_last``: it answers at once, with
    those of the last finished update, so that two updates must pass before a figure is of now.
    """

    order: tuple[str, ...] = ()
    update_s: float = Field(default=0.5, ge=0)
    shows_last: bool = False


class ThermometerWords(RoleWords):
    """A thermometer. ``channel_of`` gives ``{n}`` for a quantity."""

    channel_of: dict[str, str] = Field(default_factory=dict)


class Dialect(StrictModel):
    """One file of ``dialects/``."""

    format: Literal[1]
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9.-]*$")
    title: str = Field(min_length=1)
    proven: bool = False
    from_memory: tuple[str, ...] = ()
    source: str = Field(min_length=1)
    never: tuple[str, ...] = ()
    compound: bool = False
    identity: IdentityWords
    link: LinkOptions = LinkOptions()
    errors: ErrorQueue = ErrorQueue()
    reset_flag: bool = True
    meter: MeterWords | None = None
    load: LoadWords | None = None
    scope: ScopeWords | None = None
    supply: SupplyWords | None = None
    mains_source: MainsSourceWords | None = Field(default=None, alias="mains-source")
    mains_meter: MainsMeterWords | None = Field(default=None, alias="mains-meter")
    thermometer: ThermometerWords | None = None
    accuracy: dict[str, dict[str, Any]] = Field(default_factory=dict)
    accuracy_by_model: dict[str, dict[str, dict[str, Any]]] = Field(
        default_factory=dict, alias="accuracy-by-model"
    )

    def words(self, role: str) -> RoleWords | None:
        """The words for a role, None when the family does not play it."""
        found: RoleWords | None = getattr(self, role.replace("-", "_"), None)
        return found

    @property
    def roles(self) -> list[str]:
        """Roles that the family plays."""
        every = ("meter", "load", "scope", "supply", "mains-source", "mains-meter", "thermometer")
        return [role for role in every if self.words(role) is not None]

    @model_validator(mode="after")
    def _complete(self) -> Dialect:
        if not self.roles and not self.accuracy:
            raise ValueError("expected the words of a role, or the accuracy of one by hand")
        for role in self.roles:
            words = self.words(role)
            settings, queries = _NEEDED[role]
            for kind, names, have in (
                ("settings", settings, words.settings if words else {}),
                ("queries", queries, words.queries if words else {}),
            ):
                missing = [name for name in names if name not in have]
                if missing:
                    raise ValueError(f"expected {role}.{kind}.{missing[0]}, found nothing")
        self._accuracy_reads()
        return self

    def _accuracy_reads(self) -> None:
        from runner.metrology.accuracy import Accuracy
        from runner.metrology.scope import ScopeAccuracy

        tables = [self.accuracy, *self.accuracy_by_model.values()]
        for table in tables:
            for function, plain in table.items():
                kind = ScopeAccuracy if function == "scope" else Accuracy
                try:
                    kind.from_dict(plain)
                except ValueError as error:
                    raise ValueError(f"accuracy.{function}: {error}") from None


def _key(choice: float) -> str:
    return f"{choice:.12g}"


_NEEDED: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "meter": (("dc-volts",), ("reading",)),
    "load": (("current", "input"), ("volts", "amps")),
    "scope": (("channel-on", "coupling", "span", "duration", "points"), ("state",)),
    "supply": (("volts", "amps"), ("volts", "amps")),
    "mains-source": (("line-volts", "line-hertz", "output"), ()),
    "mains-meter": ((), ()),
    "thermometer": ((), ("celsius",)),
}
