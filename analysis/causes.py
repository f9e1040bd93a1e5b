"""Why the dry layer of one pot moved, or its use: direction, verdict, shares, and what is left unexplained.

The picture. Two spells are compared, before and since. In this order: is a sensor silent or stuck? was water missing?
does use agree with what set-up, air and level make one expect? and only then the shares. What somebody recorded (holes,
cover, medium, wick, heat, a move) is taken as done. What nobody recorded shows in two ways: use outside what is
expected (use is not proportional to dryness, so anything between "unchanged" and "proportional" is expected), and
noted depths off the modelled line. Hypotheses of a hidden change (a failing wick, a plant that stopped drinking or
grew, holes, a cover gone, heat) are each followed through the model and weighed against both; "nothing hidden" starts
far ahead, so a recorded change needs less evidence than an unrecorded one; so does air that broke away from its season.
Use that falls while the line deepens is the wick; use that falls while it rises is the roots. What a known change did
to use is told by the model and by measured use together, and its share in depth is lessened where use shows that it did
less and looks at the line do not say otherwise. Use counts for nothing where the reservoir ran out or was left to sink,
since no level shows what a column gives back.

The level is a mediator: a fall that faster use explains at an unchanged refill rhythm belongs to what raised the use.

The shares are Shapley values of the calibrated model (`shapley.py`, `counterfactual.py`), with intervals from its
draws; noted depths less the model are the unexplained remainder, never hidden. "None" is said when the depth is within
3 mm and use within 15 % of what was expected: a season and a usual rhythm of refills are expected, whatever they moved,
and so is a change that was written down and did next to nothing. What each did still stands among the shares, and the
evidence says that it was the season. Everything looked at ends at the asked moment.

It takes arrays and calibrated columns; stores, dates and screens are the caller's. The weights of the hypotheses and
the widths of what is expected are assumed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from analysis.columns import Columns, FloatArray
from analysis.counterfactual import FACTORS, BoolArray, Spell, courses, courses_of_variants, shown_days
from analysis.hidden_causes import (
    MOIST_AT_TOP_MM,
    NOTHING,
    USE_STRAY,
    Hidden,
    Weighed,
    air_error,
    hypotheses,
    log_likelihood,
    weighed,
)
from analysis.quantities import JOINT, quantity, span
from analysis.shapley import shapley_shares, subsets
from analysis.usual_weather import air_broke, air_drifts, level_keeps_its_rhythm, level_sank, log_air_change

DEPTH_MATTERS_MM = 3.0
USE_MATTERS = 0.15
_SURE = 0.8
_HIDDEN_BELOW = 0.3
_USUAL_REFILL_DAYS = 4.0
_EMPTY_HOURS = 24.0
_NEARLY_EMPTY_MM = 3.0
# by which a change known to have happened is a cause: it needs less evidence than one that is guessed
_KNOWN_USE_MATTERS, _KNOWN_MM_MATTERS = 0.10, 2.8
_TELLS_AT_ALL = 0.10  # of the logarithm of use by the model: below, use does not say whether a known change did less
_SHOWS_AT_ALL = 0.01  # of use: a recorded change that does so much by the model may well have done all that was seen
_KNOWN_USE_SHARE_SD, _KNOWN_DEPTH = 0.7, 2.0  # how far a known change may do more or less; its weight among the shares
_KNOWN_BY_USE_SD = 0.5  # how sure use is of what a known change did to the line, as a share of it
_SANK_MM = 1.0  # of what looks say beyond the model: enough to tell a wick from roots once use fell
_WEATHER = ("dry_air", "low_reservoir")
_SEASON = 1.4  # times 15 %
_EXPECTED_WITHIN = 0.2  # of a change of use that air explains: between unchanged and proportional
_RECORDED = {
    "dry_air": "another place, or other air on its shelf",
    "low_reservoir": "another filling of the reservoir",
    "vent_holes": "other holes",
    "top_layer": "another cover",
    "medium": "another medium, pot or reservoir",
    "wick": "another wick",
    "plant": "another plant",
    "heat": "other heat on its shelf",
}


@dataclass(frozen=True)
class Share:
    """What one factor did to the dry layer, in mm, with a 90 % interval; above zero is drier."""

    factor: str
    mm: float
    low_mm: float
    high_mm: float


@dataclass(frozen=True)
class Explanation:
    """The answer of `explain`; `shares` (largest first) and `unexplained_mm` add up to `change_mm`."""

    direction: str  # drier | wetter | same
    verdict: str  # a factor, sensor_gap, mixed, unexplained or none
    shares: tuple[Share, ...]
    unexplained_mm: float
    change_mm: float
    use_ratio: float
    expected_use_ratio: float
    evidence: tuple[str, ...]
    empty_hours: float = 0.0  # of the spell since, without water in the reservoir


@dataclass(frozen=True)
class _Case:
    """All that a verdict is judged by; split (k, draws) in mm, log_use (k,) the shares of the change of log use."""

    before: Spell
    since: Spell
    factors: list[str]
    split: FloatArray
    weight: FloatArray
    log_use: FloatArray
    did: FloatArray  # (k,) what a change known to have happened did to the logarithm of use; NaN for the others
    modelled: float  # what the shares add up to
    judged: float  # with the unexplained part where it is more than looking errs
    unexplained: float
    ratio: float
    expected: float
    recorded_use: float
    hidden: Hidden
    usual: BoolArray  # (k,) weather that went on as it usually does

    @property
    def off(self) -> float:
        """How far the line moved, mm, beyond what usual weather did to it."""
        return self.judged - float((self.split @ self.weight)[self.usual].sum())

    @property
    def matters(self) -> BoolArray:
        """Which changes known to have happened (k,) did as much to use or to the line as matters."""
        least = np.where(self.did > 0, np.log1p(_KNOWN_USE_MATTERS), -np.log1p(-_KNOWN_USE_MATTERS))
        enough = np.nan_to_num(np.abs(self.did)) >= least
        return np.asarray(enough | (np.abs(self.split @ self.weight) >= _KNOWN_MM_MATTERS) & np.isfinite(self.did))


def explained(
    before: Spell, since: Spell, columns_before: Columns, columns_since: Columns, recorded: Sequence[str] = ()
) -> Explanation:
    """Compare a spell with the one before it.

    columns_before, columns_since: the pot under the set-ups of both spells as the same calibrated draws `(draw, 1)`,
    calibrated with notes up to the start of the spell. recorded: factors of which a change was written down.
    Raises ValueError for a factor it does not know, or a spell before without any day of air.
    """
    unknown = sorted(set(recorded) - set(FACTORS))
    if unknown:
        raise ValueError(f"no such factor: {', '.join(unknown)}")
    if not (np.isfinite(before.drivers.vpd_kpa).any() and np.isfinite(before.drivers.level_mm).any()):
        raise ValueError("there is no earlier day with both air and level to compare with: give it some weeks")
    window = shown_days(len(since.drivers.vpd_kpa))
    factors = [f for f in FACTORS if f in {"dry_air", "low_reservoir", *recorded}]
    since = _with_use_where_the_level_shows_it(before, since, window)
    before, since = (
        _as_sure_as_the_medium_lets(before, columns_before),
        _as_sure_as_the_medium_lets(since, columns_since),
    )
    known = bool(recorded) or _ran_dry(before, since) or level_sank(before, since)
    found = weighed(hypotheses(columns_since, factors), before, since, columns_before, columns_since, window, known)
    hidden = _wick_or_roots(_hidden(before, since, found), found, before, since, columns_before, columns_since, window)
    factors = [f for f in FACTORS if f in {*factors, hidden.factor}]
    masks = subsets(len(factors))
    course = courses(columns_before, hidden.applied(columns_since), before.drivers, since.drivers, factors, masks)
    depth, use = course.depth_mm[..., window].mean(-1), course.use_ml_per_day[..., window].mean(-1)
    weight = _weight(log_likelihood(use[-1] / use[0], course.depth_mm[-1], found.was_mm, before, since, found.recorded))
    split = _passed_on(shapley_shares(depth), use, factors, masks, before, since, columns_since)
    log_use = shapley_shares(np.log(np.maximum(use, 0.1))) @ weight
    # a lamp or a mat that was written down dries the air of its shelf: that step is its own
    stepped = "heat" not in recorded and air_broke(before, since)
    certain_factors = [f for f in factors if f in recorded or (f == "dry_air" and stepped)]
    did = _did_to_use(log_use, factors, certain_factors, before, since)
    less = _more_than_use_shows(split, log_use, did)
    less = less * _borne_out(less.sum(0) @ weight, since, course.depth_mm[-1], found.was_mm, weight, window)
    split = split - less
    unexplained, certain = _unexplained(since, course.depth_mm[-1] - less.sum(0)[:, None], found.was_mm, weight, window)
    shares = _shares(factors, split, weight)
    modelled = sum(share.mm for share in shares)
    change, judged = modelled + unexplained, modelled + (unexplained if certain else 0.0)
    expected = float(_quantiles(use[_recorded_only(factors, hidden, masks)] / use[0], weight, [0.5])[0])
    ratio = float(since.use_ml_per_day / before.use_ml_per_day) if before.use_ml_per_day > 0 else float("nan")
    case = _Case(
        before, since, factors, split, weight, log_use, did, modelled, judged, unexplained, ratio, expected,
        found.recorded, hidden, _usual_weather(before, since, factors, certain_factors),
    )  # fmt: skip
    direction = "drier" if judged > DEPTH_MATTERS_MM else "wetter" if judged < -DEPTH_MATTERS_MM else "same"
    evidence = _evidence(case, recorded, found, window)
    return Explanation(
        direction, _verdict(case), shares, unexplained, change, ratio, expected, tuple(evidence), since.empty_hours
    )


def drinks_less_than_it_should(
    use_ml_per_day: float, use_sd: float, expected_ml_per_day: npt.ArrayLike, vpd_ratio: float
) -> tuple[float, str]:
    """The chance that a pot uses less than its air asks for, and a sentence when that is likely.

    expected (draws,): the model's use in this air with the thirst it had; vpd_ratio: the air now over the air in which
    that thirst was measured. Less than 85 % of the low end of what is expected counts; the earliest sign of failing
    roots or wick. Nothing measured: 0 and an empty sentence.
    """
    expected = np.asarray(expected_ml_per_day, float)
    if not (np.isfinite(use_ml_per_day) and np.isfinite(expected).any()):
        return 0.0, ""
    # an expectation at this air may be too high by as much as the air rose: use may also have stayed where it was
    limit = (1 - USE_MATTERS) * expected * min(1.0, 1.0 / max(vpd_ratio, 1e-6) ** 0.5)
    error = use_sd if np.isfinite(use_sd) and use_sd > 0 else 1e-9
    chance = float(ndtr((limit - use_ml_per_day) / error).mean())
    if chance < _SURE:
        return chance, ""
    use, usual = quantity(use_ml_per_day, "mL"), quantity(float(np.median(expected)), "mL")
    return chance, f"Drinks less than it should: {use} a day where {usual} are expected. Look at wick and roots."


def changed_factors(
    setup_before: Mapping[str, object],
    setup_since: Mapping[str, object],
    shelf_before: Mapping[str, object] | None = None,
    shelf_since: Mapping[str, object] | None = None,
) -> tuple[str, ...]:
    """Which factors a recorded change of set-up or shelf touches, from the dicts of both."""
    touched = {
        "vent_holes": ("vents", "gap"),
        "top_layer": ("top_layer",),
        "medium": ("layers", "pot", "surface_height_mm", "surface_to_water_mm", "reservoir"),
        "wick": ("wick",),
    }
    found = {f for f, keys in touched.items() if any(setup_before.get(k) != setup_since.get(k) for k in keys)}
    was, now = shelf_before or {}, shelf_since or {}
    if any(was.get(key) != now.get(key) for key in ("heat", "hours_per_day")):
        found.add("heat")
    if was.get("air") != now.get("air") or setup_before.get("shelf") != setup_since.get("shelf"):
        found.add("dry_air")
    return tuple(f for f in FACTORS if f in found)


def _hidden(before: Spell, since: Spell, found: Weighed) -> Hidden:
    """The hidden change to go on with: where "nothing" is hardly believed, or use is off and a guess is likely.

    Use that goes the way of a recorded change is none: that change did more than the model thinks. What a plant drinks
    shows in use alone, so that without use that is off it is not accused.
    """
    if since.silent and not np.isfinite(since.use_ml_per_day):
        return NOTHING  # on a level or an air that nobody told nothing can be guessed
    nothing, best = found.chance["none"], found.best_hidden
    chance, surprise = found.chance[best.factor], _surprise(before, since, found)
    allowed = _allowed(before, since, found.log_use_if_none, found.recorded)
    if abs(found.recorded) >= _SHOWS_AT_ALL and surprise * found.recorded > 0:
        return NOTHING
    if abs(surprise) > allowed:
        return best if chance >= 0.3 * (1 - nothing) else NOTHING
    if best.factor == "plant" and np.isfinite(since.use_ml_per_day) and abs(surprise) < 0.7 * allowed:
        return NOTHING
    leads = nothing <= 0.5 and chance >= 0.5 * (1 - nothing)
    return best if nothing <= _HIDDEN_BELOW or leads else NOTHING


def _wick_or_roots(
    hidden: Hidden, found: Weighed, before: Spell, since: Spell, columns_before: Columns, columns_since: Columns,
    window: slice,
) -> Hidden:  # fmt: skip
    """The other of the two that lessen use where looks say so: the line sinks with a wick, and does not with roots."""
    other = {"wick": "plant", "plant": "wick"}.get(hidden.factor)
    if other not in found.best_of or (hidden.factor == "plant" and hidden.amount > 1):
        return hidden
    course = courses_of_variants(
        columns_before, [columns_since, hidden.applied(columns_since)], before.drivers, since.drivers
    )
    even = np.full(course.depth_mm.shape[1], 1 / course.depth_mm.shape[1])
    (sank, certain), (off, is_off) = (_unexplained(since, mm, found.was_mm, even, window) for mm in course.depth_mm)
    if certain and abs(sank) > _SANK_MM:
        return found.best_of["wick" if sank > 0 else "plant"] if (sank > 0) == (other == "wick") else hidden
    # a wick that carries so little would have sunk the line by far more than anybody saw
    overdone = hidden.factor == "wick" and is_off and off < -DEPTH_MATTERS_MM and sank < 1.0
    return found.best_of[other] if overdone else hidden


def _surprise(before: Spell, since: Spell, found: Weighed) -> float:
    """Logarithm of measured over expected use; none where air broke and use lies between unchanged and proportional."""
    if not (since.use_ml_per_day > 0 and before.use_ml_per_day > 0):
        return 0.0
    log_ratio = float(np.log(since.use_ml_per_day / before.use_ml_per_day))
    if air_broke(before, since) and 0 <= log_ratio / log_air_change(before, since) <= 1:
        return 0.0
    return log_ratio - found.log_use_if_none


def _allowed(before: Spell, since: Spell, log_expected: float, recorded: float) -> float:
    """How far the logarithm of use may be from what is expected: 15 %, its noise, and what the model may miss."""
    noise = 1.6 * float(np.hypot(_relative(since), _relative(before)))
    allowed = max(float(np.log1p(USE_MATTERS)), noise) + _EXPECTED_WITHIN * abs(log_expected)
    # a recorded change may have done twice as much, or nothing
    return allowed + abs(recorded) + 1.6 * air_error(before, since)


def _with_use_where_the_level_shows_it(before: Spell, since: Spell, window: slice) -> Spell:
    """The spell since, its use unknown where the level does not show it: what a plant draws from stones no level shows.

    So it is where the reservoir ran out, and, for use that fell, where nobody filled it as usual: a column that stands
    ever higher above its water gives back what it held.
    """
    level, usual = since.drivers.level_mm[window], before.drivers.level_mm
    level, usual = level[np.isfinite(level)], usual[np.isfinite(usual)]
    if not (len(level) and len(usual)):
        return since
    ran_out = bool((level < _NEARLY_EMPTY_MM).any()) or since.empty_hours > 12
    unfilled = bool((np.diff(level) < _NEARLY_EMPTY_MM).all() and level.min() < usual.min() - _NEARLY_EMPTY_MM)
    gives_back = unfilled and since.use_ml_per_day < before.use_ml_per_day
    return replace(since, use_ml_per_day=np.nan, use_sd=np.nan) if ran_out or gives_back else since


def _as_sure_as_the_medium_lets(spell: Spell, columns: Columns) -> Spell:
    """The spell, its use no surer than the medium lets a level tell it.

    A line that moves unseen stores water or gives it back: little beside what most pots use in ten days, and much where
    the air is nearly wet.
    """
    days = shown_days(len(spell.drivers.vpd_kpa))
    held_ml = DEPTH_MATTERS_MM * float(np.median(columns.storage * columns.area_mm2)) * 1e-3
    return replace(spell, use_sd=float(np.hypot(spell.use_sd, held_ml / (days.stop - days.start))))


def _usual_weather(before: Spell, since: Spell, factors: Sequence[str], certain: Sequence[str]) -> BoolArray:
    """Which factors (k,) are weather that went on as usual: a season, or the rhythm in which the pot is filled."""
    usual = {
        "dry_air": "dry_air" not in certain and air_drifts(before, since),
        "low_reservoir": not _ran_dry(before, since) and level_keeps_its_rhythm(before, since),
    }
    return np.array([usual.get(factor, False) for factor in factors])


def _ran_dry(before: Spell, since: Spell) -> bool:
    return since.empty_hours >= before.empty_hours + _EMPTY_HOURS


def _did_to_use(
    log_use: FloatArray, factors: Sequence[str], certain: Sequence[str], before: Spell, since: Spell
) -> FloatArray:
    """What each known change did to the logarithm of use (k,): the model's word and measured use, each by its sd."""
    did = np.full(len(factors), np.nan)
    measured = since.use_ml_per_day > 0 and before.use_ml_per_day > 0
    for factor in certain:
        i = factors.index(factor)
        part = float(log_use[i])
        did[i] = part
        if measured:
            rest = float(log_use.sum()) - part
            seen = float(np.log(since.use_ml_per_day / before.use_ml_per_day)) - rest
            noise = _relative(since) ** 2 + _relative(before) ** 2 + USE_STRAY**2 + (0.3 * rest) ** 2
            of_model = (_KNOWN_USE_SHARE_SD * part) ** 2 + 0.02**2
            did[i] = (part * noise + seen * of_model) / (noise + of_model)
    return did


