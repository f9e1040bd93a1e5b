"""Notes on both databases: corrected or withdrawn, never lost; what they did to set-ups follows them."""

import numpy as np
import pytest

from ingest.logbook import Changed, Refused, Unknown
from ingest.logbook.records import KINDS, WITHOUT_POT
from tests.ingest.conftest import march

COVER = {
    "time_ms": march(10),
    "pot": "window left",
    "kind": "cover",
    "detail": {"change": {"top_layer": {"kind": "pebbles", "thickness_mm": 20}}},
}
LOOK = {
    "time_ms": march(5),
    "pot": "window left",
    "kind": "inspection",
    "dry_layer_low_mm": 10,
    "dry_layer_high_mm": 20.5,
    "how": "fingertip",
    "tips_growing": 3,
    "why": "leaves limp",
    "text": "dry at the <b>rim</b>",
    "detail": {"mould": True},
}


def test_a_note_comes_back_as_it_was_written(book):
    note_id = book.add_note(LOOK)
    note = book.note(note_id)
    assert {key: value for key, value in note.given().items() if key in LOOK} == LOOK
    assert (note.id, note.version, note.withdrawn) == (note_id, 1, False)


def test_every_kind_of_note_can_be_logged(book):
    for kind in KINDS:
        if kind not in ("died", "gone"):
            book.add_note({"time_ms": march(3), "pot": None if kind in WITHOUT_POT else "window left", "kind": kind})
    book.add_note({"time_ms": march(4), "pot": "window left", "kind": "died"})
    assert {note.kind for note in book.notes()} == set(KINDS) - {"gone"}


def test_a_corrected_note_keeps_every_version_readable(book):
    note_id = book.add_note(LOOK)
    book.correct_note(note_id, 1, {"dry_layer_high_mm": 30, "why": None})
    book.correct_note(note_id, 2, {"how": "damp at top"})
    versions = book.note_history(note_id)
    assert [(v.version, v.dry_layer_high_mm, v.why, v.how) for v in versions] == [
        (1, 20.5, "leaves limp", "fingertip"),
        (2, 30, None, "fingertip"),
        (3, 30, None, "damp_at_top"),
    ]


def test_two_people_editing_one_note_get_a_clear_answer_and_lose_nothing(book):
    note_id = book.add_note(LOOK)
    book.correct_note(note_id, 1, {"tips_growing": 4})
    with pytest.raises(Changed, match="Somebody else has changed this note since you opened it"):
        book.correct_note(note_id, 1, {"tips_growing": 9})
    with pytest.raises(Changed):
        book.withdraw_note(note_id, 1)
    assert [v.tips_growing for v in book.note_history(note_id)] == [3, 4]


def test_a_withdrawn_note_counts_no_more_and_can_be_put_back(book):
    note_id = book.add_note(LOOK)
    book.withdraw_note(note_id, 1)
    assert book.notes() == []
    assert len(book.notes_frame()) == 0
    assert [note.id for note in book.notes(withdrawn=True)] == [note_id]
    book.put_back_note(note_id, 2)
    assert [note.version for note in book.notes()] == [3]


def test_a_cover_note_opens_the_set_up_and_its_correction_moves_it(book):
    note_id = book.add_note(COVER)
    assert book.setup_at("window left", march(11))["top_layer"] == {"kind": "pebbles", "thickness_mm": 20}
    book.correct_note(note_id, 1, {"time_ms": march(7)})
    assert [s["from_ms"] for s in book.setups("window left")] == [march(1), march(7)]
    book.withdraw_note(note_id, 2)
    assert [(s["from_ms"], s["to_ms"]) for s in book.setups("window left")] == [(march(1), None)]
    book.put_back_note(note_id, 3)
    assert [s["from_ms"] for s in book.setups("window left")] == [march(1), march(7)]


def test_a_withdrawn_change_is_taken_out_of_the_changes_after_it(book):
    cover = book.add_note(COVER)
    book.add_note({**COVER, "time_ms": march(20), "kind": "holes", "detail": {"change": {"vents": "none"}}})
    book.withdraw_note(cover, 1)
    (_, later) = book.setups("window left")
    assert later["vents"] == "none"
    assert "top_layer" not in later


def test_a_change_without_a_set_up_before_it_is_refused_whole(book):
    with pytest.raises(Refused, match="“window left” has no set-up before 2026-02-28T00:00:00Z that could change"):
        book.add_notes([LOOK, {**COVER, "time_ms": march(1) - 86_400_000}])
    assert book.notes() == []


