"""Heavy work on many things at once, in order: on processes here, or on any executor.

Whoever has a `concurrent.futures.Executor` hands it in; `cluster_executor` makes one of a Dask
cluster, whose machines must see the same files under the same paths and have weedset installed.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import chain, islice
from pathlib import Path
from typing import Any, TypeVar

from weedset.errors import MissingPartError, WorkersError

Shared = TypeVar("Shared")
Item = TypeVar("Item")
Result = TypeVar("Result")

#: Fewer things for each process are not worth its start (about half a second).
_LEAST_PER_WORKER = 3

#: Things in hand for each worker: enough that none waits while the first is slow.
_AHEAD_PER_WORKER = 4

#: Things in hand where it is not known how many workers there are.
_AHEAD = 256

_CONNECT_S = 10
_POLL_S = 5


def in_order(
    work: Callable[[Shared, Item], Result],
    shared: Shared,
    items: Iterable[Item],
    workers: int | None = None,
    executor: Executor | None = None,
) -> Iterator[Result]:
    """Yield `work(shared, item)` for each item, in order, a few ahead of what was asked for.

    Without an `executor` the work is done on `workers` processes of this machine, as many as
    there are cores where that is None; here, where there is little of it. `shared` goes to each
    process once. Memory does not grow with the number of items.
    Raises WorkersError where the workers are lost.
    """
    if executor is not None:
        yield from _ahead(lambda item: executor.submit(work, shared, item), items, _AHEAD)
        return
    most, left = workers or cores(), iter(items)
    first = list(islice(left, most * _LEAST_PER_WORKER))
    workers = min(most, len(first) // _LEAST_PER_WORKER)
    if workers <= 1:
        yield from (work(shared, item) for item in chain(first, left))
        return
    # "spawn" is the one start method that is safe whatever threads the caller runs.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context, _take, (work, shared)) as pool:
        ahead = workers * _AHEAD_PER_WORKER
        yield from _ahead(lambda item: pool.submit(_do, item), chain(first, left), ahead)


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def memory_bytes(limit: Path = Path("/sys/fs/cgroup/memory.max")) -> int:
    """Return how much memory there is: the machine's, or its container's where that is less.

    `limit` is where Linux tells the latter (control groups, version 2: a number, or "max").
    """
    whole = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    try:
        said = limit.read_text("ascii").strip()
    except OSError:
        return whole
    return min(whole, int(said)) if said.isdecimal() else whole


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor | None]:
    """Yield an executor of the Dask cluster whose scheduler is at `address`; None for "".

    Work of a worker that is lost is given to another one.
    Raises MissingPartError where Dask is not installed, WorkersError where nothing answers.
    """
    if not address:
        yield None
        return
    try:
        from distributed import Client
    except ModuleNotFoundError as exc:
        fix = "pip install 'weedset[cluster]'"
        raise MissingPartError("working on a cluster needs the cluster part", fix=fix) from exc
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as exc:
        fix = "start a scheduler there, or leave --cluster out to work on this machine"
        raise WorkersError("does not answer as a scheduler", where=address, fix=fix) from exc
    with client:
        yield _OnCluster(client)


class _OnCluster(Executor):
    """A cluster as an executor; what all calls share is sent to each worker only once."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._sent: tuple[object, Any] | None = None

    def submit(self, fn: Callable[..., Result], /, *args: Any, **kwargs: Any) -> Future[Result]:
        """Call `fn` on the cluster; the first argument is the one that calls share."""
        shared, *rest = args
        if self._sent is None or self._sent[0] is not shared:
            self._sent = shared, self._client.scatter(shared, broadcast=True, hash=False)
        there = self._client.submit(fn, self._sent[1], *rest, **kwargs, pure=False)
        return _Asked(self._client, there)


class _Asked(Future[Any]):
    """A result that is asked of a cluster when it is wanted.

    Dask has an executor of its own, but that mixes up state and result where a worker dies
    with a result that was not fetched yet.
    """

    def __init__(self, client: Any, there: Any) -> None:
        super().__init__()
        self._client, self._there = client, there

    def result(self, timeout: float | None = None) -> Any:
        """Return the result. Raises WorkersError where the cluster is lost."""
        from distributed import CancelledError, KilledWorker
        from distributed.comm.core import CommClosedError

        until = None if timeout is None else time.monotonic() + timeout
        while True:
            try:
                return self._there.result(_POLL_S)
            except (CancelledError, CommClosedError, KilledWorker) as exc:
                raise _lost() from exc
            except TimeoutError:
                if self._there.done():
                    raise  # of the work itself
                if self._client.status not in ("running", "connecting"):
                    raise _lost() from None
                if until is not None and time.monotonic() > until:
                    raise

    def cancel(self) -> bool:
        """Take the call back."""
        self._there.cancel()
        return super().cancel()


def _ahead(
    submit: Callable[[Item], Future[Result]], items: Iterable[Item], most: int
) -> Iterator[Result]:
    waiting: deque[Future[Result]] = deque()
    try:
        for item in items:
            if len(waiting) >= most:
                yield waiting.popleft().result()
            waiting.append(submit(item))
        while waiting:
            yield waiting.popleft().result()
    except BrokenProcessPool as exc:
        raise _lost() from exc
    finally:
        for future in waiting:
            future.cancel()


def _lost() -> WorkersError:
    return WorkersError(
        "died while they worked",
        where="worker processes",
        fix="mostly memory ran out: give fewer --workers, or free some, then give the command "
        "again: it goes on from what is there",
    )


_taken: tuple[Callable[[Any, Any], Any], Any] | None = None


def _take(work: Callable[[Any, Any], Any], shared: object) -> None:
    global _taken
    _taken = work, shared


def _do(item: object) -> Any:
    assert _taken is not None, "this process was not told what to do"
    work, shared = _taken
    return work(shared, item)
