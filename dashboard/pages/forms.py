"""Forms as plain data: what `assets/forms.js` draws, reads and sends to one of the changes.

A page describes its fields and the change they make; the fault that the server finds with a key is shown beside the
field of that key. Knows no kind of change and no record. A field is a dict (`field` makes one); its `sort` is

- `text`, `lines`, `number`, `count`, `time` (local, `YYYY-MM-DDTHH:MM`), `date`, `password`, `list` (with commas);
- `flag` (true or absent), `choice` (one of `words`: tiles up to eight, else a list), `several` (many of `words`);
- `pots` (many pots, by shelf), `mix`, `layers` (of medium, from the top), `photos`;
- `heading` and `caution`, which are only read.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

Field = dict[str, Any]
Words = Sequence[tuple[Any, str]]
NO_BODY: Mapping[str, Any] = {}


def field(key: str, label: str, sort: str = "text", **more: Any) -> Field:
    """One field. `key` is its path in the body of the change, dots between (`detail.change.wick`).

    More: `unit` (mm and ml are shown in the grower's units), `words` [(value, as said)], `hint`, `value` (at first),
    `needed`, `missing` (the sentence when it is needed and empty), `if` (key, values): shown only when that field of
    the same form holds one of the values. In a choice the value "=" means "as the fields below say".
    """
    return {"key": key, "label": label, "sort": sort, **more}


def form(
    change: str,
    fields: Sequence[Field],
    *,
    units: str,
    button: str = "Keep",
    says: str = "",
    values: Mapping[str, Any] = NO_BODY,
    fixed: Mapping[str, Any] = NO_BODY,
    under: str = "",
    cancel: str | None = None,
    go: str | None = None,
) -> html.Div:
    """A form that sends `POST /change/<change>`.

    `values` fills the fields at first, by the same paths; `fixed` is sent along; `under` is a path that all fields
    stand under; `cancel` and `go` are addresses for leaving it and for after it. What the change answers as `says` is
    shown, with "Undo" for ten seconds when it also answers `undo` [change, body]; `go` in its answer is gone to.
    """
    spec = spec_of(change, fields, units=units, button=button, says=says, values=values, fixed=fixed, under=under)
    spec |= {key: value for key, value in {"cancel": cancel, "go": go}.items() if value is not None}
    described: Any = {"data-form": json.dumps(spec)}
    return html.Div(className="form-here", **described)


def spec_of(change: str, fields: Sequence[Field], *, units: str, **more: Any) -> dict[str, Any]:
    """The description alone, for a script that mounts the form itself (`dryline.forms.mount(node, spec)`)."""
    return {"change": change, "fields": list(fields), "units": units, **more}


def tap(words: str, change: str, body: Mapping[str, Any], *, main: bool = False) -> html.Button:
    """A button that makes a change by one tap; undo and sentences as for a form."""
    told: Any = {"data-tap": json.dumps([change, body])}
    return html.Button(words, type="button", className="door door-first" if main else "door", **told)
