"""The dry layer as a function: signs, limits, orders that growers know, bad input, and time."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.columns import Columns
from analysis.dry_layer import balance, critical_vpd_kpa, drivers, steady, transient
from analysis.setups import column_parameters
from tests.analysis.columns_for_tests import DRY_FLOOR_MM, bare_columns, depth_mm


@st.composite
def any_pot(draw: st.DrawFn) -> Columns:
    """One pot with two layers, holes, plant, wick loss and cover anywhere in the believable range."""
    number = lambda low, high: draw(st.floats(low, high))  # noqa: E731
    height = number(60.0, 200.0)
    upper = number(5.0, 50.0)
    pot = bare_columns(
        surface_height_mm=height,
        column_mm=height,
        cover_mm=number(0.0, 40.0),
        vapour_enhancement=number(1.0, 3.5),
        boundary_s_per_m=number(200.0, 500.0),
        heat_film_s_per_m=number(60.0, 200.0),
        vent_count=float(draw(st.integers(0, 30))),
        vent_share=number(0.0, 1.0),
        vent_draught=number(1.0, 5.0),
        uptake_ml_per_day_at_1_kpa=number(0.0, 8.0),
        uptake_share=number(0.0, 1.0),
        wick_mm_per_ml_per_day=number(0.0, 1.0),
        absorbed_w_per_m2=number(0.0, 30.0),
    )
    return replace(
        pot,
        layer_thickness_mm=np.array([[upper], [height]]),
        layer_l1_mm=np.array([[number(20.0, 160.0)], [number(20.0, 160.0)]]),
        layer_exponent=np.array([[number(2.5, 9.0)], [number(2.5, 9.0)]]),
        layer_vapour_filled=np.array([[number(0.4, 0.8)], [number(0.4, 0.8)]]),
    )


vpds = st.floats(0.05, 3.5)
levels = st.floats(1.0, 50.0)
checked = settings(max_examples=60, deadline=None)


def _depth(pot: Columns, vpd_kpa: float, level_mm: float) -> float:
    return float(steady(pot, vpd_kpa, 22.0, level_mm).dry_depth_mm[0])


@checked
@given(any_pot(), vpds, levels)
def test_at_the_line_what_arrives_is_what_leaves(pot: Columns, vpd_kpa: float, level_mm: float) -> None:
    depth = steady(pot, vpd_kpa, 22.0, level_mm).dry_depth_mm
    ask = drivers(pot, vpd_kpa, 22.0, level_mm)
    here = balance(pot, ask, depth)
    if depth[0] == 0.0:
        assert here.net[0] <= 1e-9 * here.demand[0]
    elif depth[0] >= min(pot.column_mm[0], pot.surface_height_mm[0] - level_mm) * (1 - 2e-9):
        assert here.net[0] >= -1e-9
    else:
        # at the foot of a coarse layer supply is so steep that the last digit of the depth is all there is
        residual = abs(here.net[0]) / (here.demand[0] + ask.tax_mm_per_day[0])
        assert residual < 1e-12 or abs(here.net[0] / here.net_slope[0]) < 1e-11


@checked
@given(any_pot(), vpds, levels)
def test_in_one_layer_the_residual_is_below_a_part_in_a_million_million(
    pot: Columns, vpd_kpa: float, level_mm: float
) -> None:
    plain = replace(
        pot,
        layer_thickness_mm=pot.layer_thickness_mm[1:],
        layer_l1_mm=pot.layer_l1_mm[1:],
        layer_exponent=pot.layer_exponent[1:],
        layer_vapour_filled=pot.layer_vapour_filled[1:],
    )
    depth = steady(plain, vpd_kpa, 22.0, level_mm).dry_depth_mm
    ask = drivers(plain, vpd_kpa, 22.0, level_mm)
    here = balance(plain, ask, depth)
    if 0.0 < depth[0] < (pot.surface_height_mm[0] - level_mm) * (1 - 2e-9):
        assert abs(here.net[0]) / (here.demand[0] + ask.tax_mm_per_day[0]) < 1e-12


@checked
@given(any_pot(), vpds, levels, st.floats(1.01, 3.0))
def test_drier_air_never_raises_the_line(pot: Columns, vpd_kpa: float, level_mm: float, factor: float) -> None:
    assert _depth(pot, vpd_kpa * factor, level_mm) >= _depth(pot, vpd_kpa, level_mm) - 1e-9


@checked
@given(any_pot(), vpds, levels, st.floats(0.5, 30.0))
def test_a_fuller_reservoir_never_sinks_the_line(pot: Columns, vpd_kpa: float, level_mm: float, more: float) -> None:
    assert _depth(pot, vpd_kpa, level_mm + more) <= _depth(pot, vpd_kpa, level_mm) + 1e-9


@checked
@given(any_pot(), vpds, levels, st.floats(1.0, 40.0))
def test_more_pebbles_never_sink_the_line(pot: Columns, vpd_kpa: float, level_mm: float, more: float) -> None:
    deeper = pot.changed(cover_mm=pot.cover_mm + more)
    assert _depth(deeper, vpd_kpa, level_mm) <= _depth(pot, vpd_kpa, level_mm) + 1e-9


@checked
@given(any_pot(), vpds, levels, st.integers(1, 20))
def test_more_holes_never_raise_the_line(pot: Columns, vpd_kpa: float, level_mm: float, more: int) -> None:
    opened = pot.changed(vent_count=pot.vent_count + more)
    assert _depth(opened, vpd_kpa, level_mm) >= _depth(pot, vpd_kpa, level_mm) - 1e-9


@checked
@given(any_pot(), levels, st.floats(2.0, 40.0))
def test_the_critical_dryness_puts_the_line_where_it_was_asked(pot: Columns, level_mm: float, depth: float) -> None:
    critical = float(critical_vpd_kpa(pot, depth, 22.0, level_mm)[0])
    if not 0.02 < critical < 20.0:
        return
    # where a coarse layer begins the supply bends: just drier and just moister air must bracket the depth
    assert _depth(pot, critical * 1.001, level_mm) >= depth - 1e-6
    assert _depth(pot, critical * 0.999, level_mm) <= depth + 1e-6


@checked
@given(any_pot(), vpds, levels, st.floats(0.0, 60.0), st.floats(0.5, 500.0))
def test_no_step_is_too_long_for_the_moving_line(
    pot: Columns, vpd_kpa: float, level_mm: float, start: float, step_hours: float
) -> None:
    steps = 6
    path = transient(
        pot,
        np.full((steps, 1), vpd_kpa),
        np.full((steps, 1), 22.0),
        np.full((steps, 1), level_mm),
        initial_mm=start,
        step_hours=step_hours,
    )[:, 0]
    rest = _depth(pot, vpd_kpa, level_mm)
    off = np.abs(np.concatenate([[min(start, pot.column_mm[0])], path]) - rest)
    assert np.all(np.diff(off) <= 0.02)  # Newton stops at a fiftieth of a mm where a coarse layer begins
    assert np.all((path >= 0.0) & (path <= pot.column_mm[0] + 1e-9))


@pytest.mark.parametrize("vpd_kpa", [0.0, -0.3])
def test_air_that_does_not_pull_leaves_the_surface_moist(vpd_kpa: float) -> None:
    found = steady(bare_columns(vent_count=12.0, absorbed_w_per_m2=20.0), vpd_kpa, 22.0, DRY_FLOOR_MM)
    assert found.dry_depth_mm[0] == 0.0
    assert found.loss_ml_per_day[0] == 0.0


def test_water_above_the_surface_leaves_nothing_dry() -> None:
    assert steady(bare_columns(), 1.5, 22.0, 120.0).dry_depth_mm[0] == 0.0
    assert critical_vpd_kpa(bare_columns(), 20.0, 22.0, 120.0)[0] == np.inf


def test_an_unknown_reading_gives_no_number() -> None:
    found = steady(bare_columns(pots=3), np.array([1.0, np.nan, 1.0]), 22.0, np.array([10.0, 10.0, np.nan]))
    assert np.isfinite(found.dry_depth_mm).tolist() == [True, False, False]
    assert np.isfinite(found.loss_ml_per_day).tolist() == [True, False, False]


def test_an_unknown_hour_leaves_the_moving_line_where_it_is() -> None:
    vpd = np.full((4, 1), 1.5)
    vpd[1:3] = np.nan
    path = transient(bare_columns(), vpd, np.full((4, 1), 22.0), np.full((4, 1), 10.0), initial_mm=5.0)[:, 0]
    assert path[0] == path[1] == path[2] < path[3]


def test_an_empty_reservoir_dries_the_column_no_faster_than_its_losses_allow() -> None:
    days = 90
    dry = np.zeros((days * 24, 1))
    pot = bare_columns(column_mm=100.0, storage=0.1)
    path = transient(pot, dry + 1.2, dry + 22.0, dry, initial_mm=10.0)[:, 0]
    fed = transient(pot, dry + 1.2, dry + 22.0, dry + 1.0, initial_mm=10.0)[:, 0]
    assert np.all(np.diff(path) >= 0.0)
    assert np.all(path >= fed - 1e-9)
    # counted by hand: at most, storage times depth is what left through the top since the start, with no supply at all
    resistance = 350 + 100 * 2.3866 + 1e-3 * path / (1.5 * 0.66 * 0.5 * 2.506e-5)
    lost = np.cumsum(86400 * 7.3411e-3 * 1.2 / resistance / 24.0)
    assert np.all(path <= 10.0 + lost / 0.1 + 0.1)
    assert path[240] > 0.8 * (10.0 + lost[240] / 0.1)
    assert path[-1] == pytest.approx(100.0)
    assert steady(pot, 1.2, 22.0, 0.0).dry_depth_mm[0] == 100.0


def test_a_refill_ends_the_drought_of_an_empty_pot() -> None:
    hours = 24 * 40
    level = np.where(np.arange(hours) < 24 * 8, 0.0, 40.0)[:, None]
    pot = bare_columns(column_mm=100.0, surface_height_mm=120.0)
    path = transient(pot, np.full((hours, 1), 1.2), np.full((hours, 1), 22.0), level, initial_mm=20.0)[:, 0]
    turn = 24 * 8
    assert path[turn - 1] > 40.0
    assert path[turn + 24] < path[turn - 1] - 5.0
    assert path[-1] == pytest.approx(float(steady(pot, 1.2, 22.0, 40.0).dry_depth_mm[0]), abs=0.5)


def test_water_below_a_pot_without_a_wick_does_not_feed_it() -> None:
    setup = {
        "pot": {"top_diameter_mm": 120, "height_mm": 100},
        "surface_height_mm": 140,
        "layers": [{"thickness_mm": 110, "mix": "expanded_clay"}],
    }
    fed, dry = (column_parameters([{**setup, "wick": wick}]) for wick in ("one", "none"))
    assert steady(fed, 1.0, 22.0, 20.0).dry_depth_mm[0] < 100.0
    assert steady(dry, 1.0, 22.0, 20.0).dry_depth_mm[0] == 110.0
    assert steady(dry, 1.0, 22.0, 40.0).dry_depth_mm[0] < 100.0


def test_the_moving_line_comes_to_rest_where_the_steady_one_is() -> None:
    pots = bare_columns(pots=3, vent_count=np.array([0.0, 12.0, 20.0]), cover_mm=np.array([0.0, 0.0, 20.0]))
    hours = 24 * 120
    path = transient(
        pots, np.full((hours, 1), 1.2), np.full((hours, 1), 22.0), np.full((hours, 1), 20.0), initial_mm=0.0
    )
    assert path[-1] == pytest.approx(steady(pots, 1.2, 22.0, 20.0).dry_depth_mm, abs=0.01)


@pytest.mark.parametrize(("storage", "days"), [(0.05, 3.5), (0.1, 7.0), (0.2, 14.0)])
def test_a_30_mm_layer_takes_as_long_to_form_as_the_notes_say(storage: float, days: float) -> None:
    """Science notes 9.4: 90 % of a 30 mm layer in about 3.5, 7, 14 days by storage ("about": 15 %)."""
    pot = bare_columns(storage=storage)
    hours = 24 * 60
    path = transient(
        pot, np.full((hours, 1), 1.8), np.full((hours, 1), 22.0), np.full((hours, 1), DRY_FLOOR_MM), initial_mm=0.0
    )[:, 0]
    assert np.argmax(path > 0.9 * depth_mm(pot, 1.8)) / 24.0 == pytest.approx(days, rel=0.15)


def test_steps_of_one_and_of_six_hours_tell_the_same() -> None:
    hours = np.arange(24 * 60)
    vpd = (1.0 + 0.4 * np.sin(hours / 24 * 2 * np.pi) + 0.3 * np.sin(hours / 400))[:, None]
    level = (45.0 - 30.0 * (hours % 240) / 240)[:, None]
    warm = np.full((len(hours), 1), 22.0)
    fine = transient(bare_columns(surface_height_mm=130.0), vpd, warm, level)
    by_six = [values.reshape(240, 6, 1).mean(axis=1) for values in (vpd, warm, level)]
    coarse = transient(bare_columns(surface_height_mm=130.0), *by_six, step_hours=6.0)
    assert coarse[28:] == pytest.approx(fine[5::6][28:], abs=0.6)


def test_draws_and_pots_are_computed_as_if_each_stood_alone() -> None:
    scale = np.array([[0.8], [1.0], [1.3]])
    one = bare_columns(pots=2, surface_height_mm=np.array([100.0, 120.0]), vent_count=8.0)
    many = replace(one, layer_l1_mm=one.layer_l1_mm[:, None, :] * scale)
    vpd = np.array([0.7, 1.4])
    together = steady(many, vpd, 22.0, 10.0).dry_depth_mm
    assert together.shape == (3, 2)
    moving = transient(many, np.tile(vpd, (30, 1)), np.full((30, 1), 22.0), np.full((30, 2), 10.0), step_hours=24.0)
    assert moving.shape == (30, 3, 2)
    for draw in range(3):
        alone = replace(one, layer_l1_mm=one.layer_l1_mm * scale[draw])
        assert steady(alone, vpd, 22.0, 10.0).dry_depth_mm == pytest.approx(together[draw], rel=1e-12)
        path = transient(alone, np.tile(vpd, (30, 1)), np.full((30, 1), 22.0), np.full((30, 2), 10.0), step_hours=24.0)
        assert path == pytest.approx(moving[:, draw], abs=1e-6)


# what growers know, which the balance must say by itself; common practice, no source


def test_holes_dry_a_pot_in_dry_air_and_hardly_matter_in_humid_air() -> None:
    """Common practice, no source."""
    closed, open_ = bare_columns(), bare_columns(vent_count=20.0, vent_draught=1.3)
    in_dry = depth_mm(open_, 1.8) - depth_mm(closed, 1.8)
    in_humid = depth_mm(open_, 0.25) - depth_mm(closed, 0.25)
    assert in_dry > 3.0
    assert in_humid < 0.6 * in_dry
    assert in_humid < 3.0
    lost = [steady(pot, 1.8, 22.0, DRY_FLOOR_MM).loss_ml_per_day[0] for pot in (closed, open_)]
    assert lost[1] > 1.2 * lost[0]


def test_pebbles_shield_more_than_the_same_depth_of_lava() -> None:
    """Common practice, no source: lava rock on top may not be enough. Depths count from the clay's own surface."""
    setup = {
        "pot": {"size_cm": 12},
        "reservoir": {"fill_mark_mm": 50},
        "surface_height_mm": 140,
        "layers": [{"thickness_mm": 110, "mix": "expanded_clay"}],
    }
    covers = [{"kind": kind, "thickness_mm": 20} for kind in ("none", "pebbles", "lava_rock")]
    pots = column_parameters([{**setup, "top_layer": cover} for cover in covers])
    bare, pebbles, lava = steady(pots, 1.6, 22.0, 40.0).dry_depth_mm - pots.porous_cover_mm
    assert pebbles < lava < bare


