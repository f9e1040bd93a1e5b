"""Quantities inside sentences, written so that whoever shows a sentence can put them into the reader's units.

A sentence is made in mm, mL and degC, far from anyone who knows what its reader uses. The mark is the no-break space:
number and unit (and both ends of a span) hang together by it, as they should in print, and in our own words nothing
else does. What a person typed has ordinary spaces and stays as it is.

Owns the mark and the conversion of what is marked. Must not know what a sentence is about.

*Source*: 1 inch = 25.4 mm exactly, US fluid ounce 29.5735 mL: NIST Handbook 44 (2024), appendix C.
"""

import re
from collections.abc import Mapping
from typing import Any

JOINT = "\u00a0"
MM_PER_INCH = 25.4
ML_PER_FL_OZ = 29.5735
_NUMBER = r"[+\-\u2212]?\d+(?:\.\d+)?"
_TOKEN = re.compile(rf"({_NUMBER})(?:{JOINT}to{JOINT}({_NUMBER}))?{JOINT}(mm|cm|mL|L|°C|degrees)(?!\w)")
_OURS = re.compile(r"(\d) (mm|mL|L|°C)(?!\w)")
# factor, offset, unit, decimals beyond those of the metric number
_US = {
    "mm": (1 / MM_PER_INCH, 0.0, "in", 1),
    "cm": (10 / MM_PER_INCH, 0.0, "in", 0),
    "mL": (1 / ML_PER_FL_OZ, 0.0, "fl oz", 0),
    "L": (1000 / ML_PER_FL_OZ, 0.0, "fl oz", -1),
    "°C": (1.8, 32.0, "°F", 0),
    "degrees": (1.8, 0.0, "degrees", 0),  # a difference of temperatures
}
_FINE = 10.0  # fewer fluid ounces than that are told to a tenth


def quantity(value: float, unit: str, form: str = ".0f") -> str:
    """A number with its unit: mm, cm, mL, L, °C, or degrees (a difference of temperatures)."""
    return f"{_said(value, form)}{JOINT}{unit}"


def span(low: float, high: float, unit: str, form: str = ".0f") -> str:
    """From one number to another, in one unit."""
    return f"{_said(low, form)}{JOINT}to{JOINT}{_said(high, form)}{JOINT}{unit}"


def _said(value: float, form: str) -> str:
    """A number with a minus that cannot be taken for a hyphen."""
    return f"{value:{form}}".replace("-", "\u2212")


def marked(ours: str) -> str:
    """Words of our own, such as those of an option ("pebbles 20 mm"), with their quantities marked."""
    return _OURS.sub(rf"\1{JOINT}\2", ours)


def in_units(told: Any, units: str) -> Any:
    """An answer with the marked quantities of all its sentences in `units`: us, or metric (then only the marks go)."""
    if isinstance(told, str):
        return _TOKEN.sub(_in_us if units == "us" else _plain, told) if JOINT in told else told
    if isinstance(told, Mapping):
        return {key: in_units(value, units) for key, value in told.items()}
    if isinstance(told, list | tuple):
        return [in_units(value, units) for value in told]
    return told


def _plain(found: re.Match[str]) -> str:
    return found[0].replace(JOINT, " ")


def _in_us(found: re.Match[str]) -> str:
    factor, offset, unit, finer = _US[found[3]]
    numbers = [one for one in (found[1], found[2]) if one]
    values = [factor * float(one.replace("\u2212", "-")) + offset for one in numbers]
    decimals = max(0, max(len(one.partition(".")[2]) for one in numbers) + finer)
    if unit == "fl oz" and max(map(abs, values)) < _FINE:
        decimals = max(decimals, 1)
    signed = "+" if numbers[0].startswith("+") or numbers[-1].startswith("+") else ""
    said = [_said(round(value, decimals) + 0.0, f"{signed}.{decimals}f") for value in values]
    return f"{' to '.join(dict.fromkeys(said))} {unit}"
