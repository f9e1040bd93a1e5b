"""Reading a tree of Dash components as a person or a script would."""

from collections.abc import Iterator
from typing import Any


def text_of(component: Any) -> str:
    """All words of a component tree."""
    if component is None:
        return ""
    if isinstance(component, str | int | float):
        return str(component)
    if isinstance(component, list | tuple):
        return " ".join(text_of(child) for child in component)
    return text_of(getattr(component, "children", None))


def every(component: Any) -> Iterator[Any]:
    """Every component of a tree, the outer before the inner."""
    if isinstance(component, list | tuple):
        for child in component:
            yield from every(child)
    elif component is not None and not isinstance(component, str | int | float):
        yield component
        yield from every(getattr(component, "children", None))


def attributes(component: Any, name: str) -> list[str]:
    """The values of an attribute, in the order of the page."""
    return [found for one in every(component) if (found := getattr(one, name, None)) is not None]


def classed(component: Any, name: str) -> list[Any]:
    """The components that bear a class."""
    return [one for one in every(component) if name in (getattr(one, "className", None) or "").split()]
