"""What a screen sent, picked apart: labels, lists, tables and moments, each refused in the name of its field.

A moment comes as `KEY_ms`, or as `KEY` in the words of a date field (`2026-03-01T09:00`), which are the grower's local
time. Knows no kind of change.
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from ingest.home import Home
from ingest.logbook.refusals import Changed, Fault, Refused
from ingest.moments import ms_of_text, zone_named

Body = Mapping[str, Any]


def word(body: Body, key: str, says: str) -> str:
    """The text under a key; refused with `says` where there is none."""
    value = body.get(key)
    if not isinstance(value, str) or not value.strip():
        raise Refused(Fault(key, says))
    return value.strip()


def words(body: Body, key: str, says: str) -> list[str]:
    """The list of texts under a key, each once, in their order; refused with `says` where it is empty."""
    value = body.get(key)
    given = [value] if isinstance(value, str) else value if isinstance(value, list) else []
    found = [one.strip() for one in given if isinstance(one, str) and one.strip()]
    if not found:
        raise Refused(Fault(key, says))
    return list(dict.fromkeys(found))


def table(body: Body, key: str) -> dict[str, Any]:
    """The table under a key; empty where it is absent."""
    value = body.get(key)
    if value is None:
        return {}
    if not isinstance(value, Mapping):
        raise Refused(Fault(key, "What was sent cannot be read."))
    return dict(value)


def rows(body: Body, key: str) -> list[dict[str, Any]]:
    """The tables in the list under a key; rows of a form that were left empty are left out."""
    value = body.get(key)
    return [dict(row) for row in value if isinstance(row, Mapping)] if isinstance(value, list) else []


def number(body: Body, key: str, says: str) -> float:
    """The finite number under a key."""
    value = body.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e12:
        raise Refused(Fault(key, says))
    return float(value)


def moment(home: Home, body: Body, key: str, otherwise: int | None = None) -> int:
    """The moment under a key; `otherwise` where none was given, or a refusal without one."""
    exact, said = body.get(f"{key}_ms"), body.get(key)
    if type(exact) is int:
        return exact
    if isinstance(said, str) and said.strip():
        try:
            return ms_of_text(said, zone_named(home.settings.grower.timezone))
        except ValueError as error:
            raise Refused(Fault(key, str(error))) from None
    if otherwise is None:
        raise Refused(Fault(key, "Say when."))
    return otherwise


def refuse_if_changed(body: Body, now: Mapping[str, Any], what: str) -> None:
    """Refuse where the screen showed (`was`) something else than what stands now: somebody was quicker."""
    was = body.get("was")
    if isinstance(was, Mapping) and dict(was) != dict(now):
        raise Changed(
            f"Somebody else has changed {what} since this page was opened; nothing was overwritten. Look again."
        )


def yes(body: Body, key: str) -> bool:
    """Whether a box is ticked."""
    return body.get(key) in (True, "true", "yes", "on")


def answered(says: str, *undo: tuple[str, Mapping[str, Any]], **more: Any) -> dict[str, Any]:
    """What a screen shows after a change, and the one change, or several together, that takes it back."""
    steps = [[name, dict(body)] for name, body in undo]
    if len(steps) > 1:
        steps = [["together", {"changes": steps}]]
    return {"says": says, **({"undo": steps[0]} if steps else {}), **more}


def without_gaps(given: Body) -> dict[str, Any]:
    """A table without what was left empty."""
    return {key: value for key, value in given.items() if value not in (None, "", {}, [])}


def address(*steps: str) -> str:
    """A page of the workshop."""
    return "/".join(["/workshop", *(quote(step, safe="") for step in steps)])
