"""Dated set-ups on both databases: intervals that never overlap, and changes that are applied again."""

import pytest

from ingest.logbook import Overlap, Refused, Unknown
from tests.ingest.conftest import march

PEBBLES = {"top_layer": {"kind": "pebbles", "thickness_mm": 20}}
COVERED = {"shelf": "east-window", "vents": "many", "wick": "one", **PEBBLES}


def spans(book, pot="window left"):
    return [(s["from_ms"], s["to_ms"]) for s in book.setups(pot)]


def test_a_change_closes_one_set_up_and_opens_the_next(book):
    book.change_setup("window left", PEBBLES, march(10))
    assert spans(book) == [(march(1), march(10)), (march(10), None)]
    assert book.setups("window left")[1] == {**COVERED, "from_ms": march(10), "to_ms": None}
    assert book.setup_at("window left", march(10) - 1)["vents"] == "many"
    assert book.setup_at("window left", march(1) - 1) is None


def test_a_backdated_change_splits_history_and_is_in_all_that_came_after(book):
    book.change_setup("window left", {"vents": "none"}, march(20))
    book.change_setup("window left", PEBBLES, march(10))
    assert spans(book) == [(march(1), march(10)), (march(10), march(20)), (march(20), None)]
    assert book.setup_at("window left", march(15)) == {**COVERED, "from_ms": march(10), "to_ms": march(20)}
    assert book.setup_at("window left", march(25)) == {**COVERED, "vents": "none", "from_ms": march(20), "to_ms": None}


def test_a_backdated_change_leaves_a_later_full_description_alone(book):
    book.describe_setup("window left", {"shelf": "stairwell", "vents": "few"}, march(20))
    book.change_setup("window left", PEBBLES, march(10))
    assert book.setup_at("window left", march(25)) == {
        "shelf": "stairwell",
        "vents": "few",
        "from_ms": march(20),
        "to_ms": None,
    }


def test_a_set_up_for_some_days_only_lets_the_old_one_resume(book):
    book.describe_setup("window left", {"shelf": "stairwell"}, march(10), march(12))
    assert spans(book) == [(march(1), march(10)), (march(10), march(12)), (march(12), None)]
    assert book.setup_at("window left", march(13))["shelf"] == "east-window"


def test_a_set_up_that_reaches_into_the_next_is_refused_and_nothing_is_changed(book):
    book.change_setup("window left", PEBBLES, march(20))
    before, revision = book.setups("window left"), book.revision()
    with pytest.raises(Overlap, match=r"until 2026-03-21T00:00:00Z would overlap the one that begins at 2026-03-20"):
        book.describe_setup("window left", {"shelf": "stairwell"}, march(10), march(21))
    assert (book.setups("window left"), book.revision()) == (before, revision)


def test_describing_a_set_up_anew_keeps_the_old_words_in_the_history(book):
    book.describe_setup("window left", {"shelf": "stairwell"}, march(1))
    assert spans(book) == [(march(1), None)]
    (kept,) = book.setup_history("window left")
    assert (kept["shelf"], kept["vents"]) == ("east-window", "many")


def test_a_withdrawn_set_up_lets_the_one_before_it_last_on(book):
    book.change_setup("window left", PEBBLES, march(10))
    book.change_setup("window left", {"vents": "none"}, march(20))
    book.withdraw_setup("window left", march(10))
    assert spans(book) == [(march(1), march(20)), (march(20), None)]
    assert "top_layer" not in book.setup_at("window left", march(25))
    assert any("top_layer" in kept for kept in book.setup_history("window left"))


def test_the_first_set_up_cannot_be_taken_from_under_a_change(book):
    book.change_setup("window left", PEBBLES, march(10))
    with pytest.raises(Refused, match="describe how it was set up then first"):
        book.withdraw_setup("window left", march(1))
    assert len(book.setups("window left")) == 2