def _more_than_use_shows(split: FloatArray, log_use: FloatArray, did: FloatArray) -> FloatArray:
    """What of the shares (k, draws) is too much where a change did less to use than the model thinks, in proportion."""
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(np.abs(log_use) > _TELLS_AT_ALL, np.clip(did / log_use, 0.0, 1.0), 1.0)
    return np.asarray(split * (1.0 - np.nan_to_num(part, nan=1.0))[:, None])


def _borne_out(
    less_mm: float, since: Spell, modelled_mm: FloatArray, was_mm: FloatArray, weight: FloatArray, window: slice
) -> float:
    """How much of what use would take off the shares looks let go: eyes on the line say more of it than use does."""
    seen = _looks_less_model(since, modelled_mm, was_mm, weight, window)
    if seen is None:
        return 1.0
    off, variance, straying = seen
    by_looks, by_use = 1 / (variance + straying), 1 / _KNOWN_BY_USE_SD**2
    return float(np.clip((by_use - off * less_mm * by_looks) / (by_use + less_mm**2 * by_looks), 0.0, 1.0))


def _recorded_only(factors: Sequence[str], hidden: Hidden, masks: npt.NDArray[np.bool_]) -> int:
    """Index of the mask in which everything but the hidden change has happened."""
    wanted = np.array([f != hidden.factor for f in factors])
    return int(np.flatnonzero((masks == wanted).all(1))[0])


