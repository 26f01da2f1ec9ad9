"""Spreads the work of the gate over processes of this machine, or over machines that a Dask scheduler knows.

Results come in the order of the files, whoever has looked at them.
"""

import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any

from imgseal import __version__
from imgseal.errors import ImgsealError, InternalError, Place, UsageError
from imgseal.gate.artefact import Found, Policy
from imgseal.gate.discover import Task

_BATCH = 64
_FLEET_BATCH = 1024
"""Files of one piece of work, at most: sending one to another machine takes as long as looking at dozens of files."""

_BATCH_BYTES = 64 << 20
_ALONE = 32, 4 << 20
"""Fewer files than this, and fewer bytes in all, are not worth another process."""

_PATIENCE = "10s"
"""How long a Dask scheduler may take to answer."""

_FOR_WORKERS = 20.0
"""Seconds that a scheduler may be without a worker: those that start together with the gate are there by then."""

_OFTEN = 0.1

_Batch = tuple[Task | Found, ...]
_policy: list[Policy] = []  # of this process, when it works for another one


def processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def scan_all(
    tasks: list[Task | Found], policy: Policy, *, jobs: int, workers: str | None, show: Callable[[int, int], None]
) -> Iterator[Iterator[Found]]:
    """Set the work going; inside the `with` block there is what the files are, in their order.

    `show` is told how many are done, and of how many.
    """
    with ExitStack() as stack:
        results: Iterator[tuple[Found, ...]]
        if workers is not None:
            client = _fleet(stack, workers)
            batches = list(_batches(tasks, _threads(client, workers), _FLEET_BATCH))
            results = _on_fleet(client, workers, batches, policy)
            yield _in_order(batches, results, show, len(tasks))
            return
        batches = list(_batches(tasks, jobs))
        if jobs == 1 or (len(tasks) < _ALONE[0] and _bytes(tasks) < _ALONE[1]):
            results = (_scan(batch, policy) for batch in batches)
        else:
            results = _in_processes(stack, jobs, batches, policy)
        yield _in_order(batches, results, show, len(tasks))


def _in_order(
    batches: list[_Batch], results: Iterable[tuple[Found, ...]], show: Callable[[int, int], None], everything: int
) -> Iterator[Found]:
    done = 0
    for batch, found in zip(batches, results, strict=True):
        yield from found
        done += len(batch)
        show(done, everything)


def _bytes(tasks: Iterable[Task | Found]) -> int:
    return sum(task.size for task in tasks if isinstance(task, Task))


