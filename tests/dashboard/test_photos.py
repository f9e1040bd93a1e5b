"""The door for photos: what is taken in and given back over HTTP, and to whom."""

import io
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image

from dashboard.signin import Access, with_password
from ingest.logbook.photos import LARGEST_BYTES, photo_names
from tests.dashboard.doors import furnished, sender, visitor

ACCESS = Access(b"k" * 32)
LOCAL = "http://localhost"


def picture(kind: str = "JPEG", size: tuple[int, int] = (1200, 900)) -> bytes:
    out = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").save(out, kind)
    return out.getvalue()


def bomb() -> bytes:
    """A PNG of a few kilobytes that says it has 30,000 x 30,000 pixels (made up here)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 30_001))
        + chunk(b"IEND", b"")
    )


def test_a_photo_goes_in_and_comes_back_with_its_thumbnail(tmp_path: Path) -> None:
    client = visitor(furnished(tmp_path), ACCESS)
    status, said = sender(client)("/photos", data=picture("PNG"))
    assert status == 200
    name = said["done"]["name"]
    for query, edge in (("", 1200), ("?small", 320)):
        given = client.get(f"/photos/{name}{query}", base_url=LOCAL)
        assert given.mimetype == "image/jpeg"
        assert "private" in given.headers["Cache-Control"]
        assert given.headers["X-Content-Type-Options"] == "nosniff"
        with Image.open(io.BytesIO(given.data)) as shown:
            assert max(shown.size) == edge


def test_the_same_photo_sent_twice_is_kept_once(tmp_path: Path) -> None:
    send = sender(visitor(furnished(tmp_path), ACCESS))
    assert send("/photos", data=picture())[1] == send("/photos", data=picture())[1]
    assert len(photo_names(tmp_path / "photos")) == 1


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "empty"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "not a photo that can be read"),
        (b"<html><script>alert(1)</script></html>", "not a photo that can be read"),
        (bomb(), "far more pixels"),
        (picture()[:2000], "damaged"),
    ],
)
def test_what_is_no_photo_is_refused_with_a_sentence_and_leaves_nothing(
    tmp_path: Path, body: bytes, words: str
) -> None:
    status, said = sender(visitor(furnished(tmp_path), ACCESS))("/photos", data=body)
    assert status == 422
    assert words in said["faults"][0]["says"]
    assert not list((tmp_path / "photos").rglob("*.*")) if (tmp_path / "photos").exists() else True


def test_a_photo_that_is_too_large_is_refused_before_it_is_read(tmp_path: Path) -> None:
    send = sender(visitor(furnished(tmp_path), ACCESS))
    status, said = send("/photos", data=b"x", environ_overrides={"CONTENT_LENGTH": "4000000000"})
    assert status == 413
    assert f"{LARGEST_BYTES / 1e6:.0f} MB" in said["faults"][0]["says"]


@pytest.mark.parametrize(
    "name",
    ["..%2flogbook.db", "../logbook.db", "%2e%2e%2fsession_key", "logbook.db", "a" * 32 + ".png", "thumbnails", "%00"],
)
def test_no_name_leads_out_of_the_folder(tmp_path: Path, name: str) -> None:
    client = visitor(furnished(tmp_path), ACCESS)
    given = client.get(f"/photos/{name}", base_url=LOCAL)
    assert given.status_code in (200, 404)  # 200: the frame, which says that there is no such page
    assert given.mimetype in ("text/html", "application/json")
    assert b"SQLite" not in given.data


def test_photos_are_for_the_signed_in_alone(tmp_path: Path) -> None:
    home = furnished(tmp_path)
    _, said = sender(visitor(home, ACCESS))("/photos", data=picture())
    stranger = visitor(home, with_password(ACCESS, "a wet spring, nine pots"))
    assert stranger.get(f"/photos/{said['done']['name']}", base_url=LOCAL).status_code == 401
    status = stranger.post("/photos", base_url=LOCAL, data=picture()).status_code
    assert status == 403
    assert len(photo_names(tmp_path / "photos")) == 1