def _passed_on(
    shares: FloatArray,
    use: FloatArray,
    factors: Sequence[str],
    masks: npt.NDArray[np.bool_],
    before: Spell,
    since: Spell,
    columns: Columns,
) -> FloatArray:
    """The part of the level's share that faster (or slower) use explains goes to what changed the use."""
    level, others = factors.index("low_reservoir"), [i for i, f in enumerate(factors) if f != "low_reservoir"]
    fall = float(np.nanmean(before.drivers.level_mm) - np.nanmean(since.drivers.level_mm))
    if not np.isfinite(fall) or abs(fall) < 0.5 or since.empty_hours > before.empty_hours + 12:
        return shares
    alone = np.array([int(np.flatnonzero((masks == (np.arange(len(factors)) == i)).all(1))[0]) for i in others])
    log_rise = np.median(np.log(np.maximum(use[alone], 1e-9) / np.maximum(use[0], 1e-9)), axis=1) * np.sign(fall)
    rise = np.maximum(log_rise, 0.0)
    if rise.sum() < 0.05:
        return shares
    measured = since.use_ml_per_day - before.use_ml_per_day
    more = measured if np.isfinite(measured) else float(np.median(use[-1] - use[0]))
    days = before.refill_days if np.isfinite(before.refill_days) else _USUAL_REFILL_DAYS
    ml_per_mm = float(np.median(columns.water_ml_per_mm))
    # between refills the level falls by use times days; its mean by half of that
    explained_fall = 0.5 * more * days / max(ml_per_mm, 1e-9)
    part = float(np.clip(explained_fall / fall, 0.0, 1.0))
    moved = part * shares[level]
    out = shares.copy()
    out[level] -= moved
    out[others] += (rise / rise.sum())[:, None] * moved
    return out