def test_two_changes_of_one_moment_both_count(book):
    book.change_setup("window left", PEBBLES, march(10))
    book.change_setup("window left", {"vents": "none"}, march(10))
    assert book.setup_at("window left", march(11)) == {
        **COVERED,
        "vents": "none",
        "from_ms": march(10) + 1,
        "to_ms": None,
    }


def test_a_key_set_to_none_is_taken_out(book):
    book.change_setup("window left", {"wick": None}, march(10))
    assert "wick" not in book.setup_at("window left", march(11))


def test_numbers_stay_as_they_were_given(book):
    given = {"shelf": "stairwell", "headroom_mm": 15, "surface_height_mm": 140.5, "gap": "narrow"}
    book.describe_setup("window left", given, march(2))
    found = book.setup_at("window left", march(2))
    assert [type(found[key]) for key in ("headroom_mm", "surface_height_mm")] == [int, float]


def test_pots_are_set_up_after_a_type_and_copied(book):
    book.put_pot_type({"label": "clay 12 cm", "pot": {"size_cm": 12}, "vents": "few", "likes": "even"})
    book.new_pots("clay 12 cm", ["bench 1", "bench 2"], "stairwell", march(3), plant="Oncidium", batch="spring")
    book.copy_pot("bench 1", ["bench 3"], march(5))
    assert book.setup_at("bench 3", march(5)) == {
        "pot": {"size_cm": 12},
        "vents": "few",
        "shelf": "stairwell",
        "from_ms": march(5),
        "to_ms": None,
    }
    assert [pot.label for pot in book.batches()["spring"]] == ["bench 1", "bench 2", "bench 3"]
    assert {pot.likes for pot in book.batches()["spring"]} == {"even"}
    assert book.pots_on("stairwell", march(6)) == ["bench 1", "bench 2", "bench 3"]
    with pytest.raises(Refused, match="already a pot “bench 2”"):
        book.new_pots("clay 12 cm", ["bench 4", "bench 2"], "stairwell", march(3))
    assert "bench 4" not in [pot.label for pot in book.pots()]


def test_many_pots_are_changed_at_once_or_not_at_all(book):
    book.copy_pot("window left", ["window right"], march(1))
    book.change_setups(["window left", "window right"], {"vents": "none"}, march(9))
    assert {s["vents"] for s in book.setups_at(march(9)).values()} == {"none"}
    book.edit_pots(["window left", "window right"], {"likes": None, "batch": "old"})
    assert [(pot.likes, pot.batch) for pot in book.pots()] == [(None, "old")] * 2
    with pytest.raises(Unknown, match="no pot “window middle”; did you mean “window"):
        book.change_setups(["window left", "window middle"], {"vents": "few"}, march(10))
    assert {s["vents"] for s in book.setups_at(march(11)).values()} == {"none"}


def test_a_renamed_shelf_and_pot_take_everything_with_them(book):
    book.put_shelf({"label": "glass-cabinet", "air_from": "east-window"})
    book.add_note(
        {"time_ms": march(10), "pot": "window left", "kind": "move", "detail": {"change": {"shelf": "stairwell"}}}
    )
    book.rename_shelf("stairwell", "cool stairs")
    book.rename_shelf("east-window", "east")
    book.rename_pot("window left", "by the door")
    assert [s["shelf"] for s in book.setups("by the door")] == ["east", "cool stairs"]
    assert book.shelves()[-1].air_from == "east"
    assert book.notes("by the door")[0].detail == {"change": {"shelf": "cool stairs"}}
    book.change_setup("by the door", {"vents": "few"}, march(5))
    assert [s["shelf"] for s in book.setups("by the door")] == ["east", "east", "cool stairs"]


def test_labels_in_any_writing_are_told_apart_by_more_than_capitals(book):
    for label in ("ß" * 80, "ΐ" * 80, "鉢植え 1", "İ" * 80):
        book.put_pot({"label": label})
        assert book.pot(label).label == label
    with pytest.raises(Refused, match="differ only in capitals"):
        book.put_pot({"label": "ẞ" * 80})


