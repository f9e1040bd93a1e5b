"""Photos: taken in only after decoding, kept as our own JPEG, with a thumbnail, in a folder beside the database.

A file from outside is never kept as it came: it is decoded, turned upright, made smaller and written anew, so nothing
hidden in it survives; of its metadata only the moment it was taken is kept. Its name is the digest of what we
wrote, so it never comes from the sender, and the same photo is kept once. Who may see photos is for the screens to ask.
"""

import hashlib
import io
import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from PIL import Image, ImageOps, UnidentifiedImageError, features

from ingest.logbook.refusals import Refused, Unknown, named

LARGEST_BYTES = 25_000_000
LONGEST_EDGE_PX = 2560
THUMBNAIL_EDGE_PX = 320
# A JPEG decoder can shrink while it reads; the others must hold every pixel.
LARGEST_PIXELS = {"JPEG": 64_000_000, "MPO": 64_000_000}
LARGEST_PIXELS_OTHERWISE = 24_000_000
_FORMATS = ("JPEG", "PNG", "WEBP", *(("AVIF",) if features.check("avif") else ()))
_NAME = re.compile(r"[0-9a-f]{32}\.jpg")
_TAKEN = 0x9003  # EXIF DateTimeOriginal
_EXIF_TABLE = 0x8769


@dataclass(frozen=True)
class Photo:
    """A kept photo; `taken` is the camera's own local time, without a zone, as cameras write it."""

    name: str
    width_px: int
    height_px: int
    taken: datetime | None


def keep_photo(folder: Path, upload: BinaryIO, *, largest_bytes: int = LARGEST_BYTES) -> Photo:
    """Take in a photo, or `Refused` with a sentence; nothing of a refused one stays on the disk."""
    image, taken = _decoded(_read_at_most(upload, largest_bytes))
    full = _jpeg(image, LONGEST_EDGE_PX, taken)
    name = f"{hashlib.sha256(full).hexdigest()[:32]}.jpg"
    thumbnails = folder / "thumbnails"
    thumbnails.mkdir(parents=True, exist_ok=True)
    # The thumbnail first: a photo that is there always has one.
    _write(thumbnails / name, _jpeg(image, THUMBNAIL_EDGE_PX, None))
    _write(folder / name, full)
    with Image.open(io.BytesIO(full)) as kept:
        return Photo(name, kept.width, kept.height, taken)


def photo_path(folder: Path, name: str, *, thumbnail: bool = False) -> Path:
    """Where a photo lies; `Unknown` for any name that is not one of ours."""
    path = folder / ("thumbnails" if thumbnail else "") / name
    if not _NAME.fullmatch(name) or not path.is_file():
        raise Unknown(f"There is no photo {named(name[:60])}.")
    return path


def photo_names(folder: Path) -> list[str]:
    """Every kept photo."""
    return sorted(path.name for path in folder.glob("*.jpg") if _NAME.fullmatch(path.name))


def _read_at_most(upload: BinaryIO, largest_bytes: int) -> bytes:
    """The bytes of an upload, given up as soon as they are too many: four gigabytes are never held."""
    pieces, size = [], 0
    while piece := upload.read(1 << 16):
        size += len(piece)
        if size > largest_bytes:
            raise Refused(f"The photo is larger than {largest_bytes / 1e6:.0f} MB; send a smaller one.")
        pieces.append(piece)
    return b"".join(pieces)


def _decoded(body: bytes) -> tuple[Image.Image, datetime | None]:
    """The pixels, upright and without colour tricks, and when they were taken."""
    if not body:
        raise Refused("The photo is empty.")
    Image.init()  # else a format is known only once a file of that ending was opened
    try:
        with Image.open(io.BytesIO(body), formats=_FORMATS) as image:
            most = LARGEST_PIXELS.get(image.format or "", LARGEST_PIXELS_OTHERWISE)
            if image.width * image.height > most:
                millions = image.width * image.height / 1e6
                raise Refused(f"The photo has {millions:.0f} million pixels; {most / 1e6:.0f} is the most.")
            taken = _taken(image)
            image.draft("RGB", (LONGEST_EDGE_PX, LONGEST_EDGE_PX))
            image.load()
            return _plain(ImageOps.exif_transpose(image)), taken
    except Refused:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise Refused("The photo would unpack to far more pixels than a camera takes; it was not opened.") from error
    except UnidentifiedImageError as error:
        raise Refused("This file is not a photo that can be read; send a JPEG, PNG or WebP.") from error
    except Exception as error:  # a decoder fed with rubbish raises what it likes
        raise Refused("The photo is damaged and cannot be read.") from error


def _plain(image: Image.Image) -> Image.Image:
    """RGB pixels; what was transparent becomes white."""
    if "A" in image.getbands() or "transparency" in image.info:
        clear = image.convert("RGBA")
        white = Image.new("RGBA", clear.size, "white")
        return Image.alpha_composite(white, clear).convert("RGB")
    return image.convert("RGB")


def _taken(image: Image.Image) -> datetime | None:
    try:
        text = str(image.getexif().get_ifd(_EXIF_TABLE).get(_TAKEN, ""))
        moment = datetime.strptime(text.strip("\x00 "), "%Y:%m:%d %H:%M:%S").replace(tzinfo=UTC)
    except Exception:  # metadata of a stranger's file; the photo is good without it
        return None
    return moment.replace(tzinfo=None)


def _jpeg(image: Image.Image, edge_px: int, taken: datetime | None) -> bytes:
    small = image.copy()
    small.thumbnail((edge_px, edge_px), Image.Resampling.LANCZOS)
    small.info.clear()
    exif = Image.Exif()
    if taken is not None:
        exif.get_ifd(_EXIF_TABLE)[_TAKEN] = taken.strftime("%Y:%m:%d %H:%M:%S")
    out = io.BytesIO()
    small.save(out, "JPEG", quality=85, optimize=True, exif=exif.tobytes() if taken is not None else b"")
    return out.getvalue()


def _write(path: Path, body: bytes) -> None:
    """Whole or not at all, also through a power cut."""
    if path.exists():
        return
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with draft.open("wb") as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
