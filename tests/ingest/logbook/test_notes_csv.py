"""Notes as CSV: the round trip is exact, spreadsheets' habits are tolerated, every fault is named."""

import csv

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.logbook import Refused
from ingest.logbook.notes_csv import notes_from_csv
from ingest.logbook.records import checked_note
from ingest.logbook.refusals import named
from ingest.logbook.spreadsheets import armed, disarmed, number
from ingest.moments import zone_named
from tests.ingest.conftest import march
from tests.ingest.logbook.programs import furnish_all, notes, texts

HEADER = "time,pot,kind,dry_layer_low_mm,text\n"


@given(st.lists(notes(), max_size=8))
@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_notes_come_back_from_csv_exactly(fresh, tmp_path_factory, given_notes):
    name = tmp_path_factory.mktemp("round").name
    one, other = fresh(f"{name}-one.db"), fresh(f"{name}-other.db")
    for logbook in (one, other):
        furnish_all(logbook)
    one.add_notes(given_notes)
    text = one.export_notes()
    assert other.import_notes(text).added == len(given_notes)
    assert [_said(note) for note in other.notes()] == [_said(note) for note in one.notes()]
    assert other.export_notes() == text
    assert one.import_notes(text).added == 0  # what is there already is not added twice
    for logbook in (one, other):
        logbook.close()


def _said(note):
    return {key: value for key, value in note.given().items() if key not in ("id", "version")}


@given(texts)
@settings(max_examples=300, deadline=None, derandomize=True)
def test_a_disarmed_cell_comes_back_and_is_never_run(text):
    assert armed(disarmed(text)) == text
    assert disarmed(text)[:1] not in tuple("=+-@\t\r\n")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "'", "''", "'=1", "''=1", "'tis", "\t=1", "", "'\t"])
def test_awkward_cells_come_back(text):
    assert armed(disarmed(text)) == text


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_an_export_holds_no_cell_that_a_spreadsheet_would_run(fresh, delimiter):
    logbook = fresh()
    logbook.put_pot({"label": "=cmd|' /C calc'!A0"})
    for text in ("@SUM(A1)", "a;=1+1", 'a","=1+1', "a\n=1+1", "a\t=1", "a;'=1"):
        logbook.add_note({"time_ms": march(1), "pot": "=cmd|' /C calc'!A0", "kind": "text", "text": text})
    cells = [cell for row in csv.reader(logbook.export_notes().splitlines(), delimiter=delimiter) for cell in row]
    assert len(cells) > 6
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "-", "@")]


