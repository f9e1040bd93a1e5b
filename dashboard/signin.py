"""Who may come in: one password, a signed session, a slow door after wrong tries, and no request made by a stranger.

Owns the session and the guard before every request; where the password is kept is `access.py`. Knows no page. The
guard stands before pages, callbacks and assets alike, so a page cannot forget it. A changing request must carry the
session's own token, which the page reads from a cookie and sends back in a header; a foreign site can make neither.
"""

import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from urllib.parse import quote, urlsplit

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from flask import Flask, Request, Response, make_response, redirect, request, session

from dashboard.access import (
    Access,
    ListeningRefusedError,
    PasswordRefusedError,
    check_listening,
    is_loopback,
    read_access,
    set_password,
    with_password,
)

__all__ = [
    "Access",
    "ListeningRefusedError",
    "PasswordRefusedError",
    "SlowDoor",
    "check_listening",
    "guard",
    "is_in",
    "read_access",
    "set_password",
    "with_password",
]

SIGN_IN = "/sign-in"
SIGN_OUT = "/sign-out"
TOKEN_COOKIE = "_csrf_token"  # the names that Dash reads and sends by itself
TOKEN_HEADER = "X-CSRFToken"
OPEN_PATHS = (
    SIGN_IN,
    "/healthz",
    "/assets/tokens.css",
    "/assets/base.css",
    "/assets/signin.css",
    "/assets/early/theme.js",
)
CALENDAR = "/calendar/"  # its address is its key (`calendar_secret.py`): a phone that subscribes cannot sign in
SESSION_S = 400 * 86_400  # a wall tablet stays signed in; a changed password signs every device out
WRONG = "That is not the password. Is it lost? The command dryline password, on the machine itself, sets another."
FREE_TRIES = 5
FIRST_WAIT_S = 5.0
LONGEST_WAIT_S = 900.0
MANY_ADDRESSES = 1000
LONGEST_BODY = 64 * 2**20  # a few photos


@dataclass(frozen=True)
class _Tries:
    wrong: int
    wait_until_s: float


class SlowDoor:
    """Counts wrong passwords by address; after five, each further one doubles the wait. Kept in memory, bounded."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        """Begin with nobody waiting; `clock_s` never runs backwards."""
        self._clock_s = clock_s
        self._tries: dict[str, _Tries] = {}
        self._lock = threading.Lock()

    def wait_s(self, address: str) -> float:
        """Seconds this address still has to wait; 0 when it may try."""
        with self._lock:
            tries = self._tries.get(address)
        return max(0.0, tries.wait_until_s - self._clock_s()) if tries else 0.0

    def wrong(self, address: str) -> None:
        """A wrong password came from here."""
        with self._lock:
            count = self._tries.get(address, _Tries(0, 0.0)).wrong + 1
            late = max(0, count - FREE_TRIES)
            wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(late - 1, 20)) if late else 0.0
            if address not in self._tries and len(self._tries) >= MANY_ADDRESSES:
                # A flood of addresses must not fill the memory: the one whose wait ends first is forgotten.
                del self._tries[min(self._tries, key=lambda known: self._tries[known].wait_until_s)]
            self._tries[address] = _Tries(count, self._clock_s() + wait_s)

    def right(self, address: str) -> None:
        """The right password came from here: its wrong tries are forgotten."""
        with self._lock:
            self._tries.pop(address, None)


def is_in(access: Access) -> bool:
    """Whether the request at hand comes from someone who may see everything."""
    return access.password_hash is None or session.get("era") == access.era


def guard(
    server: Flask,
    access: Access,
    title: str,
    slow: SlowDoor | None = None,
    follow: Callable[[], Access] | None = None,
    may_read: Callable[[Request], bool] = lambda _asked: False,
) -> None:
    """Put the door before every page, callback and asset of a server.

    `follow` tells of a password set meanwhile; `may_read` lets a request through that reads only what anyone may see.
    """
    server.secret_key = access.session_key
    server.config.update(
        SESSION_COOKIE_NAME="dryline",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=access.secure_cookies,
        PERMANENT_SESSION_LIFETIME=SESSION_S,
        MAX_CONTENT_LENGTH=LONGEST_BODY,
    )
    gate = _Gate(follow or (lambda: access), title, slow or SlowDoor(), may_read)
    server.before_request(gate.before)
    server.after_request(gate.after)
    server.add_url_rule(SIGN_IN, "sign_in", gate.sign_in, methods=["GET", "POST"])
    server.add_url_rule(SIGN_OUT, "sign_out", gate.sign_out, methods=["GET", "POST"])


class _Gate:
    """What Flask calls before and after each request, and the two pages of the door."""

    def __init__(
        self, access: Callable[[], Access], title: str, slow: SlowDoor, may_read: Callable[[Request], bool]
    ) -> None:
        self._access = access
        self._title = title
        self._slow = slow
        self._may_read = may_read
        # A hash takes 64 MB on purpose: eight at once would starve a small computer.
        self._one_at_a_time = threading.Lock()

    def before(self) -> Response | None:
        access = self._access()
        open_house = access.password_hash is None
        if open_house and not is_loopback(urlsplit(f"//{request.host}").hostname or ""):
            # A foreign name that resolves to this machine must not reach a dashboard that asks nobody.
            return _said("This dashboard answers only under localhost.", 421)
        if "token" not in session:
            _new_token()
        if request.method not in ("GET", "HEAD", "OPTIONS") and (refusal := _refusal_of_a_stranger()):
            return refusal
        is_open = request.path in OPEN_PATHS or request.path.startswith(CALENDAR)
        if is_in(access) or is_open or self._may_read(request):
            return None
        if request.method == "GET" and _wants_page():
            return _redirect(f"{SIGN_IN}?to={quote(request.full_path.rstrip('?'))}")
        return _said("Sign in first.", 401)

    def after(self, response: Response) -> Response:
        token = session.get("token")
        if token and request.cookies.get(TOKEN_COOKIE) != token:
            secure = self._access().secure_cookies
            response.set_cookie(TOKEN_COOKIE, token, max_age=SESSION_S, secure=secure, samesite="Lax")
        return response

    def sign_in(self) -> Response:
        wanted, access = _own_path(request.values.get("to", "/")), self._access()
        if access.password_hash is None:
            return _redirect(wanted)
        if request.method == "GET":
            return _page(self._title, wanted, None, 200)
        address = request.remote_addr or "?"
        if (wait_s := self._slow.wait_s(address)) > 0:
            return _page(self._title, wanted, f"Too many wrong passwords. Try again in {_spoken(wait_s)}.", 429)
        with self._one_at_a_time:
            right = _is_right(access.password_hash, request.form.get("password", ""))
        if not right:
            self._slow.wrong(address)
            return _page(self._title, wanted, WRONG, 403)
        self._slow.right(address)
        session.clear()
        session["era"] = access.era
        _new_token()
        return _redirect(wanted)

    def sign_out(self) -> Response:
        if request.method == "GET":
            return _leave_page(self._title)
        session.clear()
        _new_token()
        return _redirect(SIGN_IN)


def _new_token() -> None:
    session.permanent = True
    session["token"] = secrets.token_urlsafe(24)


def _refusal_of_a_stranger() -> Response | None:
    """A refusal when a changing request does not come from one of our own pages."""
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        return _said("This request comes from another site.", 403)
    sent = request.headers.get(TOKEN_HEADER) or request.form.get("token", "")
    if not hmac.compare_digest(sent.encode(), str(session.get("token", "")).encode()):
        return _said("The page is older than the session: load it again.", 403)
    return None


def _is_right(password_hash: str, password: str) -> bool:
    try:
        return PasswordHasher().verify(password_hash, password)
    except (VerificationError, InvalidHashError):
        return False


def _own_path(wanted: str) -> str:
    """A path of ours to go on to, never another site's (`//host`, `/\\host`) and never the door itself."""
    is_ours = wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and wanted.isprintable()
    return wanted if is_ours and not wanted.startswith((SIGN_IN, SIGN_OUT)) else "/"


