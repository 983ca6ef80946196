"""Every word the reports print, by language: one TOML file a language in ``reports/strings``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from runner.errors import InputError

__all__ = ["Strings", "languages", "load_strings"]

_FOLDER = Path(__file__).parent / "strings"


@dataclass(frozen=True)
class Strings:
    """The catalogue of one language; keys are dotted paths into its file."""

    language: str
    table: dict[str, Any]

    def get(self, key: str, default: str | None = None) -> str:
        """Return the text under ``key``, or ``default`` where the catalogue has none.

        :raises KeyError: no such text and no default
        """
        found: Any = self.table
        for part in key.split("."):
            found = found.get(part) if isinstance(found, dict) else None
        if isinstance(found, str):
            return found
        if default is None:
            raise KeyError(key)
        return default

    def fill(self, key: str, **values: object) -> str:
        """Return the text under ``key`` with its named places filled.

        :raises KeyError: no such text, or a place was left open
        """
        return self.get(key).format(**values)

    def phrase(self, text: str) -> str:
        """Translate a phrase that a check wrote; unknown phrases stay as they are."""
        phrases = self.table.get("phrases", {})
        return str(phrases.get(text, text))


def languages() -> list[str]:
    """Codes of the languages that come along."""
    return sorted(path.stem for path in _FOLDER.glob("*.toml"))


@cache
def load_strings(language: str = "en") -> Strings:
    """Read one language's catalogue.

    :raises InputError: no such language
    """
    if language not in languages():
        raise InputError(
            "there is no such language",
            key="language", expected="one of " + ", ".join(languages()), found=repr(language),
        )  # fmt: skip
    text = (_FOLDER / f"{language}.toml").read_text(encoding="utf-8")
    return Strings(language, tomllib.loads(text))
