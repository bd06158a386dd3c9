"""Futures on many processes: any executor of `concurrent.futures`, rebuilt when it breaks, the same answers always."""

from __future__ import annotations

import pickle
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from functools import lru_cache
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

from siting.processes import leave_interrupts
from siting.region.faults import Findings, InputError

if TYPE_CHECKING:
    from siting.futures.outcome import Outcome, Task
    from siting.supply.ways import Transport

# Times that a future may be under way when its pool breaks before it is given up.
MOST_BREAKS = 3
# Futures handed out for each worker: one that runs, one that waits.
AHEAD = 2
CONNECT_SECONDS = 10


class PoolError(RuntimeError):
    """Workers die again and again with the same futures; the message names these."""


def packed(task: Task) -> bytes:
    """Return a task as bytes that any worker can read."""
    return zlib.compress(pickle.dumps(task, protocol=pickle.HIGHEST_PROTOCOL))


@lru_cache(maxsize=1)
def _task(payload: bytes) -> tuple[Task, Transport]:
    """Return a task with what no future changes; a worker keeps both from one future to the next."""
    from siting.supply.ways import transport_of

    task: Task = pickle.loads(zlib.decompress(payload))
    return task, transport_of(task.region)


def work(payload: bytes, number: int) -> Outcome:
    """Return the outcome of one future; this is what runs in a worker, on one BLAS thread."""
    from threadpoolctl import threadpool_limits

    from siting.futures.outcome import outcome

    with threadpool_limits(limits=1):
        task, transport = _task(payload)
        return outcome(task, number, transport)


def local_pool(workers: int) -> Executor:
    """Return a pool of processes on this machine that leaves Ctrl-C to the process that asked."""
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=leave_interrupts)


def dask_pool(address: str) -> Callable[[], Executor]:
    """Return what makes an executor on the Dask cluster whose scheduler has an address, as tcp://HOST:PORT.

    Raises `InputError` where the extra `dask` is not installed or no scheduler answers.
    """
    findings = Findings()
    try:
        from distributed import Client
    except ImportError:
        problem, mend = "needs the extra `dask`, which is not installed", "pip install 'siting[dask]'"
        findings.fault("--scheduler", None, None, address, problem, mend=mend)
        raise InputError(findings.faults) from None
    try:
        client = Client(address, timeout=CONNECT_SECONDS)
    except (OSError, ValueError, TypeError) as error:
        findings.fault(
            "--scheduler",
            None,
            None,
            address,
            f"no Dask scheduler answers there ({str(error).splitlines()[0] if str(error) else type(error).__name__})",
            allowed="the address of a running scheduler, as tcp://HOST:PORT",
            mend="start the cluster, or leave it out to work on local processes",
        )
        raise InputError(findings.faults) from None

    def make() -> Executor:
        executor: Executor = client.get_executor(pure=False)
        return executor

    return make


def run(
    payload: bytes,
    numbers: Sequence[int],
    workers: int,
    make: Callable[[], Executor] | None = None,
    stop: Callable[[], bool] | None = None,
) -> Iterator[Outcome]:
    """Yield outcomes as they get done, in any order.

    One worker without `make` works in this process. `make` returns an executor; a broken one (a worker died) is
    shut down and made anew, and futures that were under way are begun again. Once `stop()` is True no further
    future is begun and those that run are waited for. Raises `PoolError` where futures break their pool `MOST_BREAKS`
    times, ValueError for less than one worker.
    """
    if workers < 1:
        raise ValueError(f"workers is {workers}; it must be 1 or more")
    if make is None and workers == 1:
        for number in numbers:
            if stop is not None and stop():
                return
            yield work(payload, number)
        return
    yield from _Pool(payload, numbers, workers, make or (lambda: local_pool(workers)), stop).outcomes()


class _Pool:
    """Futures waiting and under way, and the executor that works on them."""

    def __init__(
        self,
        payload: bytes,
        numbers: Sequence[int],
        workers: int,
        make: Callable[[], Executor],
        stop: Callable[[], bool] | None,
    ) -> None:
        self._payload, self._workers, self._make, self._stop = payload, workers, make, stop
        self._waiting = list(reversed(numbers))
        self._under_way: dict[Future[Any], int] = {}
        self._breaks: dict[int, int] = {}
        self._executor = make()

    def outcomes(self) -> Iterator[Outcome]:
        """Yield outcomes until all futures are done or the user stops."""
        try:
            while self._waiting or self._under_way:
                if self._stop is not None and self._stop():
                    self._waiting = []
                    for future in list(self._under_way):
                        if future.cancel():
                            del self._under_way[future]
                self._hand_out()
                if not self._under_way:
                    continue
                done, _ = wait(self._under_way, timeout=0.5, return_when=FIRST_COMPLETED)
                for future in sorted(done, key=lambda f: self._under_way[f]):
                    found = self._taken(future)
                    if found is not None:
                        yield found
        finally:
            for future in self._under_way:
                future.cancel()
            self._executor.shutdown(wait=True)

    def _hand_out(self) -> None:
        while self._waiting and len(self._under_way) < AHEAD * self._workers:
            number = self._waiting.pop()
            try:
                future = self._executor.submit(work, self._payload, number)
            except BrokenExecutor:
                self._waiting.append(number)
                self._rebuild()
                continue
            self._under_way[future] = number

    def _taken(self, future: Future[Any]) -> Outcome | None:
        """Return the outcome of a future that is done; None if its pool broke, or it was taken back meanwhile."""
        if future not in self._under_way:
            return None
        try:
            found: Outcome = future.result()
        except BrokenExecutor:
            self._rebuild()
            return None
        except Exception as error:
            # A cluster tries futures again by itself; what it gives up comes as one of its own errors.
            if not type(error).__module__.startswith("distributed"):
                raise
            raise PoolError(f"the cluster gave up future {self._under_way[future] + 1}: {error}") from error
        del self._under_way[future]
        return found

    def _rebuild(self) -> None:
        """Take back what was under way and make a new executor."""
        lost = sorted(self._under_way.values(), reverse=True)
        for number in lost:
            self._breaks[number] = self._breaks.get(number, 0) + 1
        hopeless = sorted(n for n, times in self._breaks.items() if times >= MOST_BREAKS)
        if hopeless:
            names = ", ".join(str(n + 1) for n in hopeless)
            raise PoolError(f"worker processes died {MOST_BREAKS} times while they worked on futures {names}")
        self._under_way.clear()
        self._waiting += lost
        self._executor.shutdown(wait=False)
        self._executor = self._make()