def test_what_a_pot_was_called_and_said_to_be_stays_readable(book):
    book.edit_pots(["window left"], {"likes": "even"})
    book.rename_pot("window left", "by the door")
    assert [(kept["label"], kept.get("likes")) for kept in book.pot_history("by the door")] == [
        ("window left", "airy"),
        ("window left", None),
    ]


@pytest.mark.parametrize(
    ("setup", "sentence"),
    [
        ({"shelf": "east-windw"}, "There is no shelf “east-windw”; did you mean “east-window”?"),
        ({}, "“shelf” is missing."),
        ({"shelf": "stairwell", "headrom_mm": 3}, "there is no key “headrom_mm”; did you mean “headroom_mm”?"),
        ({"shelf": "stairwell", "wick": "to"}, "wick: “to” is not one of its words; it may be none, one or several."),
        ({"shelf": "stairwell", "vents": {"coutn": 3}}, "vents: there is no key “coutn”; did you mean “count”?"),
        ({"shelf": "stairwell", "pot": {"size_cm": -1}}, "size_cm: -1 is not a number above 0 and at most 10000000"),
        ({"shelf": "stairwell", "pot": {"size_cm": True}}, "pot.size_cm: True is not a number."),
        ({"shelf": "stairwell", "headroom_mm": float("nan")}, "headroom_mm: nan is not a number from 0"),
        ({"shelf": "stairwell", "layers": [{"mix": {"lava": 1}}]}, "no medium “lava”; did you mean “lava_rock”?"),
        ({"shelf": "stairwell", "layers": [{"mix": {"lava_rock": 0.5, "pumice": 0.3}}]}, "add up to 0.8, not to 1."),
        ({"shelf": "stairwell", "layers": [{"mix": {"lava_rock": 0.5, "pumice": "some"}}]}, "words and numbers mixed"),
        ({"shelf": "stairwell", "layers": [{"grain": "rough"}]}, "layers[1].grain: “rough” is not a grain"),
        ({"shelf": "stairwell", "top_layer": {"kind": "pebble"}}, "did you mean “pebbles”?"),
        ({"shelf": "stairwell", "gap": 3}, "gap: 3 is not one of its words; it may be none, narrow or wide."),
    ],
)
def test_a_set_up_that_makes_no_sense_is_refused_by_key(fresh, setup, sentence):
    logbook = fresh()
    logbook.put_shelf({"label": "east-window"})
    logbook.put_shelf({"label": "stairwell"})
    logbook.put_pot({"label": "window left"})
    with pytest.raises(Refused) as refused:
        logbook.describe_setup("window left", setup, march(1))
    assert sentence in str(refused.value)
    assert logbook.setups("window left") == []


@pytest.mark.parametrize(
    ("pot", "sentence"),
    [
        ({"label": "Window Left"}, "“Window Left” and “window left” differ only in capitals; labels must be unique."),
        ({"label": "   "}, "a label cannot be empty."),
        ({"label": "a\x00b"}, "it holds a control character that cannot be seen; take it out."),
        ({"label": "a\ud800b"}, "it holds a control character that cannot be seen; take it out."),
        ({"label": "x" * 81}, "it is 81 characters long; 80 is the most."),
        ({"label": "new", "likes": "dry"}, "likes: “dry” is not one of its words; it may be wetter, even or airy."),
        ({"label": "new", "type": "clay"}, "There is no pot type “clay”; there is none yet."),
        ({"label": 5}, "5 is not text."),
    ],
)
def test_a_pot_that_makes_no_sense_is_refused(fresh, pot, sentence):
    logbook = fresh()
    logbook.put_pot({"label": "window left"})
    with pytest.raises(Refused) as refused:
        logbook.put_pot(pot)
    assert sentence in str(refused.value)
    assert [pot.label for pot in logbook.pots()] == ["window left"]