def _weight(log_likelihoods: FloatArray) -> FloatArray:
    """Weights (draws,) of the draws after what was measured and noted since."""
    weight = np.exp(log_likelihoods - log_likelihoods.max())
    # never fewer than a handful of draws: the equation is not exact enough to single one out
    weight = weight / weight.sum() + 0.2 / len(weight)
    normal: FloatArray = weight / weight.sum()
    return normal


def _quantiles(draws: FloatArray, weight: FloatArray, at: Sequence[float]) -> FloatArray:
    """Weighted quantiles (len(at),) of draws (draws,)."""
    order = np.argsort(draws)
    cumulative = np.cumsum(weight[order]) - 0.5 * weight[order]
    return np.interp(at, cumulative, draws[order])


def _unexplained(
    since: Spell, modelled_mm: FloatArray, was_mm: FloatArray, weight: FloatArray, window: slice
) -> tuple[float, bool]:
    """Noted depths of the window less the model's on those days, and whether that is more than looking errs.

    0 without a note, and the evidence says so.
    Looking errs too: only the part of the difference that the model's own straying is likely to hold counts.
    """
    seen = _looks_less_model(since, modelled_mm, was_mm, weight, window)
    if seen is None:
        return 0.0, False
    mean, variance, straying = seen
    return mean * straying / (straying + variance), abs(mean) > 1.64 * np.sqrt(straying + variance)


