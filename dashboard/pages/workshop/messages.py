"""Messages that nobody uses: which shelf, or which pot, is each? One tap makes the sensor and reads what was kept."""

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from analysis.quantities import in_units, marked
from dashboard.pages import Answer
from dashboard.pages.forms import Field, field, form, tap
from dashboard.pages.workshop.words import (
    QUANTITIES,
    UNITS,
    Clock,
    address,
    inner,
    link,
    places,
    sensor_name,
)
from ingest.sensors import OF_ONE_POT

MOST_TOPICS = 20
MOST_POTS = 120
LIST = "unread"


def page(answer: Answer) -> list[Any]:
    """Topics that no sensor claims, then messages that a sensor claims and that could not be read all the same."""
    clock = Clock(answer["time_zone"], answer["at_ms"])
    topics = answer["unread_topics"]
    claimed = {sensor["topic"]: sensor for sensor in answer["sensors"]}
    stuck = [message for message in answer["unread"] if message["topic"] in claimed]
    if not topics and not stuck:
        return [
            html.P("Every message that arrived was understood and used.", className="workshop-well"),
            html.P(
                "A new sensor needs nothing here beforehand: let it send. Its first message stands here and asks which "
                "shelf or pot it belongs to, and everything that it sent until then is read after all."
            ),
        ]
    kept = f"{answer['unread_kept']} kept"
    if answer["unread_dropped"]:
        kept += f", {answer['unread_dropped']} older ones had to make room"
    return [
        html.P(f"{kept}. Once a sensor claims them they are read after all, with their own times."),
        html.Div(tap("Read again what is claimed by now", "messages_replayed", {}), className="doors"),
        html.Ul([_topic(topic, answer, clock) for topic in topics[:MOST_TOPICS]], className=LIST),
        *([html.P(f"{len(topics) - MOST_TOPICS} more topics wait behind these.")] if len(topics) > MOST_TOPICS else []),
        *_all_stuck(stuck, claimed, clock),
    ]


def _all_stuck(stuck: Sequence[Mapping[str, Any]], claimed: Mapping[str, Mapping[str, Any]], clock: Clock) -> list[Any]:
    if not stuck:
        return []
    rows = [_stuck(message, claimed[message["topic"]], clock) for message in stuck]
    return [html.H2("Claimed, and still not understood"), html.Ul(rows, className=LIST)]


def _topic(topic: Mapping[str, Any], answer: Answer, clock: Clock) -> Any:
    count = topic["count"]
    when = (
        f"{count} messages since {clock(topic['since_ms'])}" if count > 1 else f"arrived {clock(topic['arrived_ms'])}"
    )
    more = "" if topic["time_known"] else ", time unknown"
    head = html.Div([html.Strong(topic["topic"]), html.Small(when + more)])
    body = html.Pre(topic["body"] or "(empty)", tabIndex="0")
    if not topic["streams"]:
        forget = {"topic": topic["topic"], "reason": topic["reason"]}
        return html.Li(
            [
                head,
                html.P("No number can be read in it, so no sensor can be made of it."),
                body,
                html.Div(tap("Forget these", "messages_forgotten", forget), className="doors"),
            ],
            key=topic["topic"],
        )
    sure = [stream for stream in topic["streams"] if stream["quantity"] and not stream["note"]]
    return html.Li(
        [
            head,
            html.P(in_units(_says(topic["streams"]), answer["units"])),
            *_one_tap(topic, sure, answer),
            _by_hand(topic, answer, bool(sure)),
            body,
        ],
        key=topic["topic"],
    )


def _says(streams: Sequence[Mapping[str, Any]]) -> str:
    which = "Which pot is it?" if all(one["quantity"] in OF_ONE_POT for one in streams) else "Which place is it?"
    return f"It says {', '.join(_stream(stream) for stream in streams)}. {which}"


def _stream(stream: Mapping[str, Any]) -> str:
    name = QUANTITIES.get(stream["quantity"] or "", "a number")
    unit = UNITS.get(stream["unit"] or "", stream["unit"] or "")
    shown = f"{stream['shown'].removesuffix(stream['unit'] or '').strip()} {unit}".strip()
    return f"{name} {marked(shown)}" + (f" ({stream['field']})" if stream["field"] else "")


