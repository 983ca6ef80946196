"""Families as cases of a test: a few each time, all by the marker slow, open ones named."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

import pytest

__all__ = ["family_cases"]


def family_cases(names: Iterable[str], sampled: Collection[str], known: Mapping[str, str]) -> Any:
    """Parameters for ``family``; ``known`` says of a family why it does not agree yet."""
    return [
        pytest.param(
            name,
            marks=[
                *([] if name in sampled else [pytest.mark.slow]),
                *([pytest.mark.xfail(reason=known[name], strict=True)] if name in known else []),
            ],
        )
        for name in names
    ]
