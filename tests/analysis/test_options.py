"""Which changes make sense for a pot, on invented set-ups."""

from analysis.options import ORDER, change_in_words, depth_above_medium_mm, options_for

BARE = {
    "shelf": "stairwell",
    "surface_height_mm": 140,
    "layers": [{"thickness_mm": 100, "grain": "medium", "mix": {"expanded_clay": 1.0}}],
    "top_layer": {"kind": "none", "thickness_mm": 0, "replaces_medium": False},
    "headroom_mm": 15,
    "vents": {"count": 12, "diameter_mm": 8, "wall_mm": 1.5, "height_mm": 60},
    "wick": {"strands": 1, "material": "microfibre"},
}
DRAUGHTY = {"air": "draughty", "heat": "none"}


def _words(setup: dict[str, object], shelf: dict[str, object] | None = None, moister: str | None = None) -> list[str]:
    return [option.change for option in options_for(setup, shelf or {"air": "still"}, moister)]


def test_a_bare_pot_has_every_kind_of_option_smallest_step_first() -> None:
    words = _words(BARE, DRAUGHTY, "glass-cabinet")
    assert words[0] == "leave"
    expected = {
        "close half of the holes",
        "pebbles 10 mm",
        "second wick",
        "shield from radiator or fan",
        "move to glass-cabinet",
        "shorter column at the next repot",
        "more retentive mix at the next repot",
    }
    assert expected <= set(words)
    rank = [ORDER.index("move" if word.startswith("move to") else word) for word in words]
    assert rank == sorted(rank)


def test_pebbles_go_on_only_within_the_headroom() -> None:
    assert "pebbles 20 mm" not in _words(BARE)
    assert "pebbles 30 mm" in _words({**BARE, "headroom_mm": 40})
    assert "pebbles 20 mm" not in _words({key: value for key, value in BARE.items() if key != "headroom_mm"})


def test_pebbles_on_a_covered_pot_count_the_room_the_cover_leaves() -> None:
    covered = {**BARE, "top_layer": {"kind": "pebbles", "thickness_mm": 10, "replaces_medium": False}}
    words = _words(covered)
    assert "take the cover off" in words
    assert "pebbles 10 mm" not in words
    assert "pebbles 20 mm" in words


def test_holes_can_only_be_closed_where_there_are_some() -> None:
    assert "close all holes" not in _words({**BARE, "vents": "none"})
    assert "close all holes" in _words({**BARE, "vents": "few"})
    half = next(o for o in options_for(BARE, DRAUGHTY) if o.change == "close half of the holes")
    assert half.setup_change == {"vents": {**BARE["vents"], "count": 6}}  # type: ignore[dict-item]


def test_a_change_carries_what_the_logbook_would_record_and_its_caution() -> None:
    pebbles = next(o for o in options_for({**BARE, "headroom_mm": 30}, DRAUGHTY) if o.change == "pebbles 20 mm")
    assert pebbles.setup_change["top_layer"] == {"kind": "pebbles", "thickness_mm": 20.0, "replaces_medium": False}
    assert "lime" in pebbles.caution


def test_a_pot_described_in_words_or_hardly_at_all_still_has_options() -> None:
    assert "leave" in _words({})
    assert "new wick" in _words({"wick": "none"})
    assert "second wick" in _words({"wick": "one"})


def test_only_a_porous_cover_counts_as_medium() -> None:
    assert depth_above_medium_mm({"top_layer": {"kind": "pebbles", "thickness_mm": 20}}) == 0
    assert depth_above_medium_mm({"top_layer": {"kind": "lava_rock", "thickness_mm": 20}}) == 20


def test_a_recorded_change_is_said_in_the_words_of_the_option_that_it_was() -> None:
    setup = {**BARE, "headroom_mm": 40}
    told = 0
    for option in options_for(setup, DRAUGHTY):
        if not option.setup_change or "repot" in option.change:
            continue
        assert change_in_words(setup, {**setup, **option.setup_change}) == [option.change]
        told += 1
    assert told >= 8


def test_changes_beyond_the_options_have_words_of_their_own_and_none_is_silent() -> None:
    covered = {**BARE, "top_layer": {"kind": "pebbles", "thickness_mm": 18}}
    assert change_in_words(BARE, covered) == ["pebbles 20 mm"]
    assert change_in_words(covered, BARE) == ["take the cover off"]
    assert change_in_words(BARE, {**BARE, "top_layer": {"kind": "lava_rock", "thickness_mm": 20}}) == [
        "cover of lava rock"
    ]
    assert change_in_words(BARE, {**BARE, "layers": [], "shelf": "east-window"}) == ["repot", "move"]
    assert change_in_words({"wick": "several"}, {"wick": "none"}) == ["wick taken out"]
    assert change_in_words({"vents": "few"}, {"vents": {"count": 6, "diameter_mm": 6}}) == []
    assert change_in_words(BARE, BARE) == []


def test_a_move_meets_the_other_shelfs_air_movement_and_heat() -> None:
    still = {"air": "still", "heat": "lamp"}
    move = next(one for one in options_for(BARE, DRAUGHTY, "glass-cabinet", still) if one.move_to)
    assert move.shelf == still
    assert move.setup["shelf"] == "glass-cabinet"
    assert move.caution