def _one_tap(topic: Mapping[str, Any], sure: Sequence[Mapping[str, Any]], answer: Answer) -> list[Any]:
    """A tap on the shelf, or on the pot, takes every stream that the message leaves no doubt about."""
    if not sure:
        return []
    if not answer["shelves"]:
        door = html.A("Enter the first shelf", href=address("shelves"), **inner())
        return [html.P([door, ", then say that this is its sensor."])]
    streams = [{"use": True, "payload": stream["payload"], "field": stream["field"]} for stream in sure]

    def claim(words: str, at: str) -> Any:
        return tap(words, "messages_claimed", {"id": topic["id"], "at": at, "streams": streams})

    is_a_pots = all(stream["quantity"] in OF_ONE_POT for stream in sure)
    if is_a_pots and not answer["pots"]:
        door = html.A("Enter the first pot", href=address("pots", "new"), **inner())
        return [html.P([door, ", then say that this is its sensor."])]
    shelves = html.Div([claim(shelf, shelf) for shelf in answer["shelves"]], className="doors claims")
    of_few = answer["pots_by_shelf"] if len(answer["pots"]) <= MOST_POTS else []  # of more, a list is quicker
    pots = [
        html.Div([html.Span(row["shelf"] or "no shelf yet"), *(claim(pot, f"/{pot}") for pot in row["pots"])])
        for row in of_few
        if row["pots"]
    ]
    of_pots = html.Div(pots, className="claims-pots")
    if is_a_pots:
        return [of_pots] if pots else []
    return [shelves, *([html.Details([html.Summary("It belongs to a pot"), of_pots])] if pots else [])]


def _by_hand(topic: Mapping[str, Any], answer: Answer, is_second: bool) -> Any:
    fields: list[Field] = []
    for number, stream in enumerate(topic["streams"]):
        fields += _stream_fields(number, stream, answer["units"])
    if any(stream["time_field"] is not None and stream["note"] for stream in topic["streams"]):
        hint = "They name none themselves. UTC, or a name like Europe/Lisbon."
        fields.append(field("time_zone", "Its times are in the zone", value=answer["time_zone"], hint=hint))
    fields.append(
        field("at", "Where it stands", "choice", words=places(answer["pots_by_shelf"]), needed=True, none="choose")
    )
    fixed = {
        "id": topic["id"],
        "streams": [{"payload": stream["payload"], "field": stream["field"]} for stream in topic["streams"]],
    }
    made = form("messages_claimed", fields, units=answer["units"], fixed=fixed, button="Make the sensor")
    return html.Details([html.Summary("Choose what it measures"), made], open=not is_second)


def _stream_fields(number: int, stream: Mapping[str, Any], units: str) -> list[Field]:
    key = f"streams.{number}"
    used: dict[str, Any] = {"if": (f"{key}.use", [True])}
    words = in_units(f"Use {_stream(stream)}", units)
    note = "" if stream["time_field"] is not None else stream["note"]
    return [
        field(f"{key}.use", words, "flag", value=bool(stream["quantity"]), hint=note),
        field(
            f"{key}.quantity", "It measures", "choice", words=list(QUANTITIES.items()), value=stream["quantity"], **used
        ),
        field(f"{key}.unit", "in", value=stream["unit"] or "", **used),
    ]


def _stuck(message: Mapping[str, Any], sensor: Mapping[str, Any], clock: Clock) -> Any:
    like = f", {message['like']} more like it" if message["like"] else ""
    when = f"arrived {clock(message['arrived_ms'])}{like}{'' if message['time_known'] else ', time unknown'}"
    forget = {"topic": message["topic"], "reason": message["reason"]}
    return html.Li(
        [
            html.Div([html.Strong(message["topic"]), html.Small(when)]),
            html.P(message["reason"]),
            html.Div(
                [
                    link(f"Open {sensor_name(sensor)}", "sensor", sensor["source"]),
                    tap("Forget these", "messages_forgotten", forget),
                ],
                className="doors",
            ),
            html.Pre(message["body"] or "(empty)", tabIndex="0"),
        ],
        key=f"{message['topic']} {message['reason']}",
    )
