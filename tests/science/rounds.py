"""Do days of water come true, and do pots stay wet for a grower who follows the rounds?

Owns two trials in the simulator. In the first nobody refills for eight weeks, and the day on which each reservoir truly
ran dry is held against the p10 to p90 of days left, told on the first day. In the second an invented grower comes twice
a week, is told anew at each visit what to pour by what the sensors say that day, pours it, and every stretch between
two visits in which a pot was dry counts. Pots that the plan itself calls unable to wait are counted apart.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.expected_air import expected_vpd_kpa
from analysis.reservoir import Vessel, vessel_of, water_ml
from analysis.rounds import round_plan
from analysis.thirst import thirst
from analysis.water_ahead import unfilled, use_at_level_ml_per_day
from simulated_feeds.events import DAY_MS
from simulated_feeds.truth import Rounds, State, Truth, simulate
from simulated_feeds.zoo import zoo
from tests.science.collections_seen import (
    CELLS,
    LATELY_DAYS,
    LEVEL_ERROR_MM,
    START_MS,
    STEP_MINUTES,
    USE_ERROR,
    Collection,
    collection,
    measured_use,
    run,
)

FloatArray = npt.NDArray[np.float64]

TODAY = 75
AHEAD_DAYS = 28
VISIT_DAYS = (0, 3, 7, 10, 14, 17, 21, 24)
UNTIL_DRY_DAYS = 56
DRY_BELOW_MM = 1.5  # what the wick can no longer lift


@dataclass(frozen=True)
class Figures:
    """Share of pots whose true day of drying lay within p10 to p90, and the dry stretches among pot-visits."""

    told: int
    within: float
    pot_visits: int
    kept_wet: float
    poured: float
    cannot_wait: int


def figures(seeds: list[int], pots: int = 20) -> Figures:
    """Both trials over some worlds."""
    parts = [_world(seed, pots) for seed in seeds]
    told = np.concatenate([p[0] for p in parts])
    visits, dry, poured, late = (sum(int(p[1][i]) for p in parts) for i in range(4))
    return Figures(len(told), float(told.mean()), visits, 1 - dry / visits, poured / visits, late)


def report(worlds: int) -> str:
    """The table."""
    found = figures(list(range(1, worlds + 1)))
    return (
        "Rounds (aims: p10 to p90 of days left hold 75-90 %, no pot dry between visits in >= 98 % of pot-visits)\n"
        f"days left: {found.told} pots told, within p10 to p90 {found.within:.1%}\n"
        f"following the rounds: {found.pot_visits} pot-visits, kept wet {found.kept_wet:.1%}, "
        f"poured at {found.poured:.0%} of them; {found.cannot_wait} pots called unable to wait"
    )


def _world(seed: int, pots: int) -> tuple[npt.NDArray[np.bool_], tuple[int, int, int, int]]:
    world = zoo(seed, pots)
    truth = run(world, seed, TODAY)
    believed = collection(world, truth, seed, TODAY, draws=150)
    vessels = [vessel_of(setup["reservoir"]) for setup in believed.setups]  # type: ignore[arg-type]
    return _told(believed, vessels, seed), _followed(believed, vessels, seed)


def _told(believed: Collection, vessels: list[Vessel], seed: int) -> npt.NDArray[np.bool_]:
    """Whether each pot's true day of drying lay within what was told; pots that outlast the weeks are not counted."""
    count = len(vessels)
    nobody = Rounds(np.zeros(0, np.int64), np.zeros((0, count)))
    after = _carried_on(believed, believed.truth.end, START_MS + TODAY * DAY_MS, UNTIL_DRY_DAYS, nobody, seed)
    empty = after.level_mm < DRY_BELOW_MM
    dried = np.where(empty.any(0), empty.argmax(0) * STEP_MINUTES / 1440, np.inf)
    use = _use_ahead(believed, believed.daily.vpd_kpa, seed)
    daily, lately = believed.daily, slice(TODAY - LATELY_DAYS, TODAY)
    usual = [series[lately].mean(0) for series in (daily.vpd_kpa, daily.temperature_c, daily.level_mm)]
    course = unfilled(believed.columns, use, *usual, _levels(believed.truth.level_mm[-1], seed, use.shape[0]))
    p10, p90 = np.quantile(course.days_left, [0.1, 0.9], axis=0, method="inverted_cdf")
    known = np.isfinite(dried) & (dried > 0)
    return ((dried >= p10) & (dried <= p90))[known]


