"""The glasshouse: an invented community home of four shelves and 24 pots, with the sensors that stand in it.

Owns the collection, the list of its sensors with their topics and payloads, and its description as a set-up file. It
must not know how messages are sent. All of it is invented.

Bare numbers say no time, so they can only be told live. Their nodes therefore have a *log* too, a SenML topic that
tells the past with times; in the set-up the log serves until the moment of going live, the bare topic from then on.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import tomlkit

from simulated_feeds.climate import Air
from simulated_feeds.events import DAY_MS, Scenario, read_scenario
from simulated_feeds.instruments import KINDS, Instrument
from simulated_feeds.noise import key_of
from simulated_feeds.pots import Pot, Shelf, World
from simulated_feeds.truth import histories
from simulated_feeds.zoo import as_written, hidden_of

TIME_ZONE = "Europe/Vienna"
SEED = 20

SHELVES = (
    Shelf(
        "heated-rack",
        "still",
        "none",
        0.0,
        Air(23.0, -0.3, 1.4, 0.6, 1.55, 0.2, 0.08, 20.0, speed_m_per_s=0.06),
    ),
    Shelf(
        "east-window",
        "gentle",
        "sun",
        4.0,
        Air(20.0, 1.5, 1.8, 0.8, 1.42, 0.15, 0.08, 13.0, speed_m_per_s=0.12, sun_w_per_m2=110.0),
    ),
    Shelf(
        "glass-cabinet",
        "still",
        "lamp",
        12.0,
        Air(22.5, 0.5, 0.7, 0.3, 2.35, 0.03, 0.015, 15.0, speed_m_per_s=0.05, lamp_w_per_m2=30.0),
    ),
    Shelf(
        "stairwell",
        "draughty",
        "none",
        0.0,
        Air(17.0, 2.0, 0.9, 0.9, 1.15, 0.2, 0.08, 15.0, speed_m_per_s=0.38),
    ),
)

CLAY = {"expanded_clay": 1.0}
HOUSE_MIX = {"expanded_clay": 0.5, "lava_rock": 0.3, "pumice": 0.2}
LAVA_MIX = {"lava_rock": 0.6, "pumice": 0.4}
WET_MIX = {"porous_ceramic": 0.5, "lava_rock": 0.5}
PERLITE_MIX = {"perlite": 0.4, "expanded_clay": 0.6}


@dataclass(frozen=True)
class _Row:
    """One pot of the collection; `lift` is the surface above the fill mark, mm."""

    label: str
    shelf: str
    plant: str
    likes: str
    roots: str
    across: float
    mark: float
    lift: float
    mix: Mapping[str, float]
    grain: str
    cover: tuple[str, float, bool]
    vents: tuple[int, float] | None
    strands: int
    gap: str


BARE = ("none", 0.0, False)
COLLECTION = (
    _Row("rack top left", "heated-rack", "Cattleya hybrid", "airy", "thick", 120, 45, 78, HOUSE_MIX, "medium",
         BARE, (12, 8), 2, "none"),
    _Row("rack top middle", "heated-rack", "Dendrobium, nobile type", "even", "fine", 105, 40, 72, CLAY, "medium",
         BARE, (8, 6), 1, "narrow"),
    _Row("rack top right", "heated-rack", "Oncidium hybrid", "even", "fine", 115, 45, 76, LAVA_MIX, "medium",
         BARE, (18, 8), 2, "none"),
    _Row("rack middle left", "heated-rack", "Cattleya, small", "airy", "thick", 110, 45, 80, CLAY, "medium",
         BARE, (10, 8), 2, "none"),
    _Row("rack middle right", "heated-rack", "Cattleya, small", "airy", "thick", 110, 45, 80, CLAY, "medium",
         BARE, (10, 8), 2, "none"),
    _Row("rack lower left", "heated-rack", "Dendrobium, hard cane", "airy", "fine", 130, 50, 84, HOUSE_MIX, "fine",
         BARE, None, 3, "wide"),
    _Row("window left", "east-window", "Cattleya hybrid", "airy", "thick", 125, 48, 80, HOUSE_MIX, "medium",
         BARE, (6, 6), 2, "narrow"),
    _Row("window second", "east-window", "Zygopetalum", "wetter", "thick", 120, 45, 74, WET_MIX, "medium",
         BARE, (8, 6), 2, "none"),
    _Row("window middle", "east-window", "Oncidium, twinkling", "even", "fine", 110, 42, 76, PERLITE_MIX, "medium",
         BARE, (10, 7), 1, "none"),
    _Row("window fourth", "east-window", "Dendrobium, kingianum type", "even", "fine", 100, 40, 70, CLAY, "coarse",
         ("pebbles", 15.0, False), (6, 6), 2, "none"),
    _Row("window right", "east-window", "Coelogyne", "even", "fine", 125, 48, 82, HOUSE_MIX, "medium",
         BARE, (12, 8), 2, "narrow"),
    _Row("window sill end", "east-window", "Cattleya, large", "airy", "thick", 145, 52, 92, LAVA_MIX, "coarse",
         BARE, (14, 8), 3, "wide"),
    _Row("cabinet front left", "glass-cabinet", "Bulbophyllum", "wetter", "fine", 105, 40, 68, HOUSE_MIX, "fine",
         BARE, (8, 6), 2, "none"),
    _Row("cabinet front middle", "glass-cabinet", "Paphiopedilum", "wetter", "thick", 115, 42, 74, HOUSE_MIX,
         "medium", BARE, None, 1, "none"),
    _Row("cabinet front right", "glass-cabinet", "Bulbophyllum, creeping", "wetter", "fine", 120, 38, 66, LAVA_MIX,
         "medium", BARE, (6, 6), 2, "narrow"),
    _Row("cabinet back left", "glass-cabinet", "Miltoniopsis", "wetter", "fine", 110, 42, 84, CLAY, "coarse",
         BARE, (10, 6), 1, "none"),
    _Row("cabinet back middle", "glass-cabinet", "Paphiopedilum, mottled", "wetter", "thick", 100, 40, 72, CLAY,
         "medium", ("lava_rock", 10.0, False), None, 2, "none"),
    _Row("cabinet back right", "glass-cabinet", "Bulbophyllum, small", "wetter", "fine", 95, 38, 70, PERLITE_MIX,
         "medium", BARE, (8, 6), 1, "none"),
    _Row("stairwell upper left", "stairwell", "Coelogyne, cool", "even", "fine", 125, 46, 78, HOUSE_MIX, "medium",
         BARE, (10, 7), 1, "none"),
    _Row("stairwell upper middle", "stairwell", "Miltoniopsis", "wetter", "fine", 110, 44, 72, WET_MIX, "medium",
         BARE, (8, 6), 2, "none"),
    _Row("stairwell upper right", "stairwell", "Zygopetalum", "wetter", "thick", 130, 48, 80, LAVA_MIX, "medium",
         BARE, (16, 8), 2, "narrow"),
    _Row("stairwell lower left", "stairwell", "Paphiopedilum, green", "wetter", "thick", 110, 42, 76, CLAY, "medium",
         ("pebbles", 20.0, False), (8, 6), 2, "none"),
    _Row("stairwell lower middle", "stairwell", "Coelogyne", "even", "fine", 120, 45, 78, HOUSE_MIX, "medium",
         BARE, (12, 8), 2, "none"),
    _Row("stairwell lower right", "stairwell", "Oncidium, cool", "even", "fine", 115, 44, 74, HOUSE_MIX, "medium",
         BARE, None, 2, "wide"),
)  # fmt: skip


def glasshouse(start_ms: int, seed: int = SEED) -> World:
    """The invented home; its first set-ups are dated 30 days before `start_ms`."""
    pots = tuple(_pot(row, start_ms - 30 * DAY_MS, seed) for row in COLLECTION)
    left = next(pot for pot in pots if pot.label == "rack middle left")
    twin = replace(left.hidden, height_scale=left.hidden.height_scale * 1.03)
    return World(
        SHELVES,
        tuple(replace(pot, hidden=twin) if pot.label == "rack middle right" else pot for pot in pots),
    )


def _pot(row: _Row, from_ms: int, seed: int) -> Pot:
    key = key_of(row.label)
    surface = row.mark + row.lift
    column = row.lift - 8.0
    kind, cover_mm, replaces = row.cover
    setup: dict[str, Any] = {
        "from_ms": from_ms,
        "shelf": row.shelf,
        "pot": {"top_diameter_mm": row.across, "bottom_diameter_mm": row.across * 0.8, "height_mm": column + 30.0},
        "reservoir": {
            "area_mm2": round(row.across**2 * 0.62),
            "height_mm": row.mark + 12.0,
            "fill_mark_mm": row.mark,
            "medium_fraction": 1.0 if "sill end" in row.label else 0.0,
        },
        "surface_height_mm": surface,
        "layers": [{"thickness_mm": column, "grain": row.grain, "mix": dict(row.mix)}],
        "top_layer": {"kind": kind, "thickness_mm": cover_mm, "replaces_medium": replaces},
        "headroom_mm": 30.0 - cover_mm,
        "vents": "none"
        if row.vents is None
        else {
            "count": row.vents[0],
            "diameter_mm": row.vents[1],
            "wall_mm": 1.5,
            "height_mm": round(surface - 0.5 * column),
        },
        "wick": {"strands": row.strands, "material": "microfibre"},
        "gap": row.gap,
    }
    hidden = hidden_of(seed, key, row.mix, row.likes, row.roots, row.across)
    written = {**as_written(seed, key, setup), "wick": setup["wick"], "vents": setup["vents"]}
    return Pot(row.label, row.plant, row.likes, row.roots, (written,), (setup,), hidden)


@dataclass(frozen=True)
class Member:
    """One value in the messages of a feed: its field, what measures it, and where it hangs."""

    label: str
    field: str
    kind: str
    at: str
    unit: str
    failure: str | float = "unavailable"

    @property
    def instrument(self) -> Instrument:
        """Its kind of sensor."""
        return KINDS[self.kind]


@dataclass(frozen=True)
class Feed:
    """One topic. `form` is how a message is written (see `messages`); `batch_s` makes its node a sleeper."""

    topic: str
    form: str
    members: tuple[Member, ...]
    batch_s: float = 0.0
    retain: bool = False
    calibration: tuple[tuple[float, float], ...] = ()
    online_topic: str | None = None


COUNTS = ((310.0, 0.0), (480.0, 20.0), (655.0, 40.0), (840.0, 60.0))  # raw counts of a capacitive strip -> mm
FEEDS = (
    Feed(
        "glasshouse/rack/air",
        "senml",
        (
            Member("rack warmth", "temp", "air_temperature", "heated-rack", "Cel", -127.0),
            Member("rack humidity", "hum", "relative_humidity", "heated-rack", "%RH", -127.0),
        ),
    ),
    Feed(
        "glasshouse/window/temperature",
        "number",
        (Member("window warmth", "", "lazy_temperature", "east-window", "degF"),),
        retain=True,
    ),
    Feed(
        "glasshouse/window/humidity",
        "number",
        (Member("window humidity", "", "lazy_humidity", "east-window", "%RH"),),
        retain=True,
    ),
    Feed(
        "glasshouse/cabinet/climate",
        "json_local",
        (
            Member("cabinet warmth", "/air/celsius", "air_temperature", "glass-cabinet", "Cel"),
            Member("cabinet humidity", "/air/humidity", "relative_humidity", "glass-cabinet", "%RH"),
        ),
    ),
    Feed(
        "glasshouse/stairwell/node",
        "senml_batch",
        (
            Member("stairwell warmth", "t", "air_temperature", "stairwell", "Cel", -127.0),
            Member("stairwell humidity", "rh", "relative_humidity", "stairwell", "%RH", -127.0),
        ),
        batch_s=3600.0,
        online_topic="glasshouse/stairwell/online",
    ),
    Feed(
        "glasshouse/stairwell/battery",
        "senml",
        (Member("stairwell battery", "bat", "battery", "stairwell", "%EL"),),
    ),
    Feed(
        "glasshouse/rack/top-left",
        "senml",
        (Member("rack top left level", "level", "fine", "rack top left", "mm"),),
    ),
    Feed(
        "glasshouse/rack/twin-a",
        "json_local",
        (Member("twin a level", "/level_mm", "fine", "rack middle left", "mm"),),
    ),
    Feed(
        "glasshouse/rack/twin-b",
        "number",
        (Member("twin b level", "", "coarse", "rack middle right", "mm"),),
        retain=True,
    ),
    Feed(
        "glasshouse/portable",
        "json_unix",
        (Member("portable level", "/mm", "fine", "rack lower left", "mm"),),
    ),
    Feed(
        "glasshouse/window/scale",
        "json_unix",
        (Member("window scale", "/weight/g", "load_cell", "window left", "g"),),
    ),
    Feed(
        "glasshouse/window/strip",
        "json_array",
        (Member("window strip", "/looks/*/counts", "fine", "window middle", "mm"),),
        batch_s=5400.0,
        calibration=COUNTS,
    ),
    Feed(
        "glasshouse/cabinet/front-left",
        "senml_batch",
        (Member("cabinet front left level", "h", "coarse", "cabinet front left", "mm"),),
        batch_s=7200.0,
    ),
    Feed(
        "glasshouse/stairwell/upper-left",
        "senml",
        (Member("stairwell upper left level", "level", "fine", "stairwell upper left", "mm"),),
    ),
    Feed(
        "glasshouse/stairwell/float",
        "word",
        (Member("stairwell float", "", "float_switch", "stairwell lower right", ""),),
        retain=True,
    ),
)
TIMELESS = ("number", "word")


def log_of(feed: Feed) -> Feed:
    """The log of a feed that says no times: the same values as SenML."""
    member = feed.members[0]
    unit = {"degF": "Cel"}.get(member.unit, member.unit)
    return replace(
        feed, topic=feed.topic + "/log", form="senml", retain=False, members=(replace(member, field="v", unit=unit),)
    )


def placements(member: Member, scenario: Scenario, start_ms: int, *, true: bool) -> list[tuple[int, str]]:
    """Where a sensor stood from when: the truth, or what was written down."""
    moves = sorted(
        (event.at_ms, str(event.values["to"]))
        for event in scenario.events
        if event.kind == "sensor_moves" and event.sensor == member.label and (true or event.noted)
    )
    return [(start_ms, member.at), *moves]


def demo_scenario(start_ms: int) -> Scenario:
    """The demo's 120 days."""
    return read_scenario(Path(str(files("simulated_feeds") / "scenarios" / "demo.toml")), start_ms)


