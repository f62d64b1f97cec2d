"""The server: the page for this machine alone, and for nobody who does not have its token."""

from __future__ import annotations

import errno
import hmac
import logging
import secrets
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from bokeh.application import Application
from bokeh.application.handlers.function import FunctionHandler
from bokeh.server.server import BaseServer
from bokeh.server.tornado import BokehTornado
from tornado.httpserver import HTTPServer
from tornado.httputil import HTTPServerRequest
from tornado.ioloop import IOLoop
from tornado.web import ErrorHandler

from deblend.errors import OutputError, SettingsError, reason_of
from deblend.model.place import Place, place_of_finding
from deblend.report.tables import by_severity
from deblend.view.gathers import Gathers
from deblend.view.session import fill_document
from deblend.view.viewed_line import open_viewed

LOOPBACK: Final = "127.0.0.1"
_READING: Final = ("GET", "HEAD")


@dataclass(frozen=True, eq=False)
class Viewing:
    """A server that is listening."""

    server: BaseServer
    address: str
    """Of the page, token and place inside."""

    def until_stopped(self) -> None:
        """Answer until the process is interrupted."""
        self.server.io_loop.start()


@contextmanager
def viewing(folder: Path, place: Place, port: int = 0) -> Iterator[Viewing]:
    """Serve the folder of a run on the loopback address; port 0 takes a free one.

    Raises
    ------
    InputError
        If the folder cannot be looked at.
    SettingsError
        If the line does not have the place.
    OutputError
        If the port cannot be used.
    """
    gathers = Gathers(open_viewed(folder))
    place = gathers.settled(_worst_place(gathers) if place == Place() else place)
    token = secrets.token_urlsafe(24)
    listening = _listen(port)
    port = listening.getsockname()[1]
    hosts = [f"{LOOPBACK}:{port}", f"localhost:{port}"]
    for name in ("bokeh", "tornado.access", "tornado.application"):
        logging.getLogger(name).setLevel(logging.ERROR)
    page = Application(FunctionHandler(partial(fill_document, gathers=gathers, start=place)))
    answers = _ForOne(token, hosts, {"/": page})
    http = HTTPServer(answers)
    http.add_sockets([listening])
    server = BaseServer(IOLoop.current(), answers, http)
    server.start()
    try:
        yield Viewing(server, f"http://{hosts[0]}/{token}/?{place.link()}")
    finally:
        server.stop(wait=False)


def _worst_place(gathers: Gathers) -> Place:
    """Where the worst finding is; not at dead channels, which have nothing to show."""
    for finding in by_severity(gathers.line.findings):
        found = place_of_finding(finding)
        if finding.verdict in ("fail", "look") and finding.metric != "dead_channel" and found:
            try:
                return gathers.settled(found)
            except SettingsError:  # a shot or channel that is named because it is missing
                continue
    return Place()


class _ForOne(BokehTornado):  # type: ignore[misc]  # the library has no types
    """Answers requests of those who know the token, to read, under the name of this machine.

    The token is the first part of every path, web sockets included. The name is held against the
    address too: a name of elsewhere that points here is how a foreign page would come in.
    """

    def __init__(self, token: str, hosts: list[str], applications: dict[str, Any]) -> None:
        self._token, self._hosts = token, hosts
        super().__init__(applications, prefix=token, extra_websocket_origins=hosts)

    def find_handler(self, request: HTTPServerRequest, **more: Any) -> Any:
        """The answer to a request, or its refusal."""
        refused = self._refusal(request)
        if refused:
            return self.get_handler_delegate(request, ErrorHandler, {"status_code": refused})
        return super().find_handler(request, **more)

    def _refusal(self, request: HTTPServerRequest) -> int:
        """Status of a request that is refused; 0 for one that is not."""
        given = request.path.split("/")[1] if "/" in request.path else ""
        known = hmac.compare_digest(given.encode(), self._token.encode())
        if not known or request.host not in self._hosts:
            return 403
        return 0 if request.method in _READING else 405


def _listen(port: int) -> socket.socket:
    try:
        listening = socket.create_server((LOOPBACK, port))
        listening.setblocking(False)
        return listening
    except OSError as error:
        taken = error.errno == errno.EADDRINUSE
        raise OutputError(
            f"port {port} cannot be used ({'it is taken' if taken else reason_of(error)})",
            where=LOOPBACK,
            remedy="Name another --port, or none: a free one is taken then.",
        ) from error