def _followed(believed: Collection, vessels: list[Vessel], seed: int) -> tuple[int, int, int, int]:
    """Pot-visits, stretches that were dry, pourings, and pots that the first plan called unable to wait."""
    count = len(vessels)
    state, vpd = believed.truth.end, believed.daily.vpd_kpa
    level = believed.truth.level_mm[-1]
    stretches = dry = poured = 0
    excused: set[int] = set()
    for number, day in enumerate(VISIT_DAYS):
        use = _use_ahead(believed, vpd, seed + number)
        left = _water(vessels, level, seed + number, use.shape[0])
        mark = np.repeat(
            np.array([[water_ml(v, v.fill_mark_mm) - water_ml(v, DRY_BELOW_MM) for v in vessels]], float).reshape(
                1, -1
            ),
            len(left),
            0,
        )
        ahead = np.array([d - day for d in (*VISIT_DAYS[number:], AHEAD_DAYS, AHEAD_DAYS + 3) if d >= day], float)
        plan = round_plan(left, mark, use, ahead)
        excused |= {late.pot for late in plan.cannot_wait}
        fill = np.zeros((1, count))
        fill[0, plan.visits[0].pots] = plan.visits[0].fill_ml
        start = START_MS + (TODAY + day) * DAY_MS
        until = VISIT_DAYS[number + 1] if number + 1 < len(VISIT_DAYS) else AHEAD_DAYS
        after = _carried_on(believed, state, start, until - day, Rounds(np.array([start], np.int64), fill), seed)
        fair = np.array([pot not in excused for pot in range(count)])
        was_dry = (after.level_mm[24:] < DRY_BELOW_MM).any(0)
        stretches, dry, poured = stretches + fair.sum(), dry + (was_dry & fair).sum(), poured + (fill > 0).sum()
        state, level = after.end, after.level_mm[-1]
        vpd = np.vstack([vpd, after.pot_vpd_kpa().reshape(until - day, -1, count).mean(1)])
    return int(stretches), int(dry), int(poured), len(excused)


def _carried_on(believed: Collection, state: State, start_ms: int, days: int, rounds: Rounds, seed: int) -> Truth:
    return simulate(
        believed.world,
        seed=seed,
        start_ms=start_ms,
        days=days,
        step_minutes=STEP_MINUTES,
        cells=CELLS,
        rounds=rounds,
        state=state,
    )


def _use_ahead(believed: Collection, vpd_kpa: FloatArray, seed: int) -> FloatArray:
    """Use of the days ahead as draws (draw, pot, day): thirst times the modelled loss in the air to be expected."""
    rng = np.random.default_rng([seed, 8])
    lately = slice(TODAY - LATELY_DAYS, TODAY)
    daily = believed.daily
    use = measured_use(daily, seed, lately)
    found = thirst(
        believed.columns,
        use,
        USE_ERROR * use,
        *(series[lately].mean(0) for series in (daily.vpd_kpa, daily.temperature_c, daily.level_mm)),
    )
    count = believed.draws.stray.shape[0]
    sd = np.log(found.high / found.low) / 3.29
    multiplier = found.multiplier * np.exp(sd * rng.standard_normal((count, len(use))))
    vpd = np.empty((UNTIL_DRY_DAYS, count, len(use)))
    shelves: dict[str, FloatArray] = {}
    for pot, setup in enumerate(believed.setups):
        shelf = str(setup["shelf"])
        if shelf not in shelves:
            shelves[shelf] = expected_vpd_kpa(vpd_kpa[:, pot], UNTIL_DRY_DAYS, count, rng).T
        vpd[:, :, pot] = shelves[shelf]
    return use_at_level_ml_per_day(
        believed.columns, multiplier, vpd, daily.temperature_c[lately].mean(0), daily.level_mm[lately].mean(0)
    )


def _levels(level_mm: FloatArray, seed: int, count: int) -> FloatArray:
    """Levels as the sensors tell them (draw, pot)."""
    rng = np.random.default_rng([seed, 9])
    told = level_mm + LEVEL_ERROR_MM * rng.standard_normal(len(level_mm))
    return np.maximum(told + LEVEL_ERROR_MM * rng.standard_normal((count, len(level_mm))), 0.0)


def _water(vessels: list[Vessel], level_mm: FloatArray, seed: int, count: int) -> FloatArray:
    """Water that the wicks can still lift (draw, pot)."""
    levels = _levels(level_mm, seed, count)
    usable = [water_ml(vessel, levels[:, i]) - water_ml(vessel, DRY_BELOW_MM) for i, vessel in enumerate(vessels)]
    return np.maximum(np.stack(usable, axis=1), 0.0)
