"""The page as it leaves the server: head, the wall's room, the way between pages, and then Dash.

Owns the HTML that stands before any library runs. On the wall's own addresses it carries the wall's first answer, and
Dash waits until that is painted (`assets/early/boot.js`); elsewhere Dash begins at once. Knows no store and no page.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import orjson

EARLY_STYLES = ("tokens.css", "base.css", "section.css", "wall.css")
EARLY_SCRIPTS = ("marks.js", "speak.js", "section.js", "frame.js", "wall.js")  # in this order
BOOT = "/assets/early/boot.js"

_SCRIPT = re.compile(r'<script src="([^"]+)"></script>')
_STYLE = re.compile(r'<link rel="stylesheet" href="([^"]+)">')


@dataclass(frozen=True)
class Door:
    """A way out of the page: its words, its address, and the name of the page it opens (none leaves the frame)."""

    label: str
    href: str
    page: str | None = None


@dataclass(frozen=True)
class Sight:
    """What one visitor gets at one address: title, doors, the page that is open, and the wall's first answer if it is
    the wall's address (`is_wall`) and the answer was there in time.
    """

    title: str
    doors: Sequence[Door]
    leave: Sequence[Door]
    page: str | None
    is_wall: bool
    first: Mapping[str, Any] | None = None


def document(parts: Mapping[str, str], sight: Sight) -> str:
    """The whole page; `parts` are Dash's own pieces of HTML by name."""
    styles, scripts = parts["css"], f"{parts['config']}{parts['scripts']}{parts['renderer']}"
    if sight.is_wall:
        styles, scripts = _wall_first(styles, parts, sight.first)
    pages = " ".join(door.page for door in sight.doors if door.page)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
{parts["metas"]}
<title>{escape(sight.title)}</title>
<script src="/assets/early/theme.js"></script>
{parts["favicon"]}
{styles}
</head>
<body>
<a class="past" href="#page">To the page</a>
{parts["app_entry"]}
<main id="wall" class="wall" tabindex="-1" data-pages="{pages}"{"" if sight.is_wall else " hidden"}></main>
{_ways(sight)}
<footer>{scripts}</footer>
</body>
</html>"""


def _wall_first(styles: str, parts: Mapping[str, str], first: Mapping[str, Any] | None) -> tuple[str, str]:
    """Styles and scripts in which whatever the wall can do without waits until the wall is painted."""
    early = {name_of(tag): tag for tag in (match[0] for match in _SCRIPT.finditer(parts["scripts"]))}
    wanted = [early[name] for name in EARLY_SCRIPTS]

    def later_style(tag: re.Match[str]) -> str:
        if name_of(tag[0]) in EARLY_STYLES:
            return tag[0]
        return f'<link rel="stylesheet" href="{tag[1]}" disabled data-later>'

    def later_script(tag: re.Match[str]) -> str:
        return "" if tag[0] in wanted else f'<script type="text/later" src="{tag[1]}"></script>'

    told = "" if first is None else f'<script id="wall-first" type="application/json">{_as_data(first)}</script>'
    begin = parts["renderer"].replace('type="application/javascript"', 'type="text/later"')
    waiting = _SCRIPT.sub(later_script, parts["scripts"]) + begin
    boot = f'<script src="{BOOT}"></script>'
    return _STYLE.sub(later_style, styles), "".join([told, *wanted, parts["config"], waiting, boot])


def name_of(tag: str) -> str:
    """The name of the file that a tag asks for, without the mark of its version."""
    address = re.search(r'(?:src|href)="([^"?]+)', tag)
    return address[1].rsplit("/", 1)[-1] if address else ""


def _as_data(answer: Mapping[str, Any]) -> str:
    """An answer as JSON that cannot end the element it stands in."""
    return orjson.dumps(answer).decode().replace("<", "\\u003c")


def _ways(sight: Sight) -> str:
    doors = "".join(_way(door, sight.page) for door in sight.doors)
    leave = "".join(_way(door, None) for door in sight.leave)
    theme = '<button id="theme" type="button">Theme</button>'
    return f'<nav class="pool" aria-label="Pages">{doors}<div class="pool-end">{theme}{leave}</div></nav>'


def _way(door: Door, open_page: str | None) -> str:
    inside = f' data-in data-page="{door.page}"' if door.page else ""
    here = ' aria-current="page"' if door.page and door.page == open_page else ""
    return f'<a href="{door.href}"{inside}{here}>{escape(door.label)}</a>'
