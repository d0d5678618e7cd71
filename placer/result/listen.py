"""A small server for one run on this machine alone: the page, its sound in ranges, and votes.

It listens on 127.0.0.1, serves nothing but the page and the WAV files that result.json names, and
answers only requests whose Host (and, for votes, Origin) is its own, so that no other page in the
same browser can read a run or vote.

*Conventions*: `/` the page; `/audio/TOKEN` a mix, `/audio/TOKEN/TRACK` a placed stem (index of the
track); `/parts/RANK/TRACK` the analysed passage of a placed track; POST with JSON for rounds, ABX,
votes and answers to moves.

`ListenServer`: the server. `serve`: runs one until interrupted.

Sources
-------
RFC 9110 (Host, Range); WHATWG Fetch (Origin); W3C Content Security Policy Level 3.
"""

from __future__ import annotations

import json
import re
import secrets
import threading
import webbrowser
from collections.abc import Callable, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from placer.errors import FolderError, PlacerError
from placer.result.listening_page import ListeningPage
from placer.result.ranges import WavBytes, parse_range

HOST = "127.0.0.1"
LARGEST_REQUEST = 64 * 1024
BLOCK = 1 << 20
"""Bytes sent at a time."""


TIMEOUT = 30.0
"""Seconds after which a request that does not go on is given up."""


class ListenServer(ThreadingHTTPServer):
    """Server of one run folder; `url` is where it answers.

    Parameters
    ----------
    run_folder : Path
    port : int
        0 takes any free one.

    Raises
    ------
    FolderError
        If the run or its votes cannot be read, or the port is taken.
    """

    daemon_threads = True

    def __init__(self, run_folder: Path, port: int = 0) -> None:
        self.answers = ListeningPage(run_folder)
        self.lock = threading.Lock()
        try:
            super().__init__((HOST, port), _Handler)
        except OSError as error:
            raise FolderError(
                f"port = {port}: cannot be used ({error.strerror}); choose another, or 0 for any"
            ) from error

    @property
    def url(self) -> str:
        """Where the page is."""
        return f"http://{HOST}:{self.server_port}/"

    @property
    def names(self) -> tuple[str, str]:
        """What a request may call this server."""
        return f"{HOST}:{self.server_port}", f"localhost:{self.server_port}"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Stay silent when a browser hangs up or says no more; anything else is told as usual."""
        import sys

        if not isinstance(sys.exc_info()[1], ConnectionError | TimeoutError):
            super().handle_error(request, client_address)


class _Handler(BaseHTTPRequestHandler):
    """Answers one request."""

    protocol_version = "HTTP/1.1"
    timeout = TIMEOUT
    server: ListenServer

    def log_message(self, format: str, *args: Any) -> None:
        """Keep the terminal for the person at it."""

    def version_string(self) -> str:
        """Name the program without its version."""
        return "placer"

    def do_HEAD(self) -> None:
        """Answer as GET would, without the body."""
        self.do_GET()

    def do_GET(self) -> None:
        """Give the page or a span of sound."""
        if self.headers.get("Host") not in self.server.names:
            self._json(403, {"error": "this server answers only to its own name"})
        elif self.path == "/":
            self._page()
        elif self.path.startswith("/audio/"):
            self._audio(self.server.answers.audio(self.path.removeprefix("/audio/")))
        elif self.path.startswith("/parts/"):
            self._audio(self.server.answers.part(self.path.removeprefix("/parts/")))
        else:
            self._json(404, {"error": "no such page"})

    def _page(self) -> None:
        """Give the page, or the reason why there is none."""
        nonce = secrets.token_urlsafe(12)
        try:
            with self.server.lock:
                body = self.server.answers.page(nonce).encode()
        except PlacerError as error:
            self._json(500, {"error": str(error)})
            return
        self._head(200, "text/html; charset=utf-8", len(body), policy=_policy(nonce))
        self._body(body)

    def do_POST(self) -> None:
        """Take a round, an ABX step or a vote."""
        origins = [f"http://{name}" for name in self.server.names]
        if (
            self.headers.get("Host") not in self.server.names
            or self.headers.get("Origin") not in origins
        ):
            self.close_connection = True
            self._json(403, {"error": "only this server's own page may vote"})
            return
        length = self.headers.get("Content-Length", "")
        if not re.fullmatch(r"[0-9]{1,9}", length) or int(length) > LARGEST_REQUEST:
            self.close_connection = True
            self._json(413, {"error": "too large"})
            return
        try:
            asked = json.loads(self.rfile.read(int(length)))
            with self.server.lock:
                found = self.server.answers.post(self.path, asked)
        except PlacerError as error:
            self._json(500 if isinstance(error, FolderError) else 400, {"error": str(error)})
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            self._json(400, {"error": f"not understood: {error!r}"})
        else:
            self._json(200, found)

    def _audio(self, found: tuple[Path, float] | None) -> None:
        """Give the range asked for of a file, with its gain in dB."""
        if found is None:
            self._json(404, {"error": "no such sound"})
            return
        try:
            sound = WavBytes(*found)
        except (OSError, PlacerError):
            self._json(404, {"error": "the sound file is missing or damaged; render it again"})
            return
        asked = self.headers.get("Range")
        span = parse_range(asked, sound.size)
        if span is None:
            self._head(416, "audio/wav", 0, extra={"Content-Range": f"bytes */{sound.size}"})
            return
        start, stop = span
        extra = {"Accept-Ranges": "bytes"}
        if asked:
            extra["Content-Range"] = f"bytes {start}-{stop - 1}/{sound.size}"
        self._head(206 if asked else 200, "audio/wav", stop - start, extra=extra)
        for at in range(start, stop, BLOCK):
            self._body(sound.read(at, min(stop, at + BLOCK)))

    def _json(self, status: int, found: Mapping[str, Any]) -> None:
        """Answer with JSON."""
        body = json.dumps(found).encode()
        self._head(status, "application/json", len(body))
        self._body(body)

    def _head(
        self, status: int, kind: str, length: int, *, policy: str = "default-src 'none'",
        extra: Mapping[str, str] | None = None,
    ) -> None:  # fmt: skip
        """Send the status line and headers that every answer has."""
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(length))
        self.send_header("Content-Security-Policy", policy)
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Cross-Origin-Resource-Policy", "same-origin")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("Cache-Control", "no-store")
        for name, value in (extra or {}).items():
            self.send_header(name, value)
        self.end_headers()

    def _body(self, body: bytes) -> None:
        """Send a body unless only its head was asked for."""
        if self.command != "HEAD":
            self.wfile.write(body)


def _policy(nonce: str) -> str:
    """What the page may do: its own script and style, this server, nothing else."""
    return (
        f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'unsafe-inline'; "
        "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )


def serve(
    run_folder: Path,
    *,
    port: int = 0,
    open_browser: bool = True,
    announce: Callable[[str], None] = lambda _: None,
) -> None:
    """Serve a run until interrupted (Ctrl+C).

    Parameters
    ----------
    run_folder : Path
    port : int
        0 takes any free one.
    open_browser : bool
        Open the page in the usual browser.
    announce : callable
        Told the address once the server answers.

    Raises
    ------
    FolderError
        As `ListenServer`.
    """
    with ListenServer(run_folder, port) as server:
        announce(server.url)
        if open_browser:
            threading.Thread(target=webbrowser.open, args=(server.url,), daemon=True).start()
        try:
            server.serve_forever(poll_interval=0.2)
        except KeyboardInterrupt:
            return
