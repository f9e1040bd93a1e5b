"""What happens to the invented home: dated, named events, and the grower's rhythm, read from a scenario file.

Owns the vocabulary of events. What an event does is known where it acts: air in `climate`, set-ups, wicks, plants and
refills in `truth`, sensors in `instruments`, notes in `grower`.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

DAY_MS = 86_400_000

KINDS = {
    "heating": "shelf air: warmer_c, vapour_factor, speed_factor, lamp_w_per_m2, mat_w_per_m2",
    "dry_spell": "shelf air, as heating",
    "setup": "a pot's set-up changes: any keys of a set-up in `values`; `noted` says whether the grower wrote it down",
    "wick_fails": "values: keeps (share of its conductance left), over_days",
    "plant_drinks": "values: factor on the plant's uptake, over_days",
    "roots_lost": "values: factor on the plant's uptake, over_days",
    "flush": "a pot is watered from the top: amount_ml",
    "empty": "nobody refills this pot from at to until",
    "absence": "nobody visits from at to until",
    "rhythm": "from at to until only every so many-th visit happens: every",
    "sensor_sticks": "a sensor repeats its last value from at to until",
    "sensor_dies": "a sensor says nothing from at to until",
    "sensor_fails": "a sensor sends its failure code from at to until: code",
    "sensor_moves": "a sensor is moved to another pot: to; `noted` says whether its placement was dated",
}


@dataclass(frozen=True)
class Event:
    """One event. Exactly the fields its kind needs are set."""

    name: str
    kind: str
    at_ms: int
    until_ms: int | None = None
    pot: str | None = None
    shelf: str | None = None
    sensor: str | None = None
    values: Mapping[str, Any] = field(default_factory=dict)
    noted: bool = True

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"event {self.name!r} has the unknown kind {self.kind!r}; there are {', '.join(KINDS)}")

    def number(self, key: str, default: float) -> float:
        """A number among the values."""
        return float(self.values.get(key, default))


@dataclass(frozen=True)
class Scenario:
    """What happens: the events, and the days of the week (0 = Monday) on which the grower comes."""

    name: str
    events: tuple[Event, ...] = ()
    weekdays: tuple[int, ...] = (1, 4, 6)

    def without(self, *names: str) -> "Scenario":
        """The same scenario minus the named events: the counterfactual run."""
        known = {event.name for event in self.events}
        for name in names:
            if name not in known:
                raise ValueError(f"scenario {self.name!r} has no event {name!r}")
        return replace(self, events=tuple(event for event in self.events if event.name not in names))

    def with_events(self, *events: Event) -> "Scenario":
        """The same scenario with more events."""
        return replace(self, events=self.events + events)


def read_scenario(path: Path, start_ms: int) -> Scenario:
    """Read a scenario file; a moment is `at = 2026-03-01T00:00:00Z` or `day = 40.5` (days after `start_ms`)."""
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    events = tuple(_event(dict(entry), start_ms) for entry in document.get("event", []))
    names = [event.name for event in events]
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"two events are called {name!r}")
    weekdays = tuple(int(day) for day in document.get("weekdays", (1, 4, 6)))
    return Scenario(str(document.get("name", path.stem)), events, weekdays)


def _event(entry: dict[str, Any], start_ms: int) -> Event:
    def moment(absolute: str, relative: str) -> int | None:
        at = entry.pop(absolute, None)
        day = entry.pop(relative, None)
        if isinstance(at, datetime):
            return round(at.timestamp() * 1000)
        return None if day is None else start_ms + round(float(day) * DAY_MS)

    at_ms, until_ms = moment("at", "day"), moment("until", "until_day")
    if at_ms is None:
        raise ValueError(f"event {entry.get('name')!r} has no moment: give `at` or `day`")
    return Event(at_ms=at_ms, until_ms=until_ms, **entry)
