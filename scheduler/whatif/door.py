"""One door for work side by side: in this process, on a local Dask cluster, or on one that stands elsewhere.

A task that fails hands back its failure and stops no other; one whose worker is killed is tried again on another, and
what it keeps is kept by key, so nothing is stored twice.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from scheduler.errors import Problem

PATIENCE = 15.0  # [s] an address has to answer
TRIES = 3  # workers that may be killed over one task before it is given up
MEMORY = "1GiB"  # of a local worker that lives through seasons


class NoCluster(Exception):
    """No cluster can be used; the text says why and what to do."""


@dataclass(frozen=True)
class Workers:
    """How many local workers, or the address of a cluster; neither means in this process. memory: of a local one."""

    local: int = 0
    address: str | None = None
    memory: str = MEMORY

    @property
    def elsewhere(self) -> bool:
        """Whether the work is done in other processes."""
        return self.local > 1 or self.address is not None


@dataclass(frozen=True)
class Done:
    """A task that ended: its place among the tasks, what it gave, or how it failed."""

    place: int
    value: Any = None
    failure: BaseException | None = None


def run_all(work: Callable[..., Any], tasks: Sequence[tuple[Any, ...]], workers: Workers) -> Iterator[Done]:
    """Do every task, handing each back as it ends.

    Parameters
    ----------
    work : callable            A function of a module, so that it can be sent.
    tasks : sequence of tuple  Its arguments.
    workers : Workers

    Raises
    ------
    NoCluster   Dask is not installed, or the address does not answer.
    """
    if not workers.elsewhere:
        for place, task in enumerate(tasks):
            yield _here(work, place, task)
        return
    with warnings.catch_warnings(), _client(workers, len(tasks)) as (client, as_completed):
        # a task goes to the scheduler with all it needs, so that it outlives the worker it was sent to
        warnings.filterwarnings("ignore", message="Sending large graph")
        futures = {client.submit(work, *task, pure=False, retries=0): i for i, task in enumerate(tasks)}
        for future in as_completed(futures):
            place = futures[future]
            if future.status == "finished":
                yield Done(place, future.result())
            else:
                yield Done(place, failure=_failure(future))
            future.release()


def _here(work: Callable[..., Any], place: int, task: tuple[Any, ...]) -> Done:
    try:
        return Done(place, work(*task))
    except Exception as failure:  # handed back, as one from a worker would be
        return Done(place, failure=failure)


def _failure(future: Any) -> BaseException:
    found = future.exception()
    if type(found).__name__ == "KilledWorker":
        return NoCluster(f"its worker was killed {TRIES} times; the others went on")
    return found if isinstance(found, BaseException) else NoCluster(f"it was {future.status}")


@contextmanager
def _client(workers: Workers, tasks: int) -> Iterator[tuple[Any, Any]]:
    """A client of the cluster, closed at the end with what was started here."""
    try:
        import dask
        from distributed import Client, LocalCluster, as_completed
    except ImportError as missing:
        words = "several workers need Dask, which is not installed; pip install 'evenfall[fleet]', or use one worker"
        raise NoCluster(words) from missing
    dask.config.set({"distributed.scheduler.allowed-failures": TRIES, "distributed.worker.daemon": False})
    cluster = None
    try:
        if workers.address is None:
            try:
                cluster = LocalCluster(
                    n_workers=max(1, min(workers.local, tasks)),
                    threads_per_worker=1,
                    processes=True,
                    memory_limit=workers.memory,
                    dashboard_address=":0",
                    silence_logs=50,
                )
            except (OSError, RuntimeError, TimeoutError) as failure:
                words = f"no local workers could be started ({' '.join(str(failure).split())}); use --workers 1"
                raise NoCluster(words) from failure
            client = Client(cluster)
        else:
            try:
                client = Client(workers.address, timeout=PATIENCE)
            except (OSError, ValueError, TimeoutError) as failure:
                words = f"no cluster answers at {workers.address} within {PATIENCE:.0f} s"
                raise NoCluster(f"{words}; check the address, or leave out --cluster") from failure
        try:
            yield client, as_completed
        finally:
            client.close()
    finally:
        if cluster is not None:
            cluster.close()


def problem_of(failure: BaseException) -> str:
    """What went wrong, in one line."""
    problems = getattr(failure, "problems", None)
    if problems and all(isinstance(p, Problem) for p in problems):
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        return f"{problems[0]}{more}"
    text = " ".join(str(failure).split())
    return text or type(failure).__name__
