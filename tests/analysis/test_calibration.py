"""Learning from notes: gradients, the posterior against brute force, borrowing, words, and awkward notes."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from analysis import calibration
from analysis.calibration import DepthNotes, SharedSpread, calibrate, column_test_depth_mm, note_sd_mm
from analysis.columns import Columns
from analysis.dry_layer import steady, transient
from analysis.media import MEDIA
from analysis.setups import column_parameters

FloatArray = npt.NDArray[np.float64]

STEPS = 40
STEP_HOURS = 24.0


def pots_of(*mixes: object, **common: object) -> Columns:
    """Pots of these mixes, 12 cm, surface at 130 mm, no holes."""
    setup = {
        "pot": {"size_cm": 12},
        "reservoir": {"fill_mark_mm": 50},
        "surface_height_mm": 130,
        "vents": "none",
        **common,
    }
    return column_parameters([{**setup, "layers": [{"thickness_mm": 100, "mix": mix}]} for mix in mixes])


def notes_on(
    columns: Columns,
    pot: list[int],
    low: list[float],
    high: list[float],
    *,
    vpd_kpa: float | FloatArray = 1.0,
    level_mm: float | FloatArray = 25.0,
    how: str = "fingertip",
) -> DepthNotes:
    """Notes after forty days of steady air and level."""
    index = np.array(pot, dtype=np.int64)
    count = len(pot)
    return DepthNotes(
        columns=columns.taken(index),
        pot=index,
        low_mm=np.array(low),
        high_mm=np.array(high),
        how=(how,) * count,
        vpd_kpa=np.broadcast_to(vpd_kpa, (STEPS, count)).astype(np.float64),
        temperature_c=np.full((STEPS, count), 22.0),
        level_mm=np.broadcast_to(level_mm, (STEPS, count)).astype(np.float64),
        step_hours=STEP_HOURS,
    )


def depth_band_mm(
    posterior: calibration.Posterior, pot: int, vpd_kpa: float = 1.0, level_mm: float = 25.0
) -> tuple[float, float, float]:
    """5, 50 and 95 % of the resting depth of a pot."""
    draws = posterior.draws(np.random.default_rng(1), 600)
    depth = draws.depth_mm(steady(draws.columns, vpd_kpa, 22.0, level_mm).dry_depth_mm)
    low, middle, high = np.percentile(depth[:, pot], [5, 50, 95])
    return float(low), float(middle), float(high)


def rich_notes() -> tuple[Columns, DepthNotes]:
    """Layered and plain pots, holes, covers, moving air and level, every kind of note, and an emptied reservoir."""
    rng = np.random.default_rng(3)
    base = {
        "pot": {"size_cm": 12},
        "reservoir": {"fill_mark_mm": 50},
        "vents": {"count": 12, "diameter_mm": 8, "height_mm": 90},
    }
    layered = [
        {"thickness_mm": 40, "mix": "pumice"},
        {"thickness_mm": 60, "mix": {"expanded_clay": 0.5, "lava_rock": 0.5}},
    ]
    plain = [{"thickness_mm": 100, "mix": "expanded_clay"}]
    columns = column_parameters(
        [
            {**base, "surface_height_mm": 130, "layers": layered},
            {**base, "surface_height_mm": 120, "layers": plain, "top_layer": {"kind": "pebbles", "thickness_mm": 10}},
            {**base, "surface_height_mm": 140, "layers": plain},
        ]
    )
    pot = np.tile(np.arange(3), 4)
    count = len(pot)
    low = np.array([5.0, 0.0, 22.0] * 4)
    high = low + 9.0
    high[1] = 0.0
    high[5] = np.nan
    level = np.clip(40.0 - 0.9 * np.arange(STEPS)[:, None] + rng.uniform(-5, 5, count), 4.0, 50.0)
    level[-6:, 7] = 0.0
    notes = DepthNotes(
        columns=columns.taken(pot),
        pot=pot,
        low_mm=low,
        high_mm=high,
        how=("fingertip",) * count,
        vpd_kpa=np.abs(1.0 + 0.4 * rng.standard_normal((STEPS, count))),
        temperature_c=np.full((STEPS, count), 22.0),
        level_mm=level,
        step_hours=STEP_HOURS,
    )
    return columns, notes


def test_gradients_are_those_of_finite_differences() -> None:
    """Of the whole objective in every parameter, through rest, time, layers, holes, cover and an emptied reservoir."""
    columns, notes = rich_notes()
    fit = calibration.Fit(columns, notes, SharedSpread())
    rng = np.random.default_rng(4)
    at = fit.mode + 0.3 * rng.standard_normal(fit.mode.shape)
    gradient = fit.objective(at)[1]
    step = 1e-4
    for index in range(len(at)):
        up, down = at.copy(), at.copy()
        up[index] += step
        down[index] -= step
        slope = (fit.objective(up)[0] - fit.objective(down)[0]) / (2.0 * step)
        assert gradient[index] == pytest.approx(slope, rel=0.01, abs=0.01), fit.name_of(index)


def test_the_mode_is_a_mode() -> None:
    columns, notes = rich_notes()
    fit = calibration.Fit(columns, notes, SharedSpread())
    here = fit.objective(fit.mode)[0]
    rng = np.random.default_rng(5)
    for _ in range(30):
        assert fit.objective(fit.mode + 0.05 * rng.standard_normal(fit.mode.shape))[0] > here - 0.05


def _alone(columns: Columns) -> tuple[Columns, SharedSpread]:
    """Everything known but the pot's height and the exponent of its medium: two numbers that a grid can integrate."""
    tiny = np.full(columns.pots, 1e-6)
    known = columns.changed(
        uptake_log_sd=tiny,
        vent_log_sd=tiny,
        wick_log_sd=tiny,
        surface_sd_mm=tiny,
        vapour_pot_log_sd=tiny,
        held_log_sd=tiny,
    )
    return known, SharedSpread(vapour_enhancement=1e-6, storage=1e-6, uptake_share=1e-6, medium_l1=1e-6)


