"""Where work that falls apart into jobs (a pot, a shelf, a handful of notes) is computed: here, in processes, on Dask.

Owns that choice and nothing else. A job is cut the same way wherever it is computed and knows nothing of the others, so
results are the same to the last bit on processors of one kind. What goes wrong elsewhere is computed here after all.
"""

import logging
import math
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from itertools import chain
from typing import TypeVar

log = logging.getLogger(__name__)

Job = TypeVar("Job")
Found = TypeVar("Found")

JOBS_A_BUNDLE = 8
"""Jobs that travel together, so that what goes to and fro does not cost more than the work."""
PAYS_FROM = 150
"""So many jobs of some 30 ms are worth starting processes for, which takes a second or two."""
PATIENCE_S = 5.0

_elsewhere: list[Executor] = []


class ClusterAway(Exception):  # noqa: N818 - what happened reads better alone
    """The scheduler that was asked for does not answer; the message is one sentence."""


@contextmanager
def computed_by(executor: Executor) -> Iterator[None]:
    """Let an executor (the interface of concurrent.futures) do the work of every answer while the block runs."""
    _elsewhere.append(executor)
    try:
        yield
    finally:
        _elsewhere.remove(executor)


@contextmanager
def on_cluster(address: str | None) -> Iterator[None]:
    """Let the workers of a Dask scheduler (`tcp://host:8786`) do the work while the block runs; None: no cluster.

    Raises:
        ClusterAway: nobody answers there, or `distributed` is not installed.
    """
    if address is None:
        yield
        return
    try:
        from distributed import Client
    except ImportError:
        raise ClusterAway("Working on a cluster needs dask.distributed: pip install dryline[nursery].") from None
    try:
        client = Client(address, timeout=PATIENCE_S, set_as_default=False, name="dryline")  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise ClusterAway(f"No Dask scheduler answers at {address}: {error}.") from None
    with client, computed_by(client.get_executor()):  # type: ignore[no-untyped-call]
        yield


def mapped(
    function: Callable[[Job], Found],
    jobs: Sequence[Job],
    *,
    together: int = JOBS_A_BUNDLE,
    pays_from: float = PAYS_FROM,
) -> list[Found]:
    """`[function(job) for job in jobs]`, computed where it is quickest; `function` must be importable by name.

    together: jobs that travel as one. pays_from: how many are worth starting processes for on this machine.
    """
    executor = _elsewhere[-1] if _elsewhere else None
    if len(jobs) <= together or (executor is None and not _pays(len(jobs), pays_from)):
        return [function(job) for job in jobs]
    bundles = [(function, jobs[start : start + together]) for start in range(0, len(jobs), together)]
    try:
        if executor is not None:
            return list(chain.from_iterable(executor.map(_done, bundles)))
        # Not by fork: a dashboard has threads.
        with ProcessPoolExecutor(os.cpu_count(), multiprocessing.get_context("spawn")) as processes:
            return list(chain.from_iterable(processes.map(_done, bundles)))
    except Exception as trouble:
        log.warning("the workers failed (%s: %s); computing here", type(trouble).__name__, trouble)
        return [function(job) for job in jobs]


def _done(bundle: tuple[Callable[[Job], Found], Sequence[Job]]) -> list[Found]:
    function, jobs = bundle
    return [function(job) for job in jobs]


def mapped_on_cluster(function: Callable[[Job], Found], jobs: Sequence[Job]) -> list[Found]:
    """The same for a few large jobs that come again and again: never worth starting processes for."""
    return mapped(function, jobs, together=1, pays_from=math.inf)


def _pays(jobs: int, pays_from: float) -> bool:
    is_a_child = multiprocessing.parent_process() is not None  # which may start no processes of its own
    return jobs >= pays_from and (os.cpu_count() or 1) > 1 and not is_a_child
