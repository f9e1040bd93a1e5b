"""Sensors: what they make of the truth is within what their kind says, and trouble shows as trouble."""

from dataclasses import replace

import numpy as np
import pytest

from simulated_feeds.events import DAY_MS, Event
from simulated_feeds.instruments import KINDS, level_at, mass_at, observe, troubled
from simulated_feeds.truth import Truth, simulate
from simulated_feeds.zoo import zoo

START_MS = 1_760_000_400_000


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulate(zoo(5, 6), seed=5, start_ms=START_MS, days=30)


def test_a_fine_level_sensor_errs_by_its_noise_about_a_slow_drift(truth: Truth) -> None:
    series = observe(truth, "pot 1", KINDS["fine"], seed=1)
    error = series.value - level_at(truth, 0, series.time_ms)
    assert np.diff(error).std() / np.sqrt(2.0) == pytest.approx(0.3, abs=0.03)
    assert abs(error.mean()) < 2.0
    assert len(series.value) > 0.9 * 30 * 96
    np.testing.assert_allclose(series.value * 10.0, np.round(series.value * 10.0), atol=1e-6)


def test_a_coarse_level_sensor_sends_whole_millimetres_on_change_and_a_heartbeat(truth: Truth) -> None:
    steady = replace(KINDS["coarse"], loss=0.0, gaps_per_month=0.0)
    series = observe(truth, "pot 2", steady, seed=1)
    np.testing.assert_array_equal(series.value, np.round(series.value))
    silence = np.diff(series.time_ms)
    assert silence.max() <= (6 * 3600 + 3600 + 60) * 1000
    unchanged = np.diff(series.value) == 0.0
    assert (silence[unchanged] >= (6 * 3600 - 60) * 1000).all()
    assert 30 * 4 <= len(series.value) < 30 * 24


def test_a_refill_is_a_step_between_two_looks_and_not_a_slope(truth: Truth) -> None:
    row = int(np.argmax(truth.refills.ml))
    pot, moment = int(truth.refills.pot[row]), int(truth.refills.time_ms[row])
    around = level_at(truth, pot, np.array([moment, moment + 1000], dtype=np.int64))
    rise = truth.refills.level_after_mm[row] - truth.refills.level_before_mm[row]
    assert np.diff(around)[0] == pytest.approx(rise, abs=0.05)
    heavier = np.diff(mass_at(truth, pot, np.array([moment, moment + 1000], dtype=np.int64)))[0]
    assert heavier == pytest.approx(truth.refills.ml[row], abs=0.5)


def test_a_load_cell_sees_what_left_the_pot(truth: Truth) -> None:
    quiet = (truth.refills.time_ms[:, None] < START_MS).any(axis=1)
    assert not quiet.any()
    pot = 3
    first, last = START_MS + DAY_MS, START_MS + 29 * DAY_MS
    inside = (truth.time_ms > first) & (truth.time_ms <= last)
    poured = truth.refills.ml[(truth.refills.pot == pot) & (truth.refills.time_ms >= first)
                              & (truth.refills.time_ms < last)].sum()  # fmt: skip
    lost = -np.diff(mass_at(truth, pot, np.array([first, last], dtype=np.int64)))[0] + poured
    assert lost == pytest.approx(truth.use_ml[inside, pot].sum(), rel=1e-6)


def test_a_lifted_pot_reads_as_an_empty_pan(truth: Truth) -> None:
    pans = [observe(truth, pot, KINDS["load_cell"], seed=1).value for pot in truth.pots]
    lifted = [np.abs(values) < 25.0 for values in pans]
    assert sum(int(low.any()) for low in lifted) >= 3
    assert all(low.mean() < 0.02 for low in lifted)


def test_a_float_switch_is_on_while_the_level_is_below_it(truth: Truth) -> None:
    switch = replace(KINDS["float_switch"], height_mm=30.0, loss=0.0, gaps_per_month=0.0)
    series = observe(truth, "pot 1", switch, seed=1)
    np.testing.assert_array_equal(series.value, level_at(truth, 0, series.time_ms) < 30.0)
    assert set(series.value.tolist()) == {0.0, 1.0}


def test_values_of_one_node_share_their_moments(truth: Truth) -> None:
    warmth = observe(truth, "shelf 1", KINDS["air_temperature"], seed=1, node="a node")
    humidity = observe(truth, "shelf 1", KINDS["relative_humidity"], seed=1, node="a node")
    np.testing.assert_array_equal(warmth.time_ms, humidity.time_ms)
    assert np.corrcoef(np.diff(warmth.value), np.diff(humidity.value))[0, 1] < 0.5


def test_a_sleeper_delivers_in_batches_after_the_looks(truth: Truth) -> None:
    series = observe(truth, "shelf 2", replace(KINDS["air_temperature"], batch_s=3600.0), seed=1)
    assert (series.arrived_ms >= series.time_ms).all()
    assert (series.arrived_ms - series.time_ms).max() < 3_602_000
    assert len(np.unique(series.arrived_ms)) < len(series.time_ms) / 4


def test_a_span_looked_at_again_gives_the_same_looks(truth: Truth) -> None:
    whole = observe(truth, "pot 4", KINDS["fine"], seed=1)
    late = observe(truth, "pot 4", KINDS["fine"], seed=1, start_ms=START_MS + 20 * DAY_MS)
    again = whole.within(START_MS + 20 * DAY_MS, START_MS + 31 * DAY_MS)
    np.testing.assert_array_equal(again.time_ms, late.time_ms)
    np.testing.assert_allclose(again.value, late.value, atol=0.11)


def test_silences_happen_and_last_hours(truth: Truth) -> None:
    gappy = replace(KINDS["fine"], gaps_per_month=10.0, loss=0.0)
    series = observe(truth, "pot 5", gappy, seed=1)
    silence = np.diff(series.time_ms) / 3_600_000
    assert (silence > 2.9).sum() >= 2
    assert silence.max() < 32.0


def test_sensors_die_stick_and_fail_in_their_time_only(truth: Truth) -> None:
    series = observe(truth, "pot 1", KINDS["fine"], seed=1)
    at, until = START_MS + 10 * DAY_MS, START_MS + 12 * DAY_MS
    during = (series.time_ms >= at) & (series.time_ms < until)

    def after(kind: str) -> np.ndarray:
        return troubled(series, [Event("trouble", kind, at, until, sensor="mine")], "mine").value

    assert len(after("sensor_dies")) == int((~during).sum())
    assert len(np.unique(after("sensor_sticks")[during])) == 1
    assert np.isnan(after("sensor_fails")[during]).all()
    np.testing.assert_array_equal(after("sensor_sticks")[~during], series.value[~during])
    other = troubled(series, [Event("trouble", "sensor_dies", at, until, sensor="another")], "mine")
    np.testing.assert_array_equal(other.value, series.value)


def test_there_is_no_sensor_for_everything(truth: Truth) -> None:
    with pytest.raises(ValueError, match="no sensor for 'happiness'"):
        observe(truth, "pot 1", replace(KINDS["fine"], quantity="happiness"), seed=1)