@pytest.mark.parametrize(
    ("low", "high"),
    [([14.0, 12.0, 26.0, 24.0], [22.0, 20.0, 34.0, 32.0]), ([4.0, 6.0, 14.0, 12.0], [12.0, 14.0, 22.0, 20.0])],
)
def test_the_posterior_agrees_with_brute_force(low: list[float], high: list[float]) -> None:
    """Two unknowns, four notes in two climates: mean and sd of the Laplace draws against a sum over a fine grid.

    Tolerance: a quarter of the sd for means and 12 % for sds; the posterior is a little skew, which Laplace cannot be.
    """
    columns, spread = _alone(pots_of("expanded_clay"))
    vpd = np.array([0.6, 0.6, 1.8, 1.8])
    notes = notes_on(columns, [0, 0, 0, 0], low, high, vpd_kpa=vpd)
    axis = np.linspace(-4.0, 4.0, 81)
    height, exponent = (values.ravel() for values in np.meshgrid(axis, axis, indexing="ij"))
    grid = replace(
        columns,
        layer_thickness_mm=np.broadcast_to(columns.layer_thickness_mm[:, None], (1, len(height), 1)),
        layer_vapour_filled=np.broadcast_to(columns.layer_vapour_filled[:, None], (1, len(height), 1)),
        layer_l1_mm=columns.layer_l1_mm[:, None] * np.exp(columns.pot_log_sd * height[:, None]),
        layer_exponent=columns.layer_exponent[:, None]
        * np.exp(MEDIA["expanded_clay"].exponent_log_sd * exponent[:, None]),
    )
    depths = np.stack(
        [
            transient(
                grid, np.full((STEPS, 1), v), np.full((STEPS, 1), 22.0), np.full((STEPS, 1), 25.0), step_hours=24.0
            )[-1, :, 0]
            for v in vpd
        ]
    )
    sd = note_sd_mm(notes)[:, None]
    off = (depths - 0.5 * (notes.low_mm + notes.high_mm)[:, None]) / sd
    log_weight = -0.5 * (calibration.TAIL + 1.0) * np.log1p(off**2 / calibration.TAIL).sum(axis=0)
    log_weight -= 0.5 * (height**2 + exponent**2)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    brute = np.stack([height, exponent])
    mean = (weight * brute).sum(axis=1)
    deviation = np.sqrt((weight * (brute - mean[:, None]) ** 2).sum(axis=1))

    draws = calibrate(columns, notes, spread).draws(np.random.default_rng(2), 20_000)
    place = len(columns.media) + columns.media.index("expanded_clay")
    laplace = np.stack([draws.own[:, 0, 0], draws.shared[:, place]])
    assert laplace.std(axis=1) == pytest.approx(deviation, rel=0.12)
    assert np.all(np.abs(laplace.mean(axis=1) - mean) < 0.25 * deviation)
    correlation = (weight * np.prod(brute - mean[:, None], axis=0)).sum() / np.prod(deviation)
    assert np.corrcoef(laplace)[0, 1] == pytest.approx(correlation, abs=0.08)


