"""Why a pot changed: invented pots whose truth is the model with one thing altered, and what must be told apart."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.calibration import DepthNotes, calibrate
from analysis.causes import changed_factors, drinks_less_than_it_should, explained
from analysis.columns import Columns
from analysis.counterfactual import Course, Drivers, Spell, courses_of_variants
from analysis.quantities import in_units
from analysis.setups import column_parameters

SETUP = {
    "shelf": "east-window",
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 140,
    "layers": [{"thickness_mm": 100, "grain": "medium", "mix": {"expanded_clay": 0.5, "lava_rock": 0.5}}],
    "top_layer": {"kind": "none", "thickness_mm": 0, "replaces_medium": False},
    "vents": {"count": 8, "diameter_mm": 7, "wall_mm": 1.5, "height_mm": 100},
    "wick": {"strands": 1, "material": "microfibre"},
    "gap": "narrow",
}
COVERED = {**SETUP, "top_layer": {"kind": "pebbles", "thickness_mm": 20, "replaces_medium": False}}
OPENED = {**SETUP, "vents": {"count": 24, "diameter_mm": 10, "wall_mm": 1.5, "height_mm": 110}}
SHELF = {"air": "gentle", "heat": "none"}
DRAUGHTY = {"air": "draughty", "heat": "none"}
POT = {"likes": "even", "roots": "thick"}
DAYS = 21


def _air(days: int, vpd: float = 0.9, level: float = 38.0, seed: int = 0) -> Drivers:
    rng = np.random.default_rng(seed)
    return Drivers(
        vpd * np.exp(0.08 * rng.standard_normal(days)),
        21 + 0.5 * rng.standard_normal(days),
        level - 8 * ((np.arange(days) % 4) - 1.5) / 3,
    )


def _pot(*setups: dict[str, object], shelf: dict[str, object] = SHELF) -> tuple[list[Columns], list[Columns]]:
    """The centre of each set-up `(1,)`, and its draws after four notes at the depth of the first."""
    columns = column_parameters(list(setups), [shelf] * len(setups), [POT] * len(setups))
    centres = [columns.taken([i]) for i in range(len(setups))]
    quiet = _air(30)
    depth = courses_of_variants(_draw(centres[0]), [_draw(centres[0])], quiet, quiet).depth_mm[0, 0, -1]
    index = np.zeros(4, np.int64)
    noted = DepthNotes(
        columns=centres[0].taken(index),
        pot=index,
        low_mm=np.full(4, max(depth - 4, 0.0)),
        high_mm=np.full(4, depth + 4),
        how=("fingertip",) * 4,
        vpd_kpa=np.repeat(quiet.vpd_kpa[:, None], 4, 1),
        temperature_c=np.repeat(quiet.temperature_c[:, None], 4, 1),
        level_mm=np.repeat(quiet.level_mm[:, None], 4, 1),
        step_hours=24.0,
    )
    draws = calibrate(centres[0], noted).draws(np.random.default_rng(1), 80)
    return centres, [draws.under(centre) for centre in centres]


def _draw(columns: Columns) -> Columns:
    """The centre as a single draw `(1, 1)`, calibrated on nothing."""
    return replace(
        calibrate(columns).draws(np.random.default_rng(0), 1).under(columns),
        layer_l1_mm=columns.layer_l1_mm[:, None, :],
        layer_exponent=columns.layer_exponent[:, None, :],
        vapour_enhancement=columns.vapour_enhancement[None],
        uptake_ml_per_day_at_1_kpa=columns.uptake_ml_per_day_at_1_kpa[None],
        vent_draught=columns.vent_draught[None],
        wick_mm_per_ml_per_day=columns.wick_mm_per_ml_per_day[None],
        surface_height_mm=columns.surface_height_mm[None],
        uptake_share=columns.uptake_share[None],
        storage=columns.storage[None],
    )


def _truth(before: Columns, since: Columns, was: Drivers, now: Drivers) -> tuple[Course, Course]:
    return (
        courses_of_variants(_draw(before), [_draw(before)], was, was),
        courses_of_variants(_draw(before), [_draw(since)], was, now),
    )


def _spells(
    before: Columns, since: Columns, was: Drivers, now: Drivers, *, look: bool = True, **more: object
) -> tuple[Spell, Spell]:
    """Both spells as measured: use to 3 %, and one look in the second week where asked."""
    old, new = _truth(before, since, was, now)
    use = [float(course.use_ml_per_day[0, 0, -10:].mean()) for course in (old, new)]
    day = len(now.vpd_kpa) - 4
    seen = float(new.depth_mm[0, 0, day])
    notes = {"noted_mm": np.array([seen]), "noted_sd_mm": np.array([2.0]), "noted_day": np.array([day])} if look else {}
    return (
        Spell(was, use[0], 0.03 * use[0], refill_days=4.0),
        Spell(now, use[1], 0.03 * use[1], refill_days=4.0, **notes, **more),  # type: ignore[arg-type]
    )


def test_nothing_changed_is_none_and_shares_are_small() -> None:
    (centre,), (draws,) = _pot(SETUP)
    answer = explained(*_spells(centre, centre, _air(28), _air(DAYS, seed=1)), draws, draws)
    assert (answer.direction, answer.verdict) == ("same", "none")
    assert all(abs(share.mm) < 3 for share in answer.shares)


@pytest.mark.parametrize(("vpd", "direction"), [(2.2, "drier"), (0.3, "wetter")])
def test_dry_air_and_moist_air_are_named(vpd: float, direction: str) -> None:
    (centre,), (draws,) = _pot(SETUP)
    answer = explained(*_spells(centre, centre, _air(28), _air(DAYS, vpd)), draws, draws)
    assert (answer.direction, answer.verdict) == (direction, "dry_air")


def test_a_level_kept_lower_is_the_reservoir_and_not_the_air() -> None:
    (centre,), (draws,) = _pot(SETUP)
    answer = explained(*_spells(centre, centre, _air(28), _air(DAYS, level=18.0)), draws, draws)
    assert (answer.direction, answer.verdict) == ("drier", "low_reservoir")


def test_an_empty_reservoir_is_told_by_its_hours() -> None:
    (centre,), (draws,) = _pot(SETUP)
    now = replace(_air(DAYS), level_mm=np.r_[np.linspace(30, 0, 8), np.zeros(DAYS - 8)])
    before, since = _spells(centre, centre, _air(28), now, empty_hours=300.0)
    answer = explained(before, since, draws, draws)
    assert (answer.direction, answer.verdict) == ("drier", "low_reservoir")
    assert "The reservoir was empty for 300 hours." in answer.evidence
    assert answer.empty_hours == 300.0
    emptied = explained(replace(before, empty_hours=18.0), since, draws, draws)
    assert "The reservoir was empty for 300 hours, and for 18 in the 28 days before." in emptied.evidence


def test_a_level_that_fell_because_the_air_dried_belongs_to_the_air() -> None:
    (centre,), (draws,) = _pot(SETUP)
    dry = _air(DAYS, 2.2, level=38.0)
    before, since = _spells(centre, centre, _air(28), dry)
    fall = 0.5 * (since.use_ml_per_day - before.use_ml_per_day) * 4 / 9.0
    fallen = replace(dry, level_mm=dry.level_mm - fall)
    answer = explained(before, replace(since, drivers=fallen, noted_mm=since.noted_mm + 0.6 * fall), draws, draws)
    assert answer.verdict == "dry_air"
    level = next(share.mm for share in answer.shares if share.factor == "low_reservoir")
    assert abs(level) < 0.5


def test_recorded_changes_are_named() -> None:
    centres, draws = _pot(COVERED, SETUP)
    recorded = changed_factors(COVERED, SETUP)
    assert recorded == ("top_layer",)
    answer = explained(*_spells(*centres, _air(28), _air(DAYS)), *draws, recorded)
    assert (answer.direction, answer.verdict) == ("drier", "top_layer")
    opened, opened_draws = _pot(SETUP, OPENED, shelf=DRAUGHTY)
    answer = explained(*_spells(*opened, _air(28), _air(DAYS)), *opened_draws, changed_factors(SETUP, OPENED))
    assert answer.verdict == "vent_holes"


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        ("medium", "Written down: another medium, pot or reservoir."),
        ("vent_holes", "Written down: other holes."),
        ("dry_air", "Written down: another place, or other air on its shelf."),
    ],
)
def test_what_was_written_down_is_named_by_what_was_changed(factor: str, words: str) -> None:
    (centre,), (draws,) = _pot(SETUP)
    answer = explained(*_spells(centre, centre, _air(28), _air(DAYS, seed=1)), draws, draws, [factor])
    assert words in answer.evidence


def test_holes_opened_in_humid_air_are_no_alarm() -> None:
    centres, draws = _pot(SETUP, OPENED)
    quiet = _air(28, 0.18)
    answer = explained(*_spells(*centres, quiet, _air(DAYS, 0.18)), *draws, changed_factors(SETUP, OPENED))
    assert answer.direction == "same"
    assert answer.verdict == "none"
    assert "vent_holes" in {share.factor for share in answer.shares}, "what they did all the same stands beside it"
    assert abs(answer.change_mm) < 1.5


def test_a_level_within_its_usual_swing_is_no_event_however_far_it_moved_the_line() -> None:
    """The pot is emptied slowly and filled to the brim in turn: three weeks near the bottom of that are no cause."""
    (centre,), (draws,) = _pot(SETUP)
    swing = replace(_air(28), level_mm=np.tile(np.linspace(46.0, 22.0, 14), 2))
    low = replace(_air(DAYS, seed=1), level_mm=np.linspace(34.0, 23.0, DAYS))
    answer = explained(*_spells(centre, centre, swing, low), draws, draws)
    assert next(share.mm for share in answer.shares if share.factor == "low_reservoir") > 2.0
    assert answer.verdict == "none"
    left = replace(low, level_mm=np.linspace(26.0, 5.0, DAYS))
    answer = explained(*_spells(centre, centre, swing, left), draws, draws)
    assert (answer.direction, answer.verdict) == ("drier", "low_reservoir")


def test_heat_is_told_from_dry_air_when_a_lamp_was_recorded() -> None:
    centres, draws = _pot(SETUP, SETUP)
    lamp, lamp_draws = (c.changed(absorbed_w_per_m2=60.0) for c in (centres[1], draws[1]))
    answer = explained(*_spells(centres[0], lamp, _air(28), _air(DAYS)), draws[0], lamp_draws, ("heat",))
    assert answer.verdict == "heat"


def test_a_failing_wick_and_lost_roots_are_told_apart_by_a_look() -> None:
    """Both use less; the line sinks with the wick and does not with the roots."""
    (centre,), (draws,) = _pot(SETUP)
    wick = centre.changed(wick_mm_per_ml_per_day=30 * centre.wick_mm_per_ml_per_day)
    answer = explained(*_spells(centre, wick, _air(28), _air(DAYS)), draws, draws)
    assert (answer.direction, answer.verdict) == ("drier", "wick")
    thirsty = centre.changed(uptake_ml_per_day_at_1_kpa=2 * centre.uptake_ml_per_day_at_1_kpa)
    thirsty_draws = draws.changed(uptake_ml_per_day_at_1_kpa=2 * draws.uptake_ml_per_day_at_1_kpa)
    rootless = centre.changed(uptake_ml_per_day_at_1_kpa=0.1 * centre.uptake_ml_per_day_at_1_kpa)
    answer = explained(*_spells(thirsty, rootless, _air(28), _air(DAYS)), thirsty_draws, thirsty_draws)
    assert answer.verdict == "plant"
    assert answer.direction != "drier"
    assert "look at its roots" in " ".join(answer.evidence)


def test_a_plant_that_has_grown_is_told_by_its_use() -> None:
    (centre,), (draws,) = _pot(SETUP)
    grown = centre.changed(uptake_ml_per_day_at_1_kpa=3.0 * centre.uptake_ml_per_day_at_1_kpa)
    answer = explained(*_spells(centre, grown, _air(28), _air(DAYS), look=False), draws, draws)
    assert answer.verdict == "plant"
    assert answer.use_ratio > 1.15 * answer.expected_use_ratio


def test_a_dead_air_sensor_says_so_instead_of_none() -> None:
    _, (draws,) = _pot(SETUP)
    silent = Drivers(np.full(DAYS, np.nan), np.full(DAYS, np.nan), _air(DAYS).level_mm)
    before = Spell(_air(28))
    answer = explained(before, Spell(silent, silent=("air",)), draws, draws)
    assert answer.verdict == "sensor_gap"
    assert "air sensor was silent or stuck" in " ".join(answer.evidence)


def test_what_the_model_cannot_explain_is_never_hidden() -> None:
    (centre,), (draws,) = _pot(SETUP)
    before, since = _spells(centre, centre, _air(28), _air(DAYS))
    deep = replace(
        since, noted_mm=since.noted_mm.repeat(3) + 16, noted_sd_mm=np.full(3, 2.0), noted_day=np.array([12, 15, 18]),
        use_ml_per_day=np.nan,
    )  # fmt: skip
    answer = explained(before, deep, draws, draws)
    assert answer.direction == "drier"
    assert answer.unexplained_mm > 3 or answer.verdict in ("wick", "unexplained")
    assert answer.change_mm == pytest.approx(sum(share.mm for share in answer.shares) + answer.unexplained_mm)


def test_shares_and_the_remainder_add_up_and_carry_intervals() -> None:
    centres, draws = _pot(COVERED, SETUP)
    answer = explained(*_spells(*centres, _air(28), _air(DAYS, 1.6, 30.0)), *draws, ("top_layer",))
    assert answer.change_mm == pytest.approx(sum(share.mm for share in answer.shares) + answer.unexplained_mm)
    assert all(share.low_mm <= share.mm <= share.high_mm for share in answer.shares)
    assert {share.factor for share in answer.shares} >= {"dry_air", "low_reservoir", "top_layer"}


def test_what_stayed_is_said_once_and_what_went_has_both_ends() -> None:
    (centre,), (draws,) = _pot(SETUP)
    told = in_units(explained(*_spells(centre, centre, _air(28), _air(DAYS, 2.2)), draws, draws).evidence, "metric")
    assert "The level stayed at 38 mm on average." in told
    assert "Dry air went from 0.89 to 2.17 kPa." in told


def test_a_look_that_nothing_explains_is_told_in_the_growers_lengths() -> None:
    (centre,), (draws,) = _pot(SETUP)
    before, since = _spells(centre, centre, _air(28), _air(DAYS, seed=1))
    deep = replace(since, noted_mm=since.noted_mm + 25)
    told = [says for says in explained(before, deep, draws, draws).evidence if says.startswith("What was noted")]
    assert len(told) == 1
    assert " in deeper than modelled" in in_units(told[0], "us")


def test_without_a_level_sensor_or_notes_the_answer_is_the_models_and_says_so() -> None:
    _, (draws,) = _pot(SETUP)
    answer = explained(Spell(_air(28)), Spell(_air(DAYS, 2.2)), draws, draws)
    assert answer.verdict == "dry_air"
    assert np.isnan(answer.use_ratio)
    assert "Nobody looked since" in " ".join(answer.evidence)
    assert "Use was not measured" in " ".join(answer.evidence)


def test_nothing_to_compare_with_and_unknown_factors_are_refused_in_a_sentence() -> None:
    _, (draws,) = _pot(SETUP)
    blank = Spell(Drivers(np.full(3, np.nan), np.full(3, np.nan), np.full(3, np.nan)))
    with pytest.raises(ValueError, match="no earlier day with both air and level"):
        explained(blank, Spell(_air(DAYS)), draws, draws)
    with pytest.raises(ValueError, match="no such factor: gremlins"):
        explained(Spell(_air(28)), Spell(_air(DAYS)), draws, draws, ("gremlins",))


def test_drinking_less_than_the_air_asks_for_is_raised_early() -> None:
    expected = 30 * np.exp(0.08 * np.random.default_rng(0).standard_normal(300))
    chance, says = drinks_less_than_it_should(20.0, 0.8, expected, vpd_ratio=1.0)
    assert chance > 0.95
    assert "Drinks less than it should" in says
    assert drinks_less_than_it_should(29.0, 0.8, expected, vpd_ratio=1.0)[0] < 0.1
    # air that has become twice as dry need not raise use at all: a dry layer throttles itself
    assert drinks_less_than_it_should(24.0, 0.8, expected, vpd_ratio=2.0)[1] == ""
    assert drinks_less_than_it_should(float("nan"), 1.0, expected, 1.0) == (0.0, "")


def test_a_move_and_a_new_lamp_are_read_from_the_descriptions() -> None:
    moved = {**SETUP, "shelf": "stairwell"}
    assert changed_factors(SETUP, moved, SHELF, {"air": "draughty", "heat": "none"}) == ("dry_air",)
    assert changed_factors(SETUP, SETUP, SHELF, {**SHELF, "heat": "lamp"}) == ("heat",)
    assert changed_factors(SETUP, {**SETUP, "wick": "none", "gap": "wide"}) == ("vent_holes", "wick")


def test_a_recorded_cover_whose_effect_was_seen_is_named_though_use_was_told_wrongly() -> None:
    centres, (bare, covered) = _pot(SETUP, COVERED)
    before, since = _spells(*centres, _air(28), _air(DAYS, seed=1))
    fell = float(_truth(*centres, _air(28), _air(DAYS, seed=1))[1].depth_mm[0, 0, -4]) - _rest(centres[0])
    assert fell < -3
    told = explained(before, replace(since, use_ml_per_day=before.use_ml_per_day), bare, covered, ["top_layer"])
    assert (told.direction, told.verdict) == ("wetter", "top_layer")
    share = next(one.mm for one in told.shares if one.factor == "top_layer")
    assert share == pytest.approx(fell, abs=0.5 * abs(fell))


def test_a_plant_drinks_less_once_the_line_has_sunk_past_the_middle_of_its_roots() -> None:
    """What the plant drinks: use with it less use without it, after the level fell by 28 mm."""
    (centre,), _ = _pot(SETUP)
    thirsty = _draw(centre).changed(uptake_ml_per_day_at_1_kpa=np.full((1, 1), 6.0), uptake_share=np.zeros((1, 1)))
    without = thirsty.changed(uptake_ml_per_day_at_1_kpa=np.zeros((1, 1)))

    def kept(vpd_kpa: float) -> tuple[float, float]:
        was, now = _air(28, vpd_kpa), _air(DAYS, vpd_kpa, level=10.0)
        drunk = [
            (one := courses_of_variants(thirsty, [thirsty], was, now)).use_ml_per_day[0, 0]
            - courses_of_variants(without, [without], was, now).use_ml_per_day[0, 0]
            for now in (was, now)
        ]
        deepest = float(one.depth_mm.max())
        return float(drunk[1][-7:].mean() / drunk[0][-7:].mean()), deepest / float(centre.column_mm[0])

    humid, dry = kept(0.3), kept(3.0)
    assert humid[1] < 0.4 < dry[1]
    assert humid[0] == pytest.approx(1.0, abs=0.06)
    assert dry[0] < 0.85


def _rest(centre: Columns) -> float:
    return float(courses_of_variants(_draw(centre), [_draw(centre)], _air(28), _air(28)).depth_mm[0, 0, -1])
