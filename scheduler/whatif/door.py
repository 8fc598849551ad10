"""One door for work side by side: in this process, on a local Dask cluster, or on one that stands elsewhere.

A task that fails hands back its failure and stops no other; one whose worker is killed is tried again on another, and
what it keeps is kept by key, so nothing is stored twice.
"""

from __future__ import annotations

import asyncio
import time
import warnings
from collections.abc import Callable, Hashable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from scheduler.errors import Problem

PATIENCE = 15.0  # [s] an address has to answer
TRIES = 3  # workers that may be killed over one task before it is given up
AHEAD = 2  # tasks sent for each worker, so that none waits for the next; the last ones go to whoever is free
MEMORY = "1GiB"  # of a local worker that lives through seasons


# Dask looks a hundred times a second what each worker is at, and ten times how much memory it has, for pages nobody
# opens here: of two busy cores that was measured to take 5 %.
QUIET = {
    "distributed.worker.profile.enabled": False,
    "distributed.worker.memory.monitor-interval": "1s",
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.system-monitor.gil.enabled": False,
}
# Dask has workers give freed memory back at once; a night's arrays are then asked for anew, page by page, all season
# long. What they hold between nights is some 60 MB of `MEMORY`.
KEEPS = {f"MALLOC_{name}_": size for name, size in (("TRIM_THRESHOLD", 1 << 28), ("MMAP_THRESHOLD", 1 << 28))}
ONE_CORE = {f"{name}_NUM_THREADS": 1 for name in ("OMP", "MKL", "OPENBLAS")}  # to each worker


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


class Door:
    """Where work is done; once begun, workers start beside whatever else is done before they are needed.

    Parameters
    ----------
    workers : Workers
    most : int       Tasks there will be, at most; no more local workers are started.
    needed : str     Module that local workers load while they wait, "" for none.

    Raises
    ------
    NoCluster   Where it begins: Dask is not installed, or the address does not answer. Where work is sent: no worker
                could be started.
    """

    def __init__(self, workers: Workers, most: int, needed: str = "") -> None:
        self.workers, self.most, self.needed = workers, most, needed
        self._opening: Future[Any] | None = None

    def __enter__(self) -> Door:
        """Nothing yet: see `begin`."""
        return self

    def __exit__(self, *_: object) -> None:
        """End what was started here."""
        if self._opening is None or self._opening.exception() is not None:
            return
        client, cluster = self._opening.result()
        client.close()
        if cluster is not None:
            cluster.close()

    @property
    def elsewhere(self) -> bool:
        """Whether the work is done in other processes."""
        return self.workers.elsewhere

    def begin(self) -> None:
        """Ask the cluster, or begin to start workers; what is sent later waits for them."""
        if not self.elsewhere or self._opening is not None:
            return
        _dask()
        if self.workers.address is None:
            self._opening = ThreadPoolExecutor(1).submit(self._started)
        else:
            found = self._found()
            self._opening = Future()
            self._opening.set_result(found)

    def client(self) -> Any:
        """The client of the cluster, once its workers stand."""
        self.begin()
        assert self._opening is not None
        return self._opening.result()[0]

    def _found(self) -> tuple[Any, Any]:
        """A client of the cluster that stands at the address."""
        from distributed import Client

        try:
            asyncio.run(_asked(self.workers.address))
            return Client(self.workers.address, timeout=PATIENCE), None
        except (OSError, ValueError, TimeoutError, MemoryError) as failure:
            words = f"no cluster answers at {self.workers.address} within {PATIENCE:.0f} s"
            raise NoCluster(f"{words}; check the address, or leave out --cluster") from failure

    def _started(self) -> tuple[Any, Any]:
        """Local workers, and a client of theirs."""
        from distributed import Client, LocalCluster

        try:
            cluster = LocalCluster(
                n_workers=max(1, min(self.workers.local, self.most)),
                threads_per_worker=1,
                processes=True,
                memory_limit=self.workers.memory,
                dashboard_address=":0",
                silence_logs=50,
            )
        except (OSError, RuntimeError, TimeoutError) as failure:
            words = f"no local workers could be started ({' '.join(str(failure).split())}); use --workers 1"
            raise NoCluster(words) from failure
        client = Client(cluster)
        if self.needed:
            client.run(_load, self.needed)
        return client, cluster


async def _asked(address: Any) -> None:
    """Shake hands with the cluster at an address; a client alone would wait for ever on what is none, or fail oddly."""
    from distributed.comm import connect

    comm = await asyncio.wait_for(connect(address, timeout=PATIENCE), PATIENCE)
    await comm.close()


