"""The grower: notes are honest, a little wrong, and in the form that the logbook reads."""

import numpy as np
import pandas as pd
import pytest

from ingest.logbook.notes_csv import notes_from_csv
from simulated_feeds.events import DAY_MS, Event, Scenario
from simulated_feeds.grower import depth_at, inspections, notes, notes_csv, seen_depths
from simulated_feeds.pots import World
from simulated_feeds.truth import Truth, simulate
from simulated_feeds.zoo import zoo

START_MS = 1_760_000_400_000
SCENARIO = Scenario(
    "some things",
    (
        Event("off for a week", "absence", START_MS + 10 * DAY_MS, START_MS + 17 * DAY_MS),
        Event("all holes closed", "setup", START_MS + 20 * DAY_MS, pot="pot 3", values={"vents": "none"}),
        Event("rinsed", "flush", START_MS + 21 * DAY_MS, pot="pot 4", values={"amount_ml": 300.0}),
        Event("unseen", "setup", START_MS + 22 * DAY_MS, pot="pot 5", values={"vents": "none"}, noted=False),
    ),
)


@pytest.fixture(scope="module")
def world() -> World:
    return zoo(6, 16)


@pytest.fixture(scope="module")
def truth(world: World) -> Truth:
    return simulate(world, SCENARIO, seed=6, start_ms=START_MS, days=40)


@pytest.fixture(scope="module")
def written(truth: Truth, world: World) -> pd.DataFrame:
    return notes(truth, world, SCENARIO, seed=6)


def test_what_is_seen_errs_by_two_to_three_and_a_half_millimetres() -> None:
    count = 4000
    true_mm = np.tile([7.0, 18.0, 40.0], count)
    seen = seen_depths(true_mm, np.arange(3 * count), np.full(3 * count, START_MS), 1)
    middle = (seen["dry_layer_low_mm"] + seen["dry_layer_high_mm"]) / 2.0
    for depth, sd in ((18.0, 2.5), (40.0, 3.5)):
        error = (middle[true_mm == depth] - depth).dropna()
        assert abs(error.mean()) < 0.2
        # 3 in 100 looks err 2.5 times as much, which widens the whole by 1.08
        assert error.std() == pytest.approx(1.08 * sd, rel=0.06)
    held = (seen["dry_layer_low_mm"] <= true_mm) & (true_mm <= seen["dry_layer_high_mm"])
    assert 0.9 < held[seen["dry_layer_low_mm"].notna()].mean() < 0.98
    assert 0.04 < (seen["how"] == "cannot_see").mean() < 0.08


def test_a_moist_surface_is_written_as_damp_at_top() -> None:
    seen = seen_depths(np.zeros(400), np.arange(400), np.full(400, START_MS), 1)
    assert set(seen["how"]) <= {"damp_at_top", "one_stone", "cannot_see"}
    damp = seen[seen["how"] == "damp_at_top"]
    assert len(damp) > 300
    assert (damp["dry_layer_high_mm"] == 0.0).all()


def test_the_logbook_reads_every_note(written: pd.DataFrame) -> None:
    read = list(notes_from_csv(notes_csv(written)).values())
    assert len(read) == len(written)
    assert [note.time_ms for note in read] == (written["time_ms"] // 1000 * 1000).tolist()
    kinds = written.groupby("kind").size()
    assert {"inspection", "refill", "flush", "feed", "holes", "absence"} == set(kinds.index)
    assert kinds["holes"] == 1


def test_most_refills_are_noted_some_with_millilitres_and_none_twice(truth: Truth, written: pd.DataFrame) -> None:
    refills = written[written["kind"] == "refill"]
    assert 0.65 < len(refills) / len(truth.refills.time_ms) < 0.95
    with_ml = refills["amount_ml"].notna()
    assert 0.2 < with_ml.mean() < 0.6
    assert not refills.duplicated(["pot", "time_ms"]).any()
    true_ml = {
        (truth.pots[pot], moment): ml
        for pot, moment, ml in zip(truth.refills.pot, truth.refills.time_ms, truth.refills.ml, strict=True)
    }
    for row in refills[with_ml].itertuples():
        near = [ml for (pot, moment), ml in true_ml.items() if pot == row.pot and 0 <= row.time_ms - moment < 600_000]
        assert row.amount_ml == pytest.approx(near[0], rel=0.2, abs=8.0)


def test_nobody_writes_while_everybody_is_away(written: pd.DataFrame) -> None:
    away = (written["time_ms"] > START_MS + 10 * DAY_MS) & (written["time_ms"] < START_MS + 17 * DAY_MS)
    assert not away.any()


def test_tips_grow_where_the_dry_layer_is_shallow_and_stop_where_it_is_deep(truth: Truth, world: World) -> None:
    pot = np.tile(np.arange(16), 6)
    moment = START_MS + DAY_MS * np.repeat(np.arange(10, 40, 5), 16)
    seen = inspections(truth, world, pot, moment, 6)
    beyond = depth_at(truth, pot, moment) - np.array([world.pots[one].hidden.rooting_depth_mm for one in pot])
    stopped = seen["tips_stalled"] + seen["tips_dried"]
    share = stopped / (stopped + seen["tips_growing"] + seen["tips_rotted"])
    assert share[beyond > 6.0].mean() > 0.7
    assert share[beyond < -6.0].mean() < 0.25
