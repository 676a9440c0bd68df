"""A load generator in a process of its own: `python -m service.bench.load`.

Reads from standard input what to ask (JSON), asks in turns, and prints how many
answers each turn brought in how long. Raw sockets kept alive, so that it costs less than what
it measures; every answer must have the length and status of the first one.
"""

import asyncio
import json
import sys
import time
from dataclasses import dataclass
from typing import Any

import uvloop

CONNECTIONS = 8
OK = b"HTTP/1.1 200"


@dataclass(frozen=True)
class Target:
    """One address of one server."""

    name: str
    port: int
    path: str
    token: str | None

    def request(self) -> bytes:
        """The request as it goes over the wire."""
        lines = [f"GET {self.path} HTTP/1.1", f"Host: 127.0.0.1:{self.port}"]
        if self.token is not None:
            lines.append(f"Authorization: Bearer {self.token}")
        return ("\r\n".join(lines) + "\r\n\r\n").encode()


class Asker(asyncio.Protocol):
    """One connection that asks again as soon as it has the whole answer."""

    def __init__(self, request: bytes, length: int, until: float) -> None:
        self._request, self._length, self._until = request, length, until
        self._got = 0
        self._transport: Any = None
        self.answers = 0
        self.done: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Ask for the first time."""
        self._transport = transport
        self._transport.write(self._request)

    def data_received(self, data: bytes) -> None:
        """Count bytes until the answer is whole. A wrong one ends the run."""
        if self._got == 0 and not data.startswith(OK):
            self._fail(f"answered {data[:200]!r}")
            return
        self._got += len(data)
        if self._got < self._length:
            return
        if self._got > self._length:
            self._fail(f"an answer has {self._got} bytes instead of {self._length}")
            return
        self.answers += 1
        self._got = 0
        if time.perf_counter() >= self._until:
            self._transport.close()
            self.done.set_result(None)
        else:
            self._transport.write(self._request)

    def connection_lost(self, exc: Exception | None) -> None:
        """A server that hangs up in the middle ends the run."""
        if not self.done.done():
            self._fail(f"the server hung up: {exc}")

    def _fail(self, why: str) -> None:
        if not self.done.done():
            self.done.set_exception(RuntimeError(why))
        self._transport.abort()


async def first_length(target: Target) -> int:
    """How long a whole answer is, headers included. Raises RuntimeError unless it is a 200."""
    reader, writer = await asyncio.open_connection("127.0.0.1", target.port)
    writer.write(target.request())
    head = await reader.readuntil(b"\r\n\r\n")
    if not head.startswith(OK):
        raise RuntimeError(f"{target.name} answered {head!r}")
    fields = dict(line.split(b": ", 1) for line in head.strip().lower().split(b"\r\n")[1:])
    body = int(fields[b"content-length"])
    await reader.readexactly(body)
    writer.close()
    return len(head) + body


async def ask_for(target: Target, length: int, seconds: float) -> tuple[int, float]:
    """Ask on several connections for a while: answers, and the seconds they took."""
    loop = asyncio.get_running_loop()
    started = time.perf_counter()
    request, until = target.request(), started + seconds
    askers = []
    for _ in range(CONNECTIONS):
        _, asker = await loop.create_connection(
            lambda: Asker(request, length, until), "127.0.0.1", target.port
        )
        askers.append(asker)
    await asyncio.gather(*(asker.done for asker in askers))
    return sum(asker.answers for asker in askers), time.perf_counter() - started


async def take_turns(
    targets: list[Target], rounds: int, seconds: float
) -> dict[str, list[tuple[int, float]]]:
    """Each target for a short while, again and again: noise falls on all alike."""
    lengths = {target.name: await first_length(target) for target in targets}
    found: dict[str, list[tuple[int, float]]] = {target.name: [] for target in targets}
    for turn in range(rounds + 1):  # the first turn only warms up
        for target in targets if turn % 2 else reversed(targets):
            found[target.name].append(await ask_for(target, lengths[target.name], seconds))
    return found


def main() -> None:
    """Targets in; answers and seconds of each turn out."""
    order = json.load(sys.stdin)
    targets = [Target(**each) for each in order["targets"]]
    print(json.dumps(uvloop.run(take_turns(targets, order["rounds"], order["seconds"]))))


if __name__ == "__main__":
    main()
