"""The workshop's house: the address for other machines, the phone's calendar, copies, alerts; and the first run."""

from collections.abc import Sequence
from typing import Any

import segno
from dash import html

from dashboard.pages import Answer
from dashboard.pages.air_door import air_door
from dashboard.pages.forms import field, form, tap
from dashboard.pages.workshop.stock import shelf_fields
from dashboard.pages.workshop.words import Clock, address, fold, inner, link, table

BACKUP_HOLDS = (
    "One file with the readings, the logbook, the photos and the settings, as of one moment; no password and no other "
    "secret is in it. It is made while everything runs, which takes a while on a large home."
)

CALENDAR_SAYS = (
    "Follow-ups and rounds. Subscribe to this address in the phone's calendar. Whoever knows it can read them, so it "
    "is secret; a new address ends the old one."
)
SETTINGS = '[grower]\ntimezone = "Europe/Lisbon"\nunits = "metric"      # or "us"\nvisits_per_week = 2'
NO_SENSOR = (
    "Then note now and then what a hygrometer shows on the shelf: a spot check. One is enough for guide and round to "
    "begin, with wide bands; for a depth on the wall the air must be known for half of the week. Many at once come in "
    "from a file like this, with dryline import readings FILE."
)
SPOT_CHECKS = (
    "time,place,quantity,value,unit\n"
    "2026-03-01T09:00:00Z,east window,air_temperature,21,Cel\n"
    "2026-03-01T09:00:00Z,east window,relative_humidity,58,%RH"
)
NOT_YET = "No phone can reach it yet, since only this machine may open the dashboard."


def page(answer: Answer) -> list[Any]:
    """Everything about the house itself."""
    waits: Any = {"data-says": "The backup is being made. Its download begins when it is whole."}
    return [
        html.H2("Who can open it"),
        _address(answer),
        html.P(_password_says(answer)),
        *(
            []
            if answer["password"]
            else [html.Div(html.A("Set a password", href="/start", className="door", **inner()), className="doors")]
        ),
        html.H2("Settings"),
        *_settings(answer),
        html.H2("A calendar for the phone"),
        _coded(
            answer["calendar"],
            CALENDAR_SAYS if answer["others"] else f"{CALENDAR_SAYS} {NOT_YET}",
            "Opens the calendar",
        ),
        html.Div(tap("Give it a new address", "calendar_renewed", {}), className="doors"),
        html.H2("Labels"),
        html.P("A label for each pot, with a code that opens the pot's page on a phone that can reach this dashboard."),
        html.Div(html.A("Labels to print", href="/labels", target="_blank", className="door"), className="doors")
        if answer["pots"]
        else html.P("There is no pot yet."),
        html.H2("Copies"),
        html.P(BACKUP_HOLDS),
        html.P(_copies_say(answer)),
        html.Div(html.A("Download a backup", href="/backup", className="door", **waits), className="doors"),
        html.H2("Alerts"),
        html.P(
            "What cannot wait is also sent elsewhere, as the settings say."
            if answer["alerts"]
            else "Nothing is sent anywhere yet: name a file of addresses as urls_file under [alerts] in dryline.toml."
        ),
        html.Div(tap("Send a test", "alert_test", {}), className="doors"),
        html.H2("Sensors' messages"),
        html.P(answer["broker"]),
        *_refused(answer),
    ]


def _settings(answer: Answer) -> list[Any]:
    """What is set, in which file that is changed, and how."""
    file = answer["settings"]
    there = "" if file["is_there"] else " It is not there yet: make it, as plain text."
    visits = "one round" if answer["visits_per_week"] == 1 else f"{answer['visits_per_week']} rounds"
    units = "in inches, fluid ounces and °F" if answer["units"] == "us" else "in mm, mL and °C"
    return [
        html.P(f"Times are told in {answer['time_zone']}, measures {units}, and {visits} a week are planned."),
        html.P(["To change that, write so into ", html.Code(file["file"]), f" and start dryline again.{there}"]),
        html.Pre(SETTINGS),
    ]


def _address(answer: Answer) -> Any:
    return _coded(answer["address"], answer["says"], "Opens the dashboard")


def _coded(text: str, says: str, title: str) -> Any:
    """An address as text and as a code for a camera."""
    code = segno.make(text, error="m", micro=False).svg_data_uri(scale=4, border=4, light="#fff", dark="#000")
    return html.Div(
        [
            html.Img(src=code, alt=f"{title}: the address beside it as a code", className="code"),
            html.Div([html.P(html.Code(text)), html.P(says)]),
        ],
        className="coded",
    )


def _password_says(answer: Answer) -> str:
    if answer["password"]:
        return (
            "There is a password. To change it run dryline password on the machine; every device then signs in again."
        )
    return "There is no password, so only this machine may open the dashboard."


def _copies_say(answer: Answer) -> str:
    copies = answer["backup"]
    if copies["folder"] and not copies["is_there"]:
        return f"Copies should go to {copies['folder']}, which is not there: plug the disk in, or make the folder."
    if copies["folder"]:
        last = Clock(answer["time_zone"], answer["at_ms"])(copies["last_ms"])
        made = f"The last was made {last}." if copies["last_ms"] else "None was made yet."
        return f"A copy goes to {copies['folder']} every {copies['every_hours']} hours. {made}"
    return "No copy is made by itself: name a folder on another disk under [backup] in dryline.toml."


