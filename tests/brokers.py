"""Real brokers for tests: the embedded one, and Mosquitto configured as docs/broker.md says, each on a free port."""

import shutil
import signal
import socket
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from ingest.broker import EmbeddedBroker, Listener, free_port

KINDS = ("embedded", "embedded-5", "mosquitto")
DOCS = Path(__file__).parents[1] / "docs" / "broker.md"
USER, PASSWORD = "grower", "a password of the tests"


@dataclass
class Running:
    """One running broker: where it listens, who may enter, and how to stop or kill it."""

    kind: str
    folder: Path
    port: int = 0
    publish_port: int = 0
    username: str | None = None
    password: str | None = None
    extra: list[str] = field(default_factory=list)
    _embedded: EmbeddedBroker | None = None
    _process: subprocess.Popen | None = None

    def start(self) -> "Running":
        """Start it, on the same port as before when it was started before."""
        if self.kind.startswith("embedded"):
            self._start_embedded()
        else:
            self._start_mosquitto()
        return self

    def _start_embedded(self) -> None:
        self.publish_port = self.publish_port or free_port()
        five = (self.port or free_port()) if self.kind == "embedded-5" else None
        self.port = five or self.publish_port
        self._embedded = EmbeddedBroker(Listener(port=self.publish_port, port_v5=five)).start()

    def _start_mosquitto(self) -> None:
        self.port = self.publish_port = self.port or free_port()
        self.username, self.password = USER, PASSWORD
        path = daily_configuration(self.folder, self.port, self.extra)
        log = (self.folder / "mosquitto.log").open("ab")
        self._process = subprocess.Popen([mosquitto(), "-c", str(path)], stdout=log, stderr=log)
        log.close()
        wait_for_port(self.port, self._process)

    def stop(self) -> None:
        """Ask it to stop."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """kill -9."""
        self._end(signal.SIGKILL)

    def _end(self, sign: signal.Signals) -> None:
        if self._embedded is not None:
            self._embedded.stop()
        if self._process is not None:
            self._process.send_signal(sign)
            self._process.wait(10)
        self._embedded = self._process = None


def mosquitto() -> str:
    """The path of Mosquitto; skips the test where the Debian package is missing."""
    for path in (shutil.which("mosquitto"), "/usr/sbin/mosquitto"):
        if path and Path(path).exists():
            return path
    pytest.skip("the Debian package mosquitto is not installed")


def documented_configuration() -> str:
    """The configuration block of docs/broker.md, so that what is documented is what is tested."""
    _, _, rest = DOCS.read_text(encoding="utf-8").partition("```conf\n")
    block, fence, _ = rest.partition("```")
    assert fence, "docs/broker.md has lost its configuration"
    return block


def daily_configuration(folder: Path, port: int, extra: list[str]) -> Path:
    """docs/broker.md's configuration with this test's port, folder and password; anything else stays."""
    users = folder / "users"
    if not users.exists():
        tool = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
        subprocess.run([tool, "-b", "-c", str(users), USER, PASSWORD], check=True, capture_output=True)
        users.chmod(0o600)
    ours = {
        "listener": f"listener {port} 127.0.0.1",
        "password_file": f"password_file {users}",
        "persistence_location": f"persistence_location {folder}/",
        "log_dest": "log_dest stderr",
    }
    lines = [ours.get(line.split(" ")[0], line) for line in documented_configuration().splitlines()]
    path = folder / "mosquitto.conf"
    # As root Mosquitto changes to a user who may not write in the test's folder.
    path.write_text("\n".join([*lines, "user root", *extra]) + "\n", encoding="utf-8")
    return path


def wait_for_port(port: int, process: subprocess.Popen) -> None:
    """Until something accepts connections there."""
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        assert process.poll() is None, "the broker ended at once"
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            time.sleep(0.01)
    raise AssertionError("the broker did not listen")
