"""Local midnights: the edges of the grower's days, through the nights on which clocks change."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from ingest.moments import midnights, ms_of_text

HOUR_MS = 3_600_000


def days_about(text: str, zone: str, days: int = 3) -> np.ndarray:
    start_ms = ms_of_text(text)
    return midnights(start_ms, start_ms + days * 24 * HOUR_MS, ZoneInfo(zone))


# The European Union changes its clocks at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC,
# articles 1 to 3); in 2026 these are 29 March and 25 October.
@pytest.mark.parametrize(("start", "hours"), [("2026-03-28T12:00:00Z", 23), ("2026-10-24T12:00:00Z", 25)])
def test_the_day_on_which_the_clocks_change_is_an_hour_shorter_or_longer(start: str, hours: int):
    edges = days_about(start, "Europe/Vienna")
    assert (np.diff(edges) / HOUR_MS).tolist() == [24, hours, 24]
    for edge in edges.tolist():
        local = datetime.fromtimestamp(edge / 1000, ZoneInfo("Europe/Vienna"))
        assert (local.hour, local.minute) == (0, 0)


def test_a_day_whose_midnight_is_skipped_begins_at_what_follows():
    # Chile set its clocks forward from 24:00 on Saturday 6 September 2025 (tz database, zone America/Santiago).
    edges = days_about("2025-09-06T12:00:00Z", "America/Santiago")
    local = [datetime.fromtimestamp(edge / 1000, ZoneInfo("America/Santiago")) for edge in edges.tolist()]
    assert [moment.hour for moment in local] == [0, 1, 0, 0]
    assert (np.diff(edges) / HOUR_MS).tolist() == [24, 23, 24]


def test_the_first_midnight_is_at_or_before_the_start_and_the_last_at_or_before_the_end():
    start_ms = ms_of_text("2026-05-03T10:00:00Z")
    edges = midnights(start_ms, start_ms, ZoneInfo("Asia/Kolkata"))
    assert datetime.fromtimestamp(int(edges[0]) / 1000, UTC).isoformat() == "2026-05-02T18:30:00+00:00"
    assert edges.size == 1
