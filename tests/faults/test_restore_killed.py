"""A restore that is killed: the home is the old one or the new one, whole, as soon as anybody opens it again."""

import io
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from PIL import Image

from ingest.backup import backup, restore, scheduled_backup
from ingest.home import open_home
from ingest.logbook.photos import keep_photo, photo_names
from ingest.logbook.refusals import Refused
from ingest.readings import Reading

ROOT = Path(__file__).parents[2]
#: Dies, as by kill -9, at its n-th renaming or removing: what is written so far is all that stays.
KILLED = """
import os, shutil, sys
from pathlib import Path
from ingest.backup import restore
left = int(sys.argv[3])
def dying(true):
    def called(*args, **more):
        global left
        left -= 1
        if left < 0:
            os._exit(9)
        return true(*args, **more)
    return called
Path.rename, shutil.rmtree = dying(Path.rename), dying(shutil.rmtree)
restore(Path(sys.argv[1]), Path(sys.argv[2]), overwrite=True, at_ms=7)
"""


def filled(folder: Path, words: str, photos: int) -> Path:
    with closing(open_home(folder)) as home:
        home.logbook.add_note({"time_ms": 1, "kind": "text", "text": words})
        home.readings.append([Reading(f"{words}#", 1_780_000_000_000, 1.0)])
        (folder / "dryline.toml").write_text(f'[dashboard]\ntitle = "{words}"\n', encoding="utf-8")
        for number in range(photos):
            picture = io.BytesIO()
            Image.new("RGB", (8, 8 + number)).save(picture, "PNG")
            picture.seek(0)
            keep_photo(folder / "photos", picture)
    return folder


def told(folder: Path) -> tuple[str, list[str], str, int]:
    """Which home it is, by each of its parts."""
    with closing(open_home(folder)) as home:
        (note,) = home.logbook.notes()
        photos = photo_names(folder / "photos")
        return str(note.text), sorted(home.readings.latest()), home.settings.dashboard.title, len(photos)


def kill_at(tmp_path: Path, steps: range) -> list[str]:
    """Kill restores at each of these steps; returns which home was there afterwards."""
    archive = tmp_path / "new.zip"
    backup(filled(tmp_path / "new", "new", 2), archive)
    found = []
    for step in steps:
        folder = filled(tmp_path / f"old-{step}", "old", 1)
        command = [sys.executable, "-c", KILLED, str(archive), str(folder), str(step)]
        code = subprocess.run(command, cwd=ROOT).returncode
        assert code in (0, 9)
        which = told(folder)
        assert which in (("old", ["old#"], "old", 1), ("new", ["new#"], "new", 2))
        assert not list(folder.glob(".restoring-*"))
        if which[0] == "new":
            assert told(folder / "before-restore-7")[0] == "old"
        found.append(which[0] if code else "whole")
    return found


def test_a_restore_killed_in_the_middle_is_finished_by_who_opens_the_home_next(tmp_path: Path):
    assert set(kill_at(tmp_path, range(1, 9, 3))) == {"new"}


@pytest.mark.long
def test_a_restore_killed_at_any_step_leaves_a_whole_home(tmp_path: Path):
    found = kill_at(tmp_path, range(14))
    print(f"\nrestores killed {sum(which != 'whole' for which in found)}, each left a whole home: {found}")
    assert set(found) == {"new", "whole"}


def test_a_restore_killed_before_it_touched_anything_leaves_the_old_home(tmp_path: Path):
    folder = filled(tmp_path / "home", "old", 1)
    half = folder / ".restoring-killed"
    half.mkdir()
    (half / "readings.db").write_bytes(b"half unpacked")
    assert told(folder) == ("old", ["old#"], "old", 1)
    assert not half.exists()


def test_a_restore_under_way_keeps_others_out(tmp_path: Path):
    folder = filled(tmp_path / "home", "old", 1)
    archive = tmp_path / "home.zip"
    backup(folder, archive)
    holder = (
        "import sys; from pathlib import Path; from ingest.backup import _held\n"
        "with _held(Path(sys.argv[1])): print('held', flush=True); sys.stdin.readline()"
    )
    (folder / ".restoring-busy").mkdir()
    command = [sys.executable, "-c", holder, str(folder / ".restoring-busy")]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"held\n"
        with pytest.raises(Refused, match="is being restored"):
            open_home(folder)
        process.communicate(b"\n")
    assert told(folder)[0] == "old"
    restore(archive, tmp_path / "again")


def test_what_killed_backups_left_is_swept_after_a_day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    folder, copies = filled(tmp_path / "home", "old", 0), tmp_path / "copies"
    copies.mkdir()
    (copies / ".dryline-abc_123").mkdir()
    (copies / ".dryline-0000000000001.zip.42.half").write_bytes(b"half")
    (copies / "mine.txt").write_text("stays")
    scheduled_backup(folder, copies, 24, 1_780_000_000_000)
    assert len(list(copies.glob(".dryline-*"))) == 2
    monkeypatch.setattr("ingest.backup._LEFT_FOR_S", -1.0)
    scheduled_backup(folder, copies, 24, 1_780_000_000_001)
    assert sorted(path.name for path in copies.iterdir()) == ["dryline-1780000000000.zip", "mine.txt"]
