"""Serves the page to this machine alone.

The address holds a token that nobody can guess. A request is answered where it comes to the loop
interface, names this server as its host, holds the token and comes from the page itself; else it
gets 403 and no word more. So another page in the same browser, or a name that somebody else's
server makes point here, reaches nothing.
"""

import hmac
import json
import secrets
import sys
import threading
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import numpy as np

from retro.errors import RetroError
from retro.listening.desk import Desk
from retro.listening.page import PAGE_POLICY, page_html
from retro.listening.sound import PageSound, SoundName
from retro.version import VERSION

LOOP = "127.0.0.1"
MAX_BODY = 262_144
"""Bytes of the largest question: 512 tracks with long names stay below."""

IDLE_S = 60.0
"""After so long a silent connection is closed."""

HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": PAGE_POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""Stated with every answer."""


class ListeningServer(ThreadingHTTPServer):
    """The server of one page, on a port of its own where `port` is 0.

    The desk answers what the page asks; `tell` is called with a fault that nobody foresaw.
    """

    daemon_threads = True
    allow_reuse_address = False

    def __init__(
        self, desk: Desk, port: int = 0, tell: Callable[[Exception], None] = lambda _: None
    ) -> None:
        super().__init__((LOOP, port), _Handler)
        self.desk = desk
        self.tell = tell
        self.token = secrets.token_urlsafe(32)

    @property
    def host(self) -> str:
        """What requests name as their host."""
        return f"{LOOP}:{self.server_address[1]}"

    @property
    def address(self) -> str:
        """Where the page is."""
        return f"http://{self.host}/{self.token}/"

    def handle_error(self, *_: Any) -> None:
        """Tell a fault; a browser that closes a connection, or falls silent, is none."""
        fault = sys.exception()
        if isinstance(fault, Exception) and not isinstance(fault, ConnectionError | TimeoutError):
            self.tell(fault)


class _Handler(BaseHTTPRequestHandler):
    """Answers one connection."""

    server: ListeningServer
    protocol_version = "HTTP/1.1"
    server_version = f"retro/{VERSION}"
    sys_version = ""
    timeout = IDLE_S

    def do_GET(self) -> None:
        """Answer what a browser opens: the page alone."""
        if self._asked() == "":
            self._answer(page_html(), "text/html; charset=utf-8")
        else:
            self._refuse()

    def do_POST(self) -> None:
        """Answer what the page asks."""
        asked, body = self._asked(), self._body()
        if asked is None or body is None or not self._is_from_the_page():
            self._refuse()
            return
        try:
            self._answer_question(asked, body)
        except ConnectionError:
            raise
        except RetroError as refusal:
            self._answer_json({"refused": str(refusal)})
        except OSError as fault:
            self._answer_json({"refused": f"{fault.filename or ''}: {fault.strerror or fault}"})
        except Exception as fault:  # one question that fails ends no page
            self.server.tell(fault)
            self._answer_json({"refused": "an unexpected fault, of which the terminal says more"})

    def _answer_question(self, asked: str, body: bytes) -> None:
        desk = self.server.desk
        if asked in ("target", "plain", "flipped"):
            self._answer_sound(desk.sound(body, SoundName(asked)))
        elif asked == "song":
            self._answer_sound(desk.song(body))
        elif asked == "plan":
            self._answer_json(desk.plan(body, self._heard()))
        elif asked in ("state", "errors", "keep"):
            self._answer_json(getattr(desk, asked)(body))
        else:
            self._refuse()

    def log_message(self, *_: Any) -> None:
        """Log nothing: the address is a secret, and the terminal is for people."""

    def _asked(self) -> str | None:
        """Return what is asked for behind the token; None where the request is not for us."""
        if self.headers.get_all("Host") != [self.server.host]:
            return None
        parts = self.path.split("/", 2)
        if len(parts) != 3 or parts[0]:
            return None
        _, token, asked = parts
        is_ours = hmac.compare_digest(token.encode(), self.server.token.encode())
        return asked if is_ours else None

    def _is_from_the_page(self) -> bool:
        return (
            self.headers.get("Origin") == f"http://{self.server.host}"
            and self.headers.get("Sec-Fetch-Site", "same-origin") == "same-origin"
            and self.headers.get("Content-Type") == "application/json"
        )

    def _heard(self) -> SoundName:
        """Return which sound the page says that it hears."""
        name = self.headers.get("X-Hears", "")
        return SoundName(name) if name in tuple(SoundName) else SoundName.FLIPPED

    def _body(self) -> bytes | None:
        length = self.headers.get("Content-Length", "")
        if not length.isdecimal() or len(length) > 9 or int(length) > MAX_BODY:
            self.close_connection = True
            return None
        return self.rfile.read(int(length))

    def _answer_json(self, value: object) -> None:
        text = json.dumps(value, allow_nan=False, separators=(",", ":"))
        self._answer(text.encode(), "application/json")

    def _answer_sound(self, sound: PageSound) -> None:
        """Answer with interleaved frames, little-endian float32, unless the page has them."""
        about = {
            "tag": sound.tag,
            "rate": sound.rate,
            "window_start": sound.window_start_sample,
            "lufs": sound.lufs if np.isfinite(sound.lufs) else None,
        }
        if self.headers.get("X-Have") == sound.tag:
            self._answer(b"", "application/octet-stream", {"X-Sound": json.dumps(about)})
            return
        frames = np.ascontiguousarray(sound.sound, dtype="<f4")
        self._answer(
            frames.reshape(-1).view(np.uint8).data,
            "application/octet-stream",
            {"X-Sound": json.dumps(about)},
        )

    def _answer(
        self, body: bytes | memoryview, kind: str, others: Mapping[str, str] | None = None
    ) -> None:
        self.send_response(HTTPStatus.OK)
        for name, value in {**HEADERS, **(others or {})}.items():
            self.send_header(name, value)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _refuse(self) -> None:
        self.close_connection = True
        self.send_response(HTTPStatus.FORBIDDEN)
        self.send_header("Content-Length", "0")
        self.send_header("Connection", "close")
        self.end_headers()


def serving(server: ListeningServer) -> threading.Thread:
    """Return a thread in which a server answers until it is shut down."""
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    return thread
