"""Photos are taken in only after decoding, written anew, and named by us."""

import io
import os
import random
import struct
import zlib
from datetime import datetime

import pytest
from PIL import Image

from ingest.logbook import Refused, Unknown
from ingest.logbook.photos import keep_photo, photo_names, photo_path


def picture(fmt="JPEG", size=(640, 480), mode="RGB", **options) -> io.BytesIO:
    out = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert(mode).save(out, fmt, **options)
    out.seek(0)
    return out


def exif(orientation=1) -> Image.Exif:
    made = Image.Exif()
    made[0x010F] = "A Camera Maker"
    made[0x0112] = orientation
    made.get_ifd(0x8769)[0x9003] = "2026:03:01 09:30:00"
    made.get_ifd(0x8825)[1] = "N"  # where it was taken
    return made


@pytest.mark.parametrize(
    ("fmt", "mode"), [("JPEG", "RGB"), ("JPEG", "CMYK"), ("MPO", "RGB"), ("PNG", "RGBA"), ("PNG", "P"), ("WEBP", "RGB")]
)
def test_a_photo_is_kept_as_a_jpeg_with_a_thumbnail(tmp_path, fmt, mode):
    photo = keep_photo(tmp_path, picture(fmt, mode=mode))
    with (
        Image.open(photo_path(tmp_path, photo.name)) as kept,
        Image.open(photo_path(tmp_path, photo.name, thumbnail=True)) as small,
    ):
        assert (kept.format, kept.mode, kept.size) == ("JPEG", "RGB", (640, 480))
        assert max(small.size) == 320
    assert photo_names(tmp_path) == [photo.name]


def test_of_the_metadata_only_the_capture_time_survives(tmp_path):
    photo = keep_photo(tmp_path, picture(exif=exif(), comment=b"secret"))
    assert photo.taken == datetime(2026, 3, 1, 9, 30)  # noqa: DTZ001 (a camera knows no zone)
    body = photo_path(tmp_path, photo.name).read_bytes()
    with Image.open(io.BytesIO(body)) as kept:
        assert dict(kept.getexif().get_ifd(0x8769)) == {0x9003: "2026:03:01 09:30:00"}
        assert set(kept.getexif()) == {0x8769}
        assert kept.getexif().get_ifd(0x8825) == {}
    assert b"A Camera Maker" not in body
    assert b"secret" not in body


def test_a_photo_is_turned_upright_and_made_smaller(tmp_path):
    photo = keep_photo(tmp_path, picture(size=(4000, 1000), exif=exif(orientation=6)))
    assert (photo.width_px, photo.height_px) == (640, 2560)


def test_what_is_transparent_becomes_white(tmp_path):
    out = io.BytesIO()
    Image.new("RGBA", (8, 8), (0, 0, 0, 0)).save(out, "PNG")
    out.seek(0)
    with Image.open(photo_path(tmp_path, keep_photo(tmp_path, out).name)) as kept:
        assert kept.getpixel((4, 4)) == (255, 255, 255)


def test_the_same_photo_is_kept_once(tmp_path):
    assert keep_photo(tmp_path, picture()).name == keep_photo(tmp_path, picture()).name
    assert len(photo_names(tmp_path)) == 1


def bomb() -> bytes:
    """A PNG of a few hundred bytes that says it is 60,000 pixels square."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", 60_000, 60_000, 1, 0, 0, 0, 0)
    body = chunk(b"IDAT", zlib.compress(bytes(10_000), 9))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + body + chunk(b"IEND", b"")


SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"><script>alert(1)</script></svg>'


@pytest.mark.parametrize(
    ("body", "sentence"),
    [
        (b"", "The photo is empty."),
        (bomb(), "The photo would unpack to far more pixels than a camera takes; it was not opened."),
        (picture("PNG", size=(5000, 5000), mode="1").read(), "The photo has 25 million pixels; 24 is the most."),
        (SVG, "This file is not a photo that can be read; send a JPEG, PNG or WebP."),
        (picture("GIF").read(), "This file is not a photo that can be read; send a JPEG, PNG or WebP."),
        (picture("TIFF").read(), "This file is not a photo that can be read; send a JPEG, PNG or WebP."),
        (b"%PDF-1.7 " + picture().read(), "This file is not a photo that can be read; send a JPEG, PNG or WebP."),
        (picture().read()[:-3000], "The photo is damaged and cannot be read."),
        (picture("PNG").read()[:300], "The photo is damaged and cannot be read."),
    ],
)
def test_what_is_no_good_photo_is_refused_and_leaves_nothing(tmp_path, body, sentence):
    with pytest.raises(Refused) as refused:
        keep_photo(tmp_path, io.BytesIO(body))
    assert str(refused.value) == sentence
    assert list(tmp_path.rglob("*")) == []


class Endless(io.RawIOBase):
    """An upload of four gigabytes that counts what was taken of it."""

    def __init__(self) -> None:
        self.taken = 0

    def read(self, size: int = -1) -> bytes:
        assert 0 < size <= 1 << 20  # never the whole at once
        self.taken += size
        return bytes(size) if self.taken < 4_000_000_000 else b""


def test_a_huge_upload_is_given_up_early(tmp_path):
    upload = Endless()
    with pytest.raises(Refused, match="The photo is larger than 25 MB; send a smaller one"):
        keep_photo(tmp_path, upload)
    assert upload.taken < 26_000_000


@pytest.mark.parametrize("name", ["../logbook.db", "/etc/passwd", "a.jpg", "", "thumbnails", f"{'a' * 32}.jpg/.."])
def test_no_name_from_outside_reaches_another_file(tmp_path, name):
    (tmp_path / "a.jpg").write_bytes(b"x")
    with pytest.raises(Unknown, match="There is no photo"):
        photo_path(tmp_path, name)


def test_bent_photos_are_kept_or_refused_and_never_more(tmp_path):
    rng = random.Random(7)
    originals = [picture(fmt, size=(64, 48)).read() for fmt in ("JPEG", "PNG", "WEBP")]
    kept = 0
    for _ in range(150):
        body = bytearray(rng.choice(originals))
        for _ in range(rng.randrange(1, 12)):
            body[rng.randrange(len(body))] = rng.randrange(256)
        try:
            keep_photo(tmp_path, io.BytesIO(bytes(body)))
            kept += 1
        except Refused:
            pass
    assert 0 < kept < 150
    assert not [name for name in os.listdir(tmp_path) if name.startswith(".")]