def _wants_page() -> bool:
    inner = ("/_dash", "/assets/", "/_favicon")
    return not request.path.startswith(inner) and "text/html" in request.headers.get("Accept", "")


def _spoken(seconds: float) -> str:
    return f"{round(seconds)} seconds" if seconds < 90 else f"{round(seconds / 60)} minutes"


def _said(sentence: str, status: int) -> Response:
    response = make_response(sentence, status)
    response.mimetype = "text/plain"
    return response


def _redirect(path: str) -> Response:
    response = make_response(redirect(path, 303))
    response.mimetype = "text/html"
    return response


def _form(title: str, heading: str, inner: str, action: str, status: int) -> Response:
    page = f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(heading)} · {escape(title)}</title><script src="/assets/early/theme.js"></script>
<link rel="icon" href="data:,"><link rel="stylesheet" href="/assets/tokens.css">
<link rel="stylesheet" href="/assets/base.css"><link rel="stylesheet" href="/assets/signin.css"></head>
<body class="door-page"><main class="gate"><h1>{escape(title)}</h1>
<form method="post" action="{action}"><input type="hidden" name="token" value="{escape(str(session["token"]))}">
{inner}</form></main><div class="gate-pool"></div></body></html>"""
    response = make_response(page, status)
    response.mimetype = "text/html"
    return response


def _page(title: str, wanted: str, fault: str | None, status: int) -> Response:
    told = f'<p class="gate-fault" role="alert" id="fault">{escape(fault)}</p>' if fault else ""
    points = ' aria-describedby="fault" aria-invalid="true"' if fault else ""
    inner = f"""<input type="hidden" name="to" value="{escape(wanted)}"><label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password" required autofocus{points}>
{told}<button type="submit">Come in</button>"""
    return _form(title, "Sign in", inner, SIGN_IN, status)


def _leave_page(title: str) -> Response:
    inner = (
        '<p>This device will ask for the password again.</p><button type="submit">Sign out</button><a href="/">Stay</a>'
    )
    return _form(title, "Sign out", inner, SIGN_OUT, 200)