def _dask() -> None:
    """Set Dask up, or say that it is not there."""
    try:
        import dask
        import distributed  # noqa: F401
    except ImportError as missing:
        words = "several workers need Dask, which is not installed; pip install 'evenfall[fleet]', or use one worker"
        raise NoCluster(words) from missing
    dask.config.set({"distributed.scheduler.allowed-failures": TRIES, "distributed.worker.daemon": False, **QUIET})
    dask.config.set({"distributed.nanny.pre-spawn-environ": KEEPS | ONE_CORE})


def _load(module: str) -> None:
    """Load a module on a worker."""
    import_module(module)


def run_all(
    work: Callable[..., Any], tasks: Sequence[tuple[Any, ...]], door: Door, alike: Sequence[Hashable] = ()
) -> Iterator[Done]:
    """Do every task, handing each back as it ends.

    Parameters
    ----------
    work : callable            A function of a module, so that it can be sent.
    tasks : sequence of tuple  Its arguments.
    door : Door                Opened.
    alike : sequence, optional   Kind of each task: those of a kind take about as long. The kinds that take longest are
                               then begun first, so that the workers end about together.

    Raises
    ------
    NoCluster   No worker could be started.
    """
    if not door.elsewhere:
        for place, task in enumerate(tasks):
            yield _here(work, place, task)
        return
    if tasks:
        yield from _there(work, tasks, door.client(), _Order(alike or [0] * len(tasks)))


def _there(work: Callable[..., Any], tasks: Sequence[tuple[Any, ...]], client: Any, order: _Order) -> Iterator[Done]:
    """Do every task on the workers of a cluster, a few ahead of those at work."""
    from distributed import as_completed

    places: dict[str, int] = {}
    under_way = as_completed([])

    def send() -> None:
        threads = max(1, sum(client.nthreads().values()))  # workers may come and go
        while order.left and len(places) < order.at_once(threads):
            place = order.next(threads)
            # a task goes to the scheduler with all it needs, so that it outlives the worker it was sent to
            future = client.submit(work, *tasks[place], pure=False, retries=0)
            places[future.key] = place
            under_way.add(future)

    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Sending large graph")
        send()
        for future in under_way:
            place = places.pop(future.key)
            order.ended(place)
            send()
            if future.status == "finished":
                yield Done(place, future.result())
            else:
                yield Done(place, failure=_failure(future))
            future.release()


class _Order:
    """Which task is next: one of each kind, then of the kind that took longest so far."""

    def __init__(self, kinds: Sequence[Hashable]) -> None:
        self.kinds = kinds
        self.left = {kind: [i for i, k in enumerate(kinds) if k == kind] for kind in dict.fromkeys(kinds)}
        self.began: dict[int, float] = {}  # at work
        self.waiting: list[int] = []  # sent, behind others
        self.took: dict[Hashable, list[float]] = {}

    def next(self, threads: int) -> int:
        """Place of the task to be sent to so many threads."""
        kind = max(self.left, key=self._length)
        place = self.left[kind].pop(0)
        if not self.left[kind]:
            del self.left[kind]
        self.took.setdefault(kind, [])
        if len(self.began) < threads:
            self.began[place] = time.monotonic()
        else:
            self.waiting.append(place)
        return place

    def at_once(self, threads: int) -> int:
        """Tasks that may be sent and not ended: of the last ones none waits behind another for a busy worker."""
        still = sum(map(len, self.left.values()))
        return threads * (AHEAD if still > AHEAD * threads else 1)

    def ended(self, place: int) -> None:
        """Take note of how long it was at work, and that the one sent first of those that wait takes its place."""
        now = time.monotonic()
        if place in self.waiting:  # another went before it
            self.waiting.remove(place)
            return
        self.took[self.kinds[place]].append(now - self.began.pop(place))
        if self.waiting:
            self.began[self.waiting.pop(0)] = now

    def _length(self, kind: Hashable) -> float:
        """How long its tasks take, as far as is known [s]; endless where none was begun."""
        took = self.took.get(kind)
        return float("inf") if took is None else sum(took) / max(len(took), 1)


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


def problem_of(failure: BaseException) -> str:
    """What went wrong, in one line."""
    problems = getattr(failure, "problems", None)
    if problems and all(isinstance(p, Problem) for p in problems):
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        return f"{problems[0]}{more}"
    text = " ".join(str(failure).split())
    return text or type(failure).__name__
