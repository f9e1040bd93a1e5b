"""Shelves from the screens: entered, described anew, renamed, taken out."""

from typing import Any

from dashboard.changes.bodies import Body, address, answered, refuse_if_changed, table, word
from ingest.home import Home
from ingest.logbook.records import Shelf, checked
from ingest.logbook.refusals import Fault, Refused, named

NO_LABEL = "Give the shelf a label, as you would call it: east window."


def put(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Enter the shelf `shelf`, or describe it anew; `was` is how it was when the screen was filled in."""
    given = table(body, "shelf")
    word(given, "label", NO_LABEL)
    record = checked(Shelf, given)
    before = {shelf.label: shelf for shelf in home.logbook.shelves()}.get(record.label)
    if before is not None and body.get("was") is None:
        raise Refused(Fault("label", f"There is already a shelf {named(record.label)}; open it to change it."))
    if before is not None:
        refuse_if_changed(body, before.model_dump(mode="json", exclude_unset=True), f"the shelf {record.label}")
    home.logbook.put_shelf(record)
    if before is None:
        return answered(f"The shelf {record.label} is entered.", ("shelf_withdrawn", {"label": record.label}))
    undo = {"shelf": before.model_dump(mode="json", exclude_unset=True), "was": record.given()}
    return answered(f"The shelf {record.label} is described anew.", ("shelf", undo))


def rename(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Give the shelf `label` the label `new_label`; everything of it follows."""
    label, new = word(body, "label", NO_LABEL), word(body, "new_label", NO_LABEL)
    home.logbook.rename_shelf(label, new)
    undo = ("shelf_renamed", {"label": new, "new_label": label})
    return answered(f"{label} is now called {new}.", undo, go=address("shelf", new))


def withdraw(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Take out the shelf `label`, if nothing ever stood there."""
    label = word(body, "label", NO_LABEL)
    before = [shelf for shelf in home.logbook.shelves() if shelf.label == label]
    home.logbook.withdraw_shelf(label)
    undo = [("shelf", {"shelf": shelf.model_dump(mode="json", exclude_unset=True)}) for shelf in before]
    return answered(f"The shelf {label} is taken out.", *undo)
