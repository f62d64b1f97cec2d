"""Who gets an answer from the server: readers with the token, on this machine, and nobody else."""

from __future__ import annotations

import http.client
import re
import socket
from collections.abc import Mapping
from urllib.parse import urlsplit

import pytest
from known_line import KnownLine

from deblend.errors import OutputError
from deblend.model.place import Place
from deblend.view.serve import Viewing, viewing

UPGRADE = {
    "Connection": "Upgrade",
    "Upgrade": "websocket",
    "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
}


def ask(
    server: Viewing, path: str, method: str = "GET", headers: Mapping[str, str] | None = None
) -> tuple[int, str]:
    """Status and text of the answer to one request."""
    where = urlsplit(server.address)
    connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=30)
    try:
        connection.request(method, path, headers=dict(headers or {}))
        answer = connection.getresponse()
        return answer.status, answer.read().decode("utf-8", "replace")
    finally:
        connection.close()


def token(server: Viewing) -> str:
    return urlsplit(server.address).path.split("/")[1]


def test_the_page_is_for_those_who_have_the_token(server: Viewing) -> None:
    status, text = ask(server, f"/{token(server)}/")
    assert status == 200
    assert "Known &lt;line&gt;" in text
    assert "<line>" not in re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL)
    script = f"/{token(server)}/static/js/bokeh.min.js"
    assert ask(server, script)[0] == 200
    for path in ("/", "/ws", "/static/js/bokeh.min.js", f"/{token(server)[:-1]}/", "/x/ws"):
        assert ask(server, path)[0] == 403, path


def test_the_token_is_new_every_time(server: Viewing) -> None:
    assert len(token(server)) >= 32
    assert token(server) not in repr(server.server.io_loop)


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_writes_are_refused(server: Viewing, known: KnownLine, method: str) -> None:
    before = {path: path.stat().st_mtime_ns for path in known.out.rglob("*")}
    assert ask(server, f"/{token(server)}/", method)[0] == 405
    assert {path: path.stat().st_mtime_ns for path in known.out.rglob("*")} == before


def test_other_hosts_are_refused(server: Viewing) -> None:
    port = urlsplit(server.address).port
    page = f"/{token(server)}/"
    assert ask(server, page, headers={"Host": f"localhost:{port}"})[0] == 200
    for host in ("elsewhere.example", f"elsewhere.example:{port}", f"127.0.0.1:{port + 1}"):
        assert ask(server, page, headers={"Host": host})[0] == 403, host
    name = {one.getsockname()[0] for one in server.server._http._sockets.values()}
    assert name == {"127.0.0.1"}


def test_web_sockets_are_refused_without_token_and_to_other_pages(server: Viewing) -> None:
    port = urlsplit(server.address).port
    own, foreign = f"http://127.0.0.1:{port}", "http://elsewhere.example"
    socket_path = f"/{token(server)}/ws"
    assert ask(server, "/ws", headers={**UPGRADE, "Origin": own})[0] == 403
    assert ask(server, socket_path, headers={**UPGRADE, "Origin": foreign})[0] == 403


def test_a_port_that_is_taken_is_said(known: KnownLine) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with (
            pytest.raises(OutputError, match=f"port {port} cannot be used .it is taken"),
            viewing(known.out, Place(), port),
        ):
            pass
