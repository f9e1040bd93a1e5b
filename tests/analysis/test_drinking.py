"""How early a pot that drinks less is noticed, and how often one is that does not: on simulated pots of known truth.

Half of the pots of two invented worlds lose their roots on one day, the others do not; each is asked on every day after
it as the answers ask, by weeks that a good sensor tells to 3 % (what sensors reach is tested with the water use).
Success on simulated pots is no evidence for real ones.
"""

import numpy as np
import pytest

from analysis.drinking import drinks_less_lately
from analysis.dry_layer import steady
from analysis.setups import column_parameters
from simulated_feeds.events import DAY_MS, Event, Scenario
from simulated_feeds.truth import simulate
from simulated_feeds.zoo import zoo

START_MS = 1_760_054_400_000
EVENT_DAY, DAYS, POTS = 40, 61, 20
WEEK_ERROR = 0.03
MATTERS = 0.20


def asked_every_day(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Whether each pot lost its roots, what that did to its use (share), and the first day on which it was raised."""
    world = zoo(seed, POTS, from_ms=START_MS)
    lost = np.arange(POTS) % 2 == 0
    events = tuple(
        Event(f"roots {pot.label}", "roots_lost", START_MS + EVENT_DAY * DAY_MS, pot=pot.label,
              values={"factor": 0.1, "over_days": 3})
        for pot in np.array(world.pots, dtype=object)[lost]
    )  # fmt: skip
    truth, without = (
        simulate(world, one, seed=seed, start_ms=START_MS, days=DAYS, step_minutes=60, cells=30)
        for one in (Scenario("roots", events), Scenario("quiet"))
    )
    shelves = {shelf.label: {"air": shelf.air, "heat": shelf.heat} for shelf in world.shelves}
    setups = [pot.setups[0] for pot in world.pots]
    columns = column_parameters(setups, [shelves[str(setup["shelf"])] for setup in setups], [{}] * POTS)

    def by_day(series: np.ndarray) -> np.ndarray:
        return series.reshape(DAYS, 24, POTS)

    use, vpd = by_day(truth.use_ml).sum(1), by_day(truth.pot_vpd_kpa()).mean(1)
    warm = by_day(np.take_along_axis(truth.climate.temperature_c, truth.shelf, axis=1)).mean(1)
    modelled = steady(columns, vpd, warm, 0.6 * truth.level_mm.max(axis=0)).loss_ml_per_day
    did = use[-10:].mean(0) / by_day(without.use_ml).sum(1)[-10:].mean(0) - 1.0
    raised = np.full(POTS, np.nan)
    rng = np.random.default_rng(seed)
    for pot in range(POTS):
        noise = 1.0 + WEEK_ERROR * rng.standard_normal(DAYS)
        for day in range(EVENT_DAY, DAYS):
            weeks = [slice(day - 7 * back - 7, day - 7 * back) for back in (3, 2, 1, 0)]
            told = np.array([use[week, pot].mean() * noise[week.start] for week in weeks])
            says = drinks_less_lately(
                told,
                WEEK_ERROR * told,
                [modelled[week, pot].mean() for week in weeks],
                [vpd[week, pot].mean() for week in weeks],
            )[1]
            if says:
                raised[pot] = day - EVENT_DAY
                break
    return lost, did, raised


def test_lost_roots_are_raised_within_ten_days_and_quiet_pots_are_left_alone() -> None:
    """Floors: of pots that lost a fifth of their use nine in ten are raised, half of them within ten days; of those
    that lost nothing at most one in twelve is in three weeks of asking every day."""
    found = [asked_every_day(seed) for seed in (71, 72)]
    lost, did, raised = (np.concatenate(parts) for parts in zip(*found, strict=True))
    matters = lost & (did <= -MATTERS)
    assert matters.sum() >= 6
    assert np.isfinite(raised[matters]).mean() >= 0.9
    assert np.nanmedian(raised[matters]) <= 10
    assert np.isfinite(raised[~lost]).mean() <= 1 / 12


def test_two_weeks_before_and_the_last_are_needed() -> None:
    nan = float("nan")
    assert drinks_less_lately([nan, nan, 30.0, 15.0], [1.0] * 4, [30.0] * 4, [1.0] * 4) == (0.0, "")
    assert drinks_less_lately([30.0, 30.0, 30.0, nan], [1.0] * 4, [30.0] * 4, [1.0] * 4) == (0.0, "")
    assert drinks_less_lately([], [], [], []) == (0.0, "")


def test_half_the_use_in_the_same_air_is_said_in_millilitres() -> None:
    chance, says = drinks_less_lately([30.0, 31.0, 29.0, 15.0], [1.0] * 4, [24.0] * 4, [1.0] * 4)
    assert chance > 0.95
    assert says.startswith("Drinks less than it should: 15\u00a0mL a day where 30\u00a0mL are expected.")


@pytest.mark.parametrize("week", [27.0, 30.0, 40.0])
def test_use_within_what_is_expected_is_no_alarm(week: float) -> None:
    assert drinks_less_lately([30.0, 31.0, 29.0, week], [1.0] * 4, [24.0] * 4, [1.0] * 4)[1] == ""


def test_moister_air_is_no_alarm() -> None:
    """Half the deficit, modelled to lessen use by a third: that is expected."""
    told = drinks_less_lately([30.0, 31.0, 29.0, 20.0], [1.0] * 4, [24.0, 24.0, 24.0, 16.0], [1.0, 1.0, 1.0, 0.5])
    assert told[1] == ""
