"""Which change a pot needs in its climate, if any: one advice and one reason a pot, with every option beside it.

Owns the meeting of advice, season, evidence and look, and the words of what an answer rests on. What the guide is
handed is gathered in `advised.py`; roots, map and salt have files of their own.
"""

import threading
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import numpy as np

from analysis.calibration import Draws, calibrate
from analysis.expected_air import Season, dry_season
from analysis.guide import Advice, Outlook, advise, in_driest_month, in_words
from analysis.guide import Home as Advised
from analysis.held_series import FloatArray
from analysis.known_mean import known_mean
from analysis.looks import best_look
from analysis.outcomes import disagreements
from analysis.quantities import marked
from dashboard.answers import lines as dry_lines
from dashboard.answers.advised import DAYS, advised_home, column_tests_mm, stalled_pots
from dashboard.answers.cover_map import cover_map, shelf_days
from dashboard.answers.exposures import looks_of, rooting_of
from dashboard.answers.roots import Meeting, easing, notes_alone, roots
from dashboard.answers.salt import salts_of
from dashboard.answers.situation import Situation, situation_at
from dashboard.answers.use_ahead import STEPS_A_DAY, week_of_spot_checks
from ingest.home import Home
from ingest.moments import zone_named
from ingest.readings import DAY_MS

DRAWS, FEWER_DRAWS = 100, 24
"""For the advice itself; for the chances beside it (physics alone, driest month, map)."""
SEED = 20260304
NO_NOTES = "Notes alone: no change of this kind was noted with looks before and after it."
WEIGHED_AGAIN = (
    "You changed this pot on {day}: every step is being weighed again for it. Open this page again in a minute or two."
)
CHANGED = "It was changed on {day}: the weeks before that are weighed as if it had been so already."
FOLLOWED = "On {day} an advice was followed (\u201c{text}\u201d): the weeks before that are weighed as they were."
ADVICE_OF_GUIDE = "advice of the guide"
LOOKED_WITHIN_MS = 7 * DAY_MS
"""A pot that was looked at within the week would show the same again."""
TRY = "Try one of two pots, look after two weeks, then the rest: depths are unproven on real pots."


def answer(home: Home, at_ms: int) -> dict[str, Any]:
    """The contract of `guide --json`, with roots, map, season, evidence and the one look that would settle most."""
    situation = situation_at(home, at_ms)
    if situation is None:
        says = "No pot is in the logbook yet."
        return {"at_ms": at_ms, "shelves": [], "look": None, "roots": None, "map": None, "says": says}
    return told(home, situation)


def told(home: Home, situation: Situation) -> dict[str, Any]:
    """The answer from a situation that is at hand; remembered with it, so take it and leave it as it is.

    It takes seconds: whoever asks while another is being told waits for that one.
    """
    with _turn:
        return _told(home, situation)


def told_at_once(home: Home, situation: Situation, at_ms: int) -> dict[str, Any]:
    """The same for a screen that does not wait for the next situation: a pot that was changed meanwhile says so.

    The advice that was just followed must not stand there as if nothing had been done.
    """
    answer = told(home, situation)
    known = {pot.label: pot.setup for pot in situation.standing.pots}
    changed = {
        label: WEIGHED_AGAIN.format(day=_day(home, setup["from_ms"]))
        for label, setup in home.logbook.setups_at(at_ms).items()
        if label in known and setup != known[label]
    }
    if not changed:
        return answer
    shelves = [
        shelf | {"pots": [_weighed_again(pot, changed.get(pot["pot"])) for pot in shelf["pots"]]}
        for shelf in answer["shelves"]
    ]
    return answer | {"shelves": shelves}


def _weighed_again(pot: dict[str, Any], says: str | None) -> dict[str, Any]:
    if says is None:
        return pot
    silent: dict[str, Any] = {
        "now": None,
        "options": [],
        "advice": None,
        "season": None,
        "evidence": None,
        "warnings": [],
    }
    return pot | silent | {"sure": False, "no_better": False, "says": says}


def _day(home: Home, time_ms: int) -> str:
    moment = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone_named(home.settings.grower.timezone))
    return f"{moment.day} {moment:%B}"


