"""Set-ups in words or numbers, thin or wrong: each gives columns with a believable spread, none raises."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.dry_layer import steady
from analysis.media import MEDIA, medium_named, mix_constants
from analysis.setups import column_parameters

WINDOW_LEFT = {
    "shelf": "east-window",
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50, "medium_fraction": 0.0},
    "surface_height_mm": 140,
    "layers": [
        {"thickness_mm": 110, "grain": "medium", "mix": {"expanded_clay": 0.5, "lava_rock": 0.3, "pumice": 0.2}}
    ],
    "top_layer": {"kind": "none", "thickness_mm": 0, "replaces_medium": False},
    "headroom_mm": 15,
    "vents": {"count": 12, "diameter_mm": 8, "wall_mm": 1.5, "height_mm": 60},
    "wick": {"strands": 1, "material": "microfibre"},
    "gap": "narrow",
}


def test_the_example_of_the_design_is_read_to_the_number() -> None:
    pot = column_parameters([WINDOW_LEFT], [{"air": "gentle", "heat": "none"}], [{"likes": "airy"}])
    assert pot.surface_height_mm[0] == 140
    assert pot.column_mm[0] == 110
    assert pot.area_mm2[0] == pytest.approx(np.pi * 60**2)
    assert (pot.vent_count[0], pot.vent_diameter_mm[0], pot.vent_wall_mm[0]) == (12, 8, 1.5)
    assert pot.water_ml_per_mm[0] == pytest.approx(9.0)
    expected = np.exp(0.5 * np.log(55) + 0.3 * np.log(80) + 0.2 * np.log(85))
    assert pot.layer_l1_mm[0, 0] == pytest.approx(expected)
    assert pot.layer_share[:, :, 0].sum() == pytest.approx(1.0)
    assert pot.says[0] == ()


def test_words_mean_their_numbers() -> None:
    words = {**WINDOW_LEFT, "vents": "many", "wick": "several"}
    numbers = {**WINDOW_LEFT, "vents": {"count": 20, "diameter_mm": 8}, "wick": {"strands": 3}}
    a, b = column_parameters([words]), column_parameters([numbers])
    assert a.vent_count[0] == b.vent_count[0]
    assert a.wick_mm_per_ml_per_day[0] == pytest.approx(b.wick_mm_per_ml_per_day[0])
    assert a.vent_log_sd[0] > b.vent_log_sd[0]


def test_the_surface_may_be_told_from_the_full_water_line() -> None:
    told = {k: v for k, v in WINDOW_LEFT.items() if k != "surface_height_mm"} | {"surface_to_water_mm": 90}
    assert column_parameters([told]).surface_height_mm[0] == 140


def test_a_reservoir_may_be_told_by_what_was_poured() -> None:
    told = {**WINDOW_LEFT, "reservoir": {"fill_ml": 450, "fill_mark_mm": 50}}
    assert column_parameters([told]).water_ml_per_mm[0] == pytest.approx(9.0)


def test_pebbles_added_cover_and_replacing_pebbles_take_medium_away() -> None:
    added = {**WINDOW_LEFT, "top_layer": {"kind": "pebbles", "thickness_mm": 20, "replaces_medium": False}}
    replaced = {**WINDOW_LEFT, "top_layer": {"kind": "pebbles", "thickness_mm": 20, "replaces_medium": True}}
    pots = column_parameters([added, replaced])
    assert pots.cover_mm.tolist() == [20, 20]
    assert pots.surface_height_mm.tolist() == [140, 120]
    assert pots.column_mm.tolist() == [110, 90]


@pytest.mark.parametrize("kind", ["lava_rock", "sphagnum", "moss"])
def test_a_porous_cover_is_a_layer_that_wicks(kind: str) -> None:
    pots = column_parameters(
        [{**WINDOW_LEFT, "top_layer": {"kind": kind, "thickness_mm": 20, "replaces_medium": r}} for r in (False, True)]
    )
    assert pots.cover_mm.tolist() == [0, 0]
    assert pots.porous_cover_mm.tolist() == [20, 20]
    assert pots.surface_height_mm.tolist() == [160, 140]
    assert pots.layer_thickness_mm[0].tolist() == [20, 20]


def test_a_cover_thicker_than_a_layer_goes_into_the_next() -> None:
    setup = {
        **WINDOW_LEFT,
        "layers": [{"thickness_mm": 15, "mix": "pumice"}, {"thickness_mm": 95, "mix": "expanded_clay"}],
        "top_layer": {"kind": "pebbles", "thickness_mm": 20, "replaces_medium": True},
    }
    pot = column_parameters([setup])
    assert pot.layer_thickness_mm[:, 0].tolist() == [90]


def test_a_pot_with_fewer_layers_is_padded_with_nothing() -> None:
    layered = {
        **WINDOW_LEFT,
        "layers": [{"thickness_mm": 40, "mix": "pumice"}, {"thickness_mm": 70, "mix": "expanded_clay"}],
    }
    together = steady(column_parameters([WINDOW_LEFT, layered]), 1.2, 22.0, 30.0).dry_depth_mm
    alone = [steady(column_parameters([s]), 1.2, 22.0, 30.0).dry_depth_mm[0] for s in (WINDOW_LEFT, layered)]
    assert together == pytest.approx(alone, rel=1e-12)


@pytest.mark.parametrize(
    ("setup", "said"),
    [
        ({}, "the size of the pot is not noted"),
        ({**WINDOW_LEFT, "layers": [{"thickness_mm": 110, "mix": "unknown"}]}, "the mix is unknown"),
        ({**WINDOW_LEFT, "layers": [{"thickness_mm": 110, "mix": {"stardust": 1.0}}]}, "nothing is known of stardust"),
        ({**WINDOW_LEFT, "pot": {"size_cm": -1}}, "a pot size in cm of -1 cannot be"),
        ({**WINDOW_LEFT, "vents": {"count": 12, "diameter_mm": 900}}, "a hole's diameter of 900 cannot be"),
        ({k: v for k, v in WINDOW_LEFT.items() if k != "surface_height_mm"}, "the height of the medium's surface"),
        ({**WINDOW_LEFT, "layers": [{"thickness_mm": 400, "mix": "pumice"}]}, "thicker than its surface is high"),
    ],
)
def test_what_was_guessed_is_said(setup: dict[str, object], said: str) -> None:
    pot = column_parameters([setup])
    assert any(said in sentence for sentence in pot.says[0])
    assert np.isfinite(steady(pot, 1.0, 22.0, 20.0).dry_depth_mm[0])


def test_an_unknown_mix_is_wider_than_a_known_one() -> None:
    known, unknown = MEDIA["expanded_clay"], MEDIA["unknown"]
    assert unknown.l1_log_sd > 2 * known.l1_log_sd


def test_a_coarser_grain_lifts_less() -> None:
    heights = [mix_constants("expanded_clay", grain).l1_mm for grain in ("fine", "medium", "coarse")]
    assert heights[0] > heights[1] > heights[2]
    assert mix_constants("expanded_clay", 6.0).l1_mm == pytest.approx(heights[0])


def test_worded_shares_are_parts() -> None:
    mix = mix_constants({"expanded_clay": "mostly", "pumice": "some"})
    assert mix.shares == pytest.approx({"expanded_clay": 0.75, "pumice": 0.25})
    assert mix.extra_log_sd > mix_constants({"expanded_clay": 0.75, "pumice": 0.25}).extra_log_sd


def test_other_names_of_a_medium_are_known() -> None:
    assert medium_named("Expanded clay") == "expanded_clay"
    assert medium_named("moss") == "sphagnum_moss"
    assert medium_named("dragon scales") == "unknown"


def test_lists_of_different_length_are_refused() -> None:
    with pytest.raises(ValueError, match="one entry a pot"):
        column_parameters([WINDOW_LEFT], shelves=[])


rubbish = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=6) | st.integers(-500, 500),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["mix", "count", "thickness_mm", "grain", "kind", "strands", "size_cm", "fill_ml", "diameter_mm"]
            ),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from(sorted(WINDOW_LEFT)), rubbish, max_size=6))
def test_no_description_is_too_strange_to_read(strange: dict[str, object]) -> None:
    pot = column_parameters([{**WINDOW_LEFT, **strange}, strange])
    depth = steady(pot, 1.0, 22.0, 20.0).dry_depth_mm
    assert np.all(np.isfinite(depth))
    assert np.all((depth >= 0.0) & (depth <= pot.column_mm))