def test_without_notes_the_posterior_is_the_prior() -> None:
    columns = pots_of("expanded_clay", "lava_rock")
    posterior = calibrate(columns)
    assert posterior.rests_on == ("guessed", "guessed")
    assert posterior.shows_mm.tolist() == [False, False]
    assert posterior.informed == ("no note has informed any constant yet",)
    height = np.log(posterior.draws(np.random.default_rng(0), 4000).columns.layer_l1_mm[0])
    expected = np.hypot(columns.pot_log_sd[0], MEDIA["expanded_clay"].l1_log_sd)
    assert height[:, 0].std() == pytest.approx(expected, rel=0.05)
    assert np.exp(height[:, 0].mean()) == pytest.approx(55.0, rel=0.03)


def test_notes_move_a_pot_to_where_it_was_seen_and_narrow_its_band() -> None:
    columns = pots_of("expanded_clay")
    before = depth_band_mm(calibrate(columns), 0)
    after = depth_band_mm(calibrate(columns, notes_on(columns, [0] * 6, [28.0] * 6, [36.0] * 6)), 0)
    assert after[1] == pytest.approx(32.0, abs=1.5)
    assert after[2] - after[0] < 0.4 * (before[2] - before[0])


def test_moist_at_the_top_only_bounds_the_depth() -> None:
    columns = pots_of("expanded_clay")
    low, _, high = depth_band_mm(calibrate(columns, notes_on(columns, [0] * 6, [0.0] * 6, [0.0] * 6)), 0)
    assert low == 0.0
    assert high < 8.0


def test_deeper_than_seen_only_bounds_the_depth_the_other_way() -> None:
    columns = pots_of("lava_rock")
    before = depth_band_mm(calibrate(columns), 0)
    after = depth_band_mm(calibrate(columns, notes_on(columns, [0] * 4, [25.0] * 4, [np.nan] * 4, how="deeper")), 0)
    assert after[0] > 18.0
    assert after[2] > 25.0
    assert after[1] > before[1]


def test_a_pot_without_notes_borrows_from_pots_of_its_medium() -> None:
    columns = pots_of(*["expanded_clay"] * 7, "perlite")
    notes = notes_on(columns, sorted([0, 1, 2, 3, 4, 5] * 4), [34.0] * 24, [42.0] * 24)
    posterior = calibrate(columns, notes)
    assert posterior.rests_on == ("measured",) * 6 + ("borrowed", "guessed")
    prior = calibrate(columns)
    assert depth_band_mm(posterior, 6)[1] > depth_band_mm(prior, 6)[1] + 3.0
    assert depth_band_mm(posterior, 7)[1] == pytest.approx(depth_band_mm(prior, 7)[1], abs=1.5)
    # a borrowed pot is surer than a guessed one, and less sure than one that was looked at
    widths = [depth_band_mm(posterior, pot)[2] - depth_band_mm(posterior, pot)[0] for pot in (0, 6)]
    assert widths[0] < widths[1] < depth_band_mm(prior, 6)[2] - depth_band_mm(prior, 6)[0]
    assert any("expanded clay is informed" in sentence for sentence in posterior.informed)


