"""How deep a dry layer new tips still get through: the rooting depth, learned from tips, and what wetness rots.

The picture. A tip stops when the medium it grows through has been dry too deep for too long. Over all looks, the
log-odds of "stopped" rise with the dry layer the pot had over the week before; where they are even is the rooting
depth. Groups of plants (root thickness, and whether they like it wetter, even or airy) have their own depth on a common
slope; each pot has its own effect, for looks at one pot are not independent. Until notes say otherwise the depth is
20 mm, give or take 5 (assumed): that prior is joined by what other groups say (groups differ by about 4 mm, assumed)
and by the group's own notes, as the profile of the fit allows, and the answer says which of them it rests on.

A pot's own plant may do better or worse than its group (by about 3 mm, until the fit knows): its own tips say how much.

Rotted tips are another outcome against another exposure (how wet, not how dry) and never enter as stopped.

Fits are `firth.py`; the table is that of `outcomes.tips_in_the_medium`. Exposure is a modelled depth whose own error
is not carried in: it flattens the slope rather than moving the crossing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import expit, log_expit

from analysis.firth import FirthFit, crossing_likelihood, firth_logistic
from analysis.quantities import quantity, span

FloatArray = npt.NDArray[np.float64]

PRIOR_MM, PRIOR_SD_MM = 20.0, 5.0
_BETWEEN_GROUPS_MM = 4.0
_BETWEEN_POTS_MM = 3.0
_SLOPE = 0.3
_GRID_MM = np.linspace(0.0, 60.0, 241)
_COARSE_MM = np.array([0.0, 5, 8, 11, 14, 17, 20, 23, 26, 30, 35, 42, 50, 60])
_SCALE_MM, _CENTRE_MM = 10.0, 20.0
_NO_CHANCE = -200.0  # a log-likelihood beyond which nothing differs any more
EXPOSURE = "dry_depth_7d_mm"


@dataclass(frozen=True)
class RootingDepth:
    """The rooting depth of a group: 90 % interval, the density (g,) on a grid (g,), and what it rests on."""

    roots: str
    likes: str
    value_mm: float
    low_mm: float
    high_mm: float
    rests_on: str  # measured | borrowed | guessed
    tips: int
    looks: int
    pots: int
    says: str
    grid_mm: FloatArray
    density: FloatArray
    slope_per_mm: float  # of the log-odds, common to all groups
    between_pots_mm: float  # sd of pots about their group

    def draws_mm(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Draws (count,) from what is known of the depth."""
        return _quantile(self.grid_mm, self.density, rng.random(count))


@dataclass(frozen=True)
class RotChance:
    """Chance that a tip rots, at asked wetness (w,), for a typical pot; `rests_on` as above, with a sentence."""

    wetness: FloatArray
    chance: FloatArray
    rises: bool | None
    tips: int
    says: str


def rooting_depths(
    tips: pd.DataFrame, groups: Sequence[tuple[str, str]], *, exposure: str = EXPOSURE
) -> dict[tuple[str, str], RootingDepth]:
    """The rooting depth of each (roots, likes) group asked for.

    tips: rows of `outcomes.tips_in_the_medium` with pot, roots, likes, going_on, stopped and the exposure in mm; rows
    without an exposure or with only rotted tips are left out. Groups without notes borrow from the others; without any
    note at all every group has the prior, and says that it is a guess.
    """
    table = tips.dropna(subset=[exposure]) if exposure in tips else tips.iloc[0:0]
    if len(table):
        table = table[(table["going_on"] + table["stopped"]) > 0]
    noted = sorted(set(zip(table["roots"], table["likes"], strict=True))) if len(table) else []
    likelihoods, slope, between = _log_likelihoods(table, noted, exposure) if noted else ({}, _SLOPE, _BETWEEN_POTS_MM)
    answers = {}
    for group in dict.fromkeys(groups):
        others = [likelihoods[other] for other in noted if other != group and other in likelihoods]
        answers[group] = _answer(group, table, likelihoods.get(group), others, slope, between)
    return answers


