"""Serves the live page: static files, one stream of events, and the wish for a safe end.

No instrument is reached from here. The only thing a viewer can do is to have a file made in the
record folder, which the run looks for between two readings.
"""

from __future__ import annotations

import asyncio
import hmac
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.clock import SystemClock
from runner.deadman import FILE_NAME
from runner.record.journal import JOURNAL_NAME
from runner.record.writer import END_WANTED
from runner.soak.telling import HEARTBEAT
from runner.watch.screen import SCREEN
from runner.watch.state import BY_DEADMAN, PageState
from runner.watch.tail import Tail

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["LOOPBACK", "make_app"]

LOOPBACK = ("127.0.0.1", "localhost", "::1")
LOOK_EVERY_S = 0.5
LOOK_CLOSELY_S = 0.25
"""While a person turns a knob by what the page shows."""
STILL_HERE_S = 15.0
QUEUE_MAX = 250
COOKIE = "asleft-token"
_PAGE = Path(__file__).parent / "page"
_TYPES = {".html": "text/html; charset=utf-8", ".css": "text/css", ".js": "text/javascript"}
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self';"
    " connect-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'none';"
    " frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}


class _Room:
    """The record, and everybody who looks at it: read once, put into words once, sent to all."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.state = PageState()
        self.viewers: set[asyncio.Queue[bytes]] = set()
        self._tails = (
            Tail(folder / JOURNAL_NAME),
            Tail(folder / FILE_NAME, kind=BY_DEADMAN),
        )
        self._beside: dict[str, tuple[str, Any]] = {}

    async def follow(self) -> None:
        """Read on, forever; each viewer gets one message of what changed since the last."""
        quiet_s = 0.0
        while True:
            changed = await asyncio.to_thread(self._look)
            if changed:
                self._send(_message("change", changed))
                quiet_s = 0.0
            elif quiet_s >= STILL_HERE_S:
                self._send(b": still here\n\n")
                quiet_s = 0.0
            pause_s = LOOK_CLOSELY_S if self._asking() else LOOK_EVERY_S
            quiet_s += pause_s
            await asyncio.sleep(0.0 if any(tail.behind for tail in self._tails) else pause_s)

    def _look(self) -> dict[str, Any]:
        changed: dict[str, Any] = {}
        for line in chain.from_iterable(tail.new_lines() for tail in self._tails):
            for key, value in self._changes(line).items():
                if key in {"event", "minute"}:
                    changed.setdefault(f"{key}s", []).append(value)
                else:
                    changed[key] = value
        for key, name in (("beat", HEARTBEAT), ("screen", SCREEN)):
            if self._looks_new(key, name):
                changed[key] = self._beside[key][1]
        return changed

    def _changes(self, line: dict[str, Any]) -> dict[str, Any]:
        try:
            return self.state.feed(line)
        except (KeyError, TypeError, ValueError, IndexError, AttributeError):
            return {}  # a line of a later version, or one that was tampered with

    def _looks_new(self, key: str, name: str) -> bool:
        """Read a small file that stands beside the journal; whether it says something new."""
        try:
            text = (self.folder / name).read_text(encoding="utf-8")
            if text == self._beside.get(key, ("", None))[0]:
                return False
            self._beside[key] = (text, json.loads(text))
        except (OSError, ValueError):
            return False
        return True

    def _beat_age_s(self) -> float:
        """How old the last sign of life is: a run may have died long before anybody looks."""
        try:
            beaten_s = (self.folder / HEARTBEAT).stat().st_mtime
        except OSError:
            return 0.0
        return max(0.0, SystemClock().utc().timestamp() - beaten_s)

    def _asking(self) -> bool:
        said = self._beside.get("screen", ("", None))[1]
        return isinstance(said, dict) and bool(said.get("asked"))

    def _send(self, message: bytes) -> None:
        for queue in list(self.viewers):
            try:
                queue.put_nowait(message)
            except asyncio.QueueFull:
                self.viewers.discard(queue)

    async def stream(self) -> AsyncIterator[bytes]:
        """Everything so far, then what changes; a viewer that cannot follow is let go."""
        queue: asyncio.Queue[bytes] = asyncio.Queue(QUEUE_MAX)
        self.viewers.add(queue)
        try:
            beside = {key: said for key, (_, said) in self._beside.items()}
            beside["beat_age_s"] = self._beat_age_s()
            yield _message("all", self.state.snapshot() | beside)
            while queue in self.viewers:
                yield await queue.get()
        finally:
            self.viewers.discard(queue)


def _message(event: str, data: Any) -> bytes:
    return f"event: {event}\ndata: {json.dumps(data)}\n\n".encode()


def make_app(folder: Path, token: str | None) -> Starlette:
    """Return the application. ``token`` None serves this computer only, whatever it is bound to."""
    from starlette.applications import Starlette
    from starlette.routing import Route

    room = _Room(folder)

    @asynccontextmanager
    async def life(_app: Starlette) -> AsyncIterator[None]:
        task = asyncio.create_task(room.follow())
        yield
        task.cancel()

    door = _Door(token)
    return Starlette(
        routes=[
            Route("/", _page(door)),
            Route("/page.{kind:str}", _part(door)),
            Route("/events", _events(door, room)),
            Route("/end-safely", _end_safely(door, room), methods=["POST"]),
        ],
        lifespan=life,
    )


class _Door:
    """Who may come in: with a token whoever has it, without one only this computer."""

    def __init__(self, token: str | None) -> None:
        self._token = token

    def refuses(self, request: Request) -> Response | None:
        """Return the refusal, or None."""
        if self._token is not None:
            given = request.query_params.get("token") or request.cookies.get(COOKIE, "")
            if not hmac.compare_digest(given.encode(), self._token.encode()):
                return _plain("The token is missing or wrong.", 403)
            return None
        # A name that leads here from elsewhere (a rebound one) is not this computer.
        host = request.url.hostname or ""
        client = request.client.host if request.client else ""
        if host not in LOOPBACK or client not in LOOPBACK:
            return _plain("Served to this computer only.", 403)
        return None

    def let_in(self, request: Request, response: Response) -> Response:
        """Remember the token, so that the page's own requests need not carry it."""
        if self._token is not None and request.query_params.get("token"):
            response.set_cookie(COOKIE, self._token, httponly=True, samesite="strict")
        return response