def setup_toml(
    start_ms: int, live_ms: int, *, seed: int = SEED, scenario: Scenario | None = None, bare_numbers: bool = True
) -> str:
    """The glasshouse as a set-up file: shelves, sensors with dated placements, pots with all set-ups up to `live_ms`.

    With `bare_numbers` False (when the publisher's clock is not real time) the logs serve on.
    """
    scenario = demo_scenario(start_ms) if scenario is None else scenario
    past = replace(scenario, events=tuple(event for event in scenario.events if event.at_ms < live_ms))
    world = histories(glasshouse(start_ms, seed), past)
    shelf_of = {pot.label: str(pot.setups[-1]["shelf"]) for pot in world.pots}
    document = tomlkit.document()
    document.add(tomlkit.comment("The glasshouse: an invented home, for trying things out."))
    shelves = tomlkit.aot()
    for shelf in world.shelves:
        table = {"label": shelf.label, "air": shelf.air, "heat": shelf.heat}
        shelves.append(tomlkit.item(table | ({"hours_per_day": shelf.hours_per_day} if shelf.hours_per_day else {})))
    sensors = tomlkit.aot()
    for feed in FEEDS:
        served: list[tuple[Feed, int, int | None]] = [(feed, start_ms, None)]
        if feed.form in TIMELESS:
            served = [(log_of(feed), start_ms, live_ms if bare_numbers else None)]
            if bare_numbers:
                served.append((feed, live_ms, None))
        for one, from_ms, to_ms in served:
            for member in one.members:
                placed = placements(member, past, start_ms, true=False)
                sensors.append(tomlkit.item(_sensor_table(one, member, placed, from_ms, to_ms, shelf_of)))
    pots = tomlkit.aot()
    for pot in world.pots:
        table = {"label": pot.label, "plant": pot.plant, "likes": pot.likes, "roots": pot.roots}
        item = tomlkit.item(table)
        dated = tomlkit.aot()
        for setup in pot.setups:
            body = {key: value for key, value in setup.items() if key not in ("from_ms", "to_ms")}
            dated.append(tomlkit.item({"from": _moment(int(setup["from_ms"])), **body}))
        item.add("setup", dated)
        pots.append(item)
    document.add("shelf", shelves)
    document.add("sensor", sensors)
    document.add("pot", pots)
    return tomlkit.dumps(document)


