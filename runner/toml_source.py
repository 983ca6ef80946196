"""Reads a TOML file into a strict model; errors name the line and the key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from runner.errors import InputError

__all__ = ["PlacedError", "line_of", "load_model", "read_toml"]

ModelT = TypeVar("ModelT", bound=BaseModel)

_INPUT_SHOULD_BE = "Input should be "
_EXPECTED_FOUND = re.compile(r"^expected (?P<expected>.*), found (?P<found>.*)$", re.DOTALL)


class PlacedError(ValueError):
    """A validator's complaint about a key other than its own; ``location`` is added to its own.

    Lets a check across several tables name the very line, e.g. ``("connection", 3, "to")``.
    """

    def __init__(self, message: str, location: tuple[str | int, ...]) -> None:
        super().__init__(message)
        self.location = location


_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """Return the parsed data and the text.

    :raises InputError: missing, unreadable, not UTF-8, or not TOML
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError("there is no such file", file=path) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"cannot be read as UTF-8 text ({error})", file=path) from None
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"at line (\d+)", str(error))
        line = int(found[1]) if found else len(text.splitlines())
        raise InputError(f"is not valid TOML ({error})", file=path, line=line) from None


def line_of(text: str, location: tuple[str | int, ...]) -> int | None:
    """Line (from 1) of the key at this place in the document, or of the nearest table above it.

    ``location`` is a pydantic error location, e.g. ``("instrument", 1, "role")``.
    """
    keys = [part for part in location if isinstance(part, str)]
    indices = {
        str(location[i - 1]): part for i, part in enumerate(location) if isinstance(part, int) and i
    }
    seen: dict[str, int] = {}
    best: tuple[int, int] | None = None
    table: list[str] = []
    inside = True
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            name = header[2].replace('"', "").replace(" ", "")
            table = name.split(".")
            if header[1] == "[[":
                seen[name] = seen.get(name, -1) + 1
            inside = table == keys[: len(table)] and all(
                seen.get(part, index) == index for part, index in indices.items()
            )
            depth = len(table)
        else:
            key = line.split("=", 1)[0].strip().strip('"') if "=" in line else ""
            rest = keys[len(table) :] if inside else []
            if not (inside and key and rest and key.split(".")[0] == rest[0]):
                continue
            depth = len(table) + 1
        if inside and (best is None or depth > best[0]):
            best = (depth, number)
    return best[1] if best else None


def load_model(model: type[ModelT], path: Path) -> ModelT:
    """Read and check a file against a strict model.

    :raises InputError: naming file, line, key, what was expected and what was found
    """
    data, text = read_toml(path)
    try:
        return model.model_validate(data, context={"path": path})
    except ValidationError as error:
        raise _input_error(model, error.errors()[0], path, text) from None


def _input_error(model: type[BaseModel], first: Any, path: Path, text: str) -> InputError:
    location = tuple(part for part in first["loc"] if not str(part).startswith("function-"))
    said = first.get("ctx", {}).get("error")
    if isinstance(said, PlacedError):
        location += said.location
    key = ".".join(str(part + 1) if isinstance(part, int) else part for part in location)
    what = _what(first["type"], first["msg"], key)
    expected, found = _expected(model, first), _found(first)
    split = _EXPECTED_FOUND.match(what)
    if split:
        what, expected, found = "this cannot be used", split["expected"], split["found"]
    elif what.startswith(_INPUT_SHOULD_BE):
        what, expected = "this cannot be used", what.removeprefix(_INPUT_SHOULD_BE)
    return InputError(
        what,
        file=path,
        line=line_of(text, location),
        key=key or None,
        expected=expected,
        found=found,
    )


def _what(kind: str, message: str, key: str) -> str:
    if kind == "extra_forbidden":
        return "this key is not known"
    if kind == "missing":
        return "this key is required"
    return message.removeprefix("Value error, ")


def _expected(model: type[BaseModel], first: Any) -> str | None:
    if first["type"] == "extra_forbidden":
        known = _fields_at(model, first["loc"][:-1])
        return "one of " + ", ".join(known) if known else None
    if first["type"] == "missing":
        return "a value"
    return None


def _found(first: Any) -> str | None:
    if first["type"] in {"missing"}:
        return "nothing"
    if first["type"] == "extra_forbidden":
        return repr(first["loc"][-1])
    if first["type"] == "value_error":
        return None  # our own messages already say it
    return repr(first["input"])


def _fields_at(model: type[BaseModel], location: tuple[str | int, ...]) -> list[str]:
    current: Any = model
    for part in location:
        if isinstance(part, int):
            continue
        field = getattr(current, "model_fields", {}).get(part)
        if field is None:
            field = next(
                (f for f in getattr(current, "model_fields", {}).values() if f.alias == part), None
            )
        if field is None:
            return []
        current = _model_in(field.annotation)
    return sorted(f.alias or name for name, f in getattr(current, "model_fields", {}).items())


def _model_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found is not None:
            return found
    return None