def pots_draws_mm(
    depths: dict[tuple[str, str], RootingDepth],
    tips: pd.DataFrame,
    pots: Sequence[tuple[str, str, str]],
    count: int,
    rng: np.random.Generator,
    *,
    exposure: str = EXPOSURE,
) -> FloatArray:
    """Draws of each pot's own rooting depth (count, pots): its group's, its own spread, and what its own tips say.

    pots: (label, roots, likes) each; depths: of `rooting_depths` for their groups; tips as there. The group's part is
    drawn once a draw for all pots of the group, since what is wrong about a group is wrong for all its pots.
    """
    drawn = {group: depth.draws_mm(count, rng) for group, depth in depths.items()}
    table = tips.dropna(subset=[exposure]) if exposure in tips else tips.iloc[0:0]
    result = np.empty((count, len(pots)))
    for i, (label, roots, likes) in enumerate(pots):
        depth = depths[roots, likes]
        centre = drawn[roots, likes]
        offsets = np.linspace(-3, 3, 61) * depth.between_pots_mm
        log_weight = np.repeat((-0.5 * (offsets / depth.between_pots_mm) ** 2)[None, :], count, axis=0)
        mine = table[table["pot"] == label] if len(table) else table
        for met, going, stopped in zip(
            mine.get(exposure, ()), mine.get("going_on", ()), mine.get("stopped", ()), strict=True
        ):
            logit = depth.slope_per_mm * (float(met) - centre[:, None] - offsets[None, :])
            log_weight += float(stopped) * log_expit(logit) + float(going) * log_expit(-logit)
        weight = np.exp(log_weight - log_weight.max(1, keepdims=True))
        cumulative = np.cumsum(weight, axis=1) / weight.sum(1, keepdims=True)
        chosen = (cumulative < rng.random((count, 1))).sum(1)
        result[:, i] = centre + offsets[np.minimum(chosen, len(offsets) - 1)]
    return np.maximum(result, 0.0)


def rot_against_wetness(tips: pd.DataFrame, wetness: npt.ArrayLike, *, exposure: str = "wet_share_14d") -> RotChance:
    """The chance that a tip rots against a measure of wetness (w,), apart from drying; tips as in `rooting_depths`.

    exposure: a column between 0 and 1, the share of hours with the surface moist (or the like). `rises` is None where
    the notes cannot say yet: fewer than three tips rotted, or an interval on the slope that holds zero.
    """
    asked = np.asarray(wetness, float)
    table = tips.dropna(subset=[exposure]) if exposure in tips else tips.iloc[0:0]
    rotted = table["rotted"].to_numpy(float) if len(table) else np.zeros(0)
    seen = rotted + (table["going_on"] + table["stopped"]).to_numpy(float) if len(table) else np.zeros(0)
    unknown = np.full(len(asked), np.nan)
    if rotted.sum() < 3 or table[exposure].nunique() < 2:
        return RotChance(asked, unknown, None, int(seen.sum()), _too_little_rot(round(float(rotted.sum()))))
    design = np.column_stack([np.ones(len(table)), table[exposure].to_numpy(float)])
    fit = firth_logistic(design, rotted, seen, pots=table["pot"].to_numpy())
    chance = expit(np.column_stack([np.ones(len(asked)), asked]) @ fit.coefficients)
    rises = True if fit.low[1] > 0 else False if fit.high[1] < 0 else None
    says = {
        True: "Tips rot more where the medium was wetter.",
        False: "Tips rotted more where the medium was drier: look for another cause than wetness.",
        None: "The notes do not say yet whether wetness rots tips here.",
    }[rises]
    return RotChance(asked, chance, rises, int(seen.sum()), says)


def stopped_chance(depth_mm: npt.ArrayLike, rooting_mm: npt.ArrayLike, slope_per_mm: float = _SLOPE) -> FloatArray:
    """Chance that a tip stops at a dry depth, for a rooting depth; broadcast. The slope is assumed until fitted."""
    result: FloatArray = expit(slope_per_mm * (np.asarray(depth_mm, float) - np.asarray(rooting_mm, float)))
    return result


def _too_little_rot(tips: int) -> str:
    if tips == 0:
        return "No rotted tip is noted yet."
    if tips < 3:
        return f"Only {tips} rotted tip{' is' if tips == 1 else 's are'} noted: too few to set against wetness."
    return "All looks were made at one wetness: whether it rots tips cannot be told."


def _log_likelihoods(
    table: pd.DataFrame, noted: Sequence[tuple[str, str]], exposure: str
) -> tuple[dict[tuple[str, str], FloatArray], float, float]:
    """Profile log-likelihood (g,) of each noted group's depth; the common slope a mm and the spread of pots in mm."""
    code = {group: i for i, group in enumerate(noted)}
    which = np.array([code[g] for g in zip(table["roots"], table["likes"], strict=True)])
    depth = (table[exposure].to_numpy(float) - _CENTRE_MM) / _SCALE_MM
    design = np.column_stack([np.eye(len(noted))[which], depth])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return {}, _SLOPE, _BETWEEN_POTS_MM  # one depth in each group: none can say where the odds turn
    going, stopped = table["going_on"].to_numpy(float), table["stopped"].to_numpy(float)
    pots = table["pot"].to_numpy() if len(set(table["pot"])) > 1 else None
    fit = firth_logistic(design, stopped, going + stopped, pots=pots, intervals=False)
    slope = float(fit.coefficients[-1]) / _SCALE_MM
    # a slope from few notes may be anything: outside what roots could do, the assumed one stands
    usable = 0.1 <= slope <= 1.0
    between = float(np.clip(fit.pot_spread / slope, 2.5, 6.0)) if usable and pots is not None else _BETWEEN_POTS_MM
    profiles = {group: _profile_on_grid(fit, i) for group, i in code.items()}
    return profiles, slope if usable else _SLOPE, between


