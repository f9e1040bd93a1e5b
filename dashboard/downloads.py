"""What leaves the dashboard as a file of its own: the labels to print, the backup, the calendar for a phone.

Owns these addresses and nothing else. Labels and backup stand behind the door like every page; the calendar's address
holds its own secret. A backup is written beside the home and streamed; the file is gone as soon as it was sent.
"""

import logging
import tempfile
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from flask import Flask, Response, make_response, request, send_file

from dashboard import calendar_secret
from dashboard.reach import reach
from ingest.logbook.labels import label_sheet
from ingest.logbook.records import Pot
from ingest.logbook.refusals import Refused
from ingest.readings import StoreError

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Downloads:
    """What can be asked for. `host` is where the settings say that the dashboard listens."""

    folder: Path
    host: str
    pots: Callable[[], list[Pot]]
    backup: Callable[[Path], object]
    calendar: Callable[[int], bytes]


def offer(server: Flask, kept: Downloads, now_ms: Callable[[], int]) -> None:
    """Answer `GET /labels`, `GET /backup` and `GET /calendar/SECRET.ics`."""
    one_at_a_time = threading.Lock()

    def labels() -> Response:
        wanted = request.args.getlist("pot")
        pots = [pot for pot in kept.pots() if not wanted or pot.label in wanted]
        if not pots:
            return _said("There is no such pot; nothing to print.", 404)
        address = reach(kept.host, True, request.host_url).address
        response = make_response(label_sheet(pots, lambda label: f"{address}/pot/{quote(label, safe='')}"))
        response.mimetype = "text/html"
        return response

    def backup() -> Response:
        if request.headers.get("Sec-Fetch-Site", "none") == "cross-site":
            return _said("A backup is asked for on the page of the workshop, not from another site.", 403)
        if not one_at_a_time.acquire(blocking=False):
            return _said("A backup is being made just now; wait for it, then ask again.", 429)
        try:
            return _backup(kept, now_ms())
        except (Refused, StoreError) as refusal:
            return _said(str(refusal), 503)
        finally:
            one_at_a_time.release()

    def calendar(secret: str) -> Response:
        if not calendar_secret.is_right(kept.folder, secret):
            return _said("There is no calendar at this address; the Workshop shows the one that holds.", 404)
        try:
            response = make_response(kept.calendar(now_ms()))
        except Exception:  # the edge: a phone asks again later, and must not take an empty calendar for the truth
            log.exception("the calendar cannot be told")
            return _said("The calendar cannot be told just now.", 503)
        response.mimetype = "text/calendar"
        response.headers["Cache-Control"] = "no-store"
        return response

    server.add_url_rule("/labels", "labels", labels)
    server.add_url_rule("/backup", "backup", backup)
    server.add_url_rule("/calendar/<secret>.ics", "calendar", calendar)


def _backup(kept: Downloads, at_ms: int) -> Response:
    with tempfile.TemporaryDirectory(prefix=".download-", dir=kept.folder) as name:
        file = Path(name) / "backup.zip"
        kept.backup(file)
        # Opened before the folder goes: what is open can still be read to its end, and nothing is left behind.
        opened = file.open("rb")
    day = datetime.fromtimestamp(at_ms / 1000, UTC).date()
    response = send_file(
        opened, mimetype="application/zip", as_attachment=True, download_name=f"dryline-{day}.zip", conditional=False
    )
    response.call_on_close(opened.close)
    response.headers["Cache-Control"] = "no-store"
    return response


def _said(sentence: str, status: int) -> Response:
    response = make_response(sentence, status)
    response.mimetype = "text/plain"
    return response
