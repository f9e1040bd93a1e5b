"""Story: why did this pot dry out, or stay wet? The causes as sentences, the split beside them, one time axis below.

Addresses: `/story` lists the pots, `/story/<pot>` tells twelve weeks, `/story/<pot>/<weeks>` more or fewer. Asks for a
story and hands it to the figures; computes nothing itself.
"""

import logging
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote, unquote
from zoneinfo import ZoneInfo

from dash import ClientsideFunction, Input, Output, Patch, State, dcc, html, no_update

from dashboard.figures.shares import shares_table
from dashboard.figures.story import lines_between, story_figure, utc_ms
from dashboard.pages import Answer, Ask, Page

WEEKS = {4: "4 weeks", 12: "12 weeks", 52: "a year"}
USUAL_WEEKS = 12
WEEK_MS = 7 * 86_400_000
WAIT = "The weeks are being looked through for what moved the dry line; this can take some seconds."
NO_STORY = "The story cannot be told just now: the stores gave no answer. The command dryline check says more."
FIRST_POT = (
    "No pot is in the logbook yet. With the first one, and some weeks of air, levels or looks, this page says why its "
    "dry line moved."
)
TOOLS: Any = {
    "displaylogo": False,
    "responsive": True,
    "modeBarButtons": [["toImage", "resetScale2d"]],
    "toImageButtonOptions": {"format": "png", "filename": "story", "scale": 2},
}

log = logging.getLogger(__name__)


def _owns(path: str) -> bool:
    return path == "/story" or path.startswith("/story/")


def asked(path: str) -> tuple[str | None, int]:
    """The pot and the weeks that an address asks for."""
    steps = [unquote(step) for step in path.removeprefix("/story").split("/") if step]
    weeks = int(steps[1]) if len(steps) > 1 and steps[1].isascii() and steps[1].isdigit() else USUAL_WEEKS
    return (steps[0] if steps else None), (weeks if weeks in WEEKS else USUAL_WEEKS)


def _title(path: str) -> str:
    pot, _ = asked(path)
    return f"Story of {pot}" if pot else "Story"


def _layout(_path: str, _pages: str) -> Any:
    return html.Div(
        [
            html.Main(html.P(WAIT, role="status"), id="story", className="story"),
            dcc.Store(id="story-section"),
            dcc.Store(id="story-painted"),
        ]
    )


def tell(ask: Ask, path: str) -> tuple[Any, Any]:
    """What the page shows for an address, and the facts of the section beside it."""
    pot, weeks = asked(path)
    now_ms = ask.now_ms()
    if pot is None:
        return _list_of_pots(ask, now_ms), None
    if ask.story is None:
        return _sentence(NO_STORY), None
    try:
        answer = ask.story(pot, now_ms - weeks * WEEK_MS, now_ms, now_ms)
        return _story(answer, weeks), {"section": answer["section"], "units": answer["units"]}
    except ValueError as error:  # the answer's own refusal: one sentence, for example that there is no such pot
        return _sentence(str(error)), None
    except Exception:  # the edge: whatever fails below must reach the page as a sentence
        log.exception("the story's answer failed")
        return _sentence(NO_STORY), None


def _story(answer: Answer, weeks: int) -> list[Any]:
    pot = answer["pot"]
    spans = [
        html.A(
            words,
            href=f"/story/{quote(pot, safe='')}/{number}",
            **(_inner() | (_current() if number == weeks else {})),
        )
        for number, words in WEEKS.items()
    ]
    explain = answer["explain"]
    sentences = answer["sentences"] or [answer["says"]]
    return [
        html.Div(
            [
                html.Div([html.H1(pot), html.P(_where(answer), className="story-where")]),
                html.Nav(spans, className="story-spans", **_named("Span of time")),
            ],
            className="story-head",
        ),
        html.Div(
            [
                html.Div(
                    [
                        html.P(sentence, className="story-first" if not n else None)
                        for n, sentence in enumerate(sentences)
                    ]
                    + ([shares_table(explain, answer["units"])] if explain else []),
                    className="story-why",
                ),
                html.Div(id="story-cut", className="story-cut"),
            ],
            className="story-body",
        ),
        dcc.Graph(
            id="story-graph", figure=story_figure(answer), config=TOOLS, className="story-graph", responsive=True
        ),
        *_looks(answer),
        *_photos(answer),
    ]


