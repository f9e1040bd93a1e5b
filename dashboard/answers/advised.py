"""What the guide is handed: the last four weeks of every pot, its options' surroundings, and what is wrong already.

Owns the gathering for `analysis.guide` and `analysis.looks`: daily air and level, the days of rounds, the moister shelf
to which a pot could go, pots that are drier than anything explains, and what a column test of each mix would show.
"""

from typing import Any

import numpy as np

from analysis.calibration import Draws
from analysis.dry_layer import steady
from analysis.guide import Home as Advised
from analysis.held_series import FloatArray
from analysis.known_mean import known_mean
from analysis.setups import column_parameters
from dashboard.answers.exposures import labels_of, looks_of, rooting_draws_mm, rooting_of
from dashboard.answers.pots import DRINKS_LESS
from dashboard.answers.situation import Situation
from dashboard.answers.two_spells import daily
from dashboard.answers.use_ahead import STEPS_A_DAY, USUAL_C
from ingest.readings import DAY_MS

DAYS = 28
MOISTER_BY = 0.8
"""A shelf is worth moving to when its air is at most this share as dry."""
LOOKED_WITHIN_DAYS = 28
UNEXPLAINED_MM = 3.0
TUBE_MM, TUBE_WATER_MM, TUBE_VPD_KPA = 300.0, 20.0, 0.9


def advised_home(situation: Situation, draws: int) -> Advised:
    """All standing pots with what they went through of late, for `analysis.guide.advise`."""
    course, standing = situation.course, situation.standing
    pots = standing.pots
    days = min(DAYS, course.end_ms.size // STEPS_A_DAY)
    last = course.end_ms.size
    first = last - days * STEPS_A_DAY
    level = np.stack([water.level_mm for water in situation.waters], axis=1)

    def by_day(series: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        return np.stack([daily(series[:, place], first, last) for place in range(len(pots))], axis=1)

    rounds = np.zeros(days, dtype=np.bool_)
    for water in situation.waters:
        ago = (course.end_ms[-1] - water.notes.time_ms[water.notes.pours]) // DAY_MS
        rounds[days - 1 - ago[(ago >= 0) & (ago < days)]] = True
    vpd = by_day(course.vpd_kpa)
    moister = _moister_shelves(situation, vpd)
    of_shelf = {pot.shelf: place for place, pot in enumerate(pots)}
    unknown = np.full(days, np.nan)
    return Advised(
        labels=tuple(pot.label for pot in pots),
        setups=[pot.setup for pot in pots],
        shelves=[standing.shelves.get(pot.shelf, {}) for pot in pots],
        pots=[pot.about for pot in pots],
        vpd_kpa=vpd,
        temperature_c=np.where(np.isfinite(by_day(course.temperature_c)), by_day(course.temperature_c), USUAL_C),
        level_mm=by_day(level),
        rooting_mm=rooting_draws_mm(situation, draws),
        round_days=rounds,
        moister=moister,
        moister_vpd_kpa=np.stack([vpd[:, of_shelf[to]] if to else unknown for to in moister], axis=1),
        moister_shelves=[standing.shelves.get(to, {}) if to else None for to in moister],
    )


def _moister_shelves(situation: Situation, vpd_kpa: FloatArray) -> list[str | None]:
    """For every pot the next moister shelf with pots on it: of those clearly moister, the one least unlike its own."""
    pots = situation.standing.pots
    mean = known_mean(vpd_kpa)
    of_shelf = {pot.shelf: float(mean[place]) for place, pot in enumerate(pots) if np.isfinite(mean[place])}
    found: list[str | None] = []
    for place in range(len(pots)):
        moister = {shelf: kpa for shelf, kpa in of_shelf.items() if kpa <= MOISTER_BY * mean[place]}
        found.append(max(moister, key=lambda shelf: moister[shelf]) if moister else None)
    return found


def stalled_pots(situation: Situation) -> list[bool]:
    """Pots that are drier than set-up, air and water explain: their wick may have stalled.

    The last look of late found the line below half of the rooting depth, and either deeper than nine in ten draws, the
    look itself counted in, or no higher than believed in a measured pot that drinks far less than it should.
    """
    looks, place = looks_of(situation), labels_of(situation.standing.pots)
    recent = looks[
        looks["dry_layer_low_mm"].notna() & (looks["time_ms"] > situation.at_ms - LOOKED_WITHIN_DAYS * DAY_MS)
    ]
    last = recent.groupby("pot")[["time_ms", "dry_layer_low_mm"]].last()
    thirst = situation.thirst
    found = [False] * len(place)
    for pot, time_ms, low_mm in zip(last.index, last["time_ms"], last["dry_layer_low_mm"], strict=True):
        index = place[pot]
        step = min(int(np.searchsorted(situation.course.end_ms, time_ms)), situation.course.end_ms.size - 1)
        _, middle, deep = situation.whole_line_mm[:, step, index]
        sips = situation.waters[index].measured and thirst.high[index] < DRINKS_LESS
        matters = low_mm > 0.5 * rooting_of(situation).of(index).value_mm
        found[index] = bool(matters and (low_mm > deep + UNEXPLAINED_MM or (sips and low_mm >= middle)))
    return found


def column_tests_mm(situation: Situation, draws: Draws) -> dict[str, FloatArray]:
    """Damp height in a tube of each mix that stands here, as draws (draw,), by its name."""
    layers = {_mix_in_words(layer): layer for pot in situation.standing.pots for layer in pot.setup.get("layers") or []}
    layers.pop("", None)
    if not layers:
        return {}
    tubes = [
        {
            "surface_height_mm": TUBE_MM,
            "layers": [{**layer, "thickness_mm": TUBE_MM}],
            "wick": "none",
            "vents": "none",
        }
        for layer in layers.values()
    ]
    count = draws.stray.shape[0]
    packed = np.zeros((count, len(tubes), draws.own.shape[2]))
    # a tube is packed in its own way, as a pot is
    packed[..., 0] = np.random.default_rng(len(tubes)).standard_normal((count, len(tubes)))
    columns = column_parameters(tubes).changed(uptake_ml_per_day_at_1_kpa=0.0)
    shared = Draws(columns, draws.spread, draws.shared, packed, packed[..., 0], packed[0, :, 0], packed[0, :, 0])
    depth = steady(shared.under(columns), TUBE_VPD_KPA, USUAL_C, TUBE_WATER_MM).dry_depth_mm
    return {name: TUBE_MM - depth[:, place] for place, name in enumerate(layers)}


def _mix_in_words(layer: Any) -> str:
    mix = layer.get("mix")
    if not isinstance(mix, dict) or not mix:
        return ""
    parts = [f"{medium.replace('_', ' ')} {share}" for medium, share in mix.items()]
    return f"{', '.join(parts)} ({layer.get('grain', 'medium')} grain)"
