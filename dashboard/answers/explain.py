"""Why did a pot dry out, or stay wet? What changed between two spells, split over its causes, in words and numbers.

Owns which spells are compared when nobody says (since the day its course broke, against the four weeks before) and the
sentences. Looks at nothing after the end of the spell.
"""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from analysis.causes import changed_factors, explained
from analysis.held_series import FloatArray
from analysis.spells import spell_start
from dashboard.answers.explain_words import says
from dashboard.answers.looks_told import looks_told
from dashboard.answers.salt import salts_of
from dashboard.answers.situation import Situation, index_of, situation_at
from dashboard.answers.two_spells import (
    BEFORE_DAYS,
    TooLittleHistory,
    Window,
    daily,
    two_spells,
    water_until,
    window_of,
)
from dashboard.answers.use_ahead import STEPS_A_DAY
from ingest.home import Home
from ingest.moments import text_of
from ingest.readings import DAY_MS

USUAL_SPELL_DAYS = 14
LOOKED_BACK_DAYS = 42
SHORTEST_DAYS = 3
"""A line follows within days: of a shorter spell nothing can be said."""
FOLLOWS_WITHIN_DAYS = 14
"""A break of the course this soon after a recorded change is that change at work."""


class WrongSpell(ValueError):  # noqa: N818 - what happened reads better alone
    """The spell that was asked for cannot be one."""


def answer(
    home: Home, pot: str, at_ms: int, since_ms: int | None = None, until_ms: int | None = None
) -> dict[str, Any]:
    """The contract of `explain --json`, with the moments in ms and the sentences beside it, and the pot's looks so far.

    Raises:
        UnknownPot: no pot of that label stands in the collection.
        WrongSpell: the spell is turned round, too short, or lies ahead.
        TooLittleHistory: nothing is known yet of the days before it, or of its air.
    """
    situation = situation_at(home, at_ms)
    index = index_of(situation, pot)
    assert situation is not None  # index_of refuses where there is none
    found = explanation(home, situation, index, since_ms, until_ms)
    newest_ms = situation.at_ms if until_ms is None else until_ms
    zone = ZoneInfo(home.settings.grower.timezone)
    return found | {"looks": looks_told(situation, pot, 0, newest_ms + 1, zone)}


def explanation(
    home: Home, situation: Situation, index: int, since_ms: int | None = None, until_ms: int | None = None
) -> dict[str, Any]:
    """The answer from a situation that is at hand; raises as `answer` does."""
    newest_ms = int(situation.course.end_ms[-1])
    until = min(newest_ms, until_ms if until_ms is not None else newest_ms)
    if until_ms is not None and until_ms > situation.at_ms:
        raise WrongSpell("That spell ends in the future; leave --until out, or name a moment that has passed.")
    since = since_ms if since_ms is not None else _found_since(home, situation, index, until)
    if until - since < SHORTEST_DAYS * DAY_MS:
        raise WrongSpell(f"A spell of less than {SHORTEST_DAYS} days shows nothing yet: begin it earlier.")
    window = window_of(situation, index, since, until)
    told = two_spells(home, situation, index, window)
    recorded = changed_factors(*told.setups, *told.shelves)
    try:
        found = explained(told.before, told.since, told.columns_before, told.columns_since, recorded)
    except ValueError as error:
        raise TooLittleHistory(_sentence(str(error))) from None
    began_ms, ended_ms = (int(situation.course.end_ms[step - 1]) for step in (window.since, window.until))
    zone = ZoneInfo(home.settings.grower.timezone)
    return {
        "pot": situation.standing.pots[index].label,
        "since": text_of(began_ms),
        "until": text_of(ended_ms),
        "since_ms": began_ms,
        "until_ms": ended_ms,
        "compared_with_days": (window.since - window.first) // STEPS_A_DAY,
        "direction": found.direction,
        "verdict": found.verdict,
        "shares": [
            {"factor": one.factor, "mm": one.mm, "low_mm": one.low_mm, "high_mm": one.high_mm} for one in found.shares
        ],
        "unexplained_mm": found.unexplained_mm,
        "change_mm": found.change_mm,
        "use_ratio": _or_none(found.use_ratio),
        "expected_use_ratio": _or_none(found.expected_use_ratio),
        "rests_on": situation.posterior.rests_on[index],
        "evidence": [*found.evidence, *_salt(situation, index)],
        "says": says(found, _day(began_ms, zone)),
    }


