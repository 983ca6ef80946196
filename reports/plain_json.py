"""Findings as one JSON object: the same that ``--json`` prints."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from runner.record.reader import Record

if TYPE_CHECKING:
    from runner.assess import Assessment

__all__ = ["json_bytes"]


def json_bytes(record: Record, assessment: Assessment) -> bytes:
    """Return the object, indented, UTF-8; there is no NaN and no infinity in it.

    Halves of a surrogate pair, which UTF-8 cannot hold, stay escaped.
    """
    plain = assessment.to_dict(record)
    text = json.dumps(plain, ensure_ascii=False, allow_nan=False, indent=2) + "\n"
    return text.encode(errors="backslashreplace")
