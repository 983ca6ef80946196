"""Holds for every test; said before any of them loads numpy."""

from __future__ import annotations

from runner.one_thread import one_thread

one_thread()
