"""The command line as a person or a service manager meets it: real processes, exit codes, one sentence when misused."""

import importlib
import json
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
import typer.main

from dryline import REFUSALS, app
from ingest.broker import free_port
from ingest.home import open_home
from ingest.readings import UnreadMessage
from tests.dashboard.answers.small_home import home_with, march

PATIENCE_S = 60.0
COMMAND = [sys.executable, "-m", "dryline"]


def dryline(*words: str | Path, **variables: str) -> subprocess.CompletedProcess[str]:
    """One command to its end."""
    environment = {name: value for name, value in os.environ.items() if name != "DRYLINE_HOME"} | variables
    return subprocess.run([*COMMAND, *map(str, words)], capture_output=True, text=True, env=environment, timeout=120)


def refused(done: subprocess.CompletedProcess[str]) -> str:
    """The one sentence of a command that was used wrongly."""
    assert done.returncode == 2, done
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("dryline: ")
    return lines[0]


@pytest.fixture(scope="module")
def one_pot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with a pot that was set up in March 2026."""
    folder = tmp_path_factory.mktemp("one-pot")
    home = home_with(folder, [])
    with home.logbook.writing():
        home.logbook.put_pot({"label": "window left", "plant": "Cattleya hybrid"})
        home.logbook.describe_setup("window left", {"shelf": "east-window", "pot": {"size_cm": 12}}, march(10))
    home.close()
    return folder


# --- help ---


def test_help_fits_a_terminal_of_80_by_24():
    done = dryline("--help", COLUMNS="80")
    lines = done.stdout.rstrip("\n").splitlines()
    assert done.returncode == 0
    assert len(lines) <= 23
    assert max(map(len, lines)) <= 80


def test_every_command_has_help_of_one_line():
    commands = {f"{group} {name}".strip(): command for group, name, command in every_command()}
    assert {"pots", "check", "run", "import setup", "export readings"} <= set(commands)
    for name, command in commands.items():
        assert command.help, name
        assert "\n" not in command.help.strip(), name


def every_command() -> Iterator[tuple[str, str, typer.core.TyperCommand]]:
    top = typer.main.get_command(app)
    for name, command in top.commands.items():  # type: ignore[attr-defined]
        if hasattr(command, "commands"):
            for inner, leaf in command.commands.items():
                yield name, inner, leaf
        else:
            yield "", name, command


# --- answers ---


def test_the_table_has_a_head_and_a_line_a_pot(one_pot: Path):
    done = dryline("pots", "--home", one_pot)
    head, line = done.stdout.splitlines()
    assert head.startswith("pot ")
    assert line.startswith("window left  east-window")


def test_the_home_comes_from_the_environment_and_an_option_outranks_it(one_pot: Path, tmp_path: Path):
    by_variable = dryline("pots", "--json", DRYLINE_HOME=str(one_pot))
    assert (by_variable.returncode, by_variable.stderr) == (0, "")
    (pot,) = json.loads(by_variable.stdout)["pots"]
    assert (pot["pot"], pot["shelf"]) == ("window left", "east-window")
    outranked = dryline("pots", "--json", "--home", tmp_path, DRYLINE_HOME=str(one_pot))
    assert json.loads(outranked.stdout)["pots"] == []


def test_an_answer_as_of_a_moment_before_the_pot_was_set_up_does_not_know_it(one_pot: Path):
    before = json.loads(dryline("pots", "--home", one_pot, "--json", "--at", "2026-03-09T12:00:00Z").stdout)
    after = json.loads(dryline("pots", "--home", one_pot, "--json", "--at", "2026-03-11T12:00:00Z").stdout)
    assert (before["at_ms"], before["pots"]) == (march(9, 12), [])
    assert [pot["pot"] for pot in after["pots"]] == ["window left"]


def test_an_absence_of_two_days_ends_with_the_second_and_one_of_two_times_at_the_second(one_pot: Path):
    def away(span: str) -> dict[str, Any]:
        done = dryline("round", "--away", span, "--at", "2026-03-12T09:00:00Z", "--home", one_pot, "--json")
        assert done.returncode == 0, done.stderr
        planned: dict[str, Any] = json.loads(done.stdout)["away"]
        return planned

    of_days = away("2026-03-14..2026-03-20")
    assert (of_days["from"], of_days["to"], of_days["days"]) == ("2026-03-14", "2026-03-20", 7.0)
    assert away("2026-03-14T08:00..2026-03-20T20:00")["days"] == pytest.approx(6.5)


def test_a_person_at_a_terminal_is_told_that_something_takes_long_and_a_pipe_is_not(one_pot: Path):
    # Told at once here, instead of after two seconds.
    words = f"import sys, dryline; dryline.TELL_AFTER_S = 0.0; sys.argv = {['dryline', 'pots', '--home', str(one_pot)]}"
    command = [sys.executable, "-c", f"{words}; dryline.main()"]
    ours, theirs = pty.openpty()
    try:
        shown = subprocess.run(
            command, stdout=subprocess.PIPE, stderr=theirs, timeout=PATIENCE_S, text=True, check=True
        )
        told = os.read(ours, 10_000).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    assert told.startswith("at work, ")
    assert told.endswith("\x1b[2K\r")
    assert "at work" not in shown.stdout
    piped = subprocess.run(command, capture_output=True, timeout=PATIENCE_S, text=True, check=True)
    assert (piped.stderr, piped.stdout) == ("", shown.stdout)


def test_check_ends_with_one_when_something_needs_attention(tmp_path: Path):
    well = dryline("check", "--home", tmp_path)
    assert well.returncode == 0
    assert well.stdout.startswith("All well.\nGood to know: The embedded broker keeps messages in memory")
    home = open_home(tmp_path)
    home.readings.append(unread=[UnreadMessage("t/else", b"?", march(2), "No sensor claims this topic.")])
    home.close()
    unwell = dryline("check", "--home", tmp_path)
    assert unwell.returncode == 1
    assert unwell.stdout.startswith("unread messages: 1 message ")


# --- wrong use ---


def test_every_refusal_is_an_error_of_its_room():
    for room, name in REFUSALS:
        assert issubclass(getattr(importlib.import_module(room), name), Exception), name


def test_a_home_that_cannot_be_made_is_named():
    assert "home folder /proc/nowhere cannot be made" in refused(dryline("broker", "--home", "/proc/nowhere"))


def test_a_misspelt_setting_names_itself_and_the_nearest_key(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text("[dashboard]\nprot = 8051\n")
    sentence = refused(dryline("broker", "--home", tmp_path))
    assert "prot" in sentence
    assert "port" in sentence.replace("prot", "")


def test_a_moment_that_is_none_says_how_to_write_one(tmp_path: Path):
    assert refused(dryline("pots", "--home", tmp_path, "--at", "yesterday")) == (
        "dryline: yesterday is not a time; write it as 2026-03-01T09:00:00Z."
    )


def test_a_zone_that_is_none_is_named(tmp_path: Path):
    (tmp_path / "notes.csv").write_text("time,pot,kind\n2026-03-01 09:00,left,flush\n", encoding="utf-8")
    command = ("import", "notes", tmp_path / "notes.csv", "--home", tmp_path, "--zone", "Glasshouse/East")
    assert refused(dryline(*command)) == (
        "dryline: There is no time zone 'Glasshouse/East'; write one like 'Europe/Lisbon'."
    )


@pytest.mark.parametrize("words", [("pot",), ("pots", "--jason"), ("import", "notes", "nowhere.csv"), ("check", "now")])
def test_a_word_that_is_not_understood_is_one_sentence(words: tuple[str, ...]):
    refused(dryline(*words))


def test_a_file_that_cannot_be_written_is_one_sentence(one_pot: Path):
    assert "/proc/nowhere/notes.csv" in refused(
        dryline("export", "notes", "/proc/nowhere/notes.csv", "--home", one_pot)
    )


def test_a_small_backup_is_not_told_to_be_empty(one_pot: Path, tmp_path: Path):
    done = dryline("backup", tmp_path / "small.zip", "--home", one_pot)
    assert re.fullmatch(r".*small\.zip written, [1-9]\d* kB\.\n", done.stdout), done


@pytest.mark.parametrize("database", ["readings.db", "logbook.db"])
def test_a_file_that_is_no_database_is_one_sentence_and_left_as_it_is(tmp_path: Path, database: str):
    content = b"this is a letter and no database. " * 30
    (tmp_path / database).write_bytes(content)
    assert "file is not a database" in refused(dryline("pots", "--home", tmp_path))
    assert (tmp_path / database).read_bytes() == content


def test_a_taken_port_is_named(tmp_path: Path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        sentence = refused(dryline("dashboard", "--home", tmp_path, "--port", str(port)))
    assert f"port {port} is taken" in sentence


def test_the_dashboard_does_not_listen_to_the_network_without_a_password(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text('[dashboard]\nhost = "0.0.0.0"\n')
    assert "`dryline password`" in refused(dryline("dashboard", "--home", tmp_path, "--port", str(free_port())))


def test_simulating_without_a_broker_says_where_none_answers(tmp_path: Path):
    port = free_port()
    (tmp_path / "dryline.toml").write_text(f"[broker]\nport = {port}\n")
    done = dryline("simulate", "--home", tmp_path, "--days", "1")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr.splitlines()[-1].startswith(f"dryline: No broker answers at 127.0.0.1:{port}")


# --- services ---


def family_of(process: int) -> set[int]:
    """All processes below one, from the process table."""
    parents = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                stat = (folder / "stat").read_text()
            except OSError:
                continue
            parents[int(folder.name)] = int(stat.rpartition(")")[2].split()[1])
    found, grown = set(), {process}
    while grown:
        grown = {child for child, parent in parents.items() if parent in grown}
        found |= grown
    return found


def alive(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def awaited(true: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.05)


def answers(port: int) -> bool:
    try:
        with urlopen(f"http://127.0.0.1:{port}/healthz", timeout=2) as page:
            return json.load(page)["status"] == "ok"
    except OSError:
        return False


def test_run_starts_the_house_and_leaves_no_process_behind_when_told_to_stop(tmp_path: Path):
    if not Path("/proc/self/stat").exists():
        pytest.skip("the process table is read from /proc, which this system has not")
    broker_port, port = free_port(), free_port()
    (tmp_path / "dryline.toml").write_text(f"[broker]\nport = {broker_port}\n")
    words = ["run", "--home", str(tmp_path), "--port", str(port)]
    said = tmp_path / "said"
    with said.open("w") as out:
        process = subprocess.Popen([*COMMAND, *words], stdout=out, stderr=subprocess.PIPE, text=True)
    try:
        awaited(lambda: answers(port), "the dashboard")
        awaited(
            lambda: said.read_text() == f"dryline is at http://127.0.0.1:{port}/   (Ctrl-C ends it)\n", "its address"
        )
        awaited((tmp_path / "ingester.json").exists, "the ingester's first report")
        family = family_of(process.pid)
        assert len(family) >= 3  # broker, ingester, dashboard
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0
        awaited(lambda: not any(alive(child) for child in family), "the family's end")
    finally:
        process.kill()
        _, errors = process.communicate()
    assert "Traceback" not in errors
    for closed in (broker_port, port):
        socket.create_server(("127.0.0.1", closed)).close()