def test_a_column_test_informs_the_mix_in_every_pot() -> None:
    columns = pots_of("pumice", "pumice", "expanded_clay")
    tube = column_parameters(
        [{"pot": {"size_cm": 6, "height_mm": 150}, "reservoir": {"fill_mark_mm": 20}, "surface_height_mm": 150,
          "layers": [{"thickness_mm": 150, "mix": "pumice"}], "vents": "none"}] * 3
    )  # fmt: skip
    tube = tube.changed(uptake_ml_per_day_at_1_kpa=0.001, wick_mm_per_ml_per_day=0.001)
    depth = column_test_depth_mm(150.0, np.array([60.0, 62.0, 58.0]))
    assert depth.tolist() == [90.0, 88.0, 92.0]
    notes = DepthNotes(
        tube, np.array([-1, -2, -3]), depth - 3.0, depth + 3.0, ("column_test",) * 3,
        np.full((STEPS, 3), 1.0), np.full((STEPS, 3), 22.0), np.full((STEPS, 3), 20.0), STEP_HOURS,
    )  # fmt: skip
    posterior = calibrate(columns, notes)
    heights = posterior.centre().layer_l1_mm[0]
    assert heights[0] < 0.93 * columns.layer_l1_mm[0, 0]
    assert heights[0] == pytest.approx(heights[1], rel=1e-9)
    assert heights[2] == pytest.approx(columns.layer_l1_mm[0, 2], rel=1e-9)
    assert posterior.notes.tolist() == [0, 0, 0]


def test_notes_in_one_climate_leave_the_exponent_to_its_prior() -> None:
    columns = pots_of(*["expanded_clay"] * 4)
    one = calibrate(columns, notes_on(columns, sorted([0, 1, 2, 3] * 3), [20.0] * 12, [28.0] * 12))
    place = len(columns.media) + columns.media.index("expanded_clay")
    assert one.shared_sd[place] > 0.8
    assert any("the notes span too little air and level" in sentence for sentence in one.informed)


