"""The secret in the address of the calendar: a phone that subscribes cannot sign in, so the address itself is the key.

Kept in the home folder beside the other secrets, and like them in no backup. A new one ends the old address.
"""

import hmac
import secrets
from pathlib import Path

from dashboard.access import write_secret

FILE = "calendar_secret"
LETTERS = 32  # bytes of chance in it


def read(folder: Path) -> str:
    """The secret of a home; made when it is first asked for."""
    path = folder / FILE
    return path.read_text(encoding="ascii").strip() if path.exists() else renew(folder)


def renew(folder: Path) -> str:
    """Another secret; the old one opens nothing any more."""
    fresh = secrets.token_urlsafe(LETTERS)
    write_secret(folder / FILE, fresh.encode("ascii"))
    return fresh


def is_right(folder: Path, said: str) -> bool:
    """Whether what an address holds is the secret; false while there is none."""
    path = folder / FILE
    return path.exists() and hmac.compare_digest(path.read_bytes().strip(), said.encode("utf-8"))