@pytest.mark.parametrize(
    "body",
    [
        "time,pot,kind,level_mm,text\r\n2026-03-01T09:00:00Z,window left,refill,12.5,ü; x\r\n",
        'time;kind;pot;level_mm;text\n2026-03-01T09:00:00Z;refill;window left;12,5;"ü; x"\n',
        "time\tkind\tpot\tlevel_mm\ttext\t\t\n2026-03-01 10:00+01:00\tRefill\twindow left\t12.5\tü; x\t\t\n\n\n",
        "text,level_mm,kind,pot,time\nü; x,12.5,refill,window left,2026-03-01T10:00\n,,,,\n",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-8", "utf-16"])
def test_the_habits_of_spreadsheets_are_tolerated(body, encoding):
    expected = {"time_ms": march(1, 9), "pot": "window left", "kind": "refill", "level_mm": 12.5, "text": "ü; x"}
    found = notes_from_csv(body.encode(encoding), zone_named("Europe/Madrid"))
    assert found == {2: checked_note(expected)}


@pytest.mark.parametrize(
    ("cell", "value"), [("12,5", 12.5), ("0,125", 0.125), ("-,5", -0.5), ("1e3", 1000), ("1234,5", 1234.5), ("+3.", 3)]
)
def test_decimal_commas_are_read_where_they_are_beyond_doubt(cell, value):
    assert number(cell) == value


@pytest.mark.parametrize("cell", ["1,250", "-12,000", "1.234,5", "1 000", "1_000", "0x10", "nan", "inf", "", "١"])
def test_numbers_that_could_mean_two_things_are_refused(cell):
    with pytest.raises(ValueError, match=r"is not a number|could be"):
        number(cell)


@pytest.mark.parametrize(
    ("body", "sentences"),
    [
        ("", ["The file is empty; its first row names the columns: time, pot, kind"]),
        (
            "time,kind,dry_layer_lo_mm\n",
            ["row 1: there is no column “dry_layer_lo_mm”; did you mean “dry_layer_low_mm”?"],
        ),
        ("time,kind,kind\n", ["row 1: the column “kind” stands twice."]),
        ("pot,text\n", ["row 1: the column “time” is missing.", "row 1: the column “kind” is missing."]),
        (
            HEADER + '2026-03-01 09:00,window left,refill,,\n\nnever,window left,refil,"1,250",x\n',
            [
                "row 2, column time: 2026-03-01T09:00:00 says no time zone",
                "row 4, column time: 'never' is not a time like 2026-03-01T09:00:00Z.",
                "row 4, column dry_layer_low_mm: “1,250” could be 1.250 or 1250; write it with a point.",
                "row 4, column kind: “refil” is not one of its words; did you mean “refill”?",
            ],
        ),
        (HEADER + "2026-03-01T09:00:00Z,a,refill,1,x,y\n", ["row 2: it has 6 cells for 5 columns."]),
        (HEADER + "2026-03-01T09:00:00Z,,refill\n", ["row 2: a note of kind “refill” needs a pot."]),
        (HEADER + '2026-03-01T09:00:00Z,a,text,"\n', ["Row 2 cannot be read as CSV: unexpected end of data."]),
        ("time,kind,detail\n2026-03-01T09:00:00Z,text,{a}\n", ["row 2, column detail: it is not JSON"]),
        ("time,kind,detail\n2026-03-01T09:00:00Z,text,[]\n", ["row 2, column detail: it is not a JSON object"]),
        ('time,kind,detail\n2026-03-01T09:00:00Z,text,"{""x"":1}"\n', ["row 2, column detail: there is no key “x”"]),
        (
            "time,pot,kind,tips_new\n2026-03-01T09:00:00Z,a,inspection,2.5\n",
            ["column tips_new: “2.5” is not a whole number"],
        ),
        (
            b"time,kind\n\xff\xe9,text\n",
            ["The file is not UTF-8 text (byte 11 cannot be read)"],
        ),
        ("time,kind\n2201-01-01T00:00:00Z,text\n", ["is not between 1970 and 2200."]),
    ],
)
def test_every_fault_of_a_file_is_named_by_row_and_column(fresh, body, sentences):
    logbook = fresh()
    with pytest.raises(Refused) as refused:
        logbook.import_notes(body)
    for sentence in sentences:
        assert sentence in str(refused.value)
    assert len(refused.value.faults) == len(sentences)
    assert logbook.notes() == []


def test_an_import_is_all_or_nothing_and_can_be_tried(fresh):
    logbook = fresh()
    logbook.put_pot({"label": "window left"})
    good = "time,pot,kind\n2026-03-01T09:00:00Z,window left,refill\n"
    revision = logbook.revision()
    assert logbook.import_notes(good, keep=False).added == 1
    with pytest.raises(Refused) as refused:
        logbook.import_notes(good + 2 * "2026-03-02T09:00:00Z,window right,refill\n")
    assert [fault.where for fault in refused.value.faults] == ["row 3, column pot", "row 4, column pot"]
    assert "There is no pot “window right”; did you mean “window left”?" in str(refused.value)
    assert (logbook.notes(), logbook.revision()) == ([], revision)
    assert logbook.import_notes(good).added == 1


def test_a_file_s_new_notes_are_of_the_past_and_of_sizes_that_pots_have(fresh):
    logbook = fresh()
    logbook.put_pot({"label": "window left"})
    logbook.add_note({"time_ms": march(1), "pot": "window left", "kind": "refill", "level_mm": 99999})
    body = (
        "time,pot,kind,level_mm,amount_ml,detail\n"
        "2026-03-01T00:00:00Z,window left,refill,99999,,\n"  # stands so already
        "2026-03-03T00:00:00Z,window left,refill,99998,,\n"
        '2026-03-09T00:00:00Z,window left,refill,,200000,"{""level_before_mm"": 2001}"\n'
        "2026-03-09T00:00:00Z,,absence,,,\n"
        "2026-03-04T00:00:00Z,window right,refill,2000,,\n"
    )
    with pytest.raises(Refused) as refused:
        logbook.import_notes(body, at_ms=march(4))
    assert [str(fault) for fault in refused.value.faults[:4]] == [
        "row 3, column level_mm: 99998 mm is too much: 2000 mm is the most.",
        "row 4, column time: 2026-03-09T00:00:00Z is still to come: it is 2026-03-04T00:00:00Z.",
        "row 4, column amount_ml: 200000 mL is too much: 100000 mL is the most.",
        "row 4, column detail.level_before_mm: 2001 mm is too much: 2000 mm is the most.",
    ]
    assert [fault.where for fault in refused.value.faults[4:]] == ["row 6, column pot"]
    assert len(logbook.notes()) == 1
    assert logbook.import_notes(logbook.export_notes(), at_ms=march(1)).added == 0


def test_of_many_faults_the_first_are_said_and_the_rest_counted(fresh):
    with pytest.raises(Refused) as refused:
        fresh().import_notes("time,kind\n" + 50 * "2026-03-01T09:00:00Z,refil\n")
    lines = str(refused.value).splitlines()
    assert len(refused.value.faults) == 50
    assert lines[0].startswith("row 2, column kind:")
    assert (len(lines), lines[-1]) == (21, "and 30 more.")


def test_notes_that_do_not_fit_the_history_are_named_by_row(fresh):
    logbook = fresh()
    logbook.put_shelf({"label": "stairwell"})
    logbook.put_pot({"label": "window left"})
    logbook.describe_setup("window left", {"shelf": "stairwell"}, march(5))
    body = (
        "time,pot,kind,detail\n"
        '2026-03-04T00:00:00Z,window left,wick,"{""change"": {""wick"": ""one""}}"\n'
        "2026-03-09T00:00:00Z,window left,died,\n"
        "2026-03-07T00:00:00Z,window left,gone,\n"
    )
    with pytest.raises(Refused) as refused:
        logbook.import_notes(body)
    assert [str(fault).split(" ", 6)[:2] for fault in refused.value.faults] == [["row", "2:"], ["row", "3:"]]
    assert "“window left” has no set-up before 2026-03-04T00:00:00Z" in str(refused.value)
    assert "row 3: “window left” is already noted as gone since 2026-03-07" in str(refused.value)
    assert logbook.notes() == []


@pytest.mark.parametrize(
    ("time", "sentence"),
    [
        ("2026-03-29T02:30", "does not exist in that zone: the clocks skip it."),
        ("2026-10-25T02:30", "happens twice in that zone: write its offset from UTC."),
    ],
)
def test_an_hour_that_the_clocks_skip_or_repeat_is_asked_back(time, sentence):
    with pytest.raises(Refused) as refused:
        notes_from_csv(f"time,kind\n{time},text\n", zone_named("Europe/Madrid"))
    assert sentence in str(refused.value)


def test_a_label_is_refused_as_it_is_written_and_nothing_hides_in_it(fresh):
    body = 'time,pot,kind\n2026-03-01T09:00:00Z,"west/""sill"" \'1\'",refill\n'
    with pytest.raises(Refused) as refused:
        fresh().import_notes(body)
    assert "There is no pot “west/\"sill\" '1'”;" in str(refused.value)
    assert named("a\x1b[2J\u202eb") == "“a\\x1b[2J\\u202eb”"
    assert named(-12) == "-12"