def test_when_climate_does_not_matter_it_is_said() -> None:
    """Notes that show the same depth in humid and dry air at one level, and follow the level: science notes 10.1."""
    columns = pots_of(*["expanded_clay"] * 6)
    vpd = np.tile([0.25, 2.4], 18)
    level = np.repeat(np.tile([10.0, 40.0], 9), 2).astype(float)
    pot = [i // 6 for i in range(36)]
    depth = 130.0 - level - 75.0
    notes = notes_on(columns, pot, (depth - 2.0).tolist(), (depth + 2.0).tolist(), vpd_kpa=vpd, level_mm=level)
    posterior = calibrate(columns, notes)
    assert any("climate hardly matters once the level is known" in sentence for sentence in posterior.informed)
    ordinary = notes_on(columns, pot, [20.0] * 36, [28.0] * 36)
    assert not any("hardly matters" in sentence for sentence in calibrate(columns, ordinary).informed)


def test_bands_widen_away_from_the_noted_conditions() -> None:
    columns = pots_of("expanded_clay")
    posterior = calibrate(columns, notes_on(columns, [0] * 6, [18.0] * 6, [26.0] * 6))
    here, far = depth_band_mm(posterior, 0), depth_band_mm(posterior, 0, vpd_kpa=2.5, level_mm=5.0)
    assert far[2] - far[0] > 1.5 * (here[2] - here[0])


def test_contradictory_notes_widen_the_band_and_do_not_drag_it() -> None:
    columns = pots_of("expanded_clay")
    steady_hand = calibrate(columns, notes_on(columns, [0] * 6, [18.0] * 6, [26.0] * 6))
    torn = calibrate(
        columns, notes_on(columns, [0] * 6, [2.0, 40.0, 3.0, 41.0, 18.0, 20.0], [8.0, 46.0, 9.0, 47.0, 26.0, 28.0])
    )
    a, b = depth_band_mm(steady_hand, 0), depth_band_mm(torn, 0)
    assert b[2] - b[0] > 1.5 * (a[2] - a[0])
    slip = calibrate(columns, notes_on(columns, [0] * 6, [18.0] * 5 + [70.0], [26.0] * 5 + [76.0]))
    assert depth_band_mm(slip, 0)[1] == pytest.approx(a[1], abs=3.0)


@pytest.mark.parametrize(
    ("low", "high", "how"),
    [
        (np.nan, np.nan, "cannot_see"),
        (np.nan, np.nan, "fingertip"),
        (250.0, 260.0, "deeper"),
        (5.0, 9.0, "cannot_see"),
    ],
)
def test_a_note_that_tells_nothing_leaves_the_prior(low: float, high: float, how: str) -> None:
    columns = pots_of("expanded_clay")
    posterior = calibrate(columns, notes_on(columns, [0], [low], [high], how=how))
    assert posterior.rests_on == ("guessed",)
    assert posterior.notes.tolist() == [0]


def test_a_note_with_its_bounds_exchanged_is_read_the_right_way() -> None:
    columns = pots_of("expanded_clay")
    a = calibrate(columns, notes_on(columns, [0], [20.0], [12.0])).pot_mean
    b = calibrate(columns, notes_on(columns, [0], [12.0], [20.0])).pot_mean
    assert a == pytest.approx(b)


def test_a_note_without_known_air_is_left_out_and_gaps_are_bridged() -> None:
    columns = pots_of("expanded_clay", "expanded_clay")
    notes = notes_on(columns, [0, 1], [20.0, 20.0], [28.0, 28.0])
    vpd = notes.vpd_kpa.copy()
    vpd[:, 0] = np.nan
    vpd[5:20, 1] = np.nan
    posterior = calibrate(columns, replace(notes, vpd_kpa=vpd))
    assert posterior.notes.tolist() == [0, 1]
    assert depth_band_mm(posterior, 1)[1] == pytest.approx(24.0, abs=3.0)


def test_an_unsure_level_makes_a_note_count_for_less() -> None:
    columns = pots_of("expanded_clay")
    notes = notes_on(columns, [0] * 3, [34.0] * 3, [40.0] * 3)
    sure = calibrate(columns, notes)
    unsure = calibrate(columns, replace(notes, level_sd_mm=np.full(3, 15.0)))
    assert abs(unsure.pot_mean[0, 0]) < abs(sure.pot_mean[0, 0])


def test_wet_air_from_a_faulty_sensor_gives_a_band_and_no_number() -> None:
    columns = pots_of("expanded_clay")
    posterior = calibrate(columns, notes_on(columns, [0], [12.0], [20.0], vpd_kpa=-0.2))
    band = depth_band_mm(posterior, 0)
    assert np.all(np.isfinite(band))
    assert band[2] - band[0] > 10.0


def test_a_note_of_a_pot_that_is_not_there_is_refused() -> None:
    columns = pots_of("expanded_clay")
    with pytest.raises(ValueError, match="names a pot that is not among the columns"):
        calibrate(columns, replace(notes_on(columns, [0], [1.0], [2.0]), pot=np.array([3])))


def test_a_change_within_the_history_starts_from_the_set_up_before() -> None:
    """A cover put on two days before the note cannot yet have done its work."""
    bare = pots_of("expanded_clay")
    covered = pots_of("expanded_clay", top_layer={"kind": "pebbles", "thickness_mm": 30})
    notes = notes_on(covered, [0] * 4, [20.0] * 4, [28.0] * 4)
    short = replace(
        notes, vpd_kpa=notes.vpd_kpa[:2], temperature_c=notes.temperature_c[:2], level_mm=notes.level_mm[:2]
    )
    fresh = calibrate(covered, replace(short, before=bare.taken(np.zeros(4, dtype=np.int64))))
    settled = calibrate(covered, short)
    assert fresh.centre().layer_l1_mm[0, 0] > 1.04 * settled.centre().layer_l1_mm[0, 0]


def test_draws_are_the_same_under_every_option() -> None:
    columns = pots_of("expanded_clay")
    draws = calibrate(columns).draws(np.random.default_rng(0), 50)
    covered = draws.under(columns.changed(cover_mm=20.0))
    assert np.array_equal(covered.layer_l1_mm, draws.columns.layer_l1_mm)
    bare_depth = steady(draws.columns, 1.5, 22.0, 20.0).dry_depth_mm
    assert np.all(steady(covered, 1.5, 22.0, 20.0).dry_depth_mm <= bare_depth + 1e-9)
