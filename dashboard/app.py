"""The dashboard's frame: one Flask server, the pages that exist, the way between them, and headers for every answer.

Owns addresses, titles and which doors a visitor sees; the HTML round a page is `shell.py`. Knows no page's content, no
store and no analysis; who may come in is `signin.py`. Nothing is fetched from any other host, and the content policy
forbids it.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, ClassVar, cast

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from flask import Flask, Request, Response, has_request_context, jsonify, request

from dashboard import signin
from dashboard.changing import take_changes
from dashboard.downloads import offer
from dashboard.open_wall import is_asked_by_the_wall
from dashboard.pages import Ask, Page, guide, logbook, story, trials, wall, workshop
from dashboard.pages import round as round_page
from dashboard.photos import take_photos
from dashboard.shell import Door, Sight, document

PAGES: tuple[Page, ...] = (
    wall.PAGE,
    round_page.PAGE,
    logbook.PAGE,
    guide.PAGE,
    story.PAGE,
    trials.PAGE,
    workshop.PAGE,
)
POLICY = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self' {scripts}",
        "style-src 'self' 'unsafe-inline'",  # the core components and Plotly write style elements
        "img-src 'self' data: blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    ]
)
LIBRARIES = "/_dash-component-suites/"
MOST_PACKED = 64  # any version is accepted in an address, so their number must have an end
NOT_CACHED = ("text/html", "application/json")


class _Framed(Dash):
    """Dash in a frame of ours, which is drawn anew for each visitor and address."""

    sight: Callable[[], Sight]

    def interpolate_index(self, *_none: Any, **parts: Any) -> str:
        """Dash's own pieces of HTML put together as a page."""
        return document(parts, self.sight())


@dataclass(frozen=True)
class Shown:
    """What the frame shows for an address: which page, under which title."""

    page: Page | None
    title: str


def page_at(path: str, title: str, pages: Sequence[Page] = PAGES) -> Shown:
    """The page that owns a path; none when no page does."""
    for page in pages:
        if page.owns(path):
            return Shown(page, f"{page.title(path)} · {title}")
    return Shown(None, f"Nothing here · {title}")