_turn = threading.Lock()


@lru_cache(maxsize=2)
def _told(home: Home, situation: Situation) -> dict[str, Any]:
    draws = situation.posterior.draws(np.random.default_rng(SEED), DRAWS)
    fewer = situation.posterior.draws(np.random.default_rng(SEED), FEWER_DRAWS)
    physics = calibrate(situation.posterior.columns).draws(np.random.default_rng(SEED), FEWER_DRAWS)
    pots = situation.standing.pots
    days = {shelf: shelf_days(home, situation, shelf) for shelf in dict.fromkeys(pot.shelf for pot in pots)}
    seasons = {shelf: _season(daily) for shelf, daily in days.items()}
    advised = advised_home(situation, DRAWS)
    looked = looks_of(situation)
    advice = advise(
        advised,
        draws,
        notes_alone=notes_alone(situation),
        noted_vpd_kpa=[_span_of(looked, pot.label) for pot in pots],
        covers_noted=sorted(set(looked["cover_kind"].dropna())),
        stalled=stalled_pots(situation),
    )
    few = advised_home(situation, FEWER_DRAWS)
    alone = advise(few, physics)
    driest = advise(in_driest_month(few, *_season_air(situation, advised, seasons)), fewer)
    eased = _eased(situation, advice)
    salts = salts_of(situation)
    shown = [
        _pot(situation, place, one, alone[place], driest[place], seasons[pots[place].shelf])
        | {"warnings": [*one.warnings, *_followed(home, situation, place)]}
        | {"ease": eased.get(place), "salt": salts[place]["says"], "tips_say": salts[place]["tips_say"]}
        for place, one in enumerate(advice)
    ]
    recorded = {shelf: _season_told(season) for shelf, season in seasons.items()}
    return {
        "at_ms": situation.at_ms,
        "shelves": [
            {
                "shelf": shelf,
                "vpd_week_kpa": _week(situation, shelf),
                "season": recorded[shelf],
                "pots": [one for one, pot in zip(shown, pots, strict=True) if pot.shelf == shelf],
            }
            for shelf in days
        ],
        "look": _look(situation, draws, advice),
        "roots": roots(situation),
        "map": cover_map(situation, days, recorded, few, fewer),
        "rests_on_says": [_capital(one) for one in situation.posterior.informed],
        "says": TRY,
    }


def _season(daily: FloatArray) -> Season | None:
    return dry_season(daily) if np.isfinite(daily).any() else None


def _season_told(season: Season | None) -> dict[str, Any] | None:
    if season is None:
        return None
    kpa = f"{season.vpd_kpa:.1f} kPa"
    says = (
        f"Its driest month on record had {kpa} on the average."
        if season.recorded
        else f"No dry season is on record here yet: {kpa} is taken, this week and 0.4 more."
    )
    return {"vpd_kpa": season.vpd_kpa, "recorded": season.recorded, "says": says}


def _season_air(
    situation: Situation, advised: Advised, seasons: dict[str, Season | None]
) -> tuple[FloatArray, FloatArray]:
    """Dryness of the driest month of each pot's shelf and of the moister shelf it could go to, (pot,); else NaN.

    Never moister than of late: a record may be older than the weather.
    """

    def of(shelf: str | None) -> float:
        season = seasons.get(shelf) if shelf else None
        return season.vpd_kpa if season else float("nan")

    own = np.array([of(pot.shelf) for pot in situation.standing.pots])
    there = np.array([of(label) for label in advised.moister])
    return np.fmax(own, known_mean(advised.vpd_kpa)), np.fmax(there, known_mean(advised.moister_vpd_kpa))


def _span_of(looked: Any, pot: str) -> tuple[float, float] | None:
    """The least and the greatest dryness in which a pot's depth was looked at; None where it never was."""
    mine = looked[(looked["pot"] == pot) & looked["dry_layer_low_mm"].notna()]
    vpd = mine["vpd_7d_kpa"].dropna()
    return None if vpd.empty else (float(vpd.min()), float(vpd.max()))


