"""What is said when something given cannot be taken: one sentence a fault, each with its place.

Owns the wording and nothing else: no table, no file. Every door of the logbook refuses with `Refused`,
so a screen, a command and an import say the same words for the same mistake.
"""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

MOST_SAID = 20  # of a file with more faults than that the rest is counted
WORD_OR_TABLE = ("word", "table", "points")  # tags of the unions in records.py; they are not keys anybody typed


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong, where (`row 3, column level_mm`; `pot “window left”`; or nothing), as a sentence."""

    where: str
    says: str

    def __str__(self) -> str:
        return f"{self.where}: {self.says}" if self.where else self.says


class Refused(ValueError):  # noqa: N818 (said to a person at a door, not an error of the program)
    """Nothing was written; `faults` names everything that was wrong."""

    def __init__(self, *faults: Fault | str) -> None:
        self.faults = tuple(fault if isinstance(fault, Fault) else Fault("", fault) for fault in faults)
        more = len(self.faults) - MOST_SAID
        lines = [str(fault) for fault in self.faults[:MOST_SAID]] + ([f"and {more} more."] if more > 0 else [])
        super().__init__("\n".join(lines))


class Unknown(Refused):
    """A label or number that the logbook does not have."""


class Overlap(Refused):
    """A set-up or a placement that would be in force beside another."""


class Unreachable(Refused):
    """The database is away, busy, full, torn, or of another time."""


class Changed(Refused):
    """Somebody else has changed this since it was read."""


def named(given: object) -> str:
    """What a person typed, in quotation marks, as it was typed; what cannot be seen is escaped, so that nothing hides
    in it. What is no text stands as it is."""
    if not isinstance(given, str):
        return repr(given)
    return f"“{''.join(one if one.isprintable() else ascii(one)[1:-1] for one in given)}”"


def nearest(word: object, valid: Iterable[str]) -> str:
    """The sentence's tail that helps: the nearest valid word, or all of them when none is near."""
    words = list(valid)
    near = difflib.get_close_matches(str(word), words, n=1, cutoff=0.6)
    if near:
        return f"did you mean {named(near[0])}?"
    return f"it may be {listed(words)}." if words else "there is none yet."


def listed(words: Sequence[str]) -> str:
    """`a, b or c`, of at most twelve."""
    shown = [str(word) for word in words[:12]] + (["…"] if len(words) > 12 else [])
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"


def faults_of(error: ValidationError, model: type[BaseModel], where: str = "") -> list[Fault]:
    """Every fault a pydantic model found, as sentences that name the key and the nearest valid one."""
    return [_fault(dict(detail), model, where) for detail in error.errors()]


def _fault(detail: dict[str, Any], model: type[BaseModel], where: str) -> Fault:
    # What a person named like one of our own steps is still the key that is wrong.
    path = [step for step in detail["loc"] if step not in WORD_OR_TABLE] or list(detail["loc"][-1:])
    key = _path(path)
    given = detail["input"]
    if detail["type"] == "extra_forbidden":
        says = f"there is no key {named(path[-1])}; {nearest(path[-1], _keys_at(model, path[:-1]))}"
        return Fault(_joined(where, _path(path[:-1])), says)
    if detail["type"] == "missing":
        return Fault(_joined(where, _path(path[:-1])), f"{named(path[-1])} is missing.")
    if detail["type"] == "literal_error":
        words = [word.strip("'") for word in detail["ctx"]["expected"].replace(" or ", ", ").split(", ")]
        return Fault(
            _joined(where, key),
            f"{named(given)} is not one of its words; {nearest(given, words)}",
        )
    message = str(detail.get("ctx", {}).get("error", "")) or f"{_shortened(given)}: {detail['msg']}."
    return Fault(_joined(where, key), message)


def _joined(where: str, key: str) -> str:
    return ", ".join(part for part in (where, key) if part)


def _path(path: Sequence[str | int]) -> str:
    text = ""
    for step in path:
        text += f"[{step + 1}]" if isinstance(step, int) else (f".{step}" if text else str(step))
    return text


def _shortened(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _keys_at(model: type[BaseModel], path: Sequence[str | int]) -> list[str]:
    """The keys that are valid where a path of keys ends."""
    models = [model]
    for step in path:
        if isinstance(step, int):
            continue
        models = [
            inner
            for outer in models
            if step in outer.model_fields
            for inner in _models_in(outer.model_fields[step].annotation)
        ]
    return [key for found in models for key in found.model_fields]


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for argument in get_args(annotation) for found in _models_in(argument)]
