"""Real brokers as processes of their own: one from the package index, and mosquitto where it is."""

import asyncio
import json
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pwdlib.hashers.argon2 import Argon2Hasher

from tests.processes import free_ports

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
KINDS = ["amqtt", *(["mosquitto"] if MOSQUITTO else [])]
LOGIN = ("kitchen", "a long pass:word")


@dataclass
class RunningBroker:
    """A broker that can be killed and started again on its port."""

    kind: str
    folder: Path
    tls: tuple[Path, Path] | None = None  # certificate and key
    login: tuple[str, str] = LOGIN  # amqtt keeps no session of somebody without a name
    port: int = field(default_factory=lambda: free_ports(1)[0])
    process: "subprocess.Popen[bytes] | None" = None

    @property
    def version(self) -> str:
        """The newest MQTT that it speaks."""
        return "5" if self.kind == "mosquitto" else "3.1.1"

    @property
    def keeps_sessions(self) -> bool:
        """Whether a restart leaves the sessions as they were."""
        return self.kind == "mosquitto"

    @property
    def address(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://localhost:{self.port}"

    def start(self) -> None:
        command = self._mosquitto() if self.kind == "mosquitto" else self._amqtt()
        with (self.folder / f"broker-{self.port}.log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        until = time.monotonic() + 30
        while time.monotonic() < until and self.process.poll() is None:
            try:
                with socket.create_connection(("localhost", self.port), timeout=1):
                    return
            except OSError:
                time.sleep(0.05)
        raise AssertionError(self.said())

    def stop(self, how: int = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()

    def said(self) -> str:
        log = self.folder / f"broker-{self.port}.log"
        return log.read_text(errors="replace")[-3000:] if log.exists() else ""

    def _mosquitto(self) -> list[str]:
        """Sessions are written down after each change, so that a restart keeps them."""
        lines = [
            f"listener {self.port} localhost",
            "allow_anonymous false",
            "persistence true",
            f"persistence_location {self.folder}/",
            f"persistence_file broker-{self.port}.db",
            "autosave_on_changes true",
            "autosave_interval 1",
            "max_queued_messages 0",
            "user root",
        ]
        if self.tls:
            lines += [f"certfile {self.tls[0]}", f"keyfile {self.tls[1]}"]
        passwords = self.folder / f"passwords-{self.port}"
        passwords.touch(mode=0o600)
        command = ["mosquitto_passwd", "-b", str(passwords), *self.login]
        subprocess.run(command, check=True, capture_output=True)
        lines.append(f"password_file {passwords}")
        file = self.folder / f"broker-{self.port}.conf"
        file.write_text("\n".join(lines) + "\n")
        assert MOSQUITTO
        return [MOSQUITTO, "-c", str(file)]

    def _amqtt(self) -> list[str]:
        listener: dict[str, Any] = {"type": "tcp", "bind": f"localhost:{self.port}"}
        if self.tls:
            listener |= {"ssl": True, "certfile": str(self.tls[0]), "keyfile": str(self.tls[1])}
        passwords = self.folder / f"passwords-{self.port}"
        passwords.write_text(f"{self.login[0]}:{Argon2Hasher().hash(self.login[1])}\n")
        plugin = "amqtt.plugins.authentication.FileAuthPlugin"
        plugins = {plugin: {"password_file": str(passwords)}}
        file = self.folder / f"broker-{self.port}.json"
        file.write_text(json.dumps({"listeners": {"default": listener}, "plugins": plugins}))
        return [sys.executable, "-m", "tests.mqtt.brokers", str(file)]


@contextmanager
def running(kind: str, folder: Path, **more: Any) -> Iterator[RunningBroker]:
    """A broker, gone afterwards whatever happens."""
    broker = RunningBroker(kind, folder, **more)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop(signal.SIGKILL)


async def serve(configuration: dict[str, Any]) -> None:
    """Be the broker until killed."""
    from amqtt.broker import Broker  # noqa: PLC0415 - only in the broker's own process

    broker = Broker(configuration)
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(json.loads(Path(sys.argv[1]).read_text())))
