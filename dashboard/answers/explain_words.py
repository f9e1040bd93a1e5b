"""The one sentence of an explanation: what the line did, and what moved it.

Owns the words. A cause is named by the way in which it worked: by its share of the line where it has one, else by what
use did beside what was expected of it.
"""

import math

from analysis.causes import DEPTH_MATTERS_MM, Explanation
from analysis.quantities import quantity, span

WORDS = {
    "dry_air": ("drier air", "moister air"),
    "low_reservoir": ("a lower reservoir", "a fuller reservoir"),
    "vent_holes": ("more open holes", "fewer open holes"),
    "top_layer": ("less cover", "more cover"),
    "medium": ("the other medium", "the other medium"),
    "wick": ("a wick that carries less", "a wick that carries more"),
    "plant": ("a plant that drinks more", "a plant that drinks less"),
    "heat": ("more heat", "less heat"),
}
ALIKE = math.log(1.15)
"""Use within 15 % of what it was, and of what was expected, has not changed."""
LEAST_MM = 1.0


def says(found: Explanation, since: str) -> str:
    """The answer in one sentence; since is a day in words."""
    change = quantity(abs(found.change_mm), "mm")
    what = {"drier": f"The dry layer is about {change} deeper since {since}",
            "wetter": f"The dry layer is about {change} shallower since {since}",
            "same": f"The dry layer has hardly moved since {since}"}[found.direction]  # fmt: skip
    if found.verdict == "none" and round(found.empty_hours) > 0:
        return f"{what}{_though_empty(found)}."
    if found.verdict == "none":
        if found.direction == "same":
            known = "and use is what" if found.use_ratio > 0 else "as"
            return f"{what}, {known} air and set-up make one expect."
        return f"{what}, as the season's air and the usual refills make one expect."
    if found.verdict == "sensor_gap":
        return f"{what} as far as can be told: a sensor was silent or stuck."
    if found.verdict == "unexplained":
        return f"{what}, and nothing known here explains what was seen: look at wick, roots and cover."
    if found.verdict == "mixed":
        named = [_named(share.factor, share.mm) for share in found.shares[:2] if abs(share.mm) >= LEAST_MM]
        return f"{what}; no single cause stands out" + (f" ({' and '.join(named)})." if named else ".")
    share = next((one for one in found.shares if one.factor == found.verdict), None)
    if share is not None and found.direction != "same":
        part, ends = quantity(share.mm, "mm", "+.0f"), span(share.low_mm, share.high_mm, "mm", "+.0f")
        return f"{what}: {_named(found.verdict, share.mm)} ({part} of it, could be {ends})."
    if max(abs(_log(found.use_ratio)), abs(_log_beyond(found))) < ALIKE:
        return f"{what}, but what was measured looks like {_cause(found)}."
    return f"{what}, but its water use has changed: {_cause(found)}."


def _though_empty(found: Explanation) -> str:
    """What an empty reservoir did, where that was nothing to be called an event: too little, or as so often before."""
    hours = f"{found.empty_hours:.0f} hour{'' if round(found.empty_hours) == 1 else 's'}"
    mm = next((share.mm for share in found.shares if share.factor == "low_reservoir"), 0.0)
    part = quantity(mm, "mm", "+.0f")
    if mm <= -DEPTH_MATTERS_MM:
        return f", although the reservoir was empty for {hours}: it stood higher than before on the whole"
    if mm < DEPTH_MATTERS_MM:
        expected = "" if found.direction == "same" else ", as the season's air makes one expect"
        return f"{expected}; the reservoir was empty for {hours}, which moved the line by too little to matter"
    if found.direction == "drier":
        return f": the reservoir sank between refills as it usually does, and was empty for {hours} ({part} of it)"
    return f"; the reservoir was empty for {hours} ({part}), and the rest made up for it"


def _log(ratio: float) -> float:
    """The logarithm of a ratio of uses; 0 where it is not known."""
    return math.log(ratio) if ratio > 0 else 0.0


def _log_beyond(found: Explanation) -> float:
    """By how much use went beyond what was expected of it, as a logarithm."""
    return _log(found.use_ratio / found.expected_use_ratio) if found.expected_use_ratio > 0 else 0.0


def _cause(found: Explanation) -> str:
    """The verdict in words: less use than expected is a wick that carries less, or a plant that drinks less."""
    share = next((one.mm for one in found.shares if one.factor == found.verdict), 0.0)
    if abs(share) >= LEAST_MM:
        return _named(found.verdict, share)
    hidden = found.verdict in ("wick", "plant")
    way = 1.0 if (_log_beyond(found) if hidden else _log(found.use_ratio)) > 0 else -1.0
    # what carries or drinks more: the wick wets the line by it, everything else dries it
    return _named(found.verdict, -way if found.verdict == "wick" else way)


def _named(factor: str, mm: float) -> str:
    return WORDS[factor][0 if mm >= 0 else 1]
