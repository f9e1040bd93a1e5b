"""The same figures to the last bit wherever they are computed: here, in processes, on two workers of a scheduler."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import fields, is_dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from dashboard.answers import computing, refresh, situation
from dashboard.answers.computing import computed_by, mapped, on_cluster
from ingest.broker import free_port
from ingest.home import Home, open_home
from tests import nursery

ROOT = Path(__file__).parents[3]
POTS, DAYS, NOTES = 18, 30, 260

pytestmark = pytest.mark.xdist_group("computing")


@contextmanager
def started(log: Path, *arguments: str) -> Iterator[subprocess.Popen]:
    """A process of Dask's, ended on the way out."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", *arguments]
    with log.open("ab") as out:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=out, stderr=out)
    try:
        yield process
    finally:
        process.kill()
        process.wait(30)


@contextmanager
def cluster(folder: Path) -> Iterator[tuple[str, subprocess.Popen]]:
    """A scheduler and two workers, each a process of its own; the address, and the scheduler's process."""
    from distributed import Client

    address = f"tcp://127.0.0.1:{free_port()}"
    module, host = "distributed.cli.dask_", ["--host", "127.0.0.1", "--no-dashboard"]
    with ExitStack() as stack:
        port = ["--port", address.rpartition(":")[2]]
        scheduler = stack.enter_context(started(folder / "scheduler.log", f"{module}scheduler", *host, *port))
        for number in (1, 2):
            alone = ["--nthreads", "1", "--no-nanny", "--local-directory", str(folder)]
            stack.enter_context(started(folder / f"{number}.log", f"{module}worker", address, *host, *alone))
        with Client(address, timeout=60, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
        yield address, scheduler


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with cluster(tmp_path_factory.mktemp("dask")) as (address, _):
        yield address


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home of some pots, with more notes than one job takes."""
    path = tmp_path_factory.mktemp("nursery")
    nursery.build(path, pots=POTS, days=DAYS, notes=NOTES, air_minutes=30.0, level_minutes=60.0).close()
    return path


@pytest.fixture(scope="module")
def here(folder: Path) -> list[bytes]:
    return figures(folder)


def figures(folder: Path) -> list[bytes]:
    """Every figure of the home's situation and of its hourly air, built anew."""
    situation._memory.clear()
    home = open_home(folder)
    forget_facts(home)
    found = situation.situation_at(home, nursery.END_MS + 5)
    assert found is not None
    air = home.readings.read_hourly("shelf 0", 0, nursery.END_MS)
    home.close()
    assert air["vpd_kpa"].notna().sum() == DAYS * 24
    assert np.isfinite(found.line_mm).all()
    assert {water.told.rests_on for water in found.waters} == {"measured"}
    return [*bits_of(found.waters), *bits_of(found.posterior), *bits_of(found.line_mm), *bits_of(air)]


def forget_facts(home: Home) -> None:
    home.readings.put_derived(refresh.DONE, "", b'{"shelves": {}, "paces": {}}')


def bits_of(value: object) -> Iterator[bytes]:
    """All numbers and words within, bit by bit."""
    if is_dataclass(value):
        for field in fields(value):
            yield from bits_of(getattr(value, field.name))
    elif isinstance(value, pd.DataFrame):
        for name in value:
            yield from bits_of(value[name].to_numpy())
    elif isinstance(value, np.ndarray):
        yield f"{value.dtype} {value.shape}".encode() + value.tobytes()
    elif isinstance(value, tuple | list):
        for one in value:
            yield from bits_of(one)
    else:
        yield repr(value).encode()


def pid_of(_job: int) -> int:
    time.sleep(0.01)  # long enough that no worker could do all of them while the other one begins
    return os.getpid()


def test_two_workers_of_a_real_scheduler_give_the_same_bits(running: str, folder: Path, here: list[bytes]) -> None:
    with on_cluster(running):
        workers = set(mapped(pid_of, range(64)))
        assert figures(folder) == here
    assert len(workers) == 2
    assert os.getpid() not in workers


def test_processes_of_this_machine_give_the_same_bits(folder: Path, here: list[bytes]) -> None:
    with ProcessPoolExecutor(2, get_context("spawn")) as processes, computed_by(processes):
        assert figures(folder) == here


def test_many_jobs_start_processes_by_themselves_and_few_do_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    assert set(mapped(pid_of, range(computing.PAYS_FROM - 1))) == {os.getpid()}
    assert os.getpid() not in mapped(pid_of, range(computing.PAYS_FROM))


def test_results_come_in_the_order_of_the_jobs(running: str) -> None:
    with on_cluster(running):
        assert mapped(abs, range(-50, 0)) == list(range(50, 0, -1))


def half_of(job: int) -> float:
    if job == 13:
        raise ValueError("no half of thirteen")
    return job / 2


def test_what_a_job_raises_is_raised_here_too(running: str) -> None:
    with on_cluster(running), pytest.raises(ValueError, match="no half of thirteen"):
        mapped(half_of, range(20))


def test_when_the_scheduler_dies_the_work_is_done_here(tmp_path: Path) -> None:
    with cluster(tmp_path) as (address, scheduler), on_cluster(address):
        assert os.getpid() not in mapped(pid_of, range(20))
        scheduler.kill()
        scheduler.wait(30)
        assert set(mapped(pid_of, range(20))) == {os.getpid()}


def test_a_scheduler_that_is_not_there_is_told_in_one_sentence(tmp_path: Path) -> None:
    address = f"tcp://127.0.0.1:{free_port()}"
    command = [sys.executable, "-m", "dryline", "dashboard", "--home", str(tmp_path), "--cluster", address]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2
    assert done.stderr.startswith(f"dryline: No Dask scheduler answers at {address}")
    assert done.stderr.count("\n") == 1
