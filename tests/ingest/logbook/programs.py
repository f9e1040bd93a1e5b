"""Random doings of a grower (invented), as hypothesis strategies and as a seeded script."""

import random
from typing import Any

from hypothesis import strategies as st

from ingest.logbook import Logbook, Refused
from ingest.logbook.records import COUNT_COLUMNS, KINDS, MEDIA, NUMBER_COLUMNS
from ingest.sensors import Placement, Sensor
from tests.ingest.conftest import march

SHELVES = ("heated-rack", "east-window", "glass-cabinet", "stairwell")
POTS = ("window left", "window right", '=top; "shelf"', "Überhang, \N{LATIN SMALL LETTER E WITH ACUTE}")

# What people type, and what spreadsheets and databases trip over.
texts = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]) | st.sampled_from("=+-@'\";,\n\t\\%{}<>"), max_size=40
)
times = st.integers(march(1), march(28)) | st.integers(march(1) // 1000, march(28) // 1000).map(lambda s: s * 1000)
numbers = st.floats(0, 1e6) | st.integers(0, 1000)


def changes() -> st.SearchStrategy[dict[str, Any]]:
    """Some keys of a set-up."""
    return st.fixed_dictionaries(
        {},
        optional={
            "shelf": st.sampled_from(SHELVES),
            "vents": st.sampled_from(["none", "few", "many"])
            | st.fixed_dictionaries({"count": st.integers(0, 40), "diameter_mm": st.floats(0.5, 20)}),
            "wick": st.sampled_from(["none", "one", "several"]),
            "headroom_mm": st.integers(0, 60) | st.floats(0, 60),
            "layers": st.lists(
                st.fixed_dictionaries(
                    {
                        "thickness_mm": st.floats(1, 200),
                        "mix": st.just("unknown")
                        | st.dictionaries(st.sampled_from(MEDIA), st.sampled_from(["mostly", "some"]), min_size=1),
                    }
                ),
                min_size=1,
                max_size=3,
            ),
            "top_layer": st.fixed_dictionaries({"kind": st.sampled_from(["none", "pebbles", "lava_rock"])}),
        },
    )


def setups() -> st.SearchStrategy[dict[str, Any]]:
    """A set-up in full."""
    return changes().map(lambda change: {"shelf": "east-window", **change})


@st.composite
def notes(draw: st.DrawFn) -> dict[str, Any]:
    """A note of any kind that changes no set-up."""
    columns = dict.fromkeys(NUMBER_COLUMNS[2:], numbers) | {name: st.integers(0, 50) for name in COUNT_COLUMNS}
    depth = sorted(draw(st.lists(numbers, min_size=2, max_size=2)))
    note = draw(
        st.fixed_dictionaries(
            {
                "time_ms": times,
                "pot": st.sampled_from(POTS),
                "kind": st.sampled_from([kind for kind in KINDS if kind not in ("died", "gone")]),
            },
            optional={
                **columns,
                "how": st.sampled_from(["damp_at_top", "one_stone", "fingertip", "deeper", "cannot_see"]),
                "why": texts.map(lambda text: text.replace("\n", " ").replace("\t", " ")),
                "text": texts,
                "detail": st.fixed_dictionaries({"by": st.sampled_from(["A", "=B()"])}),
            },
        )
    )
    return {**note, "dry_layer_low_mm": depth[0], "dry_layer_high_mm": depth[1]} if draw(st.booleans()) else note


def furnish_all(logbook: Logbook) -> None:
    """The shelves and pots, each pot set up on the first of March."""
    with logbook.writing():
        for shelf in SHELVES:
            logbook.put_shelf({"label": shelf})
        for pot in POTS:
            logbook.put_pot({"label": pot})
            logbook.describe_setup(pot, {"shelf": "east-window"}, march(1))
        for number in (1, 2):
            logbook.put_sensor(Sensor(f"glasshouse/{number}", "senml", "level", "reservoir_level", "mm"))


def do_at_random(logbook: Logbook, seed: int, steps: int) -> list[str]:
    """A script of doings from a seed, refusals included; what was refused comes back as it was said."""
    rng, refused = random.Random(seed), []
    for _ in range(steps):
        try:
            _one_doing(logbook, rng)
        except Refused as error:
            refused.append(str(error))
    return refused


def _one_doing(logbook: Logbook, rng: random.Random) -> None:
    pot, shelf = rng.choice(POTS), rng.choice(SHELVES)
    at = march(1) + rng.randrange(0, 27 * 24) * 3_600_000
    end = rng.choice([None, None, at + rng.randrange(1, 200) * 3_600_000])
    standing = logbook.notes(withdrawn=True)
    some_note = rng.choice(standing) if standing else None
    change = rng.choice([{"vents": "few"}, {"shelf": shelf}, {"top_layer": {"kind": "pebbles"}}, {"wick": None}])
    source = f"glasshouse/{rng.choice((1, 2))}#level"
    doing = rng.randrange(10)
    if doing == 0:
        logbook.describe_setup(pot, {"shelf": shelf, "vents": rng.choice(["few", "many"])}, at, end)
    elif doing == 1:
        logbook.change_setup(pot, change, at)
    elif doing == 2:
        starts = [s["from_ms"] for s in logbook.setups(pot)]
        logbook.withdraw_setup(pot, rng.choice(starts) if starts else at)
    elif doing in (3, 4):
        note = {"time_ms": at, "pot": pot, "kind": "inspection", "dry_layer_low_mm": rng.random() * 30}
        logbook.add_note(note)
    elif doing == 5:
        logbook.add_note({"time_ms": at, "pot": pot, "kind": "repot", "detail": {"change": change, "roots_lost": 2}})
    elif doing == 6 and some_note is not None:
        version = (some_note.version or 1) - rng.choice([0, 0, 0, 1])
        logbook.correct_note(some_note.id, version, {"time_ms": at, "text": rng.choice(["a", "b", None])})
    elif doing == 7 and some_note is not None:
        (logbook.withdraw_note, logbook.put_back_note)[rng.randrange(2)](some_note.id, some_note.version)
    elif doing == 8:
        logbook.place_sensor(source, rng.choice([shelf, f"{shelf}/{pot}"]), at, end)
    elif doing == 9:
        starts = [p.from_ms for p in logbook.sensor(source).placed]
        logbook.withdraw_placement(source, rng.choice(starts) if starts else at)


def everything(logbook: Logbook) -> dict[str, Any]:
    """All that a logbook can say, as plain data that can be compared."""
    return {
        "setups": logbook.all_setups(),
        "setup history": {pot: [_undated(row) for row in logbook.setup_history(pot)] for pot in POTS},
        "notes": [note.model_dump() for note in logbook.notes(withdrawn=True)],
        "versions": [[v.model_dump() for v in logbook.note_history(n.id)] for n in logbook.notes(withdrawn=True)],
        "sensors": logbook.sensors(),
        "toml": logbook.export_setup(),
        "csv": logbook.export_notes(),
        "follow-ups": logbook.follow_ups(march(28)),
        "revision": logbook.revision(),
    }


def _undated(row: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in row.items() if key != "written_ms"}


def placement(at: str, from_ms: int, to_ms: int | None = None) -> Placement:
    """Short for tests."""
    return Placement(from_ms, to_ms, at)
