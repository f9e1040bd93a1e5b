"""The password of a home and the key that signs its sessions: where they are kept, and who may listen without one.

Owns the files `password_hash` and `session_key`. Knows no request and no page; the door itself is `signin.py`.
"""

import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from ipaddress import ip_address
from pathlib import Path

from argon2 import PasswordHasher

LEAST_LETTERS = 8
SECRET_BYTES = 32
NOBODY_ELSE = 0o600


class PasswordRefusedError(ValueError):
    """The password cannot be taken; the message says why."""


class ListeningRefusedError(ValueError):
    """The dashboard will not listen there; the message is one sentence that says what to do."""


@dataclass(frozen=True)
class Access:
    """What the door needs: the password's hash (None = nobody is asked) and the key that signs sessions.

    `secure_cookies` is for a dashboard behind https: then cookies never travel in clear. With `open_wall` the wall can
    be read without the password.
    """

    session_key: bytes = field(repr=False)
    password_hash: str | None = field(default=None, repr=False)
    secure_cookies: bool = False
    open_wall: bool = False

    @property
    def era(self) -> str:
        """Changes with the password, so that sessions of an older one end."""
        return blake2b((self.password_hash or "").encode(), digest_size=8).hexdigest()


def read_access(folder: Path) -> Access:
    """The door of a home folder; makes its session key at first use."""
    key = folder / "session_key"
    if not key.exists():
        write_secret(key, secrets.token_bytes(SECRET_BYTES))
    password = folder / "password_hash"
    found = password.read_text(encoding="ascii").strip() if password.exists() else None
    return Access(key.read_bytes(), found or None)


def set_password(folder: Path, password: str) -> Access:
    """Store a password as a hash; every device must sign in again.

    Raises:
        PasswordRefusedError: fewer than eight characters.
    """
    if len(password) < LEAST_LETTERS:
        raise PasswordRefusedError(
            f"A password needs at least {LEAST_LETTERS} characters; this one has {len(password)}."
        )
    write_secret(folder / "password_hash", PasswordHasher().hash(password).encode("ascii"))
    return read_access(folder)


def check_listening(host: str, access: Access) -> None:
    """Refuse to be reachable from other machines while there is no password.

    Raises:
        ListeningRefusedError: the host is not loopback and no password is set.
    """
    if not is_loopback(host) and access.password_hash is None:
        raise ListeningRefusedError(
            f"The dashboard will not listen on {host} without a password, because every machine on the network could "
            "change the logbook: run `dryline password` first, or listen on 127.0.0.1."
        )


def following(folder: Path, access: Access) -> Callable[[], Access]:
    """The door as it is now: a password that is set while the server runs holds from the next request on."""
    path = folder / "password_hash"
    known: tuple[int, int] | None = None
    now = access

    def current() -> Access:
        nonlocal known, now
        try:
            file = path.stat()
        except FileNotFoundError:
            return now  # a file that was taken away does not open the door
        if known != (file.st_mtime_ns, file.st_size):
            known = (file.st_mtime_ns, file.st_size)
            now = replace(now, password_hash=path.read_text(encoding="ascii").strip() or None)
        return now

    return current


def with_password(access: Access, password: str) -> Access:
    """The same door with a password that lives only in memory (tests, a first run)."""
    return replace(access, password_hash=PasswordHasher().hash(password))


def is_loopback(host: str) -> bool:
    """Whether a host is reached from this machine alone."""
    if host == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def write_secret(path: Path, body: bytes) -> None:
    """Write beside and rename, so that a torn write never locks anyone out; readable by the owner alone."""
    beside = path.with_suffix(".new")
    beside.unlink(missing_ok=True)
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, NOBODY_ELSE)
    with os.fdopen(handle, "wb") as file:
        file.write(body)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