def _profile_on_grid(fit: FirthFit, group: int) -> FloatArray:
    """The profile from fifteen fits: its signed root is nearly straight in the depth, so that is what is drawn out."""
    b = fit.coefficients
    peak = _CENTRE_MM - _SCALE_MM * b[group] / b[-1] if b[-1] > 0 else np.inf
    points = np.unique(np.r_[_COARSE_MM, peak if _GRID_MM[0] < peak < _GRID_MM[-1] else []])
    columns = np.eye(len(b))
    coarse = crossing_likelihood(fit, columns[group], columns[-1], (points - _CENTRE_MM) / _SCALE_MM)
    side = np.sign(points - points[coarse.argmax()])
    root = np.interp(_GRID_MM, points, side * np.sqrt(-2 * np.maximum(coarse, _NO_CHANCE)))
    log_likelihood: FloatArray = -0.5 * root**2
    return log_likelihood


def _answer(
    group: tuple[str, str],
    table: pd.DataFrame,
    own: FloatArray | None,
    others: Sequence[FloatArray],
    slope: float,
    between: float,
) -> RootingDepth:
    mean, variance = _from_others(others)
    log_density = -0.5 * (_GRID_MM - mean) ** 2 / variance
    mine = table[(table["roots"] == group[0]) & (table["likes"] == group[1])] if len(table) else table
    looks, pots = len(mine), mine["pot"].nunique() if len(mine) else 0
    tips = int(mine[["going_on", "stopped"]].to_numpy().sum()) if looks else 0
    prior_sd = np.sqrt(variance)
    if own is not None:
        log_density = log_density + own
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    low, value, high = _quantile(_GRID_MM, density, np.array([0.05, 0.5, 0.95]))
    sd = float(np.sqrt(density @ (_GRID_MM - density @ _GRID_MM) ** 2))
    if own is not None and sd < 0.8 * prior_sd:
        rests_on = "measured"
    elif prior_sd < 0.95 * np.hypot(PRIOR_SD_MM, _BETWEEN_GROUPS_MM):
        rests_on = "borrowed"
    else:
        rests_on = "guessed"
    stopped = int(mine["stopped"].sum()) if looks else 0
    says = _sentence(rests_on, value, low, high, (tips, stopped), looks, pots)
    return RootingDepth(*group, value, low, high, rests_on, tips, looks, pots, says, _GRID_MM, density, slope, between)


def _from_others(others: Sequence[FloatArray]) -> tuple[float, float]:
    """Mean and variance of a group's depth before its own notes: 20 +- 5 mm for the centre, joined by other groups."""
    precision, pull = 1 / PRIOR_SD_MM**2, PRIOR_MM / PRIOR_SD_MM**2
    for log_likelihood in others:
        weight = np.exp(log_likelihood)
        weight /= weight.sum()
        centre = float(weight @ _GRID_MM)
        spread = float(weight @ (_GRID_MM - centre) ** 2)
        if spread < 12.0**2:  # a profile this wide is flat: it says nothing, and its mean is the grid's
            precision += 1 / (spread + _BETWEEN_GROUPS_MM**2)
            pull += centre / (spread + _BETWEEN_GROUPS_MM**2)
    return pull / precision, 1 / precision + _BETWEEN_GROUPS_MM**2


def _quantile(grid: FloatArray, density: FloatArray, at: FloatArray) -> FloatArray:
    cumulative = np.cumsum(density) - 0.5 * density
    return np.interp(at, cumulative / density.sum(), grid)


def _sentence(
    rests_on: str, value: float, low: float, high: float, counted: tuple[int, int], looks: int, pots: int
) -> str:
    """counted: tips, and those of them that had stopped."""
    depth = f"{quantity(value, 'mm')}, could be {span(low, high, 'mm')}"
    tips, stopped = counted
    if rests_on == "measured":
        seen = f"{tips} tips, {looks} look{'s' if looks != 1 else ''}, {pots} pot{'s' if pots != 1 else ''}"
        if stopped == tips:
            return f"Every tip seen had stopped: new tips get through less than they met, perhaps {depth} ({seen})."
        return f"New tips get through a dry layer of up to {depth} ({seen})."
    if rests_on == "borrowed":
        return f"Rooting depth borrowed from other plants here: {depth}."
    return f"Rooting depth guessed: {depth}; {_why_guessed(tips, stopped)}."


def _why_guessed(tips: int, stopped: int) -> str:
    if tips == 0:
        return "no tip has been noted in the medium"
    if stopped == tips:
        return "every tip seen had stopped, so where they begin to is not known"
    return f"{tips} tip{' does' if tips == 1 else 's do'} not say yet where they stop"
