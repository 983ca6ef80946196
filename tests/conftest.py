"""Holds for every test; said before any of them loads numpy."""

from __future__ import annotations

import signal

from runner.one_thread import one_thread

one_thread()
# A shell without job control lets its background jobs ignore Ctrl-C; tests send it to themselves.
signal.signal(signal.SIGINT, signal.default_int_handler)
