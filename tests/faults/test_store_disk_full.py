"""A full disk under the readings store: a clear refusal, nothing half written, and on it goes once there is room.

Twice: a tiny file system of memory, which needs the right to mount one, and a limit on the size of files, which
needs nothing but shows the trouble as another error of the operating system.
"""

import os
import resource
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from ingest.readings import Reading, StoreFull, UnreadMessage
from ingest.readings.sqlite import SqliteReadings

T0 = 1_767_225_600_000  # 2026-01-01T00:00Z
AIR = "glasshouse/east/air#temp"


def batch(number: int) -> list[Reading]:
    return [Reading(AIR, T0 + number * 200 + step, float(number)) for step in range(200)]


def append_until_refused(store: SqliteReadings, number: int, refusals: int) -> tuple[int, str]:
    """Append batch after batch, a refused one again; returns which was refused last, and how.

    After a refusal a batch may fit once more, when the log has been emptied into the file meanwhile.
    """
    for _ in range(1000):
        try:
            store.append(batch(number), unread=[UnreadMessage("odd", bytes(100), T0, "not JSON")])
        except StoreFull as refusal:
            refusals -= 1
            if refusals == 0:
                return number, str(refusal)
        else:
            number += 1
    raise AssertionError(f"the disk took {number} batches without filling up")


def fill_up_then_go_on(store: SqliteReadings, make_room: Callable[[], None]) -> None:
    """Append until the disk is full, see that nothing of refused batches is there, make room, append them again."""
    number, words = append_until_refused(store, 0, refusals=4)
    assert number > 3
    assert words.startswith(f"There is no room left on the disk for the readings store {store.path};")
    kept = store.read([AIR], T0, T0 + 10**9)[AIR][0]
    assert kept.tolist() == list(range(T0, T0 + number * 200))
    assert store.unread_count().kept == number
    make_room()
    for later in (number, number + 1, number + 2):
        store.append(batch(later))
    assert store.read([AIR], T0, T0 + 10**9)[AIR][0].tolist() == list(range(T0, T0 + (number + 3) * 200))
    assert store.integrity() == []
    print(f"batches kept before the disk was full {number}, after there was room again {number + 3}, lost 0")


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "tiny"
    place.mkdir()
    mount = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(place)], capture_output=True)
    if mount.returncode != 0:
        pytest.skip(f"a file system of memory cannot be mounted here: {mount.stderr.decode().strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_refuses_a_batch_and_loses_nothing(tiny_disk: Path) -> None:
    ballast = tiny_disk / "ballast"
    ballast.write_bytes(bytes(3_600_000))
    with closing(SqliteReadings(tiny_disk / "readings.sqlite")) as store:
        fill_up_then_go_on(store, ballast.unlink)


def test_a_limit_on_the_size_of_files_refuses_a_batch_and_loses_nothing(tmp_path: Path) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with closing(SqliteReadings(tmp_path / "readings.sqlite")) as store:
        resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, hard))
        try:
            fill_up_then_go_on(store, lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard)))
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_sealing_and_a_backup_on_a_full_disk_are_refused_and_lose_nothing(tiny_disk: Path) -> None:
    ballast = tiny_disk / "ballast"
    with closing(SqliteReadings(tiny_disk / "readings.sqlite")) as store:
        for number in range(20):
            store.append(batch(number))
        before = store.read([AIR], T0, T0 + 10**9)[AIR][0].tolist()
        room = os.statvfs(tiny_disk)
        ballast.write_bytes(bytes(room.f_bavail * room.f_frsize))
        with pytest.raises(StoreFull):
            store.seal(T0 + 10**9)
        with pytest.raises(Exception, match=r"The backup .*copy\.sqlite could not be written"):
            store.backup(tiny_disk / "copy.sqlite")
        assert store.read([AIR], T0, T0 + 10**9)[AIR][0].tolist() == before
        ballast.unlink()
        assert store.seal(T0 + 10**9) == 1
        store.backup(tiny_disk / "copy.sqlite")
        assert store.read([AIR], T0, T0 + 10**9)[AIR][0].tolist() == before
