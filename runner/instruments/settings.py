"""What is sent for a setting, and whether the read-back says that it was taken; pure."""

from __future__ import annotations

from collections import Counter
from typing import Any

from runner.errors import FramingError
from runner.instruments import decode
from runner.instruments.dialect import Question, Setting

__all__ = ["chosen", "found_instead", "in_words", "sent", "taken", "well_formed"]


def chosen(setting: Setting, value: float) -> float:
    """The value that the instrument has for this one: itself, or the next choice up.

    :raises ValueError: above the largest choice
    """
    if not setting.choices:
        return float(value)
    for choice in setting.choices:
        if choice >= value * (1 - 1e-9):
            return choice
    raise ValueError(f"{value:g} is above the largest choice {setting.choices[-1]:g}")


def sent(setting: Setting, wanted: float | str | bool) -> float | str | int:
    """What stands for the value in the command."""
    if isinstance(wanted, bool):
        word = "on" if wanted else "off"
        return setting.words.get(word, word.upper())
    if isinstance(wanted, str):
        return setting.words.get(wanted, wanted)
    if setting.by_index:
        return setting.choices.index(wanted)
    if setting.words_by_value:
        return _word_for(setting, wanted)
    return (1.0 / wanted if setting.inverse else wanted) * setting.scale


def taken(setting: Setting, question: Question, wanted: float | str | bool, text: str) -> bool:
    """Whether the read-back ``text`` says what was wanted.

    :raises FramingError: the text is no answer to the question
    """
    if setting.confirms is not None:
        return decode.same_word(decode.as_word(question, text), setting.confirms)
    if isinstance(wanted, bool):
        due = setting.answers.get("on" if wanted else "off")
        if due:
            return decode.as_word(question, text) in due
        return decode.as_bool(question, text) is wanted
    if isinstance(wanted, str):
        due = setting.answers.get(wanted) or (setting.words.get(wanted, wanted),)
        found = decode.as_word(question, text)
        return any(decode.same_word(found, one) for one in due)
    if setting.words_by_value:
        return decode.same_word(decode.as_word(question, text), _word_for(setting, wanted))
    return _near(setting, question, wanted, text)


def well_formed(setting: Setting, question: Question, text: str) -> str:
    """The text itself, when it can be an answer to the question at all.

    :raises FramingError: it cannot
    """
    if question.decode == "word" or setting.words_by_value or setting.confirms is not None:
        decode.as_word(question, text)
    elif question.decode in {"bool", "bit"}:
        decode.as_bool(question, text)
    elif decode.as_number(question, text).value is None:
        raise FramingError(f"{question.ask!r}: {text!r} is no setting")
    return text


def found_instead(setting: Setting, question: Question, wanted: Any, text: str) -> Any:
    """What it was set to: the wanted value, or the next one up that the instrument chose."""
    if not setting.at_least:
        return wanted
    return (decode.as_number(question, text).value or 0.0) / setting.scale


def _near(setting: Setting, question: Question, wanted: float, text: str) -> bool:
    number = decode.as_number(question, text)
    if number.value is None:
        return False
    if setting.by_index:
        return number.value == setting.choices.index(wanted)
    found = number.value / setting.scale
    if setting.inverse:
        found = 1.0 / found if found else 0.0
    allowed = setting.rel * abs(wanted) + setting.abs + 1e-12
    return found >= wanted - allowed if setting.at_least else abs(found - wanted) <= allowed


def _word_for(setting: Setting, wanted: float) -> str:
    return setting.words_by_value[f"{wanted:.12g}"]


def in_words(errors: list[str]) -> str:
    """Entries of an error queue on one line, equal ones once with their number."""
    counted = Counter(errors)
    return "; ".join(one + (f" ({n} times)" if n > 1 else "") for one, n in counted.items())
