"""What stands in the glasshouse, as the workshop describes it: shelves, pots with their dated set-ups, pot types."""

from collections.abc import Mapping
from typing import Any

from analysis.setups import column_parameters
from dashboard.answers.section import section_build
from ingest.home import Home
from ingest.logbook.records import Pot, Record
from ingest.logbook.refusals import Unknown


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """`{at_ms, units, time_zone, shelves: [{shelf, pots, sensors}], pots: [{pot, shelf, setup}], types, batches}`.

    `shelf`, `pot` and a type are as the logbook keeps them; `setup` is the one in force, or None.
    """
    book = home.logbook
    with book.reading():
        setups, pots, shelves, sensors = book.setups_at(at_ms), book.pots(), book.shelves(), book.sensors()
        types, batches = book.pot_types(), book.batches()
    stands = {label: setup["shelf"] for label, setup in setups.items()}
    placed = [
        p.at for sensor in sensors for p in sensor.placed if p.from_ms <= at_ms and (p.to_ms or at_ms + 1) > at_ms
    ]
    return {
        **_head(home, at_ms),
        "shelves": [
            {
                "shelf": _given(shelf),
                "pots": [pot.label for pot in pots if stands.get(pot.label) == shelf.label],
                "sensors": placed.count(shelf.label),
            }
            for shelf in shelves
        ],
        "pots": [
            {"pot": _of_pot(pot), "shelf": stands.get(pot.label), "setup": _body(setups.get(pot.label))} for pot in pots
        ],
        "types": [_given(one) for one in types],
        "batches": {batch: [pot.label for pot in some] for batch, some in batches.items()},
    }


def pot(home: Home, label: str, at_ms: int) -> dict[str, Any]:
    """One pot: `{at_ms, units, time_zone, pot, gone_ms, setups: [{from_ms, to_ms, setup, section}], shelves, types}`.

    Raises:
        UnknownPot: there is no such pot.
    """
    from dashboard.answers.situation import UnknownPot

    book = home.logbook
    try:
        found, setups = book.pot(label), book.setups(label)
    except Unknown as unknown:
        raise UnknownPot(str(unknown)) from None
    return {
        **_head(home, at_ms),
        "pot": _of_pot(found),
        "gone_ms": found.gone_ms,
        "setups": [
            {"from_ms": one["from_ms"], "to_ms": one["to_ms"], "setup": _body(one), "section": _section(one)}
            for one in setups
        ],
        "shelves": [shelf.label for shelf in book.shelves()],
        "types": [one.label for one in book.pot_types()],
        "batches": list(book.batches()),
    }


def _section(setup: Mapping[str, Any]) -> dict[str, Any]:
    """The facts of a drawing of the set-up with its reservoir full and nothing known of its dry layer."""
    build = section_build(setup, column_parameters([setup]), 0)
    level = build["reservoir"]["fill_mark_mm"]
    return {"build": build, "level_mm": level, "dry_layer_mm": None, "tips": None, "rests_on": "guessed"}


def _head(home: Home, at_ms: int) -> dict[str, Any]:
    return {"at_ms": at_ms, "units": home.settings.grower.units, "time_zone": home.settings.grower.timezone}


def _body(setup: Mapping[str, Any] | None) -> dict[str, Any] | None:
    return None if setup is None else {key: value for key, value in setup.items() if key not in ("from_ms", "to_ms")}


def _given(record: Record) -> dict[str, Any]:
    return record.model_dump(mode="json", exclude_unset=True)


def _of_pot(found: Pot) -> dict[str, Any]:
    return {key: value for key, value in _given(found).items() if key != "gone_ms"}