def _looks_less_model(
    since: Spell, modelled_mm: FloatArray, was_mm: FloatArray, weight: FloatArray, window: slice
) -> tuple[float, float, float] | None:
    """Mean of noted less modelled depths of the window, mm, its variance, and that of the model's straying."""
    inside = (since.noted_day >= window.start) & np.isfinite(since.noted_mm)
    if not inside.any():
        return None
    day = np.clip(since.noted_day[inside], 0, modelled_mm.shape[-1] - 1)
    modelled = weight @ modelled_mm[:, day]
    noted = since.noted_mm[inside]
    off = np.where(noted <= 0.5 * MOIST_AT_TOP_MM, np.minimum(MOIST_AT_TOP_MM - modelled, 0.0), noted - modelled)
    precision = 1 / np.maximum(since.noted_sd_mm[inside], 1.0) ** 2
    straying = 1.5**2 + (0.12 * float(modelled.mean() - weight @ was_mm.mean(-1))) ** 2
    return float(precision @ off / precision.sum()), float(1 / precision.sum()), straying


def _shares(factors: Sequence[str], split: FloatArray, weight: FloatArray) -> tuple[Share, ...]:
    """Means over the draws, so that they add up, with 90 % intervals; largest first."""
    made = []
    for factor, draws in zip(factors, split, strict=True):
        low, high = _quantiles(draws, weight, [0.05, 0.95])
        mean = float(draws @ weight)
        made.append(Share(factor, mean, min(float(low), mean), max(float(high), mean)))
    return tuple(sorted(made, key=lambda share: -abs(share.mm)))


