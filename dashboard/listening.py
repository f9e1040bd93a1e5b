"""A Flask application behind waitress, in a thread, until told to end.

Owns sockets and the serving threads; knows nothing of what is served.
"""

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import waitress
from flask import Flask
from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.trigger import trigger

THREADS = 6


@contextmanager
def listening(server: Flask, host: str, port: int) -> Iterator[int]:
    """Serve in a thread while the block runs; gives the port (asked as 0: a free one).

    At the end running requests are finished and every connection is closed, so that the port is free at once.
    """
    # Says at every page load that all threads are busy for a moment, which they may be.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    channels: dict[int, Any] = {}
    serving = waitress.create_server(server, host=host, port=port, threads=THREADS, ident="dryline", map=channels)
    loop = threading.Thread(target=serving.run, name="dashboard", daemon=True)
    loop.start()
    try:
        yield int(serving.effective_port)
    finally:
        serving.task_dispatcher.shutdown()
        # Sockets belong to the loop's thread: it is woken up and closes them itself.
        wake = next(channel for channel in list(channels.values()) if isinstance(channel, trigger))
        wake.pull_trigger(lambda: _close_all(channels))
        loop.join(timeout=10)


def _close_all(channels: dict[int, Any]) -> None:
    """Every connection with what it still held to send, then the listening sockets themselves."""
    for channel in list(channels.values()):
        if isinstance(channel, HTTPChannel):
            channel.handle_close()
    wasyncore.close_all(channels, ignore_all=True)
