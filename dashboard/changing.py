"""The one address at which screens change something: `POST /change/NAME` with a JSON object.

Answers `{"done": ...}`, or `{"faults": [{"where", "says"}]}` with the status that fits. Owns no rule of what may be
changed; who may ask is the door's affair (`signin.py`), which refuses a request without the session's token.
"""

import logging
from collections.abc import Callable, Mapping

import orjson
from flask import Flask, Response, jsonify, request

from dashboard.changes import Change
from ingest.logbook.refusals import Changed, Fault, Refused, Unknown, Unreachable
from ingest.readings import StoreError

STATUS = {Unknown: 404, Changed: 409, Unreachable: 503}  # any other refusal is 422
LARGEST_BODY = 2**20  # a thousand notes; photos have a door of their own
FAILED = "That was not kept: something failed in the program. The command dryline check says more."

log = logging.getLogger(__name__)


def take_changes(server: Flask, changes: Mapping[str, Change], now_ms: Callable[[], int]) -> None:
    """Answer `POST /change/NAME` for every change."""

    def change(name: str) -> tuple[Response, int]:
        if name not in changes:
            return _refused(404, Fault("", "There is no such change."))
        if (request.content_length or 0) > LARGEST_BODY:
            return _refused(413, Fault("", "That is too much at once: a million characters is the most."))
        try:
            body = orjson.loads(request.get_data())
        except orjson.JSONDecodeError:  # nesting without end is one too
            body = None
        if not isinstance(body, dict):
            return _refused(400, Fault("", "What was sent cannot be read."))
        try:
            return jsonify(done=changes[name](now_ms(), body)), 200
        except Refused as refusal:
            return _refused(STATUS.get(type(refusal), 422), *refusal.faults)
        except StoreError as refusal:
            return _refused(503, Fault("", str(refusal)))
        except Exception:  # the edge: the screen must hear that nothing was kept
            log.exception("the change %s failed", name)
            return _refused(500, Fault("", FAILED))

    server.add_url_rule("/change/<name>", "change", change, methods=["POST"])


def _refused(status: int, *faults: Fault) -> tuple[Response, int]:
    return jsonify(faults=[{"where": fault.where, "says": fault.says} for fault in faults]), status
