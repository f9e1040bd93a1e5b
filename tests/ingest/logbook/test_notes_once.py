"""Notes that a device sends again, because the answer was lost, are kept once."""

from tests.ingest.conftest import march

LOOK = {
    "time_ms": march(5),
    "pot": "window left",
    "kind": "inspection",
    "dry_layer_low_mm": 10,
    "dry_layer_high_mm": 20.5,
    "how": "fingertip",
    "tips_growing": 1,
    "detail": {"algae": True},
}
OTHER = {"time_ms": march(5), "pot": "window left", "kind": "refill", "amount_ml": 300, "detail": {"found": "low"}}


def test_the_same_notes_sent_twice_are_kept_once_and_keep_their_numbers(book):
    first = book.add_notes_once([LOOK, OTHER])
    assert book.add_notes_once([LOOK, OTHER]) == first
    assert len(book.notes()) == 2


def test_twins_in_one_batch_are_two_notes_and_still_two_when_sent_again(book):
    first = book.add_notes_once([LOOK, LOOK])
    assert len(set(first)) == 2
    assert book.add_notes_once([LOOK, LOOK]) == first


def test_a_note_that_differs_in_a_word_or_a_moment_is_another_one(book):
    first = book.add_notes_once([LOOK])
    later = book.add_notes_once([{**LOOK, "time_ms": march(5) + 1}, {**LOOK, "text": "dry"}])
    assert len({*first, *later}) == 3


def test_what_was_corrected_or_withdrawn_since_does_not_come_back(book):
    moved, gone = book.add_notes_once([LOOK, OTHER])
    book.correct_note(moved, 1, {"time_ms": march(6), "text": "it was the day after"})
    book.withdraw_note(gone, 1)
    assert book.add_notes_once([LOOK, OTHER]) == [moved, gone]
    assert [note.id for note in book.notes()] == [moved]


def test_a_note_that_was_corrected_into_the_words_of_another_does_not_stand_for_it(book):
    (first,) = book.add_notes_once([{**LOOK, "text": "slip of the pen"}])
    book.correct_note(first, 1, {"text": None})
    (second,) = book.add_notes_once([LOOK])
    assert second != first