def _week(situation: Situation, shelf: str) -> dict[str, float] | None:
    place = next(index for index, pot in enumerate(situation.standing.pots) if pot.shelf == shelf)
    week = situation.course.vpd_kpa[-7 * STEPS_A_DAY :, place]
    week = week[np.isfinite(week)]
    if not week.size:
        return None
    low, middle, high = np.quantile(week, [0.1, 0.5, 0.9])
    return {"p10": float(low), "p50": float(middle), "p90": float(high)}


def _look(situation: Situation, draws: Draws, advice: list[Advice]) -> dict[str, Any] | None:
    """The pot to look at, or the mix to test in a column, that would settle most advice."""
    with_air = [place for place, one in enumerate(advice) if one.options]
    if not with_air:
        return None
    window = dry_lines.line_steps(situation.course.end_ms)
    now_mm = dry_lines.lines(situation.standing, situation.course, situation.columns, situation.waters, draws, window)
    labels, claims = [advice[place].pot for place in with_air], [advice[place].claims for place in with_air]
    looked = looks_of(situation)
    lately = looked[looked["dry_layer_low_mm"].notna() & (looked["time_ms"] > situation.at_ms - LOOKED_WITHIN_MS)]
    look = best_look(
        labels, now_mm[-1][:, with_air], claims, column_tests_mm(situation, draws), lately=set(lately["pot"])
    )
    if look is None:
        return None
    kind = "pot" if look.what in labels else "mix"
    return {"what": look.what, "kind": kind, "settles": list(look.settles), "says": look.says}


def _followed(home: Home, situation: Situation, place: int) -> list[str]:
    """What was done to a pot within the weeks that are weighed, so that nobody takes them for weeks after it."""
    pot, since_ms = situation.standing.pots[place], situation.at_ms - DAYS * DAY_MS
    says = []
    if len(pot.setups) > 1 and pot.setup["from_ms"] > since_ms:
        says.append(CHANGED.format(day=_day(home, pot.setup["from_ms"])))
    notes = situation.notes
    mine = notes[
        (notes["pot"] == pot.label)
        & (notes["kind"] == "text")
        & (notes["why"] == ADVICE_OF_GUIDE)
        & (notes["time_ms"] > since_ms)
    ]
    days_and_words = zip(mine["time_ms"], mine["text"], strict=True)
    return says + [FOLLOWED.format(day=_day(home, int(at)), text=str(text).rstrip(".")) for at, text in days_and_words]


def _eased(situation: Situation, advice: list[Advice]) -> dict[int, dict[str, Any]]:
    """For pots that are advised a repot: how far the level would be kept down until new roots are in."""
    course, found = situation.course, {}
    for place, one in enumerate(advice):
        if "repot" not in one.change:
            continue
        step = next(outlook.option for outlook in one.options if outlook.option.change == one.change)
        air = [known_mean(series[-28 * STEPS_A_DAY :])[place] for series in (course.vpd_kpa, course.temperature_c)]
        level = float(situation.waters[place].level_mm[-28 * STEPS_A_DAY :].mean())
        met = Meeting(place, situation.standing.pots[place].setup, step.setup, float(air[0]), float(air[1]), level)
        found[place] = easing(situation, met)
    return found


def _pot(
    situation: Situation, place: int, advice: Advice, alone: Advice, driest: Advice, season: Season | None
) -> dict[str, Any]:
    options = [
        _option(one, bare, then) for one, bare, then in zip(advice.options, alone.options, driest.options, strict=True)
    ]
    now = {key: options[0][key] for key in ("chance_too_dry", "low", "high")} if options else None
    chosen = next((one for one in advice.options if one.option.change == advice.change), None)
    return {
        "pot": advice.pot,
        "now": now,
        "options": options,
        "advice": advice.change or None,
        "sure": advice.sure,
        "no_better": advice.no_better,
        "chance_right": advice.chance_right,
        "says": advice.says,
        "warnings": list(advice.warnings),
        "season": _then(driest, advice, season),
        "evidence": None if chosen is None else _evidence(advice, alone, chosen),
        "rests_on": situation.posterior.rests_on[place],
        "rests_on_says": _rests_on_says(situation, place),
    }