def _plain(text: str, status: int) -> Response:
    from starlette.responses import PlainTextResponse

    return PlainTextResponse(text, status, headers=_HEADERS)


def _file(name: str) -> Response:
    from starlette.responses import Response

    path = _PAGE / name
    return Response(path.read_bytes(), media_type=_TYPES[path.suffix], headers=_HEADERS)


def _page(door: _Door) -> Any:
    async def page(request: Request) -> Response:
        return door.refuses(request) or door.let_in(request, _file("page.html"))

    return page


def _part(door: _Door) -> Any:
    async def part(request: Request) -> Response:
        kind = request.path_params["kind"]
        if f".{kind}" not in _TYPES:
            return _plain("There is no such file.", 404)
        return door.refuses(request) or _file(f"page.{kind}")

    return part


def _events(door: _Door, room: _Room) -> Any:
    async def events(request: Request) -> Response:
        from starlette.responses import StreamingResponse

        return door.refuses(request) or StreamingResponse(
            room.stream(), media_type="text/event-stream", headers=_HEADERS
        )

    return events


def _end_safely(door: _Door, room: _Room) -> Any:
    async def end_safely(request: Request) -> Response:
        refusal = door.refuses(request)
        if refusal is not None:
            return refusal
        # A page of another origin cannot set this header without asking first.
        if request.headers.get("x-asleft") != "end-safely":
            return _plain("Not asked from the page.", 403)
        try:
            (room.folder / END_WANTED).touch()
        except OSError as error:
            return _plain(f"The wish cannot be written ({error.strerror}).", 500)
        return _plain("Asked for. The run ends after its next reading.", 202)

    return end_safely