def test_a_death_closes_the_set_up_and_its_withdrawal_opens_it_again(book):
    note_id = book.add_note({"time_ms": march(20), "pot": "window left", "kind": "died", "detail": {"cause": "rot"}})
    assert book.setups("window left")[-1]["to_ms"] == march(20)
    assert book.pots() == []
    assert book.pots(gone=True)[0].gone_ms == march(20)
    with pytest.raises(Refused, match="already noted as gone since 2026-03-20T00:00:00Z"):
        book.add_note({"time_ms": march(21), "pot": "window left", "kind": "gone"})
    book.withdraw_note(note_id, 1)
    assert book.setups("window left")[-1]["to_ms"] is None
    assert [pot.label for pot in book.pots()] == ["window left"]


def test_one_note_goes_to_many_pots_and_a_whole_shelf_is_filled(book):
    book.copy_pot("window left", ["window right", "window middle"], march(1))
    book.change_setup("window middle", {"shelf": "stairwell"}, march(2))
    book.add_note_for(["window left", "window middle"], {"time_ms": march(3), "kind": "flush", "amount_ml": 800})
    book.fill_shelf("east-window", march(4), detail={"found": "low"})
    assert [(n.pot, n.kind) for n in book.notes()] == [
        ("window left", "flush"),
        ("window middle", "flush"),
        ("window left", "refill"),
        ("window right", "refill"),
    ]
    with pytest.raises(Refused, match="No pot stood on “stairwell” at 2026-03-01"):
        book.fill_shelf("stairwell", march(1))


def test_the_table_of_notes_has_the_columns_of_the_file(book):
    book.add_notes([{"time_ms": march(6), "pot": "window left", "kind": "refill", "amount_ml": 450}, LOOK])
    frame = book.notes_frame()
    assert frame["time_ms"].tolist() == [march(5), march(6)]
    assert frame["dry_layer_high_mm"].tolist()[0] == 20.5
    assert np.isnan(frame["tips_growing"].tolist()[1])
    assert frame["detail"].tolist() == [{"mould": True}, None]
    assert frame["how"].tolist() == ["fingertip", None]
    assert book.notes_frame(kinds=["refill"])["amount_ml"].tolist() == [450.0]
    assert len(book.notes_frame("window left", since_ms=march(5), until_ms=march(6))) == 1


def test_every_write_changes_the_revision_and_no_reading_does(book):
    first = book.revision()
    book.notes_frame(), book.setups("window left"), book.export_setup()
    assert book.revision() == first
    note_id = book.add_note(LOOK)
    second = book.revision()
    book.withdraw_note(note_id, 1)
    assert len({first, second, book.revision()}) == 3


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"pot": "window lft"}, "There is no pot “window lft”; did you mean “window left”?"),
        ({"pot": None}, "a note of kind “inspection” needs a pot."),
        ({"kind": "inspect"}, "kind: “inspect” is not one of its words; did you mean “inspection”?"),
        ({"dry_layer_low_mm": 30}, "cannot be between 30 and 20.5 mm"),
        ({"tips_growing": 2.5}, "tips_growing: 2.5 is not a whole number."),
        ({"tips_growing": -1}, "tips_growing: -1 is not a whole number from 0"),
        ({"level_mm": float("inf")}, "level_mm: inf is not a number from 0"),
        ({"time_ms": 10**15}, "time_ms: 1000000000000000 is not a whole number from 0"),
        ({"detail": {"mold": True}}, "detail: there is no key “mold”; did you mean “mould”?"),
        ({"detail": {"ph": 7}}, "detail: there is no key “ph”"),
        ({"text": "x" * 20_001}, "text: it is 20001 characters long; 20000 is the most."),
        ({"levl_mm": 3}, "there is no key “levl_mm”; did you mean “level_mm”?"),
    ],
)
def test_a_note_that_makes_no_sense_is_refused_by_key(fresh, changes, sentence):
    logbook = fresh()
    logbook.put_pot({"label": "window left"})
    with pytest.raises(Refused) as refused:
        logbook.add_note({**LOOK, **changes})
    assert sentence in str(refused.value)
    assert logbook.notes() == []


def test_a_note_that_is_not_there_is_said_so(fresh):
    with pytest.raises(Unknown, match="There is no note 7"):
        fresh().note(7)


def test_script_in_a_note_is_kept_as_the_text_it_is(fresh):
    logbook = fresh()
    text = '<script>alert(1)</script> =HYPERLINK("x") \'); DROP TABLE note; -- {{7*7}}'
    logbook.add_note({"time_ms": march(1), "kind": "text", "text": text})
    assert logbook.notes()[0].text == text
