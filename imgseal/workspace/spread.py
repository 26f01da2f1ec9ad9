"""Spreads work over processes of this machine, or over machines that a Dask scheduler knows.

Work is a function of a piece and of what all pieces share. Results come in the order of the pieces, whoever has done
them.
"""

import os
import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Any, TypeVar

from imgseal import __version__
from imgseal.errors import ImgsealError, InternalError, Place, UsageError

Piece = TypeVar("Piece")
Shared = TypeVar("Shared")
Result = TypeVar("Result")

_PATIENCE = "10s"
"""How long a Dask scheduler may take to answer."""

_FOR_WORKERS = 20.0
"""Seconds that a scheduler may be without a worker: those that start together with the work are there by then."""

_OFTEN = 0.1

_held: list[Any] = []  # of this process, when it works for another one: the function, and what is shared


def processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def refuse_both(jobs: int | None, workers: str | None) -> None:
    """UsageError where processes and workers are both asked for."""
    if jobs is not None and workers is not None:
        raise UsageError("--jobs is for this machine, --workers for others", hint="give one of them")


def in_processes(
    stack: ExitStack,
    jobs: int,
    work: Callable[[Piece, Shared], Result],
    shared: Shared,
    pieces: Sequence[Piece],
) -> Iterator[Result]:
    """Let processes of this machine do it."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    context = get_context("fork" if sys.platform == "linux" else None)
    pool = ProcessPoolExecutor(min(jobs, len(pieces)), context, _begin, (work, shared))
    stack.callback(pool.shutdown, cancel_futures=True)
    with _whole_pool():  # a process may end before the last piece is handed over
        results: Iterator[Result] = pool.map(_do_here, pieces)
    return _while_whole(results)


def _while_whole(results: Iterator[Result]) -> Iterator[Result]:
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
            "a process that did a part of the work has ended",
            hint="was there enough memory? --jobs 1 needs the least",
        ) from None


def _begin(work: Callable[[Piece, Shared], Result], shared: Shared) -> None:
    import gc
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that was started by hand ends the others
    gc.set_threshold(100_000)  # as in the process that was started by hand
    gc.freeze()  # what came with it stays where it is, and shared with it
    _held[:] = [work, shared]


def _do_here(piece: Any) -> Any:
    return _held[0](piece, _held[1])


def fleet(stack: ExitStack, address: str) -> Any:
    """Return the client of a Dask scheduler."""
    import gc

    if not re.search(r":[0-9]{1,5}$", address):  # a client that was given one fails again when it is thrown away
        raise _no_scheduler(address, "without a port")
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
        raise _no_scheduler(address, str(error) or type(error).__name__) from None
    stack.enter_context(client)
    return client


def _no_scheduler(address: str, why: str) -> UsageError:
    return UsageError(
        "no Dask scheduler answers there",
        place=Place(key="--workers"),
        expected="an address such as tcp://build-1.quillmoor.example:8786",
        found=f"{address}: {why}",
        hint="start one with: dask scheduler, and workers with: dask worker ADDRESS",
    )


def threads(client: Any, address: str) -> int:
    """Return how many pieces of work are done at once; wait a while for the first worker."""
    end = time.monotonic() + _FOR_WORKERS
    while not (there := sum(client.nthreads().values())):
        if time.monotonic() >= end:
            raise _no_workers(address)
        time.sleep(_OFTEN)
    return int(there)


def _no_workers(address: str) -> UsageError:
    return UsageError(
        "this Dask scheduler has no workers",
        place=Place(key="--workers"),
        expected=f"one within {_FOR_WORKERS:g} seconds",
        found=f"{address}: none",
        hint=f"start some, here or on other machines: dask worker {address}",
    )


def on_fleet(
    client: Any, address: str, work: Callable[[Piece, Shared], Result], shared: Shared, pieces: Sequence[Piece]
) -> Iterator[Result]:
    """Let the workers of a Dask scheduler do it; a piece whose worker is lost is done again by another one."""
    # as the result of a task it can be made again when the worker that holds it is lost
    there = client.submit(_same, shared, pure=False)
    futures = client.map(do_for_fleet, pieces, work=work, shared=there, pure=False)
    futures.reverse()  # each is let go when its result is here
    return (_result(client, address, futures.pop()) for _ in range(len(futures)))


def _same(shared: Shared) -> Shared:
    return shared


def do_for_fleet(piece: Piece, work: Callable[[Piece, Shared], Result], shared: Shared) -> tuple[str, Result]:
    """Work on a piece for another machine; return the version of imgseal that has done it, and the result."""
    return __version__, work(piece, shared)


def _result(client: Any, address: str, future: Any) -> Any:
    try:
        while True:
            try:
                version, found = future.result(timeout=_FOR_WORKERS / 4)
                break
            except TimeoutError:
                if future.status == "error":  # the work itself has raised it
                    raise
            threads(client, address)  # all workers may leave meanwhile, also those that hold what is done
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
    return found
