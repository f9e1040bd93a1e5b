"""Dated set-ups from the screens, in words or exact numbers, and pot types, which are set-ups without a pot.

Nothing that was left empty is kept: unknown stays unknown.
"""

from collections.abc import Mapping
from typing import Any

from dashboard.changes.bodies import (
    Body,
    address,
    answered,
    moment,
    refuse_if_changed,
    table,
    without_gaps,
    word,
    words,
)
from ingest.home import Home
from ingest.logbook.records import PotType, checked
from ingest.logbook.refusals import Fault, Refused, named

WHICH_POT = "Say which pot."
WHICH_TYPE = "Give the pot type a label: netted, 12 cm."


def _plain(setup: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in setup.items() if key not in ("from_ms", "to_ms")}


def describe(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """The pot `pot` is set up as `setup` says from `from` on; without it from this moment."""
    pot = word(body, "pot", WHICH_POT)
    setup, from_ms = without_gaps(table(body, "setup")), moment(home, body, "from", at_ms)
    if "shelf" not in setup:
        raise Refused(Fault("setup.shelf", "Say on which shelf the pot stands."))
    same = next((one for one in home.logbook.setups(pot) if one["from_ms"] == from_ms), None)
    if same is not None and body.get("was") is None:
        raise Refused(Fault("from", f"{pot} has a set-up that begins then; open that one to correct it."))
    if same is not None:
        refuse_if_changed(body, _plain(same), f"the set-up of {pot}")
    to_ms = moment(home, body, "to") if body.get("to") or body.get("to_ms") else None
    home.logbook.describe_setup(pot, setup, from_ms, to_ms)
    if same is None:
        return answered(f"The set-up of {pot} is kept.", ("setup_withdrawn", {"pot": pot, "from_ms": from_ms}))
    undo = {"pot": pot, "setup": _plain(same), "from_ms": from_ms, "was": setup}
    return answered(f"The set-up of {pot} is described anew.", ("setup", undo))


def withdraw(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Take away the set-up of `pot` that begins at `from_ms`; the one before it lasts on."""
    pot = word(body, "pot", WHICH_POT)
    from_ms = moment(home, body, "from")
    before = [one for one in home.logbook.setups(pot) if one["from_ms"] == from_ms]
    home.logbook.withdraw_setup(pot, from_ms)
    undo = [("setup", {"pot": pot, "setup": _plain(one), "from_ms": from_ms}) for one in before]
    return answered(f"That set-up of {pot} is taken away.", *undo)


def change_many(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """The same change, and the same facts (`about`), for many pots at once; only what was filled in changes."""
    pots = words(body, "pots", "Tick the pots that change.")
    change, about = without_gaps(table(body, "change")), without_gaps(table(body, "about"))
    if not change and not about:
        raise Refused("Nothing was filled in that would change.")
    from_ms = moment(home, body, "from", at_ms)
    undo: list[tuple[str, dict[str, Any]]] = []
    with home.logbook.writing():
        was = {pot: (home.logbook.pot(pot), _starts(home, pot)) for pot in pots}
        if about:
            home.logbook.edit_pots(pots, about)
            undo += [("pot", {"pot": before.model_dump(mode="json", exclude_unset=True)}) for before, _ in was.values()]
        if change:
            home.logbook.change_setups(pots, change, from_ms)
            opened = ((pot, start) for pot in pots for start in _starts(home, pot) - was[pot][1])
            undo += [("setup_withdrawn", {"pot": pot, "from_ms": start}) for pot, start in opened]
    return answered(f"{len(pots)} {'pot is' if len(pots) == 1 else 'pots are'} changed.", *undo)


def _starts(home: Home, pot: str) -> set[int]:
    return {setup["from_ms"] for setup in home.logbook.setups(pot)}


# --- pot types


def put_type(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Enter the pot type `label`, or describe it anew; pots already set up after it keep their set-ups."""
    label = word(body, "label", WHICH_TYPE)
    given = {**without_gaps(table(body, "setup")), **without_gaps(table(body, "about")), "label": label}
    given.pop("shelf", None)
    record = checked(PotType, given)
    before = {one.label: one for one in home.logbook.pot_types()}.get(label)
    if before is not None and body.get("was") is None:
        raise Refused(Fault("label", f"There is already a pot type {named(label)}; open it to change it."))
    if before is not None:
        refuse_if_changed(body, before.given(), f"the pot type {label}")
    home.logbook.put_pot_type(record)
    undo = [("pot_type_withdrawn", {"label": label})] if before is None else []
    return answered(f"The pot type {label} is kept.", *undo, go=address("type", label))


def withdraw_type(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Take out the pot type `label`."""
    label = word(body, "label", WHICH_TYPE)
    home.logbook.withdraw_pot_type(label)
    return answered(f"The pot type {label} is taken out; its pots keep their set-ups.")