def _batches(tasks: list[Task | Found], jobs: int, at_most: int = _BATCH) -> Iterator[_Batch]:
    """Cut the files into pieces: small ones, so that all are busy to the end, but not a file each."""
    most = max(1, min(at_most, len(tasks) // (8 * jobs)))
    batch: list[Task | Found] = []
    size = 0
    for task in tasks:
        if batch and (len(batch) >= most or size > _BATCH_BYTES):
            yield tuple(batch)
            batch, size = [], 0
        batch.append(task)
        size += _bytes([task])
    if batch:
        yield tuple(batch)


def _scan(batch: _Batch, policy: Policy) -> tuple[Found, ...]:
    from imgseal.gate.scan import scan_file

    return tuple(found for each in batch for found in (scan_file(each, policy) if isinstance(each, Task) else (each,)))


def _in_processes(stack: ExitStack, jobs: int, batches: list[_Batch], policy: Policy) -> Iterator[tuple[Found, ...]]:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    import imgseal.gate.scan  # noqa: F401 - loaded once, before the processes part

    context = get_context("fork" if sys.platform == "linux" else None)
    pool = ProcessPoolExecutor(min(jobs, len(batches)), context, _begin, (policy,))
    stack.callback(pool.shutdown, cancel_futures=True)
    with _whole_pool():  # a process may end before the last batch is handed over
        results = pool.map(_scan_here, batches)
    return _while_whole(results)


def _while_whole(results: Iterator[tuple[Found, ...]]) -> Iterator[tuple[Found, ...]]:
    with _whole_pool():
        yield from results


@contextmanager
def _whole_pool() -> Iterator[None]:
    """InternalError where a process of the pool has ended by itself."""
    from concurrent.futures.process import BrokenProcessPool

    try:
        yield
    except BrokenProcessPool:
        raise InternalError(
            "a process that looked at files has ended",
            hint="was there enough memory? --jobs 1 needs the least",
        ) from None


def _begin(policy: Policy) -> None:
    import gc
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that was started by hand ends the others
    gc.set_threshold(100_000)  # as in the process that was started by hand
    _policy[:] = [policy]


def _scan_here(batch: _Batch) -> tuple[Found, ...]:
    return _scan(batch, _policy[0])


def _fleet(stack: ExitStack, address: str) -> Any:
    """Return the client of a Dask scheduler."""
    import gc

    try:
        import distributed

        gc.freeze()  # what Dask loads stays to the end: looking through it when the process ends costs 0.15 s
        distributed_: Any = distributed
    except ImportError:
        raise UsageError(
            "work for other machines needs Dask",
            place=Place(key="--workers"),
            hint="pip install 'imgseal[fleet]', here and on the workers",
        ) from None
    try:
        client: Any = distributed_.Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            "no Dask scheduler answers there",
            place=Place(key="--workers"),
            expected="an address such as tcp://build-1.quillmoor.example:8786",
            found=f"{address}: {error or type(error).__name__}",
            hint="start one with: dask scheduler, and workers with: dask worker ADDRESS",
        ) from None
    stack.enter_context(client)
    return client


def _threads(client: Any, address: str) -> int:
    """Return how many pieces of work are done at once; wait a while for the first worker."""
    end = time.monotonic() + _FOR_WORKERS
    while not (threads := sum(client.nthreads().values())):
        if time.monotonic() >= end:
            raise _no_workers(address)
        time.sleep(_OFTEN)
    return int(threads)


def _no_workers(address: str) -> UsageError:
    return UsageError(
        "this Dask scheduler has no workers",
        place=Place(key="--workers"),
        expected=f"one within {_FOR_WORKERS:g} seconds",
        found=f"{address}: none",
        hint=f"start some, here or on other machines: dask worker {address}",
    )


def _on_fleet(client: Any, address: str, batches: list[_Batch], policy: Policy) -> Iterator[tuple[Found, ...]]:
    """Let the workers of a Dask scheduler do it; a batch whose worker is lost is done again by another one."""
    # as the result of a task it can be made again when the worker that holds it is lost
    shared = client.submit(_same, policy, pure=False)
    futures = client.map(work_for_fleet, [_anywhere(batch) for batch in batches], policy=shared, pure=False)
    futures.reverse()  # each is let go when its result is here
    return (_result(client, address, futures.pop()) for _ in range(len(futures)))


def _same(policy: Policy) -> Policy:
    return policy


def _anywhere(batch: _Batch) -> _Batch:
    """Name files so that other machines find them: they see the same folders under the same paths.

    Of what the files are here, sizes are all that is the same there.
    """
    return tuple(
        task._replace(path=os.path.abspath(task.path), seen=None) if isinstance(task, Task) else task for task in batch
    )


def work_for_fleet(batch: _Batch, policy: Policy) -> tuple[str, tuple[Found, ...]]:
    """Look at a batch for a gate on another machine; return the version of imgseal that has done it, and the result."""
    return __version__, _scan(batch, policy)


def _result(client: Any, address: str, future: Any) -> tuple[Found, ...]:
    try:
        while not future.done():
            with suppress(TimeoutError):  # of this wait; what the work itself has raised comes again below
                future.result(timeout=_FOR_WORKERS / 4)
            if not future.done():
                _threads(client, address)  # all workers may leave while the gate is at work
        version, found = future.result()
    except ImgsealError:
        raise
    except ModuleNotFoundError as error:
        raise UsageError(
            "a worker cannot do this work",
            place=Place(key="--workers"),
            found=str(error),
            hint="pip install 'imgseal[fleet]' on the workers",
        ) from None
    except Exception as error:  # noqa: BLE001 - Dask raises what the work or the network has raised
        raise InternalError(
            "the workers could not finish",
            found=f"{type(error).__name__}: {error}",
            hint="the scheduler's log says more",
        ) from None
    if version != __version__:
        raise UsageError(
            "a worker has another imgseal",
            place=Place(key="--workers"),
            expected=__version__,
            found=str(version),
            hint="install the same version everywhere",
        )
    return tuple(found)