def _verdict(case: _Case) -> str:
    """The verdict, in the order of the module's picture."""
    before, since, change = case.before, case.since, case.judged
    if _ran_dry(before, since) and change > 0.5 * DEPTH_MATTERS_MM:
        return "low_reservoir"
    # only an unexplained part that is most of the change is the change; one that goes against it is the model's excess
    surprise = np.sign(change) * (change - case.modelled)
    if abs(change) > DEPTH_MATTERS_MM and surprise > 0.6 * abs(change) and case.hidden.factor == "none":
        return "sensor_gap" if since.silent else "unexplained"
    # a line that hardly moved is no alarm, though an event and the season may have worked against each other
    moved = abs(case.off) > DEPTH_MATTERS_MM and abs(change) > 0.5 * DEPTH_MATTERS_MM
    drunk = _use_changed(case)
    if not moved and case.hidden.factor != "none":
        return case.hidden.factor
    if not moved and (since.silent or _use_unexpected(case)):
        return "sensor_gap" if since.silent else "unexplained"
    if not moved and not drunk:
        return "none"
    score = _score(case, moved, drunk)
    order = np.argsort(-score)
    first, best, second = case.factors[int(order[0])], score[order[0]], score[order[1]]
    if best <= 0:
        return "mixed" if moved else "none"
    known = bool(np.isfinite(case.did[int(order[0])]))
    if since.silent and not known:
        return "sensor_gap"
    if known and not moved and not case.matters[int(order[0])]:
        return "none"
    return _too_little(first, float(best), known, moved, drunk) or (first if best > 1.3 * second else "mixed")


