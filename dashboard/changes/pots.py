"""Pots from the screens: entered, described anew, renamed, after a type, copied, taken out."""

from collections.abc import Sequence
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
from dashboard.changes.setups import WHICH_POT
from ingest.home import Home
from ingest.logbook.records import Pot, checked
from ingest.logbook.refusals import Fault, Refused, named

NO_LABEL = "Give the pot a label that says where it is found: window left."
NO_LABELS = "Write a label for each new pot, one a line."
WHICH_SHELF = "Say on which shelf it stands."


def add(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """Enter the pot `pot` with its first set-up `setup`, in force since `from`."""
    given = _about(table(body, "pot"))
    label = word(given, "label", NO_LABEL)
    setup = without_gaps(table(body, "setup"))
    word(setup, "shelf", WHICH_SHELF)
    _refuse_known(home, [label])
    with home.logbook.writing():
        home.logbook.put_pot(checked(Pot, given, "pot"))
        home.logbook.describe_setup(label, setup, moment(home, body, "from", at_ms))
    return answered(f"The pot {label} is entered.", ("pots_withdrawn", {"pots": [label]}), go=address("pot", label))


def put(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Describe the pot anew; `was` is how it was when the screen was filled in."""
    record = checked(Pot, _about(table(body, "pot")), "pot")
    before = _plain(home.logbook.pot(record.label))
    refuse_if_changed(body, before, f"the pot {record.label}")
    home.logbook.put_pot(record)
    undo = {"pot": before, "was": _plain(record)}
    return answered(f"The pot {record.label} is described anew.", ("pot", undo))


def rename(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Give the pot `label` the label `new_label`; notes, set-ups and sensors follow."""
    label, new = word(body, "label", WHICH_POT), word(body, "new_label", NO_LABEL)
    home.logbook.rename_pot(label, new)
    undo = ("pot_renamed", {"label": new, "new_label": label})
    return answered(f"{label} is now called {new}.", undo, go=address("pot", new))


def add_after_type(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """New pots `labels` set up after the pot type `type` on the shelf `shelf`, with the facts `about` of each."""
    labels = words(body, "labels", NO_LABELS)
    kind = word(body, "type", "Say after which pot type they are built.")
    shelf = word(body, "shelf", WHICH_SHELF)
    _refuse_known(home, labels)
    home.logbook.new_pots(kind, labels, shelf, moment(home, body, "from", at_ms), **_about(table(body, "about")))
    return answered(f"{_counted(labels)} entered on {shelf}.", ("pots_withdrawn", {"pots": labels}))


def copy(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """New pots `labels` built like the pot `label`."""
    label, labels = word(body, "label", WHICH_POT), words(body, "labels", NO_LABELS)
    _refuse_known(home, labels)
    home.logbook.copy_pot(label, labels, moment(home, body, "from", at_ms))
    return answered(f"{_counted(labels)} entered, built like {label}.", ("pots_withdrawn", {"pots": labels}))


def withdraw(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Take out the pots `pots`, of which nothing was noted yet, all or none."""
    labels = words(body, "pots", WHICH_POT)
    with home.logbook.writing():
        for label in labels:
            home.logbook.withdraw_pot(label)
    return answered(f"{_counted(labels)} taken out.")


def _refuse_known(home: Home, labels: Sequence[str]) -> None:
    there = {pot.label.casefold(): pot.label for pot in home.logbook.pots(gone=True)}
    twice = [there[label.casefold()] for label in labels if label.casefold() in there]
    if twice:
        raise Refused(Fault("label", f"There is already a pot {named(twice[0])}; labels must be unique."))


def _about(given: Body) -> dict[str, Any]:
    return {key: value for key, value in without_gaps(given).items() if key != "gone_ms"}


def _plain(pot: Pot) -> dict[str, Any]:
    return {key: value for key, value in pot.model_dump(mode="json", exclude_unset=True).items() if key != "gone_ms"}


def _counted(labels: Sequence[str]) -> str:
    return "One pot is" if len(labels) == 1 else f"{len(labels)} pots are"
