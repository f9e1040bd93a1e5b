"""Whatever is done in whatever order: no overlap, nothing lost, corrections keep history.

A state machine drives a real logbook and keeps a plain model beside it: what was entered, every version of every note,
and for every pot the set-up that must be in force at each moment, worked out by folding the standing changes.
"""

import shutil
import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any, ClassVar

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, initialize, invariant, multiple, rule

from ingest.logbook import Logbook, Overlap, Refused
from ingest.logbook.records import merged
from tests.ingest.conftest import march
from tests.ingest.logbook.programs import POTS, SHELVES, changes, furnish_all, notes, setups, times

PROBES = [march(1) - 1, *(march(day, 12) for day in range(1, 29)), march(28)]
pots = st.sampled_from(POTS[:2])


class LogbookMachine(RuleBasedStateMachine):
    """The logbook against its model."""

    empty_file: ClassVar[Path]
    logged = Bundle("logged")

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="logbook"))
        shutil.copy(self.empty_file, self.folder / "logbook.db")
        self.book = Logbook(f"sqlite:///{self.folder / 'logbook.db'}")
        furnish_all(self.book)
        # For each pot the standing set-ups and changes by their first moment: (is it a full description, its keys).
        self.model: dict[str, dict[int, tuple[bool, dict[str, Any]]]] = {
            pot: {march(1): (True, {"shelf": "east-window"})} for pot in POTS
        }
        self.versions: dict[int, list[dict[str, Any]]] = {}
        self.opened: dict[int, tuple[str, int, dict[str, Any]]] = {}  # note -> pot, moment and keys of its change
        self.withdrawn: set[int] = set()
        self.placed: dict[int, str] = {}  # from that moment on it stood there; "" is nowhere
        self.revision = self.book.revision()

    def teardown(self) -> None:
        self.book.close()
        shutil.rmtree(self.folder)

    @initialize()
    def a_sensor_stands_somewhere(self) -> None:
        self.book.place_sensor("glasshouse/1#level", "east-window", march(1))
        self.placed[march(1)] = "east-window"

    @rule(pot=pots, setup=setups(), at=times)
    def describe(self, pot: str, setup: dict[str, Any], at: int) -> None:
        if self._owned(pot, at):
            return
        self.book.describe_setup(pot, setup, at)
        self.model[pot][at] = (True, setup)

    @rule(pot=pots, change=changes().filter(bool), at=times)
    def change(self, pot: str, change: dict[str, Any], at: int) -> None:
        self.book.change_setup(pot, change, at)
        self.model[pot][self._free(pot, at)] = (False, change)

    @rule(pot=pots, which=st.integers(0, 5))
    def withdraw_setup(self, pot: str, which: int) -> None:
        starts = sorted(self.model[pot])
        if not 0 < which < len(starts):
            return
        if self._owned(pot, starts[which]):
            with pytest.raises(Refused, match="correct or withdraw that note"):
                self.book.withdraw_setup(pot, starts[which])
            return
        self.book.withdraw_setup(pot, starts[which])
        del self.model[pot][starts[which]]

    @rule(target=logged, note=notes())
    def log(self, note: dict[str, Any]) -> int:
        note_id = self.book.add_note(note)
        self.versions[note_id] = [_said(self.book.note(note_id))]
        return note_id

    @rule(pot=pots, change=changes().filter(bool), at=times)
    def log_a_change(self, pot: str, change: dict[str, Any], at: int) -> None:
        if not self._alone(pot, at):
            return
        note_id = self.book.add_note({"time_ms": at, "pot": pot, "kind": "repot", "detail": {"change": change}})
        self.versions[note_id] = [_said(self.book.note(note_id))]
        self.opened[note_id] = (pot, at, change)
        self.model[pot][at] = (False, change)

    @rule(which=st.integers(0, 20), at=times)
    def correct_the_moment_of_a_change(self, which: int, at: int) -> None:
        standing = [note_id for note_id in self.opened if note_id not in self.withdrawn]
        if not standing:
            return
        note_id = standing[which % len(standing)]
        pot, before, change = self.opened[note_id]
        if not self._alone(pot, at):
            return
        corrected = self.book.correct_note(note_id, len(self.versions[note_id]), {"time_ms": at})
        self.versions[note_id].append(_said(corrected))
        del self.model[pot][before]
        self.opened[note_id] = (pot, at, change)
        self.model[pot][at] = (False, change)

    @rule(which=st.integers(0, 20))
    def withdraw_a_change(self, which: int) -> None:
        standing = [note_id for note_id in self.opened if note_id not in self.withdrawn]
        if standing:
            note_id = standing[which % len(standing)]
            pot, at, _ = self.opened[note_id]
            self.versions[note_id].append(_said(self.book.withdraw_note(note_id, len(self.versions[note_id]))))
            self.withdrawn.add(note_id)
            del self.model[pot][at]

    @rule(note_id=logged, note=notes())
    def correct(self, note_id: int, note: dict[str, Any]) -> None:
        before = self.book.note(note_id)
        after = self.book.correct_note(
            note_id, before.version or 0, {"time_ms": note["time_ms"], "text": note.get("text")}
        )
        if after.version != before.version:
            self.versions[note_id].append(_said(after))

    @rule(note_id=logged)
    def correct_an_old_version(self, note_id: int) -> None:
        version = len(self.book.note_history(note_id))
        try:
            self.book.correct_note(note_id, version - 1, {"text": "too late"})
        except Refused:
            return
        raise AssertionError("an old version was corrected")

    @rule(target=logged, note_id=consumes(logged))
    def withdraw_or_put_back(self, note_id: int) -> Any:
        note = self.book.note(note_id)
        (self.book.put_back_note if note.withdrawn else self.book.withdraw_note)(note_id, note.version or 0)
        self.withdrawn ^= {note_id}
        self.versions[note_id].append(_said(self.book.note(note_id)))
        return multiple(note_id)

    @rule(at=times, shelf=st.sampled_from(SHELVES))
    def move_the_sensor(self, at: int, shelf: str) -> None:
        self.book.place_sensor("glasshouse/1#level", shelf, at)
        self.placed[at] = shelf

    @rule(which=st.integers(0, 9), later=st.integers(-1, 9) | st.integers(0, 10**9), hours=st.integers(1, 200))
    def lend_the_sensor(self, which: int, later: int, hours: int) -> None:
        # Often close to where something else begins or ends, where mistakes would live.
        at = max(sorted(self.placed)[which % len(self.placed)] + later, march(1))
        end = at + hours * 3_600_000
        reached = [start for start, place in self.placed.items() if place and at < start < end]
        if reached:
            with pytest.raises(Overlap, match="would overlap the one"):
                self.book.place_sensor("glasshouse/1#level", "stairwell", at, end)
            return
        self.book.place_sensor("glasshouse/1#level", "stairwell", at, end)
        corrected = bool(self.placed.get(at))
        resumed = "" if corrected and self._within(at, end) else self._said_at(end)
        self.placed = {start: place for start, place in self.placed.items() if not at <= start < end}
        self.placed.setdefault(end, resumed)
        self.placed[at] = "stairwell"

    @rule(at=times)
    def put_the_sensor_away(self, at: int) -> None:
        if self._said_at(at) and at not in self.placed:
            self.book.unplace_sensor("glasshouse/1#level", at)
            self.placed[at] = ""

    @rule(which=st.integers(0, 9))
    def withdraw_a_placement(self, which: int) -> None:
        starts = sorted(start for start, place in self.placed.items() if place)
        at = starts[which % len(starts)]
        if len(starts) == 1:
            return
        self.book.withdraw_placement("glasshouse/1#level", at)
        before = [start for start in self.placed if start < at]
        if before and self.placed[max(before)]:
            del self.placed[at]  # the one before lasts on
        else:
            self.placed[at] = ""

    @invariant()
    def set_ups_never_overlap(self) -> None:
        for pot in POTS[:2]:
            _touching_or_apart([(s["from_ms"], s["to_ms"]) for s in self.book.setups(pot)])

    @invariant()
    def placements_never_overlap(self) -> None:
        _touching_or_apart([(p.from_ms, p.to_ms) for p in self._placements()])

    @invariant()
    def the_sensor_stood_where_it_was_said(self) -> None:
        for probe in {*PROBES, *self.placed, *(start - 1 for start in self.placed)}:
            assert self._placed_at(probe) == self._said_at(probe)

    @invariant()
    def every_moment_has_the_set_up_that_was_said(self) -> None:
        for pot in POTS[:2]:
            found = self.book.setups(pot)
            for probe in PROBES:
                there = [s for s in found if s["from_ms"] <= probe and (s["to_ms"] is None or probe < s["to_ms"])]
                body = [{k: v for k, v in s.items() if k not in ("from_ms", "to_ms")} for s in there]
                expected = self._folded(pot, probe)
                assert body == ([] if expected is None else [expected])

    @invariant()
    def every_note_and_every_version_is_there(self) -> None:
        standing = {note.id for note in self.book.notes()}
        assert standing == set(self.versions) - self.withdrawn
        for note_id, versions in self.versions.items():
            assert [_said(note) for note in self.book.note_history(note_id)] == versions

    @invariant()
    def the_revision_never_goes_back(self) -> None:
        revision = self.book.revision()
        assert revision >= self.revision
        self.revision = revision

    def _owned(self, pot: str, at: int) -> bool:
        """Whether a standing note opened the set-up of that moment."""
        return any((pot, at) == opened[:2] for note_id, opened in self.opened.items() if note_id not in self.withdrawn)

    def _alone(self, pot: str, at: int) -> bool:
        """Whether no set-up begins within one visit of a moment; how they join there has tests of its own."""
        return all(abs(start - at) > 1000 for start in self.model[pot])

    def _placements(self) -> Any:
        return self.book.sensor("glasshouse/1#level").placed

    def _placed_at(self, at: int) -> str:
        return next((p.at for p in self._placements() if p.from_ms <= at and (p.to_ms is None or at < p.to_ms)), "")

    def _said_at(self, at: int) -> str:
        before = [start for start in self.placed if start <= at]
        return self.placed[max(before)] if before else ""

    def _within(self, at: int, end: int) -> bool:
        """Whether the placement that begins at a moment lasts beyond another."""
        return not any(at < start <= end for start in self.placed)

    def _free(self, pot: str, at: int) -> int:
        while at in self.model[pot]:
            at += 1
        return at

    def _folded(self, pot: str, probe: int) -> dict[str, Any] | None:
        body: dict[str, Any] | None = None
        for start, (full, keys) in sorted(self.model[pot].items()):
            if start > probe:
                break
            body = keys if full else merged(body or {}, keys)
        return body


def _said(note: Any) -> dict[str, Any]:
    return {key: value for key, value in note.model_dump().items() if key != "id"}


def _touching_or_apart(spans: list[tuple[int, int | None]]) -> None:
    for (_, end), (start, _) in pairwise(spans):
        assert end is not None
        assert end <= start


def test_no_order_of_doings_makes_an_overlap_or_loses_a_word(empty_file):
    class Machine(LogbookMachine):
        pass

    Machine.empty_file = empty_file
    machine = Machine.TestCase
    machine.settings = settings(
        max_examples=15,
        stateful_step_count=20,
        deadline=None,
        derandomize=True,
        phases=[Phase.generate],  # twenty steps can be read as they are; making them fewer takes minutes
        suppress_health_check=list(HealthCheck),
    )
    machine().runTest()