def _refused(answer: Answer) -> list[Any]:
    if not answer["refused"]:
        return []
    clock = Clock(answer["time_zone"], answer["at_ms"])
    rows = [
        (reading["source"], clock(reading["time_ms"]), f"{reading['value']:g}", reading["reason"])
        for reading in answer["refused"]
    ]
    return [
        html.H2("Refused by the server of the history"),
        html.P("These readings are kept here, and the server would not take them."),
        table(("source", "of", "value", "the server says"), rows),
        html.Div(tap("Send them again", "refused_tried_again", {}), className="doors"),
    ]


# --- the first run


def start(answer: Answer) -> list[Any]:
    """From an empty house to the first pot on the wall, a step at a time."""
    done = (bool(answer["password"]), bool(answer["shelves"]), bool(answer["placed"]), bool(answer["pots"]))
    steps: Sequence[tuple[str, Any]] = (
        ("A password", _password_step(answer)),
        ("The first shelf", _shelf_step(answer)),
        ("The first sensor", _sensor_step(answer)),
        ("The first pot", _pot_step(answer)),
    )
    zone = f"Times are told in {answer['time_zone']}, and settings stand in a file, dryline.toml: "
    following = next((number for number, is_done in enumerate(done) if not is_done and number > 0), None)
    return [
        html.P(
            "dryline tells where the dry layer ends in every wick-fed pot, and what moves it. It needs to know your "
            "shelves and your pots; a sensor on each shelf makes it sharp, notes of what you see make it right."
        ),
        html.Ol(
            [
                _step(number + 1, words, inner_part, done[number], number == following)
                for number, (words, inner_part) in enumerate(steps)
            ],
            className="steps",
        ),
        html.P([zone, html.A("where it lies and what it may say", href=address("house"), **inner()), "."]),
        html.Div(html.A("To the wall", href="/", className="door door-first", **inner()), className="doors")
        if all(done[1:2] + done[3:])
        else None,
    ]


def _step(number: int, words: str, content: Any, is_done: bool, is_next: bool) -> Any:
    told = html.Small("done" if is_done else "next" if is_next else "")
    name = "step" + (" step-done" if is_done else " step-next" if is_next else "")
    return html.Li([html.H2([html.Span(str(number), className="step-number"), words, told]), *content], className=name)


def _password_step(answer: Answer) -> list[Any]:
    if answer["password"]:
        return [_address(answer)]
    return [
        _address(answer),
        html.P("Without one you can go on here, on this machine alone. With one, a tablet on the wall can be let in."),
        form(
            "first_password",
            [
                field(
                    "password",
                    "Password",
                    "password",
                    needed=True,
                    hint="Eight characters or more.",
                    autocomplete="new-password",
                ),
                field("again", "The same again", "password", needed=True, autocomplete="new-password"),
            ],
            units=answer["units"],
            button="Set the password",
            go="/start",
        ),
    ]


def _shelf_step(answer: Answer) -> list[Any]:
    if answer["shelves"]:
        more = link("Another shelf", "shelves")
        return [html.P(", ".join(answer["shelves"])), html.Div(more, className="doors")]
    return [
        html.P("A shelf is a place with one climate: a rack, a window sill, a closed cabinet."),
        form("shelf", shelf_fields([]), units=answer["units"], button="Enter the shelf"),
    ]


def _sensor_step(answer: Answer) -> list[Any]:
    if answer["placed"]:
        count = "One sensor stands" if answer["placed"] == 1 else f"{answer['placed']} sensors stand"
        return [html.P(f"{count} at a place."), html.Div(link("All sensors"), className="doors")]
    waiting = answer["unread"]
    says = (
        f"{waiting} messages have arrived and wait for their place."
        if waiting
        else "Nothing has arrived yet. Let a sensor send to the broker; its first message then asks which shelf it is."
    )
    return [
        html.P(says),
        html.P(answer["broker"]),
        html.Div(link("Messages that wait", "messages", first=bool(waiting)), className="doors"),
        fold("No sensor at all?", html.P(NO_SENSOR), *_air_door(answer), html.Pre(SPOT_CHECKS)),
    ]


def _air_door(answer: Answer) -> list[Any]:
    return [html.Div(air_door(), className="doors")] if answer["shelves"] else []


def _pot_step(answer: Answer) -> list[Any]:
    if answer["pots"]:
        shown = ", ".join(answer["pots"][:6]) + (" and more" if len(answer["pots"]) > 6 else "")
        return [html.P(shown), html.Div(link("Another pot", "pots", "new"), className="doors")]
    if not answer["shelves"]:
        return [html.P("It stands on a shelf: enter that first.")]
    return [
        html.P("A label, the shelf, and what you know of how it is built. A trade size is enough to begin."),
        html.Div(link("Enter the first pot", "pots", "new", first=True), className="doors"),
    ]