def _where(answer: Answer) -> str:
    return ", ".join(known for known in (answer["plant"], answer["shelf"]) if known)


def _looks(answer: Answer) -> list[Any]:
    """The looks of the span, the newest first, each with the sentence of what led up to it; folded."""
    looks = answer.get("looks") or []
    if not looks:
        return []
    rows = [html.Li([html.P([html.B(look["day"]), look["noted"]]), html.P(look["says"])]) for look in looks]
    return [html.Details([html.Summary(f"What led up to each look ({len(looks)})"), html.Ul(rows)], className="looks")]


def _photos(answer: Answer) -> list[Any]:
    """The photos of the span with their days, in their order."""
    photos = answer.get("photos") or []
    if not photos:
        return []
    zone = ZoneInfo(answer["time_zone"])

    def shown(photo: Answer) -> Any:
        day = datetime.fromtimestamp(photo["time_ms"] / 1000, UTC).astimezone(zone)
        words = f"{day.day} {day:%b %Y}"
        picture = html.Img(src=f"/photos/{photo['name']}?small", alt=f"{answer['pot']}, {words}")
        return html.A([picture, html.Span(words)], href=f"/photos/{photo['name']}", target="_blank", rel="noopener")

    return [html.H2("Photos"), html.Div([shown(photo) for photo in photos], className="story-photos")]


def zoomed(ask: Ask, path: str, moved: dict[str, Any] | None) -> Any:
    """The lines drawn anew, finer, for the part of the axis that is looked at; nothing when the axis did not move."""
    pot, weeks = asked(path)
    edges = [next((v for k, v in (moved or {}).items() if k.endswith(f".range[{n}]")), None) for n in (0, 1)]
    if ask.story is None or pot is None or None in edges:
        return no_update
    now_ms = ask.now_ms()
    answer = ask.story(pot, now_ms - weeks * WEEK_MS, now_ms, now_ms)
    since_ms, until_ms = (utc_ms(str(edge), answer["time_zone"]) for edge in edges)
    finer = Patch()
    for number, (x, y) in enumerate(lines_between(answer, since_ms, until_ms)):
        finer["data"][number]["x"], finer["data"][number]["y"] = x, y
    return finer


def _list_of_pots(ask: Ask, now_ms: int) -> list[Any]:
    try:
        shelves = ask.wall(now_ms)["shelves"]
    except Exception:  # the edge, as in `tell`
        log.exception("the list of pots failed")
        return [_sentence(NO_STORY)]
    if not any(shelf["pots"] for shelf in shelves):
        begin = html.A("Begin", href="/start", className="door door-first", **_inner())
        return [html.Div([html.H1("Story"), html.P(FIRST_POT), html.P(begin)], className="plain")]
    return [
        html.H1("Whose story?"),
        *(
            html.Section(
                [
                    html.H2(shelf["label"]),
                    html.Div(
                        [
                            html.A(pot["label"], href=f"/story/{quote(pot['label'], safe='')}", **_inner())
                            for pot in shelf["pots"]
                        ],
                        className="story-pots",
                    ),
                ]
            )
            for shelf in shelves
        ),
    ]


def _sentence(words: str) -> Any:
    return html.Div([html.H1("No story"), html.P(words), html.P(html.A("Choose a pot", href="/story", **_inner()))])


def _inner() -> dict[str, Any]:
    return {"data-in": ""}


def _current() -> dict[str, Any]:
    return {"aria-current": "true"}


def _named(label: str) -> dict[str, Any]:
    return {"aria-label": label}


def _wire(app: Any, ask: Ask) -> None:
    def told(path: str | None) -> tuple[Any, Any]:
        return tell(ask, path) if path and _owns(path) else (no_update, no_update)

    app.callback(Output("story", "children"), Output("story-section", "data"), Input("url", "pathname"), hidden=True)(
        told
    )
    app.callback(
        Output("story-graph", "figure"),
        Input("story-graph", "relayoutData"),
        State("url", "pathname"),
        prevent_initial_call=True,
        hidden=True,
    )(lambda moved, path: zoomed(ask, path or "", moved))
    app.clientside_callback(
        ClientsideFunction("story", "paint"), Output("story-painted", "data"), Input("story-section", "data")
    )


PAGE = Page("story", "Story", "/story", _owns, _title, _layout, _wire)
