"""Spreads the work of the gate: files in pieces, and what each is in the order of the files."""

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager

from imgseal.gate.artefact import Found, Policy
from imgseal.gate.discover import Task
from imgseal.workspace.spread import fleet, in_processes, on_fleet, threads

_BATCH = 64
_FLEET_BATCH = 1024
"""Files of one piece of work, at most: sending one to another machine takes as long as looking at dozens of files."""

_BATCH_BYTES = 64 << 20
_ALONE = 32, 4 << 20
"""Fewer files than this, and fewer bytes in all, are not worth another process."""

_Batch = tuple[Task | Found, ...]


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
            client = fleet(stack, workers)
            batches = list(_batches(tasks, threads(client, workers), _FLEET_BATCH))
            results = on_fleet(client, workers, _scan, policy, [_anywhere(batch) for batch in batches])
            yield _in_order(batches, results, show, len(tasks))
            return
        batches = list(_batches(tasks, jobs))
        if jobs == 1 or (len(tasks) < _ALONE[0] and _bytes(tasks) < _ALONE[1]):
            results = (_scan(batch, policy) for batch in batches)
        else:
            import imgseal.gate.scan  # noqa: F401 - loaded once, before the processes part

            results = in_processes(stack, jobs, _scan, policy, batches)
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


def _anywhere(batch: _Batch) -> _Batch:
    """Name files so that other machines find them: they see the same folders under the same paths.

    Of what the files are here, sizes are all that is the same there.
    """
    return tuple(
        task._replace(path=os.path.abspath(task.path), seen=None) if isinstance(task, Task) else task for task in batch
    )