def _salt(situation: Situation, index: int) -> list[str]:
    """Salt stands beside drought where tips dried of late."""
    salt = salts_of(situation)[index]
    return [salt["tips_say"], salt["says"]] if salt["tips_say"] else []


_told: dict[str, tuple[Situation, dict[int, tuple[dict[str, Any] | None, list[str]]]]] = {}


def sentences(home: Home, situation: Situation, index: int) -> tuple[dict[str, Any] | None, list[str]]:
    """The explanation of how a pot stands now, and its sentences; where there is none, the sentence that says so.

    Remembered for as long as the home's situation is the same.
    """
    known = _told.get(str(home.folder))
    if known is None or known[0] is not situation:
        known = _told[str(home.folder)] = (situation, {})
    if index not in known[1]:
        try:
            found = explanation(home, situation, index)
            known[1][index] = found, [found["says"], *found["evidence"]]
        except (WrongSpell, TooLittleHistory) as error:
            known[1][index] = None, [str(error)]
    return known[1][index]


def _found_since(home: Home, situation: Situation, index: int, until_ms: int) -> int:
    """Since when the pot's course is another: a recorded change or the break of its course, else a fortnight."""
    course, pot = situation.course, situation.standing.pots[index]
    until = int(np.searchsorted(course.end_ms, until_ms, side="right"))
    days = min(LOOKED_BACK_DAYS, until // STEPS_A_DAY)
    if days < 2 * SHORTEST_DAYS:
        raise TooLittleHistory(f"Nothing is known of {pot.label} for long enough to say what changed.")
    first = until - days * STEPS_A_DAY
    depth = daily(situation.whole_line_mm[1][:, index], first, until)
    known = np.isfinite(daily(course.vpd_kpa[:, index], first, until))
    use = _log_use_ratio(home, situation, index, Window(first, first, until))
    broke = spell_start(np.where(known, depth, np.nan), use)
    end_ms = int(course.end_ms[until - 1])
    found_ms = end_ms - (days - broke) * DAY_MS if broke is not None else None
    latest_ms = end_ms - SHORTEST_DAYS * DAY_MS
    changes = [int(after["from_ms"]) for after in pot.setups[1:] if int(after["from_ms"]) <= latest_ms]
    if found_ms is not None:
        caused = [one for one in changes if -SHORTEST_DAYS <= (found_ms - one) / DAY_MS <= FOLLOWS_WITHIN_DAYS]
        return min(caused[-1] if caused else found_ms, latest_ms)
    lately = [one for one in changes if one > end_ms - BEFORE_DAYS * DAY_MS]
    return lately[-1] if lately else end_ms - USUAL_SPELL_DAYS * DAY_MS


def _log_use_ratio(home: Home, situation: Situation, index: int, window: Window) -> FloatArray:
    """Measured use over what set-up and air would make, day by day, as a logarithm; NaN where it was not measured."""
    days = (window.until - window.first) // STEPS_A_DAY
    end_ms = int(situation.course.end_ms[window.until - 1])
    told = water_until(home, situation, index, window).days
    place = days - 1 - (end_ms - (told.day_ms + DAY_MS // 2)) // DAY_MS
    inside = (place >= 0) & (place < days)
    use = np.full(days, np.nan)
    use[place[inside]] = told.use_ml[inside]
    expected = daily(situation.expected_ml_per_day[:, index], window.first, window.until)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = use / expected
        return np.asarray(np.where(ratio > 0, np.log(ratio), np.nan))


def _day(time_ms: int, zone: ZoneInfo) -> str:
    moment = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    return f"{moment.day} {moment:%B}"


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}."


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