def create_app(
    ask: Ask, access: signin.Access, title: str = "dryline", follow: Callable[[], signin.Access] | None = None
) -> Dash:
    """The dashboard as a Dash app; `create_app(...).server` is the Flask application to serve.

    `follow` gives the door as it is now, where a password may be set while the server runs.
    """
    server = Flask("dashboard")
    server.config.update(COMPRESS_CACHE_BACKEND=_Packed, COMPRESS_CACHE_KEY=_unchanging)
    app = _Framed(
        "dashboard",
        server=cast(Any, server),  # Dash takes a server; its type says bool
        update_title=cast(Any, None),  # None: the title is left alone while a callback runs
        assets_folder="assets",
        assets_path_ignore=["early"],
        pages_folder="",
        use_pages=False,
        serve_locally=True,
        suppress_callback_exceptions=True,
        compress=True,
        add_log_handler=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    pages = tuple(page for page in PAGES if page.is_asked(ask))
    door = follow or (lambda: access)

    def seen() -> tuple[Page, ...]:
        """The pages that whoever asks may open."""
        known = not has_request_context() or signin.is_in(door())
        return pages if known else tuple(page for page in pages if page is wall.PAGE)

    app.layout = _layout
    app.sight = partial(_sight, ask, title, door, seen)
    _wire_frame(app, title, seen)
    for page in pages:
        page.wire(app, ask)
    _answer_health(server, ask)
    take_changes(server, ask.changes, ask.now_ms)
    if ask.photos is not None:
        take_photos(server, ask.photos)
    if ask.downloads is not None:
        offer(server, ask.downloads, ask.now_ms)
    open_to = partial(is_asked_by_the_wall, wall=wall.PAGE) if access.open_wall else _nothing
    signin.guard(server, access, title, follow=follow, may_read=open_to)
    _harden(server, app)
    return app


def _nothing(_asked: Request) -> bool:
    return False


class _Packed:
    """What was compressed once: the libraries' files, whose addresses carry their version.

    Kept for the process, whichever app serves them; everything else is compressed each time it is asked for.
    """

    _kept: ClassVar[dict[str, bytes]] = {}

    def get(self, key: str) -> bytes | None:
        return self._kept.get(key)

    def set(self, key: str, packed: bytes) -> None:
        if LIBRARIES in key and len(self._kept) < MOST_PACKED:
            self._kept[key] = packed


def _unchanging(asked: Request) -> str:
    return asked.path


def _sight(ask: Ask, title: str, door: Callable[[], signin.Access], seen: Callable[[], Sequence[Page]]) -> Sight:
    """What whoever asks sees round the page at the address that is asked for."""
    pages = seen()
    here = page_at(request.path, title, pages)
    is_wall = here.page is wall.PAGE
    access = door()
    out = Door("Sign out", signin.SIGN_OUT) if signin.is_in(access) else Door("Sign in", signin.SIGN_IN)
    return Sight(
        title=here.title,
        doors=[Door(page.label, page.path, page.name) for page in pages],
        leave=[out] if access.password_hash else [],
        page=here.page.name if here.page else None,
        is_wall=is_wall,
        first=wall.first(ask) if is_wall else None,
    )


def _layout() -> Any:
    return html.Div(
        [
            dcc.Location(id="url", refresh="callback-nav"),
            dcc.Store(id="shown"),
            dcc.Store(id="frame-done"),
            dcc.Store(id="changed"),  # another moment after each change that this browser made (`assets/forms.js`)
            html.Div(id="page"),
        ],
        id="frame",
    )


def _wire_frame(app: Any, title: str, seen: Callable[[], Sequence[Page]]) -> None:
    def route(path: str | None, shown: dict[str, str] | None) -> tuple[Any, dict[str, str]]:
        pages = seen()
        names = " ".join(page.name for page in pages)
        here = page_at(path or "/", title, pages)
        name = here.page.name if here.page else "none"
        # A page that is already open follows the address by itself: rebuilding it would lose what it shows.
        stays = here.page is not None and shown is not None and shown.get("page") == name
        told = {"page": name, "title": here.title}
        if stays:
            return no_update, told
        return (here.page.layout(path or "/", names) if here.page else _nothing_here()), told

    app.callback(
        Output("page", "children"),
        Output("shown", "data"),
        Input("url", "pathname"),
        State("shown", "data"),
        hidden=True,
    )(route)
    app.clientside_callback(ClientsideFunction("frame", "here"), Output("frame-done", "data"), Input("shown", "data"))


def _nothing_here() -> Any:
    return html.Main(
        [
            html.H1("There is no page at this address"),
            html.P(["The pots stand on ", html.A("the wall", href="/", **cast(dict[str, Any], {"data-in": ""})), "."]),
        ],
        className="plain",
    )


def _answer_health(server: Flask, ask: Ask) -> None:
    def health() -> tuple[Response, int]:
        try:
            answer = ask.health(ask.now_ms())
        except Exception:  # a watchdog needs an answer, above all when something is broken
            logging.getLogger(__name__).exception("health cannot be told")
            answer = {"status": "failed", "readings": None, "newest_reading_age_s": None, "unread_messages": None}
        return jsonify(answer), 503 if answer["status"] == "failed" else 200

    server.add_url_rule("/healthz", "healthz", health)


def _harden(server: Flask, app: Dash) -> None:
    """Headers on every answer: no foreign host, no frame round us, no guessing of types, no stale page."""
    policy = POLICY.format(scripts=" ".join(app.csp_hashes()))

    def harden(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        if response.mimetype in NOT_CACHED:
            response.headers["Cache-Control"] = "no-store"
        return response

    server.after_request(harden)