def _moment(time_ms: int) -> datetime:
    return datetime.fromtimestamp(time_ms / 1000.0, tz=UTC).replace(microsecond=0)


def _sensor_table(
    feed: Feed,
    member: Member,
    placed: Sequence[tuple[int, str]],
    from_ms: int,
    to_ms: int | None,
    shelf_of: Mapping[str, str],
) -> dict[str, Any]:
    payload = {"senml": "senml", "senml_batch": "senml", "number": "number", "word": "number"}.get(feed.form, "json")
    table: dict[str, Any] = {"label": member.label if payload != "senml" or not feed.topic.endswith("/log")
                             else f"{member.label} (log)", "topic": feed.topic, "payload": payload}  # fmt: skip
    if member.field:
        table["field"] = member.field
    table |= {"quantity": member.instrument.quantity, "unit": member.unit}
    if feed.calibration:
        table["calibration"] = [list(pair) for pair in feed.calibration]
    if feed.form == "json_local":
        table |= {"time_field": "/at", "time_format": "iso", "time_zone": TIME_ZONE}
    elif feed.form == "json_unix":
        table |= {"time_field": "/ts", "time_format": "unix_s"}
    elif feed.form == "json_array":
        table |= {"time_field": "/looks/*/at", "time_format": "unix_ms"}
    # One that speaks on change is only late when its heartbeat is.
    beat_s = member.instrument.heartbeat_s
    table["interval_s"] = max(member.instrument.interval_s if math.isinf(beat_s) else beat_s, feed.batch_s)
    if member.instrument.quantity == "reservoir_low":
        table["height_mm"] = member.instrument.height_mm
    if feed.online_topic:
        table["online_topic"] = feed.online_topic
    ends = [moment for moment, _ in placed[1:]] + [None]
    spans = []
    for (begin, at), end in zip(placed, ends, strict=True):
        begin_ms = max(begin, from_ms)
        end_ms = min(x for x in (end, to_ms) if x is not None) if end or to_ms else None
        if end_ms is None or begin_ms < end_ms:
            place = f"{shelf_of[at]}/{at}" if at in shelf_of else at
            span: dict[str, Any] = {"from": _moment(begin_ms), "at": place}
            spans.append(span | ({"to": _moment(end_ms)} if end_ms is not None and end_ms == to_ms else {}))
    table["placed"] = spans
    return table
