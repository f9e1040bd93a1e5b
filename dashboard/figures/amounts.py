"""Amounts, days and dates as the grower reads them: units of display and words, nothing else."""

from collections.abc import Mapping
from datetime import date
from typing import Any

JOINT = "\u00a0"
"""Number and unit stay on one line."""
ML_PER_FL_OZ = 29.5735
MM_PER_INCH = 25.4
FOR_EVER_DAYS = 30
LEAST_SAID_ML = {"metric": 5.0, "us": ML_PER_FL_OZ}


def volume_words(ml: float, units: str) -> str:
    """Millilitres by tens, since nobody pours finer; or fluid ounces."""
    if units == "us":
        return f"{ml / ML_PER_FL_OZ:.0f}{JOINT}fl{JOINT}oz"
    return f"{10 * round(ml / 10)}{JOINT}mL" if ml >= 100 else f"{5 * round(ml / 5)}{JOINT}mL"


def span_words(least_ml: float, most_ml: float, units: str) -> str:
    """From an amount to another, the unit said once where it can be."""
    least, most = volume_words(least_ml, units), volume_words(most_ml, units)
    number, _, unit = least.partition(JOINT)
    if number == "0":
        return f"at most {most}" if least != most else f"less than {volume_words(LEAST_SAID_ML[units], units)}"
    if least == most:
        return most
    return f"{number}{JOINT}to{JOINT}{most}" if most.endswith(f"{JOINT}{unit}") else f"{least} to {most}"


def moved_words(mm: float, units: str) -> str:
    """A difference of depths with its sign and without its unit: whole mm, or tenths of an inch."""
    value, decimals = (mm / MM_PER_INCH, 1) if units == "us" else (mm, 0)
    told = f"{value:+.{decimals}f}"
    return told.replace("-", "\u2212") if float(told) else "0"


def least_moved(units: str) -> str:
    """The least difference that `moved_words` tells."""
    return "0.1" if units == "us" else "1"


def length_unit(units: str) -> str:
    """In what lengths are told."""
    return "in" if units == "us" else "mm"


def litres_words(litres: float, units: str) -> str:
    """What is mixed for a round."""
    if units == "us":
        return f"{1000 * litres / ML_PER_FL_OZ:.0f}{JOINT}fl{JOINT}oz"
    return f"{litres:.1f}{JOINT}L"


def days_words(left: Mapping[str, Any]) -> str:
    """A range of whole days: "5 to 9 days"; beyond thirty it stops counting. Nothing known says just that."""
    low, high = left["p10"], left["p90"]
    if low is None or low >= FOR_EVER_DAYS:
        return f"more than {FOR_EVER_DAYS} days"
    least = int(low)
    if least < 1 and (high is None or high > FOR_EVER_DAYS):
        return "not known: anything from none to many days"
    if high is None or high > FOR_EVER_DAYS:
        return f"{least} days or more"
    most = round(high)
    if most < 1:
        return "less than a day"
    if least >= most:
        return "1 day" if most == 1 else f"{most} days"
    return f"{least} to {most} days"


def day_words(day: date, *, year: bool = False) -> str:
    """ "Thu 26 Nov": the month is a word, so no order of digits can mislead."""
    return f"{day:%a} {day.day} {day:%b}" + (f" {day.year}" if year else "")
