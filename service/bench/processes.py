"""Servers as processes of their own: started, timed, weighed, stopped."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

READY_WITHIN_S = 60.0
GET_READY = b"GET %b HTTP/1.1\r\nHost: bench\r\nConnection: close\r\n\r\n"


@dataclass(frozen=True)
class Server:
    """A process that answers on a port."""

    process_id: int
    port: int
    first_answer_s: float

    def resident_mb(self) -> float:
        """Memory in use now, from /proc: MB of 10^6 bytes."""
        for line in Path(f"/proc/{self.process_id}/status").read_text().splitlines():
            if line.startswith("VmRSS:"):
                return int(line.split()[1]) * 1024 / 1e6
        raise RuntimeError("this system does not say how much memory a process uses")

    def worked_s(self) -> float:
        """Processor seconds that it has used, of itself and in the kernel for it."""
        fields = Path(f"/proc/{self.process_id}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def service(address: str, folder: Path) -> Iterator[Server]:
    """`fishhouse serve` on a database; its start is timed to the first answer of /readyz."""
    port = free_port()
    command = [sys.executable, "-m", "service.cli", "serve", "--port", str(port)]
    given = {"FISHHOUSE_DATABASE_URL": address, "FISHHOUSE_DATA_DIR": str(folder)}
    with _running(command, given, port, b"/readyz", folder / "serve.log") as server:
        yield server


@contextmanager
def bare(given: Mapping[str, str], folder: Path) -> Iterator[Server]:
    """The bare application on the same server with the same settings."""
    port = free_port()
    command = [
        *(sys.executable, "-m", "uvicorn", "--factory", "service.bench.bare:create_bare"),
        *("--port", str(port), "--no-access-log"),
    ]
    with _running(command, given, port, b"/openapi.json", folder / "bare.log") as server:
        yield server


@contextmanager
def _running(
    command: Sequence[str], given: Mapping[str, str], port: int, path: bytes, said: Path
) -> Iterator[Server]:
    started = time.perf_counter()
    with said.open("wb") as log:
        process = subprocess.Popen(
            command, env=_environment(given, said.parent), stdout=log, stderr=log
        )
        try:
            _wait_for_answer(process, port, path, said)
            yield Server(process.pid, port, time.perf_counter() - started)
        finally:
            process.terminate()
            process.wait(READY_WITHIN_S)


def _environment(given: Mapping[str, str], folder: Path) -> dict[str, str]:
    """That of an installed service: modules compiled once, whatever this shell forbids."""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, **given, "PYTHONPYCACHEPREFIX": str(folder / "compiled")}


def _wait_for_answer(
    process: "subprocess.Popen[bytes]", port: int, path: bytes, said: Path
) -> None:
    until = time.perf_counter() + READY_WITHIN_S
    while time.perf_counter() < until and process.poll() is None:
        try:
            with socket.create_connection(("127.0.0.1", port), timeout=5) as connection:
                connection.sendall(GET_READY % path)
                if connection.recv(12) == b"HTTP/1.1 200":
                    return
        except OSError:
            time.sleep(0.01)  # it does not listen yet
    raise RuntimeError(f"no answer from port {port}:\n{said.read_text(errors='replace')[-2000:]}")


def free_port() -> int:
    """A port of this machine that nobody listens on."""
    with socket.socket() as each:
        each.bind(("127.0.0.1", 0))
        return int(each.getsockname()[1])
