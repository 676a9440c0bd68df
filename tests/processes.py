"""The service as it really runs: processes of their own, asked over the network.

`served` starts `fishhouse serve` on free ports and stops the processes whatever
the test does.
"""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import httpx

START_WITHIN_S = 60.0
STOP_WITHIN_S = 15.0


@contextmanager
def served(
    address: str,
    folder: Path,
    ports: int = 2,
    *,
    watch: bool = False,
    options: Sequence[str] = (),
    **settings: str,
) -> Iterator[list[str]]:
    """So many processes of the service on one migrated database; their base URLs.

    watch: whether each runs its own watch. options: more words for `fishhouse serve`; with
    `--tls` the URLs say https. settings: further `FISHHOUSE_…`
    variables, without the prefix. Raises AssertionError, with what a process
    said, if one does not become ready.
    """
    environment = {
        **os.environ,
        "FISHHOUSE_DATABASE_URL": address,
        "FISHHOUSE_DATA_DIR": str(folder),
        "FISHHOUSE_RUN_WATCH": str(watch).lower(),
        **{f"FISHHOUSE_{name.upper()}": value for name, value in settings.items()},
    }
    with ExitStack() as stack:
        started = [
            stack.enter_context(_process(port, folder, environment, options))
            for port in free_ports(ports)
        ]
        for process, url, said in started:
            _wait_until_ready(process, url, said)
        yield [url for _, url, _ in started]


@contextmanager
def _process(
    port: int, folder: Path, environment: dict[str, str], options: Sequence[str]
) -> Iterator[tuple["subprocess.Popen[bytes]", str, Path]]:
    said = folder / f"serve-{port}.log"
    command = [sys.executable, "-m", "service.cli", "serve", "--port", str(port), *options]
    scheme = "https" if "--tls" in options else "http"
    with said.open("wb") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
        try:
            yield process, f"{scheme}://127.0.0.1:{port}", said
        finally:
            stop(process)


def stop(process: "subprocess.Popen[bytes]") -> None:
    """Ask a process to end; end it if it does not."""
    process.terminate()
    try:
        process.wait(STOP_WITHIN_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def free_ports(count: int) -> Sequence[int]:
    """Ports of this machine that nobody listens on."""
    with ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(count)]
        for each in sockets:
            each.bind(("127.0.0.1", 0))
        return [int(each.getsockname()[1]) for each in sockets]


def _wait_until_ready(process: "subprocess.Popen[bytes]", url: str, said: Path) -> None:
    deadline = time.monotonic() + START_WITHIN_S
    while time.monotonic() < deadline and process.poll() is None:
        try:
            if httpx.get(f"{url}/readyz", timeout=5, verify=False).status_code == 200:
                return
        except httpx.TransportError:
            pass  # it does not listen yet
        time.sleep(0.05)
    raise AssertionError(f"{url} did not become ready:\n{said.read_text(errors='replace')[-4000:]}")


@contextmanager
def one_served(
    address: str, folder: Path, **settings: str
) -> Iterator[tuple[str, "subprocess.Popen[bytes]"]]:
    """One process of the service without a watch: its base URL, and itself, to be killed."""
    environment = {
        **os.environ,
        "FISHHOUSE_DATABASE_URL": address,
        "FISHHOUSE_DATA_DIR": str(folder),
        "FISHHOUSE_RUN_WATCH": "false",
        **{f"FISHHOUSE_{name.upper()}": value for name, value in settings.items()},
    }
    (port,) = free_ports(1)
    with _process(port, folder, environment, ()) as (process, url, said):
        _wait_until_ready(process, url, said)
        yield url, process
