"""Whatever bytes come through a door of the logbook: taken in, or refused in sentences; never a crash, never half."""

import shutil
from contextlib import closing

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.backup import restore
from ingest.logbook import Fault, Logbook, Refused
from ingest.readings.sqlite import SqliteReadings
from ingest.readings_csv import import_readings

NOTES = """time,pot,kind,level_mm,tips_new,how,text,detail
2026-03-01T09:00:00Z,window left,refill,12.5,3,deeper,"a;b",
"""
READINGS = "time,place,quantity,value,unit\n2026-03-01T09:00:00Z,stairwell/window left,reservoir_level,12.5,mm\n"
SETUP = """
[[shelf]]
label = "east"
[[sensor]]
topic = "a"
payload = "senml"
field = "b"
quantity = "battery"
unit = "%"
placed = [{from = 2026-03-01T00:00:00Z, at = "stairwell"}]
[[pot]]
label = "window right"
[[pot.setup]]
from = 2026-03-01T09:00:00Z
shelf = "stairwell"
layers = [{thickness_mm = 110, mix = {expanded_clay = 0.5, pumice = 0.5}}]
vents = {count = 12}
"""
# Pieces that have hurt readers of such files before.
PIECES = ["\x00", '"', "'", ";", "\t", "\n", "\r", "\ufeff", "[", "]]", "{", "}", "=", "1e999", "-1", "nan", "9" * 400]
PIECES += ["2026-02-30", "0000-00-00T00:00Z", "\U0001f98b", "\udc80", "true", "[" * 2000, "a." * 500, "label", "#", "%"]


@st.composite
def bent(draw: st.DrawFn, original: str) -> bytes:
    """A good file with some pieces put in, cut out or doubled; now and then just bytes."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.binary(max_size=200))
    text = original
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        end = draw(st.integers(start, min(len(text), start + 12)))
        piece = draw(st.sampled_from(PIECES) | st.text(max_size=4) | st.just(text[start:end] * 2))
        text = text[:start] + piece + text[end:]
    encoding = draw(st.sampled_from(["utf-8", "utf-8", "utf-8-sig", "utf-16", "latin-1"]))
    return text.encode(encoding, "replace" if encoding == "latin-1" else "surrogatepass")


@pytest.fixture(scope="module")
def stores(tmp_path_factory):
    folder = tmp_path_factory.mktemp("poison")
    with (
        closing(Logbook(f"sqlite:///{folder / 'logbook.db'}")) as logbook,
        closing(SqliteReadings(folder / "readings.db")) as readings,
    ):
        logbook.put_shelf({"label": "stairwell"})
        logbook.put_pot({"label": "window left"})
        yield logbook, readings


def state(logbook, readings):
    return logbook.export_setup(), logbook.export_notes(), readings.sources()


def through(stores, original, door, examples: int) -> tuple[int, int]:
    """How many bent files one door took in and how many it refused; anything else fails."""
    logbook, readings = stores
    answers = []

    @given(bent(original))
    @settings(max_examples=examples, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    def knock(body):
        before = state(logbook, readings)
        faults: tuple[Fault, ...] = ()
        try:
            door(body)
            answers.append("taken")
        except Refused as error:
            answers.append("refused")
            faults = error.faults
        if faults:
            assert all(fault.says.strip() and "Traceback" not in fault.says for fault in faults)
        assert (answers[-1] == "refused") == bool(faults)
        assert state(logbook, readings) == before  # it was only tried

    knock()
    return answers.count("taken"), answers.count("refused")


def poison(stores, examples: int, capsys) -> None:
    counts = [through(stores, original, door, examples) for original, door in doors(stores)]
    taken, refused = (sum(column) for column in zip(*counts, strict=True))
    assert min(taken, refused) > 0
    with capsys.disabled():
        print(f"\nimports: {taken + refused} bent files, {taken} taken in, {refused} refused in sentences, no crash")


def doors(stores):
    logbook, readings = stores
    return [
        (NOTES, lambda body: logbook.import_notes(body, keep=False)),
        (SETUP, lambda body: logbook.import_setup(body, keep=False)),
        (READINGS, lambda body: import_readings(body, "poison", logbook, readings, keep=False)),
    ]


def test_no_file_breaks_an_import(stores, capsys):
    poison(stores, 60, capsys)


@pytest.mark.long
def test_no_file_of_many_breaks_an_import(stores, capsys):
    poison(stores, 3000, capsys)


@given(st.binary(max_size=300).map(lambda body: b"PK\x03\x04" + body) | st.binary(max_size=300))
@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
def test_no_rubbish_is_restored(tmp_path, body):
    (tmp_path / "x.zip").write_bytes(body)
    with pytest.raises(Refused, match="is not a whole backup of dryline"):
        restore(tmp_path / "x.zip", tmp_path / "home")
    shutil.rmtree(tmp_path / "home")
