"""Copies of a readings store that were cut short or damaged: found out before anyone trusts them."""

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from ingest.readings import DAY_MS, Reading, StoreTorn, UnreadMessage
from ingest.readings.sqlite import SqliteReadings, refuse_torn

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
PAGE = 4096


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A whole copy with packed days, fresh rows and an unread message."""
    with closing(SqliteReadings(tmp_path / "readings.sqlite")) as store:
        rng = np.random.default_rng(11)
        for source in ("a#", "b#"):
            values = np.round(20 + rng.normal(0, 1, 2000), 2)
            store.append([Reading(source, T0 + step * 120_000, value) for step, value in enumerate(values.tolist())])
        store.seal(T0 + 2 * DAY_MS)
        store.append(unread=[UnreadMessage("odd", b"{" * 500, T0, "not JSON")])
        store.backup(tmp_path / "copy.sqlite")
    refuse_torn(tmp_path / "copy.sqlite")
    return tmp_path / "copy.sqlite"


def test_a_copy_cut_short_anywhere_is_refused(copy: Path) -> None:
    whole = copy.read_bytes()
    for length in (0, 10, 100, PAGE, *range(PAGE + 1, len(whole), len(whole) // 9), len(whole) - PAGE, len(whole) - 1):
        copy.write_bytes(whole[:length])
        with pytest.raises(StoreTorn, match=r"copy\.sqlite"):
            refuse_torn(copy)


def test_a_copy_with_any_page_of_zeros_is_refused(copy: Path) -> None:
    whole = copy.read_bytes()
    unnoticed = []
    used = [begin for begin in range(0, len(whole), PAGE) if any(whole[begin : begin + PAGE])]
    for begin in used:
        copy.write_bytes(whole[:begin] + bytes(PAGE) + whole[begin + PAGE :])
        try:
            refuse_torn(copy)
        except StoreTorn:
            continue
        unnoticed.append(begin // PAGE + 1)
    print(f"pages in use {len(used)}, found damaged {len(used) - len(unnoticed)}")
    assert unnoticed == []


def test_a_single_flipped_bit_in_a_packed_day_is_named(copy: Path) -> None:
    with closing(SqliteReadings(copy, read_only=True)) as store, store._connections.reading() as db:
        body = db.execute("SELECT body FROM chunk ORDER BY key LIMIT 1").fetchone()[0]
    whole = copy.read_bytes()
    at = whole.index(body) + len(body) // 2
    copy.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
    with pytest.raises(StoreTorn, match=r"The sealed day 2026-01-01 of a# is damaged\."):
        refuse_torn(copy)