def _too_little(first: str, best: float, known: bool, moved: bool, drunk: bool) -> str | None:
    """The verdict where the first factor did too little to be one; None where it did enough."""
    if moved:
        # neither air nor level alone moved the line as far as matters
        return "mixed" if first in _WEATHER and best < 1 and not (known or drunk) else None
    if first == "dry_air" and not known:
        return "none"  # weather moves use from month to month: that is the season, not an event
    return "none" if not known and best < (_SEASON if first in _WEATHER else 0.8) else None


def _score(case: _Case, moved: bool, drunk: bool) -> FloatArray:
    """What each factor did in the direction of the change, (k,): of the line in 3 mm, of use in 15 %.

    Beside a hidden change the others' part in use was expected, and says nothing; weather that went on as usual did
    nothing that calls for a word.
    """
    mm = case.split @ case.weight
    score = np.maximum(np.sign(case.off) * mm, 0.0) / DEPTH_MATTERS_MM if moved else np.zeros(len(mm))
    known = np.isfinite(case.did)
    score = np.where(known, _KNOWN_DEPTH * score, score)
    if drunk and np.isfinite(case.ratio) and case.ratio > 0:
        part = np.maximum(np.sign(np.log(case.ratio)) * case.log_use, 0.0) / np.log1p(USE_MATTERS)
        hidden = case.hidden.factor
        part = np.where(known, np.abs(case.did) / np.log1p(USE_MATTERS), part)
        if case.matters.any():
            # weather moves use from month to month: no rival of what is known to have happened
            part = np.where(np.isin(case.factors, _WEATHER) & ~known, 0.0, part)
        score = score + np.where([hidden in ("none", factor) for factor in case.factors], part, 0.0)
    return np.asarray(np.where(case.usual, 0.0, score))


def _use_changed(case: _Case) -> bool:
    noise = 1.6 * float(np.hypot(_relative(case.since), _relative(case.before)))
    measured = np.isfinite(case.ratio) and case.ratio > 0
    changed = float(np.log(case.ratio)) if measured else float(case.log_use.sum())
    if case.matters.any():
        return True
    return abs(changed) > max(float(np.log1p(USE_MATTERS)), noise)


