"""A mail server and a receiver of webhooks, real ones, each in a thread."""

import json
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from tests.processes import free_ports

LOGIN = (b"kitchen", b"s3cret-mail")


@dataclass
class MailServer:
    """What a mail server was handed; `answers` are given first, one a letter."""

    port: int = 0
    answers: list[str] = field(default_factory=list)
    letters: list[EmailMessage] = field(default_factory=list)

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        if self.answers and (answer := self.answers.pop(0)) != "250 OK":
            return answer
        letter = message_from_bytes(envelope.content, policy=default)
        assert isinstance(letter, EmailMessage)
        self.letters.append(letter)
        return "250 OK"


@contextmanager
def mail_server(*answers: str) -> Iterator[MailServer]:
    (port,) = free_ports(1)
    sink = MailServer(port, answers=list(answers))
    controller = Controller(sink, hostname="127.0.0.1", port=sink.port)
    controller.start()
    try:
        yield sink
    finally:
        controller.stop()


@dataclass(frozen=True)
class Request:
    """A request as it came."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def event(self) -> Any:
        return json.loads(self.body)


@dataclass
class Receiver:
    """A program that takes webhooks; `answers` are its first statuses, then it says 200.

    -1: it hangs until the end. -2: it drips its answer, a byte at a time.
    """

    address: str = ""
    answers: list[int] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)
    ends: threading.Event = field(default_factory=threading.Event)


@contextmanager
def guarded_mail_server(folder: Path, security: str) -> Iterator[MailServer]:
    """A mail server that hears nobody without TLS and a log-in; its authority is made for it.

    authority.pem in the folder is what a client has to trust.
    """
    authority = trustme.CA()
    authority.cert_pem.write_to_path(folder / "authority.pem")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    (port,) = free_ports(1)
    sink = MailServer(port)

    def known(_server: Any, _session: Any, _envelope: Any, _how: str, login: Any) -> AuthResult:
        return AuthResult(success=(login.login, login.password) == LOGIN, handled=False)

    at_once = security == "tls"
    controller = Controller(
        sink,
        hostname="127.0.0.1",
        port=port,
        ssl_context=context if at_once else None,
        tls_context=None if at_once else context,
        require_starttls=not at_once,
        auth_required=True,
        auth_require_tls=not at_once,
        authenticator=known,
    )
    controller.start()
    try:
        yield sink
    finally:
        controller.stop()


@contextmanager
def receiver(*answers: int) -> Iterator[Receiver]:
    taken = Receiver(answers=list(answers))
    lock = threading.Lock()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = int(self.headers["content-length"])
            request = Request(self.path, dict(self.headers.items()), self.rfile.read(length))
            with lock:
                taken.requests.append(request)
                status = taken.answers.pop(0) if taken.answers else 200
            if status == -1:
                taken.ends.wait(30)
                return
            if status == -2:
                self._drip()
                return
            self.send_response(status)
            if 300 <= status < 400:
                self.send_header("Location", f"{taken.address}/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        def _drip(self) -> None:
            try:
                for byte in b"HTTP/1.1 200 OK\r\n" * 100:
                    if taken.ends.is_set():
                        return
                    self.wfile.write(bytes([byte]))
                    self.wfile.flush()
                    time.sleep(0.05)
            except OSError:
                return

        def log_message(self, *_: Any) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    taken.address = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield taken
    finally:
        taken.ends.set()
        server.shutdown()
        server.server_close()
