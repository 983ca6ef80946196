"""How settings are made: sent, asked back, compared, remembered; several in one message."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from runner.clock import Clock
from runner.errors import BenchError, ConnectError, DeadlineError, FramingError, InstrumentError
from runner.instruments.dialect import Dialect, Question, RoleWords, Setting
from runner.instruments.settings import chosen, found_instead, in_words, sent, taken, well_formed
from runner.link.numbers import shown
from runner.link.session import Session

__all__ = ["SettingUp"]

Value = float | str | bool


@dataclass(frozen=True, slots=True)
class Made:
    """A setting that was made and read back."""

    key: str
    value: Value
    context: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Wish:
    """A setting as it goes out: what is wanted, and the messages for it."""

    key: str
    setting: Setting
    wanted: Value
    commands: list[str]
    fields: dict[str, Any]
    made: Made

    @property
    def question(self) -> Question:
        """How it is asked back; only where it can be."""
        return self.setting.get or Question(ask="")

    @property
    def parts(self) -> list[str]:
        """Commands and read-back, to be sent in one message."""
        return [*self.commands, self.question.ask.format_map(self.fields)]

    @property
    def joins(self) -> bool:
        """Whether others may stand in the same message: it takes no time of its own."""
        setting = self.setting
        slow = setting.takes_s or setting.settle_s
        return setting.get is not None and not slow and not setting.get.n_bytes

    def shows(self, text: str) -> bool:
        """Whether a read-back says that it was taken."""
        try:
            well_formed(self.setting, self.question, text)
            return taken(self.setting, self.question, self.wanted, text)
        except FramingError:
            return False


class SettingUp:
    """The half of a driven instrument that makes settings by the words of its dialect."""

    def __init__(
        self, name: str, session: Session, clock: Clock, dialect: Dialect, words: RoleWords
    ) -> None:
        self.name, self._session, self._clock = name, session, clock
        self._dialect, self._role_words = dialect, words
        self._made: dict[str, Made] = {}

    def errors(self) -> list[str]:
        """Entries of the error queue; the roles know how to ask."""
        return []

    def _set(
        self,
        key: str,
        value: float | str | bool,
        *,
        choices: tuple[float, ...] | None = None,
        **context: Any,
    ) -> Any:
        """Set and read back; return what the instrument was set to.

        ``choices`` are used in place of the dialect's, e.g. behind a probe.

        :raises InstrumentError: it did not take it
        """
        wish = self._wish(key, value, choices, context)
        setting = wish.setting
        if setting.get is None:
            for command in wish.commands:
                self._session.write(command)
            found = wish.wanted
        else:
            found = self._deliver(wish, setting.get)
        if setting.settle_s:
            self._clock.sleep(setting.settle_s)
        self._remember(wish.made)
        return found

    def _set_all(
        self,
        wanted: Sequence[tuple[str, Value]],
        ask: Sequence[str] = (),
        choices: Mapping[str, tuple[float, ...]] = MappingProxyType({}),
        **context: Any,
    ) -> dict[str, Any]:
        """Make several settings, in one message where the dialect allows it; each is read back.

        A setting that its read-back does not show is made once more on its own. The answers to
        the questions ``ask`` may come along, under the question; where they do not, it is left
        out. ``choices`` by setting are used in place of the dialect's.

        :raises InstrumentError: it did not take one
        """
        wishes = [self._wish(key, value, choices.get(key), context) for key, value in wanted]
        n = len(wishes) + len(ask)
        texts: list[str | None] = [None] * n
        if n > 1 and all(one.joins for one in wishes):
            texts = self._ask_joined([*(p for one in wishes for p in one.parts), *ask], n)
        found: dict[str, Any] = {}
        shown_all = True
        for one, text in zip(wishes, texts, strict=False):
            if text is not None and one.shows(text):
                self._remember(one.made)
                found[one.key] = found_instead(one.setting, one.question, one.wanted, text)
            else:
                shown_all = False
                found[one.key] = self._set(
                    one.key, one.made.value, choices=choices.get(one.key), **context
                )
        if shown_all:
            found |= {q: t for q, t in zip(ask, texts[len(wishes) :], strict=True) if t is not None}
        return found

    def _ask_joined(self, parts: list[str], n: int) -> list[str | None]:
        """The answers to ``n`` questions in one message; all None when they did not come so."""
        if not self._dialect.compound:
            return [None] * n
        line = ";:".join(part.removeprefix(":") for part in parts)
        try:
            texts = self._session.query(line).split(";")
        except (DeadlineError, FramingError, ConnectError) as error:
            self._session.lose_step(str(error))
            texts = []
        if len(texts) != n:
            self._session.counts.repeats += 1
            return [None] * n
        return list(texts)

    def _wish(
        self, key: str, value: Value, choices: tuple[float, ...] | None, context: dict[str, Any]
    ) -> Wish:
        setting = self._setting(key, choices)
        if choices is not None:
            context = {**context, "choices": choices}
        wanted = value if isinstance(value, bool | str) else self._chosen(key, value, choices)
        fields = {**context, "value": sent(setting, wanted), "name": key}
        commands = [template.format_map(fields) for template in setting.set]
        return Wish(key, setting, wanted, commands, fields, Made(key, value, context))

    def _chosen(self, key: str, value: float, choices: tuple[float, ...] | None = None) -> float:
        """What will be set for ``value``: itself, or the next choice up.

        :raises InstrumentError: above the largest choice
        """
        try:
            return chosen(self._setting(key, choices), value)
        except ValueError as error:
            raise InstrumentError(f"{self.name}: {key}: {error}") from None

    def _setting(self, key: str, choices: tuple[float, ...] | None) -> Setting:
        setting = self._role_words.settings[key]
        return setting if choices is None else setting.model_copy(update={"choices": choices})

    def _remember(self, made: Made) -> None:
        """Keep the newest setting of each register; the order is that of the settings."""
        question = self._role_words.settings[made.key].get
        fields = {**made.context, "name": made.key}
        slot = made.key if question is None else question.ask.format_map(fields)
        self._made.pop(slot, None)
        self._made[slot] = made

    def _forget(self, *keys: str) -> None:
        """What no longer holds because another setting took its place."""
        for slot in [slot for slot, made in self._made.items() if made.key in keys]:
            del self._made[slot]

    def _deliver(self, wish: Wish, question: Question) -> Any:
        """Send, ask back, compare; return what it is set to.

        A message that may have been lost is sent once more, even where the read-back is right:
        a range can be what it should be while the function that it came with was never chosen.
        A switch is not (what was switched on twice may have been off between).

        :raises InstrumentError: it did not take it, or no message comes through
        """
        setting, wanted = wish.setting, wish.wanted
        text, lost = self._send_and_ask(wish, question)
        if lost and not isinstance(wanted, bool):
            self._session.counts.repeats += 1
            text, lost = self._send_and_ask(wish, question)
            if lost and taken(setting, question, wanted, text):
                raise InstrumentError(f"{self.name}: {wish.key}: its message was lost twice")
        if not taken(setting, question, wanted, text):
            text = self._read_back(setting, question, wish.fields)  # one odd answer is not believed
            self._session.counts.repeats += 1
        if not taken(setting, question, wanted, text):
            raise InstrumentError(self._refusal(wish.key, wish.commands, wanted, text))
        return found_instead(setting, question, wanted, text)

    def _send_and_ask(self, wish: Wish, question: Question) -> tuple[str, bool]:
        """The read-back's text, and whether any message may have been lost."""
        setting = wish.setting
        within_s = self._session.options.timeout_s + setting.takes_s
        lost = False
        try:
            if self._dialect.compound:
                line = ";:".join(part.removeprefix(":") for part in wish.parts)
                text = self._session.query(line, within_s, question.n_bytes)
                return well_formed(setting, question, text), False
            for command in wish.commands:
                self._session.write(command, within_s)
        except (DeadlineError, FramingError, ConnectError) as error:
            self._session.lose_step(str(error))
            lost = True
        if setting.takes_s:
            self._clock.sleep(setting.takes_s)
        return self._read_back(setting, question, wish.fields), lost

    def _read_back(self, setting: Setting, question: Question, fields: dict[str, Any]) -> str:
        return self._session.ask(
            question.ask.format_map(fields),
            lambda text: well_formed(setting, question, text),
            self._session.options.timeout_s + setting.takes_s,
            n_bytes=question.n_bytes,
            repeats=self._session.options.repeats,
        )

    def check_settings(self) -> None:
        """Ask all settings back that were made; they may have been changed from outside.

        :raises InstrumentError: one of them is another now
        """
        for made in self._made.values():
            setting = self._role_words.settings[made.key]
            question = setting.get
            if question is None:
                continue
            if "choices" in made.context:
                setting = setting.model_copy(update={"choices": made.context["choices"]})
            value = made.value
            wanted = value if isinstance(value, bool | str) else chosen(setting, value)
            fields = {**made.context, "name": made.key}
            text = self._read_back(setting, question, fields)
            if not taken(setting, question, wanted, text):
                text = self._read_back(setting, question, fields)
            if not taken(setting, question, wanted, text):
                raise InstrumentError(
                    f"{self.name}: settings changed from outside ({made.key} is {shown(text)},"
                    f" {wanted} was set); is somebody else driving it?"
                )

    def _refusal(self, key: str, commands: list[str], wanted: Any, text: str) -> str:
        said = in_words(self._errors_now())
        return (
            f"{self.name}: {key} was not taken ({commands[-1]!r} should give {wanted},"
            f" it answers {shown(text)}{'; its errors: ' + said if said else ''})"
        )

    def _errors_now(self) -> list[str]:
        try:
            return self.errors()
        except BenchError as error:
            return [str(error)]
