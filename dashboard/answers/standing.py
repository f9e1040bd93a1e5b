"""The collection as it stands at a moment: every pot with its set-up in force, its shelf and its column.

Owns the reading of the logbook into what the analysis takes. No readings, no notes.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analysis.columns import Columns
from analysis.reservoir import Vessel, vessel_of
from analysis.setups import column_parameters
from ingest.home import Home

Description = Mapping[str, Any]


@dataclass(frozen=True)
class StandingPot:
    """A pot of the moment: what is known of it, how it is built, on which shelf; its vessel if that is known."""

    label: str
    plant: str | None
    shelf: str
    about: Description
    setup: Description
    setups: tuple[Description, ...]
    vessel: Vessel | None


@dataclass(frozen=True)
class Standing:
    """All pots of a moment, in the logbook's order, with their columns `(pot,)` and the shelves by label."""

    at_ms: int
    pots: tuple[StandingPot, ...]
    shelves: Mapping[str, Description]
    columns: Columns


def standing_at(home: Home, at_ms: int) -> Standing | None:
    """The pots that had a set-up in force at a moment; None while there is none."""
    with home.logbook.reading():
        shelves = {shelf.label: shelf.given() for shelf in home.logbook.shelves()}
        in_force = home.logbook.setups_at(at_ms)
        every = home.logbook.all_setups()
        records = {pot.label: pot for pot in home.logbook.pots(gone=True)}
    if not in_force:
        return None
    pots = tuple(
        StandingPot(
            label=label,
            plant=records[label].plant,
            shelf=setup["shelf"],
            about=records[label].given(),
            setup=setup,
            setups=tuple(one for one in every[label] if one["from_ms"] <= at_ms),
            vessel=vessel_or_none(setup),
        )
        for label, setup in in_force.items()
    )
    return Standing(at_ms, pots, shelves, columns_of([pot.setup for pot in pots], pots, shelves))


def columns_of(setups: list[Description], pots: tuple[StandingPot, ...], shelves: Mapping[str, Description]) -> Columns:
    """The columns of given set-ups of given pots, on the shelves that the set-ups name."""
    return column_parameters(setups, [shelves.get(s["shelf"]) for s in setups], [pot.about for pot in pots])


def vessel_or_none(setup: Description) -> Vessel | None:
    """The reservoir's vessel, or None where the set-up gives no amount."""
    try:
        return vessel_of(setup.get("reservoir") or {})
    except ValueError:
        return None
