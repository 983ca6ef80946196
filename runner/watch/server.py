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
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.record.writer import END_WANTED
from runner.soak.telling import HEARTBEAT
from runner.watch.state import PageState
from runner.watch.tail import Tail

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["LOOPBACK", "make_app"]

LOOPBACK = ("127.0.0.1", "localhost", "::1")
LOOK_EVERY_S = 0.25
BEAT_EVERY_S = 1.0
QUEUE_MAX = 500
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
    """The record, and everybody who looks at it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.state = PageState()
        self.viewers: set[asyncio.Queue[str]] = set()
        self._tail = Tail(folder)
        self._heartbeat = ""

    async def follow(self) -> None:
        """Read on, forever; each viewer gets what changed."""
        while True:
            lines = await asyncio.to_thread(self._tail.new_lines)
            changed: dict[str, Any] = {}
            for line in lines:
                for key, value in self._changes(line).items():
                    if key in {"event", "minute"}:
                        changed.setdefault(f"{key}s", []).append(value)
                    else:
                        changed[key] = value
            if changed:
                self._send("change", changed)
            self._beat()
            await asyncio.sleep(0.0 if lines else LOOK_EVERY_S)

    def _changes(self, line: dict[str, Any]) -> dict[str, Any]:
        try:
            return self.state.feed(line)
        except (KeyError, TypeError, ValueError, IndexError, AttributeError):
            return {}  # a line of a later version, or one that was tampered with

    def _beat(self) -> None:
        try:
            text = (self.folder / HEARTBEAT).read_text(encoding="utf-8")
        except OSError:
            return
        if text != self._heartbeat:
            self._heartbeat = text
            self._send_text("beat", text)

    def _send(self, event: str, data: Any) -> None:
        self._send_text(event, json.dumps(data))

    def _send_text(self, event: str, text: str) -> None:
        message = f"event: {event}\ndata: {text}\n\n"
        for queue in list(self.viewers):
            try:
                queue.put_nowait(message)
            except asyncio.QueueFull:
                self.viewers.discard(queue)

    async def stream(self) -> AsyncIterator[str]:
        """Everything so far, then what changes; a viewer that cannot follow is let go."""
        queue: asyncio.Queue[str] = asyncio.Queue(QUEUE_MAX)
        self.viewers.add(queue)
        try:
            yield f"event: all\ndata: {json.dumps(self.state.snapshot())}\n\n"
            if self._heartbeat:
                yield f"event: beat\ndata: {self._heartbeat}\n\n"
            while queue in self.viewers:
                try:
                    yield await asyncio.wait_for(queue.get(), timeout=15.0)
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            self.viewers.discard(queue)


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
