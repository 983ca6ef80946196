"""Frozen dataclasses to plain JSON values and back, with errors that name the key.

The journal and the dialect files hold plain dictionaries; this is the one way in and out.
An infinite number of degrees of freedom is written as the word "inf", because JSON has no
sign for it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from pydantic import TypeAdapter
    from pydantic_core import ErrorDetails

__all__ = ["LARGEST", "STRICT", "finite", "from_plain", "not_negative", "positive", "to_plain"]

T = TypeVar("T")

# To be set as `__pydantic_config__` on every dataclass that is read with `from_plain`.
STRICT: dict[str, Any] = {"extra": "forbid", "strict": True}


# No quantity of a bench comes near; below it, sums and squares of numbers stay finite.
LARGEST = 1e100


def finite(key: str, number: float) -> None:
    """Raise ValueError unless `number` is a finite number (of at most 1e100)."""
    _require(key, number, "a finite number", number_ok=True)


def positive(key: str, number: float) -> None:
    """Raise ValueError unless `number` is finite and above zero."""
    _require(key, number, "a finite number above zero", number_ok=number > 0)


def not_negative(key: str, number: float) -> None:
    """Raise ValueError unless `number` is finite and zero or above."""
    _require(key, number, "a finite number, zero or above", number_ok=number >= 0)


def _require(key: str, number: float, expected: str, *, number_ok: bool) -> None:
    if not (abs(number) <= LARGEST and number_ok):
        raise ValueError(f"{key}: expected {expected}, found {number!r}")


def to_plain(thing: Any) -> dict[str, Any]:
    """Return a dataclass as a dictionary that `json.dumps` writes without loss."""
    plain: dict[str, Any] = _adapter(type(thing)).dump_python(thing, mode="json")
    _swap_infinite_dof(plain, math.inf, "inf")
    return plain


def from_plain(cls: type[T], plain: Mapping[str, Any]) -> T:
    """Build `cls` from a dictionary (JSON or TOML values; dates as dates or ISO text).

    Raises ValueError: "key.path: expected ..., found ..." for the first thing wrong.
    """
    from pydantic import ValidationError

    try:
        text = json.dumps(plain, default=_date_text)
    except (TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"{cls.__name__}: expected plain values, found {error}") from None
    restored = json.loads(text)
    _swap_infinite_dof(restored, "inf", math.inf)
    try:
        built: T = _adapter(cls).validate_json(json.dumps(restored))
    except ValidationError as error:
        raise ValueError(_sentence(cls, error.errors(include_url=False)[0])) from None
    return built


def _adapter(cls: Any) -> TypeAdapter[Any]:
    return _adapters(cls)


@cache
def _adapters(cls: Any) -> TypeAdapter[Any]:
    from pydantic import TypeAdapter

    return TypeAdapter(cls)


def _date_text(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()[:10]
    raise TypeError(f"a {type(value).__name__}")


def _swap_infinite_dof(node: Any, old: float | str, new: float | str) -> None:
    """Replace, in place, the infinite degrees of freedom of a plain tree by their word or back."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key == "dof" and value == old:
                node[key] = new
            else:
                _swap_infinite_dof(value, old, new)
    elif isinstance(node, list):
        for item in node:
            _swap_infinite_dof(item, old, new)


def _sentence(cls: type[Any], error: ErrorDetails) -> str:
    path = ""
    for step in error["loc"]:
        path += f"[{step}]" if isinstance(step, int) else f".{step}" if path else str(step)
    where, kind = path or cls.__name__, error["type"]
    if kind == "missing":
        return f"{where}: expected this key, found nothing"
    if kind == "unexpected_keyword_argument":
        return f"{where}: expected no such key, found {error['input']!r}"
    if kind == "value_error":
        found = error["msg"].removeprefix("Value error, ")
        return f"{path}.{found}" if path else found
    expected = error["msg"].removeprefix("Input should be ")
    return f"{where}: expected {expected}, found {error['input']!r}"