def _use_unexpected(case: _Case) -> bool:
    if not (np.isfinite(case.ratio) and case.ratio > 0):
        return False
    expected, ratio = float(np.log(case.expected)), float(np.log(case.ratio))
    if abs(case.recorded_use) >= _SHOWS_AT_ALL and (ratio - expected) * case.recorded_use > 0:
        return False  # the recorded change did more than the model thinks
    return abs(ratio - expected) > _allowed(case.before, case.since, expected, case.recorded_use)


def _relative(spell: Spell) -> float:
    known = np.isfinite(spell.use_ml_per_day) and np.isfinite(spell.use_sd) and spell.use_ml_per_day > 0
    return spell.use_sd / spell.use_ml_per_day if known else 0.0


def _known_mean(series: FloatArray) -> float:
    return float(np.nanmean(series)) if np.isfinite(series).any() else float("nan")


def _evidence(case: _Case, recorded: Sequence[str], found: Weighed, window: slice) -> list[str]:
    since, hidden, unexplained = case.since, case.hidden, case.unexplained
    says = _measured(case) + [f"Written down: {_RECORDED[factor]}." for factor in recorded]
    usual_mm = case.judged - case.off
    if abs(usual_mm) > DEPTH_MATTERS_MM:
        where = "down" if usual_mm > 0 else "up"
        moved = quantity(abs(usual_mm), "mm")
        says.append(f"The season's air and the usual refills moved it {where} by {moved}: no event.")
    if hidden.factor != "none":
        says.append(hidden.says)
    elif found.chance["none"] < 0.5:
        says.append("Something unrecorded may have changed: " + found.rivals() + ". One look would settle it.")
    if not (since.noted_day >= window.start).any():
        says.append("Nobody looked since: the change of depth is the model's.")
    elif abs(unexplained) > DEPTH_MATTERS_MM:
        where = "deeper" if unexplained > 0 else "higher"
        says.append(f"What was noted lies {quantity(abs(unexplained), 'mm')} {where} than modelled.")
    says += [f"The {kind} sensor was silent or stuck for most of the spell." for kind in since.silent]
    return says


def _measured(case: _Case) -> list[str]:
    """What air, level and use were before and since."""
    before, since, ratio, expected = case.before, case.since, case.ratio, case.expected
    air, warm, level = (
        [_known_mean(getattr(spell.drivers, name)) for spell in (before, since)]
        for name in ("vpd_kpa", "temperature_c", "level_mm")
    )
    says = []
    if np.isfinite(air).all():
        # a deficit has one unit for every reader, so it is not marked
        says.append(f"Dry air {_went(air, 'kPa', '.2f')}.".replace(JOINT, " "))
        if abs(warm[1] - warm[0]) > 1.5:
            way = "warmer" if warm[1] > warm[0] else "cooler"
            says.append(f"It is {quantity(abs(warm[1] - warm[0]), 'degrees')} {way}.")
    if np.isfinite(level).all():
        says.append(f"The level {_went(level, 'mm')} on average.")
    if since.empty_hours > 0:
        days = len(before.drivers.level_mm)
        too = f", and for {before.empty_hours:.0f} in the {days} days before" if before.empty_hours > 0 else ""
        says.append(f"The reservoir was empty for {since.empty_hours:.0f} hours{too}.")
    if np.isfinite(ratio):
        says.append(
            f"Use went from {span(before.use_ml_per_day, since.use_ml_per_day, 'mL')} a day; "
            f"{quantity(before.use_ml_per_day * expected, 'mL')} were expected."
        )
    else:
        says.append("Use was not measured in both spells.")
    return says


def _went(values: Sequence[float], unit: str, form: str = ".0f") -> str:
    """From where to where, or that it stayed."""
    before, since = values
    if f"{before:{form}}" == f"{since:{form}}":
        return f"stayed at {quantity(before, unit, form)}"
    return f"went from {span(before, since, unit, form)}"
