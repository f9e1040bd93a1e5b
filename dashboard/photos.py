"""The door for photos: `POST /photos` takes one file as the body, `GET /photos/NAME` gives it back (`?small` its
thumbnail).

Owns addresses and headers; what a photo may be is `ingest/logbook/photos.py`, who may come in is `signin.py`, which
stands before these addresses as before every other.
"""

from pathlib import Path

from flask import Flask, Response, jsonify, request

from ingest.logbook.photos import LARGEST_BYTES, keep_photo, photo_path
from ingest.logbook.refusals import Refused, Unknown

FOREVER_S = 365 * 86_400  # the name is the digest of the content


def take_photos(server: Flask, folder: Path) -> None:
    """Answer the addresses of photos, which are kept in a folder."""

    def take() -> tuple[Response, int]:
        if (request.content_length or 0) > LARGEST_BYTES:
            return _refused(f"The photo is larger than {LARGEST_BYTES / 1e6:.0f} MB; send a smaller one.", 413)
        try:
            photo = keep_photo(folder, request.stream)  # type: ignore[arg-type]  # werkzeug's stream reads like a file
        except Refused as refusal:
            return _refused(str(refusal), 422)
        except OSError as error:
            return _refused(f"The photo could not be written ({error.strerror}); is the disk full?", 503)
        taken = photo.taken.isoformat(timespec="seconds") if photo.taken else None
        return jsonify(done={"name": photo.name, "taken": taken}), 200

    def give(name: str) -> Response | tuple[Response, int]:
        try:
            body = photo_path(folder, name, thumbnail="small" in request.args).read_bytes()
        except Unknown as refusal:
            return _refused(str(refusal), 404)
        response = Response(body, mimetype="image/jpeg")
        response.headers["Cache-Control"] = f"private, max-age={FOREVER_S}, immutable"
        return response

    server.add_url_rule("/photos", "photo_taken", take, methods=["POST"])
    server.add_url_rule("/photos/<name>", "photo", give)


def _refused(sentence: str, status: int) -> tuple[Response, int]:
    return jsonify(faults=[{"where": "photos", "says": sentence}]), status
