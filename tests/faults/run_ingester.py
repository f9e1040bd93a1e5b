"""An ingester as a process of its own, for tests that kill it: `run_ingester.py SETTINGS.json`, ended by SIGTERM.

With `file_limit_bytes` no file may grow beyond that, which is what a full disk does to a store; SIGUSR1 lifts it.
`clock_file` holds by how many milliseconds the host's clock is off, read at every look at it.
"""

import json
import logging
import resource
import signal
import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from ingest.readings.sqlite import SqliteReadings
from ingest.sensors import Sensor
from ingest.subscriber import Link, now_ms, run


def main(path: str) -> None:
    """Ingest until told to stop."""
    settings = json.loads(Path(path).read_text(encoding="utf-8"))
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    if settings.get("file_limit_bytes"):
        whole = resource.getrlimit(resource.RLIMIT_FSIZE)
        signal.signal(signal.SIGUSR1, lambda *_: resource.setrlimit(resource.RLIMIT_FSIZE, whole))
        resource.setrlimit(resource.RLIMIT_FSIZE, (settings["file_limit_bytes"], whole[1]))
    store = SqliteReadings(settings["store"], busy_s=2.0)
    what = {"t": ("air_temperature", "Cel"), "h": ("relative_humidity", "%RH")}
    fields = settings.get("fields", ["t"])
    sensors = [Sensor(topic, "senml", field, *what[field]) for topic in settings["topics"] for field in fields]
    sensors += [Sensor(topic, "number", "", "air_temperature", "Cel") for topic in settings.get("bare", [])]
    clock = Path(settings["clock_file"]) if settings.get("clock_file") else None
    run(
        Link(**settings["link"]),
        store,
        lambda: sensors,
        stop=stop,
        status_file=Path(settings["status"]),
        clock_ms=lambda: now_ms() + (int(clock.read_text(encoding="utf-8")) if clock else 0),
    )
    store.close()


if __name__ == "__main__":
    main(sys.argv[1])
