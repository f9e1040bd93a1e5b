"""The workshop's checks of air sensors: a night side by side, and a night over wet salt."""

from typing import Any

from dash import html

from analysis.quantities import in_units, quantity
from dashboard.pages import Answer
from dashboard.pages.forms import field, form
from dashboard.pages.workshop.words import QUANTITIES, Clock, place, sensor_name

HOUR_MS = 3_600_000
AIR = ("air_temperature", "relative_humidity")


def page(answer: Answer) -> list[Any]:
    """Both checks, as forms that show what they find before anything is kept."""
    clock = Clock(answer["time_zone"], answer["at_ms"])
    sensors = [
        (
            sensor["source"],
            f"{sensor_name(sensor)}, {QUANTITIES[sensor['quantity']]}, {place(sensor['at'])}",
            sensor["quantity"],
        )
        for sensor in answer["sensors"]
        if sensor["quantity"] in AIR
    ]
    if not sensors:
        return [
            html.H2("Checks"),
            html.P(
                "Sensors of air differ by a degree and by some per cent of humidity when they are new, and drift as "
                "they age. As soon as there are two, a night side by side tells how far apart they are.",
                className="workshop-well",
            ),
        ]
    night = {"from": clock.field(answer["at_ms"] - 12 * HOUR_MS), "to": clock.field(answer["at_ms"])}
    when = [
        field("from", "From", "time", needed=True, hint="Without the first half hour: they must settle."),
        field("to", "To", "time", needed=True),
    ]
    warmth = in_units(quantity(25, "°C"), answer["units"])
    choice = [(source, words) for source, words, _ in sensors]
    of = {kind: [(source, words) for source, words, what in sensors if what == kind] for kind in AIR}
    return [
        html.H2("A night side by side"),
        html.P(
            "Lay the sensors side by side, out of sun and draught, for a night. What each reads too high or too low is "
            "then taken off its numbers, in the past as well. It finds differences between sensors, not the truth: "
            "name the one that you believe, or the middle of all is believed."
        ),
        form(
            "side_by_side",
            [
                field(
                    "sources",
                    "Which sensors lay there",
                    "several",
                    words=choice,
                    needed=True,
                    missing="Tick the sensors that lay side by side.",
                ),
                *when,
                field("reference", "Believed", "choice", words=choice, none="the middle of all"),
            ],
            units=answer["units"],
            values=night,
            button="Look at it first",
        ),
        html.H2("A night over salt"),
        html.P(
            "Put table salt, damp as wet sand, into a closed box with the humidity sensor above it, and wait a night. "
            f"The air in the box then has 75.3 % at {warmth} (Greenspan 1977, J. Res. NBS 81A, 89). A kitchen box is "
            "good to about 2 %. Keep salt water off the sensor."
        ),
        form(
            "over_salt",
            [
                field("source", "Humidity sensor", "choice", words=of["relative_humidity"], needed=True, none="choose"),
                field(
                    "temperature", "Temperature sensor in the box", "choice", words=of["air_temperature"], none="none"
                ),
                field("temperature_c", "or the temperature", "number", unit="celsius"),
                *when,
            ],
            units=answer["units"],
            values=night,
            button="Look at it first",
        )
        if of["relative_humidity"]
        else html.P("There is no sensor of humidity yet."),
    ]