def test_a_more_retentive_mix_has_the_shallower_dry_layer() -> None:
    """Common practice, no source."""
    depths = [depth_mm(bare_columns(mix), 1.2) for mix in ("expanded_clay", "lava_rock", "porous_ceramic")]
    assert depths[0] > depths[1] > depths[2]


def test_a_reservoir_filled_with_clay_holds_less_water() -> None:
    """Common practice, no source."""
    setups = [{"reservoir": {"area_mm2": 9000, "fill_mark_mm": 50, "medium_fraction": f}} for f in (0.0, 1.0)]
    free, filled = column_parameters(setups).water_ml_per_mm
    assert filled < 0.7 * free


def test_a_pot_of_11_cm_outlasts_the_days_between_rounds() -> None:
    """Common practice, no source: a free reservoir in moderate air lasts longer than a busy grower's few days."""
    setup = {
        "pot": {"size_cm": 11},
        "reservoir": {"area_mm2": 8000, "height_mm": 60, "fill_mark_mm": 50},
        "surface_height_mm": 130,
        "layers": [{"thickness_mm": 95, "mix": {"expanded_clay": 0.5, "lava_rock": 0.5}}],
        "vents": "few",
    }
    pot = column_parameters([setup])
    use = steady(pot, 1.0, 21.0, 30.0).loss_ml_per_day[0]
    assert 5.0 < 50.0 * pot.water_ml_per_mm[0] / use < 120.0


def test_moistness_returns_sooner_after_a_flush_than_by_wicking() -> None:
    """Common practice, no source."""
    hours = 24 * 10
    pot = bare_columns(surface_height_mm=130.0)
    vpd, warm, full = np.full((hours, 1), 1.0), np.full((hours, 1), 22.0), np.full((hours, 1), 45.0)
    wicked = transient(pot, vpd, warm, full, initial_mm=60.0)[:, 0]
    flushed = transient(pot, vpd, warm, full, initial_mm=60.0, wetted=np.arange(hours)[:, None] == 0)[:, 0]
    assert flushed[0] == 0.0
    assert np.all(flushed <= wicked + 1e-9)
    assert wicked[24] > 25.0
