"""How much is read: the largest body, packed or not, and how many at once."""

import asyncio
import zlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import Busy, Invalid, UnknownMedia

PLAIN = ("", "identity")
WINDOWS = {"gzip": zlib.MAX_WBITS | 16, "x-gzip": zlib.MAX_WBITS | 16, "deflate": zlib.MAX_WBITS}
ROOM_WAIT_S, TURN_WAIT_S = 5.0, 60.0


class BodyLimit:
    """Refuses a body with 413 as soon as it is longer than the limit, and unpacks one that is
    sent with `Content-Encoding` gzip or deflate: the limit is on what comes out.

    It refuses when the route begins to read: whoever has no token is told so
    first, and the answer is a problem document like every other. A body that
    says its length is refused before a byte of it is read; one packed to a thousandth
    of its size as soon as it is out of bounds, without the rest of it being unpacked.
    """

    def __init__(self, app: ASGIApp, most_bytes: int) -> None:
        self._app, self._most = app, most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, counting what is read of its body."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        declared = _declared_length(headers)
        encoding = headers.get(b"content-encoding", b"").decode("latin-1").strip().lower()
        unpacking = None if encoding in PLAIN else Unpacking(encoding, self._most)
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            if declared > self._most:
                raise too_large(self._most)
            message = await receive()
            if message["type"] != "http.request":
                return message
            taken += len(message.get("body", b""))
            if taken > self._most:
                raise too_large(self._most)
            return message if unpacking is None else unpacking.unpacked(message)

        await self._app(scope, counted, send)


def too_large(most_bytes: int) -> HTTPException:
    """The refusal of a body that is longer than the limit."""
    return HTTPException(413, f"the body is larger than the {most_bytes} bytes that are read")


def _declared_length(headers: dict[bytes, bytes]) -> int:
    said = headers.get(b"content-length", b"0")
    return int(said) if said.isdigit() else 0


class Unpacking:
    """A packed body (RFC 9110, 8.4.1), unpacked as it comes. Raises UnknownMedia for another
    encoding, Invalid for what is not packed so, and 413 as soon as more than the limit is out."""

    def __init__(self, encoding: str, most_bytes: int) -> None:
        self._encoding, self._most, self._out, self._begun = encoding, most_bytes, 0, False
        self._inflate = None if encoding not in WINDOWS else self._fresh()

    def _fresh(self) -> "zlib._Decompress":
        return zlib.decompressobj(WINDOWS[self._encoding])

    def unpacked(self, message: Message) -> Message:
        """The next part of the body, with what came out of it."""
        if self._inflate is None:
            raise UnknownMedia(
                f"a body packed as {self._encoding[:40]!r} is not read here",
                advice="Send it with Content-Encoding gzip or deflate, or as it is.",
            )
        body = self._all_of(message.get("body", b""))
        if not message.get("more_body", False) and self._begun and not self._inflate.eof:
            raise Invalid.at("body", f"the {self._encoding} data break off in the middle")
        return {**message, "body": body}

    def _all_of(self, packed: bytes) -> bytes:
        assert self._inflate is not None
        parts = []
        while packed:
            self._begun = True
            if self._inflate.eof:  # several members one after the other are one body
                self._inflate = self._fresh()
            try:
                part = self._inflate.decompress(packed, self._most - self._out + 1)
            except zlib.error as error:
                raise Invalid.at("body", f"these are not {self._encoding} data") from error
            self._out += len(part)
            if self._out > self._most:
                raise too_large(self._most)
            parts.append(part)
            packed = self._inflate.unused_data
        return b"".join(parts)


class Room:
    """So many at once; more wait a while in the order of coming, then are told to come again."""

    def __init__(self, at_once: int, wait_s: float) -> None:
        self._free, self._wait_s = asyncio.Semaphore(at_once), wait_s

    @asynccontextmanager
    async def taken(self) -> AsyncIterator[None]:
        """One of the places. Raises Busy when none gets free in time."""
        try:
            async with asyncio.timeout(self._wait_s):
                await self._free.acquire()
        except TimeoutError as error:
            raise Busy("more is being sent than is stored at once; nothing was stored") from error
        try:
            yield
        finally:
            self._free.release()


class Flow:
    """How bulk data come in: so many bodies in memory, the rest unread; one is stored at a time.

    So neither memory grows with what is sent, nor does anybody else who writes wait
    longer than for one of them.
    """

    def __init__(self, bodies_at_once: int) -> None:
        self.room = Room(bodies_at_once, ROOM_WAIT_S)
        self.turn = Room(1, TURN_WAIT_S)