def _then(driest: Advice, now: Advice, season: Season | None) -> dict[str, Any] | None:
    """What the driest month would call for."""
    if season is None or not driest.options:
        return None
    leave = driest.options[0]
    words = in_words(leave.chance_too_dry, leave.low, leave.high)
    month = f"In its driest month ({season.vpd_kpa:.1f} kPa{'' if season.recorded else ', assumed'})"
    if driest.change == now.change:
        says = f"{month} the same holds; left as it is, too dry {words}."
    else:
        says = f"{month}, left as it is, too dry {words}; then: {marked(driest.change)}."
    return {
        "vpd_kpa": season.vpd_kpa,
        "recorded": season.recorded,
        "advice": driest.change,
        "sure": driest.sure,
        "chance_too_dry": leave.chance_too_dry,
        "low": min(leave.low, leave.chance_too_dry),
        "high": max(leave.high, leave.chance_too_dry),
        "says": says,
    }


def _evidence(advice: Advice, alone: Advice, chosen: Outlook) -> dict[str, str]:
    """The three kinds of evidence side by side, on the step that is advised."""
    bare = next(one for one in alone.options if one.option.change == chosen.option.change)
    return {
        "physics": f"Physics alone, before any note: {marked(alone.change)}; {_under(chosen)} too dry "
        f"{in_words(bare.chance_too_dry, bare.low, bare.high)}.",
        "notes": chosen.seen or NO_NOTES,
        "both": f"Both: {marked(advice.change)}; too dry {in_words(chosen.chance_too_dry, chosen.low, chosen.high)}.",
    }


def _under(chosen: Outlook) -> str:
    change = chosen.option.change
    return "left as it is" if change == "leave" else f"with {marked(change)}"


def _rests_on_says(situation: Situation, place: int) -> list[str]:
    """What an answer rests on, in sentences: depth notes, rooting depth, level, air."""
    pot, count = situation.standing.pots[place], int(situation.posterior.notes[place])
    depths = {
        "measured": f"{count} look{'s' if count != 1 else ''} at its dry layer.",
        "borrowed": "No look at its own dry layer: its medium is known from other pots.",
        "guessed": "No look at its dry layer or its medium: priors alone.",
    }
    level = "its own sensor" if situation.waters[place].measured else "its notes"
    if not situation.waters[place].level_known and not situation.waters[place].measured:
        level = "what is usual: no refill is noted"
    source = (situation.standing.shelves.get(pot.shelf) or {}).get("air_from")
    air = f"borrowed from {source}" if source else "its shelf's own"
    checks = week_of_spot_checks(situation, pot.shelf)
    if checks:
        air = f"guessed from {checks}"
    guessed = [_capital(one) + "." for one in situation.standing.columns.says[place]]
    return [
        depths[situation.posterior.rests_on[place]],
        rooting_of(situation).of(place).says,
        f"Its level rests on {level}; its air is {air}.",
        *guessed,
        *_at_odds(situation, pot.label),
    ]


def _at_odds(situation: Situation, pot: str) -> list[str]:
    """Looks of late that cannot both be right: an answer rests on both of them."""
    looks = looks_of(situation)
    lately = looks[(looks["pot"] == pot) & (looks["time_ms"] > situation.at_ms - DAYS * DAY_MS)]
    return [_capital(one.removeprefix(f"{pot}: ")) for one in disagreements(lately)]


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _option(one: Outlook, alone: Outlook, driest: Outlook) -> dict[str, Any]:
    critical = one.critical_vpd_kpa
    return {
        "change": one.option.change,
        "chance_too_dry": one.chance_too_dry,
        "low": min(one.low, one.chance_too_dry),
        "high": max(one.high, one.chance_too_dry),
        "chance_too_wet": one.chance_too_wet,
        "critical_vpd_kpa": float(critical) if np.isfinite(critical) else None,
        "suffices": one.suffices,
        "physics": alone.chance_too_dry,
        "seen": one.seen,
        "driest_month": driest.chance_too_dry,
        "setup_change": dict(one.option.setup_change),
        "move_to": one.option.move_to,
        "caution": one.option.caution,
        "extrapolated": one.extrapolated,
    }
