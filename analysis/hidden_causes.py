"""What may have changed without anybody writing it down, and how well each guess fits use and noted depths.

The picture. Each hypothesis alters one thing of the pot by some amount (a wick that carries a fifth, a plant that
drinks double) and is followed through the model. What it makes of use, compared with the spell before, and of the depth
on the days somebody looked, is set against what was measured, draw by draw of the calibrated pot. A hypothesis is as
good as its amounts are on the average. "Nothing hidden" starts with most of the belief.

Use is expected to lie between unchanged and proportional to the dryness of the air: that much width is added to its
error, so that a change of air alone never points to the wick or the plant.

Which verdict follows, and what was recorded, is for `causes.py`. Prior chances and amounts are assumed.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, logsumexp

from analysis.columns import Columns, FloatArray
from analysis.counterfactual import BoolArray, Spell, courses_of_variants, shown_days

_PRIOR = {"none": 0.72, "wick": 0.12, "plant": 0.08, "vent_holes": 0.01, "top_layer": 0.02, "heat": 0.01}
USE_STRAY = 0.035  # log-sd of use about the model when nothing changed
AIR_ERROR_KPA = 0.05  # 2 %RH at 22 degC: what a usual humidity sensor is off by (science notes, section 1)
_COINCIDENCE = 0.2  # times the prior of a hidden change in a spell that has a recorded one
_RECORDED = 0.7  # share of a recorded change's effect on use by which the model may err, sd
_BRACKET = 0.2  # share of the change in air by which use may miss the model (sd): unchanged to proportional
_DEPTH_STRAY_MM, _DEPTH_STRAY_SHARE = 1.0, 0.12  # mm, and of the change since the notes that calibrated the pot
_TAIL = 5.0
MOIST_AT_TOP_MM = 3.0
_DOES_USE, _DOES_MM = 0.05, 1.0  # of use, and of the line: less than this nobody would call a change


@dataclass(frozen=True)
class Hidden:
    """One guess: which factor, by how much, the change of the columns, and the sentence it would give."""

    factor: str
    amount: float
    applied: Callable[[Columns], Columns]
    says: str


@dataclass(frozen=True)
class Weighed:
    """What is believed after the evidence: chance of each factor (and "none"), the best guess, the best hidden one."""

    chance: dict[str, float]
    best: Hidden
    best_hidden: Hidden
    best_of: dict[str, Hidden]  # the likeliest guess of each hidden factor, of those that move use the way it went
    was_mm: FloatArray  # the course before (draws, days)
    log_use_if_none: float  # of the use ratio that is expected when nothing is hidden
    recorded: float  # what recorded changes did to the logarithm of use, by the model

    def rivals(self) -> str:
        """The likely hidden factors in words, likeliest first."""
        words = {
            "wick": "the wick", "plant": "what the plant drinks", "vent_holes": "the holes", "top_layer": "the cover",
            "heat": "heat",
        }  # fmt: skip
        order = sorted((f for f in self.chance if f != "none"), key=lambda f: -self.chance[f])
        return ", ".join(words[f] for f in order[:2] if self.chance[f] > 0.1)


NOTHING = Hidden("none", 1.0, lambda columns: columns, "")


def hypotheses(columns: Columns, factors: Sequence[str]) -> list[Hidden]:
    """The guesses that make sense for a pot, "nothing" first; a factor whose change was recorded is not guessed."""
    found = [NOTHING]
    if "wick" not in factors and (columns.wick_mm_per_ml_per_day > 0).any():
        found += [_wick(times) for times in (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)]
    if "plant" not in factors:
        found += [_plant(times) for times in (0.0, 0.25, 0.5, 1.5, 2.0, 2.7, 3.6, 5.0)]
    if "vent_holes" not in factors and (columns.vent_count > 0).any():
        found += [_vents(times) for times in (0.3, 2.0, 4.0)]
    if "top_layer" not in factors and (columns.cover_mm > 0).any():
        found.append(_uncovered())
    if "heat" not in factors:
        found += [_heat(more) for more in (10.0, 25.0, 50.0)]
    return found


def weighed(
    guesses: Sequence[Hidden], before: Spell, since: Spell, columns_before: Columns, columns_since: Columns,
    window: slice, anything_known: bool,
) -> Weighed:  # fmt: skip
    """Set every guess against measured use and noted depths; without either, what was believed stays.

    anything_known: with a recorded change, or an empty reservoir, a hidden one is a coincidence, and believed less.
    """
    usual = courses_of_variants(columns_before, [columns_before], before.drivers, before.drivers)
    unchanged = courses_of_variants(columns_before, [columns_before], before.drivers, since.drivers)
    was = usual.use_ml_per_day[0][:, shown_days(len(before.drivers.vpd_kpa))].mean(-1)
    run = courses_of_variants(
        columns_before, [guess.applied(columns_since) for guess in guesses], before.drivers, since.drivers
    )
    ratio = run.use_ml_per_day[..., window].mean(-1) / np.maximum(was, 1e-9)
    # what was recorded may have done more or less than the model thinks: it needs less evidence than a guess
    untouched = unchanged.use_ml_per_day[0][:, window].mean(-1) / np.maximum(was, 1e-9)
    recorded = float(np.median(np.log(np.maximum(ratio[0], 0.02) / np.maximum(untouched, 0.02))))
    logs = log_likelihood(ratio, run.depth_mm, usual.depth_mm[0], before, since, recorded)  # (guesses, draws)
    fit = logsumexp(logs, axis=1) - np.log(logs.shape[1])
    # a guess that would do nothing to this pot is none: it would only thin out the others of its factor
    fit = np.where(_does_anything(ratio, run.depth_mm[..., window]), fit, -np.inf)
    # more and less of a factor are rivals, so that amounts of the wrong sign do not thin out the right ones
    kinds = list(dict.fromkeys((guess.factor, guess.amount > 1) for guess in guesses))
    of = np.array([kinds.index((guess.factor, guess.amount > 1)) for guess in guesses])
    scores = np.array(
        [
            np.log(_PRIOR[f] * (_COINCIDENCE if anything_known and f != "none" else 1.0))
            + logsumexp(fit[of == i])
            - np.log(max(int(np.isfinite(fit[of == i]).sum()), 1))
            for i, (f, _) in enumerate(kinds)
        ]
    )
    chances = np.exp(scores - logsumexp(scores))
    best = guesses[int(np.where(of == int(chances.argmax()), fit, -np.inf).argmax())]
    expected = float(np.median(np.log(np.maximum(ratio[0], 0.02))))
    fitting = _towards_what_was_measured(ratio, before, since, expected) & np.isfinite(fit)
    hidden = np.where(np.array([fitting[of == i].any() for i in range(len(kinds))]), chances, -1.0)
    hidden[0] = -1.0
    best_hidden = guesses[int(np.where((of == int(hidden.argmax())) & fitting, fit, -np.inf).argmax())]
    chance = {f: float(sum(c for (g, _), c in zip(kinds, chances, strict=True) if g == f)) for f, _ in kinds}
    best_of = {
        f: guesses[int(np.where(mine & fitting, fit, -np.inf).argmax())]
        for f in chance
        if (mine := np.array([guess.factor == f for guess in guesses]))[fitting].any() and f != "none"
    }
    return Weighed(chance, best, best_hidden, best_of, usual.depth_mm[0], expected, recorded)


def log_likelihood(
    use_ratio: FloatArray,
    depth_mm: FloatArray,
    was_mm: FloatArray,
    before: Spell,
    since: Spell,
    recorded: float = 0.0,
) -> FloatArray:
    """How well courses (..., draws) with depths (..., draws, days) agree with measured use and noted depths.

    was_mm: the course of the days before (draws, days). recorded: what recorded changes did to the logarithm of use, by
    the model. Looks of before that saw a moist surface count again: they are bounds, which calibrated draws keep badly.
    """
    log = np.zeros(np.shape(use_ratio))
    measured = since.use_ml_per_day / before.use_ml_per_day if before.use_ml_per_day > 0 else np.nan
    if np.isfinite(measured) and measured >= 0:
        spread = (_BRACKET * _log_air(before, since)) ** 2 + (_RECORDED * recorded) ** 2 + air_error(before, since) ** 2
        error = np.sqrt(_error(before) ** 2 + _error(since) ** 2 + USE_STRAY**2 + spread)
        off = np.log(max(measured, 0.02)) - np.log(np.maximum(use_ratio, 0.02))
        log = log - 0.5 * (off / error) ** 2
    level = was_mm.mean(-1)
    log = log + _of_notes(since, depth_mm, level, np.isfinite(since.noted_mm))
    return log + _of_notes(before, was_mm, level, before.noted_mm <= 0.5 * MOIST_AT_TOP_MM)


def _does_anything(use_ratio: FloatArray, depth_mm: FloatArray) -> BoolArray:
    """Which guesses (guesses,) would do something to use or the line of this pot; "nothing", the first, counts."""
    use = np.abs(np.median(np.log(np.maximum(use_ratio, 0.02) / np.maximum(use_ratio[0], 0.02)), axis=-1))
    line = np.abs(np.median((depth_mm - depth_mm[0]).mean(-1), axis=-1))
    does = (use > _DOES_USE) | (line > _DOES_MM)
    does[0] = True
    return np.asarray(does)


def _towards_what_was_measured(use_ratio: FloatArray, before: Spell, since: Spell, log_expected: float) -> BoolArray:
    """Which guesses (guesses,) move use the way it went: a plant that drinks less does not explain more use."""
    effect = np.median(np.log(np.maximum(use_ratio, 0.02)), axis=-1) - log_expected
    if not (since.use_ml_per_day > 0 and before.use_ml_per_day > 0):
        return np.ones(len(effect), bool)
    surprise = float(np.log(since.use_ml_per_day / before.use_ml_per_day)) - log_expected
    return np.asarray(effect * surprise >= -0.02 * abs(surprise))


def _of_notes(spell: Spell, depth_mm: FloatArray, usual_mm: FloatArray, which: BoolArray) -> FloatArray:
    """Log-likelihood of the chosen notes of a spell for depths (..., draws, days); usual_mm (draws,): before."""
    if not which.any():
        return np.zeros(depth_mm.shape[:-1])
    there = depth_mm[..., np.clip(spell.noted_day[which], 0, depth_mm.shape[-1] - 1)]
    noted = spell.noted_mm[which]
    astray = _DEPTH_STRAY_SHARE * (there - usual_mm[..., :, None])
    error_mm = np.sqrt(spell.noted_sd_mm[which] ** 2 + _DEPTH_STRAY_MM**2 + astray**2)
    # "moist at the top" bounds the depth from above, it is no depth of zero; a slip of the eye has a long tail
    moist = log_ndtr((MOIST_AT_TOP_MM - there) / error_mm)
    depth = -0.5 * (_TAIL + 1) * np.log1p(((noted - there) / error_mm) ** 2 / _TAIL) - np.log(error_mm)
    return np.asarray(np.where(noted <= 0.5 * MOIST_AT_TOP_MM, moist, depth).sum(-1))


def _error(spell: Spell) -> float:
    if not np.isfinite(spell.use_sd) or spell.use_ml_per_day <= 0:
        return 0.1
    return float(spell.use_sd / spell.use_ml_per_day)


def _log_air(before: Spell, since: Spell) -> float:
    if not np.isfinite(since.drivers.vpd_kpa).any():
        return 0.3
    now, was = float(np.nanmean(since.drivers.vpd_kpa)), float(np.nanmean(before.drivers.vpd_kpa))
    return float(np.log(max(now, 0.05) / max(was, 0.05)))


def air_error(before: Spell, since: Spell) -> float:
    """How far the logarithm of the change of air may be off because a sensor is: much where the air is nearly wet.

    One sensor is off by the same in both spells, so that only the difference of both relative errors counts.
    """
    air = [spell.drivers.vpd_kpa for spell in (before, since)]
    if not all(np.isfinite(series).any() for series in air):
        return 0.0
    was, now = (max(float(np.nanmean(series)), AIR_ERROR_KPA) for series in air)
    return AIR_ERROR_KPA * abs(1 / now - 1 / was)


def _wick(times: float) -> Hidden:
    says = f"It is as if the wick held water back {times:.0f} times as much as it did: a failing wick."
    return Hidden("wick", times, lambda c: c.changed(wick_mm_per_ml_per_day=c.wick_mm_per_ml_per_day * times), says)


def _plant(times: float) -> Hidden:
    says = (
        "Use fell without a deeper line: the plant drinks less than it should, look at its roots."
        if times < 1
        else f"Use rose as if the plant drank {times:.1f} times as much: it has grown."
    )
    return Hidden(
        "plant", times, lambda c: c.changed(uptake_ml_per_day_at_1_kpa=c.uptake_ml_per_day_at_1_kpa * times), says
    )


def _vents(times: float) -> Hidden:
    says = "Use changed as if holes had been opened." if times > 1 else "Use changed as if holes had been closed."
    return Hidden("vent_holes", times, lambda c: c.changed(vent_count=c.vent_count * times), says)


def _uncovered() -> Hidden:
    says = "It is as if the cover were gone."
    return Hidden("top_layer", 0.0, lambda c: c.changed(cover_mm=0.0), says)


def _heat(more: float) -> Hidden:
    says = "Use rose as if a lamp, sun or mat warmed the pot."
    return Hidden("heat", more, lambda c: c.changed(absorbed_w_per_m2=c.absorbed_w_per_m2 + more), says)
