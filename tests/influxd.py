"""A real InfluxDB server for tests: a private configuration, a free port, everything in a folder that pytest removes.

It asks for a user and a password, as a server on a network should.
"""

import shutil
import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

USER, PASSWORD = "grower", "a secret: with colon"

_CONFIGURATION = """
reporting-enabled = false
bind-address = "127.0.0.1:0"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  index-version = "{index}"
[http]
  bind-address = "127.0.0.1:{port}"
  auth-enabled = true
  log-enabled = false
[monitor]
  store-enabled = false
"""


class Influxd:
    """The server as a child process; it can be stopped, started again on the same port, paused and resumed."""

    def __init__(self, folder: Path, *, index: str = "inmem") -> None:
        self._folder = folder
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.secret = f"{USER}:{PASSWORD}"
        folder.mkdir(parents=True)
        (folder / "influxd.conf").write_text(_CONFIGURATION.format(folder=folder, port=self.port, index=index))
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Start, and return when it listens."""
        self._process = subprocess.Popen(
            ["influxd", "run", "-config", str(self._folder / "influxd.conf")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self._process.stderr is not None
        said = []
        for line in self._process.stderr:
            said.append(line)
            if "Listening for signals" in line:
                # What it says from now on is thrown away, so that a full pipe never stops it.
                drain = subprocess.Popen(["cat"], stdin=self._process.stderr, stdout=subprocess.DEVNULL)
                self._process.stderr.close()
                self._drain = drain
                return
        raise RuntimeError(f"influxd did not start: {''.join(said[-3:])}")

    def stop(self) -> None:
        """Stop it for real; what it has is on its disk."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            self._process.wait(timeout=60)
            self._drain.wait(timeout=60)
            self._process = None

    def pause(self) -> None:
        """Freeze it: connections are taken, and nothing is answered."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let it go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


@contextmanager
def running_influxd(folder: Path, *, index: str = "inmem") -> Iterator[Influxd]:
    """A running server with its administrator; skips the test where Debian's influxdb is not installed."""
    if shutil.which("influxd") is None:
        pytest.skip("needs influxd (Debian package influxdb)")
    from influxdb_client.client.influxdb_client import InfluxDBClient

    server = Influxd(folder, index=index)
    server.start()
    try:
        with InfluxDBClient(server.url, token="nobody:", timeout=60_000) as client:
            query = f"CREATE USER {USER} WITH PASSWORD '{PASSWORD}' WITH ALL PRIVILEGES"
            client.api_client.call_api("/query", "POST", query_params=[("q", query)], header_params={})
        yield server
    finally:
        server.stop()
