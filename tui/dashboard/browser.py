"""The dashboard of a case in a browser on this machine, through textual-serve (the extra `web`).

Only the loopback address is listened on, and only a browser that was given the key in the printed
address is let in: neither another user of the machine nor a page from elsewhere that the browser
happens to show. Nothing is fetched from anywhere else.
"""

from __future__ import annotations

import hmac
import secrets
import shlex
import socket
import sys
from collections.abc import Sequence
from pathlib import Path

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware
from textual_serve.server import Server

from grammar.errors import UserError

HOST = "127.0.0.1"
COOKIE = "answerback"


def serve(arguments: Sequence[str], port: int, title: str) -> None:
    """Serve `answerback` with these arguments until Ctrl-C. `port` 0 takes any free one.

    Raises UserError where the port is taken.
    """
    command = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]
    _Loopback(shlex.join([*command, *arguments]), _free(port), title).serve()


class _Loopback(Server):
    """The server with a lock on its door, and without its own banner and log."""

    def __init__(self, command: str, port: int, title: str) -> None:
        templates = str(Path(__file__).parent / "web")
        super().__init__(command, HOST, port, title, templates_path=templates)
        self._key = secrets.token_urlsafe(24)

    def initialize_logging(self) -> None:
        """None: its lines would hide ours."""

    async def on_startup(self, _app: web.Application) -> None:
        """Say where to look."""
        address = f"{self.public_url}/?key={self._key}"
        print(f"open in a browser on this machine: {address}", file=sys.stderr, flush=True)
        print("Ctrl-C ends it", file=sys.stderr, flush=True)

    async def _make_app(self) -> web.Application:
        app = await super()._make_app()
        app.middlewares.append(_locked(self._key, self.public_url))
        return app


def _free(port: int) -> int:
    """Return the port, or a free one for 0. Raises UserError where it is taken."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except (OSError, OverflowError) as error:
            raise UserError(f"port {port} on {HOST} cannot be used: {error}") from None
        return int(probe.getsockname()[1])


def _locked(key: str, origin: str) -> Middleware:
    """Let in whoever brings the key, by the address or by the cookie that then holds it."""

    def same(given: str) -> bool:
        return hmac.compare_digest(given.encode(), key.encode())

    @web.middleware
    async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
        # A name that leads here from elsewhere (DNS rebinding), or another page's script.
        if request.host != origin.removeprefix("http://"):
            raise web.HTTPForbidden(text="only this machine's own address is served")
        if request.headers.get("Origin", origin) != origin:
            raise web.HTTPForbidden(text="another page may not look in")
        by_address = same(request.query.get("key", ""))
        if not by_address and not same(request.cookies.get(COOKIE, "")):
            raise web.HTTPForbidden(text="open the address that was printed, with its key")
        response = await handler(request)
        if by_address and not response.prepared:
            response.set_cookie(COOKIE, key, httponly=True, samesite="Strict")
            response.headers["Referrer-Policy"] = "no-referrer"
            response.headers["Cache-Control"] = "no-store"
        return response

    return check
