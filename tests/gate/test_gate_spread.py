"""The gate's work spread: the same report from one process, several, and a Dask cluster that loses a worker on the way.

Reference: the run in one process.
"""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from gate_tree import Tree, make_tree, sealed
from workshop import Imgseal

from imgseal.errors import UsageError
from imgseal.gate.discover import Task
from imgseal.gate.workers import _batches
from imgseal.workspace import spread

if TYPE_CHECKING:
    from imgseal.gate.artefact import Found

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Tree:
    """120 releases with all offenders in them."""
    return make_tree(tmp_path_factory.mktemp("spread"), 120)


@pytest.fixture
def inside(small: Tree, monkeypatch: pytest.MonkeyPatch) -> Tree:
    monkeypatch.chdir(small.folder)
    return small


def test_any_number_of_processes_says_the_same(imgseal: Imgseal, inside: Tree) -> None:
    alone = imgseal("gate", "out", "--every", "--jobs", "1")
    assert ": 10 of " in alone.out
    for jobs in ("2", "3"):
        said = imgseal("gate", "out", "--every", "--jobs", jobs)
        assert said == alone
    assert imgseal("gate", "out", "--every").out == alone.out


def test_every_file_is_in_one_batch() -> None:
    tasks = [Task(str(n), str(n), str(n), size) for n, size in enumerate([1, 200 << 20, 5, 1 << 30] * 50)]
    for jobs in (1, 2, 7, 64):
        batches = list(_batches(list(tasks), jobs))
        assert [task for batch in batches for task in batch] == tasks
        assert max(len(batch) for batch in batches) <= 64
        assert len(batches) >= min(8 * jobs, len(tasks))
    assert list(_batches([], 2)) == []


def test_a_process_that_ends_is_an_error(imgseal: Imgseal, inside: Tree, monkeypatch: pytest.MonkeyPatch) -> None:
    """Never a shorter list: the run has no answer."""

    def gone(*_arguments: object) -> None:
        os._exit(9)

    monkeypatch.setattr("imgseal.gate.scan.scan_file", gone)
    said = imgseal("gate", "out", "--jobs", "2")
    assert (said.status, said.out) == (5, "")
    assert "a process that did a part of the work has ended" in said.err


def test_a_process_that_ends_while_work_is_handed_over(
    imgseal: Imgseal, inside: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    def broken(*_arguments: object, **_more: object) -> None:
        raise BrokenProcessPool("a child process terminated abruptly")

    monkeypatch.setattr(ProcessPoolExecutor, "submit", broken)
    said = imgseal("gate", "out", "--jobs", "2")
    assert (said.status, said.out) == (5, "")
    assert "a process that did a part of the work has ended" in said.err


# -- Dask ----------------------------------------------------------------------------------------------------------


class Cluster:
    """A scheduler and two workers, or another number, as processes of their own, on this machine."""

    def __init__(self, folder: Path, workers: int = 2) -> None:
        self.processes: list[subprocess.Popen[bytes]] = []
        note = folder / "scheduler.json"
        quiet = ("--no-dashboard",)
        self._start("scheduler", "--scheduler-file", str(note), "--host", "127.0.0.1", "--port", "0", *quiet)
        until(note.exists)
        import json

        until(lambda: note.read_text().rstrip().endswith("}"))
        self.address = str(json.loads(note.read_text())["address"])
        for _ in range(workers):
            options = ("--nthreads", "1", "--no-nanny", "--local-directory", str(folder), *quiet)
            self._start("worker", self.address, *options)

    def _start(self, what: str, *arguments: str) -> None:
        command = [sys.executable, "-m", f"distributed.cli.dask_{what}", *arguments]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self.processes.append(process)

    def kill_a_worker(self, number: int = 1) -> None:
        self.processes[number].send_signal(signal.SIGKILL)
        self.processes[number].wait()

    def end(self) -> None:
        for process in reversed(self.processes):
            process.kill()
            process.wait()


def until(holds: Callable[[], bool], seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "the cluster does not start"
        time.sleep(0.05)


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    made = Cluster(tmp_path)
    yield made
    made.end()


def workers(address: str) -> int:
    from distributed import Client

    with Client(address, timeout=20, set_as_default=False) as client:  # type: ignore[no-untyped-call]
        return len(client.scheduler_info()["workers"])


@pytest.mark.filterwarnings("default")  # Dask's own
def test_a_lost_worker_loses_nothing(
    imgseal: Imgseal, inside: Tree, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One of two workers is killed when a few files are done; report and order are those of one process."""
    alone = imgseal("gate", "out", "--every", "--jobs", "1")
    until(lambda: workers(cluster.address) == 2)
    killed_at: list[tuple[int, int]] = []

    def counter(_what: str) -> Callable[[int, int], None]:
        def show(done: int, everything: int) -> None:
            if not killed_at:
                killed_at.append((done, everything))
                cluster.kill_a_worker()

        return show

    monkeypatch.setattr("imgseal.gate.command.counter", counter)
    said = imgseal("gate", "out", "--every", "--workers", cluster.address)
    assert killed_at
    assert killed_at[0][0] < killed_at[0][1] // 10
    assert (said.status, said.out) == (alone.status, alone.out)
    assert workers(cluster.address) == 1


@pytest.mark.filterwarnings("default")
def test_a_scheduler_without_workers_is_an_error(
    imgseal: Imgseal, tmp_path: Path, inside: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It waits for the first worker, not for ever."""
    monkeypatch.setattr("imgseal.workspace.spread._FOR_WORKERS", 0.5)
    alone = Cluster(tmp_path, 0)
    try:
        said = imgseal("gate", "out", "--workers", alone.address)
    finally:
        alone.end()
    assert (said.status, said.out) == (2, "")
    assert "this Dask scheduler has no workers" in said.err
    assert "one within 0.5 seconds" in said.err
    assert f"dask worker {alone.address}" in said.err


@pytest.mark.filterwarnings("default")
def test_workers_that_all_leave_are_an_error(
    imgseal: Imgseal, inside: Tree, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    until(lambda: workers(cluster.address) == 2)
    monkeypatch.setattr("imgseal.workspace.spread._FOR_WORKERS", 2.0)

    def counter(_what: str) -> Callable[[int, int], None]:
        left = [1, 2]

        def show(_done: int, _everything: int) -> None:
            while left:
                cluster.kill_a_worker(left.pop())

        return show

    monkeypatch.setattr("imgseal.gate.command.counter", counter)
    said = imgseal("gate", "out", "--every", "--workers", cluster.address)
    assert (said.status, said.out) == (2, "")
    assert "this Dask scheduler has no workers" in said.err


class Held:
    """What a worker had done and held when it was killed: done, and not to be had."""

    status = "finished"

    def done(self) -> bool:
        return True

    def result(self, timeout: float | None = None) -> object:
        assert timeout is not None, "it would wait for ever"
        raise TimeoutError


class Nobody:
    def nthreads(self) -> dict[str, int]:
        return {}


def test_what_is_done_may_be_lost_with_its_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spread, "_FOR_WORKERS", 0.2)
    with pytest.raises(UsageError, match="no workers"):
        spread._result(Nobody(), "tcp://127.0.0.1:9", Held())


def test_work_for_other_machines_comes_in_few_pieces() -> None:
    """Each piece costs them some milliseconds, whatever is in it: 3,000 files for two workers were 600 pieces once."""
    from imgseal.gate.workers import _FLEET_BATCH

    tasks: list[Task | Found] = [Task(str(n), str(n), str(n), 4096) for n in range(3000)]
    pieces = list(_batches(list(tasks), 2, _FLEET_BATCH))
    assert 16 <= len(pieces) <= 18
    assert [task for piece in pieces for task in piece] == tasks
    assert max(len(piece) for piece in _batches(tasks * 20, 2, _FLEET_BATCH)) == _FLEET_BATCH


@pytest.mark.parametrize("address", ["nonsense", "127.0.0.1", "tcp://127.0.0.1", "tcp://127.0.0.1:port"])
def test_an_address_without_a_port(imgseal: Imgseal, inside: Tree, address: str) -> None:
    """Nothing is left that fails again, with a traceback, when it is thrown away."""
    said = imgseal("gate", "out", "--workers", address)
    assert (said.status, said.out, f"found: {address}: without a port\n" in said.err) == (2, "", True), said.err


@pytest.mark.filterwarnings("default")
def test_nobody_answers(imgseal: Imgseal, tmp_path: Path, inside: Tree, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgseal.workspace.spread._PATIENCE", "1s")
    for address in ("tcp://127.0.0.1:9", "nonsense:9"):
        said = imgseal("gate", "out", "--workers", address)
        assert (said.status, said.out) == (2, ""), said.err
        assert "no Dask scheduler answers there" in said.err


def test_without_dask_it_says_what_to_install(imgseal: Imgseal, inside: Tree, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    said = imgseal("gate", "out", "--workers", "tcp://127.0.0.1:9")
    assert (said.status, "pip install 'imgseal[fleet]'" in said.err) == (2, True)


def test_only_the_fleet_loads_dask_and_only_several_jobs_load_processes(small: Tree) -> None:
    script = """
import contextlib, io, sys
from imgseal.cli.app import run
with contextlib.redirect_stdout(io.StringIO()):
    run(["gate", "out/build-001", "--jobs", "1"])
print(*(name for name in ("distributed", "multiprocessing", "concurrent.futures", "json", "zipfile", "elftools") if name in sys.modules))
"""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    said = subprocess.run(
        [sys.executable, "-c", script], cwd=small.folder, env=environment, capture_output=True, text=True, check=True
    )
    assert set(said.stdout.split()) <= {"json", "elftools"}  # the log is JSON; the folder holds an ELF file


def test_what_travels_to_other_machines_is_the_same_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Policy and result survive pickling, device contents included."""
    import pickle

    from workshop import workshop

    from imgseal.check.context import Context
    from imgseal.device_state.device import fresh
    from imgseal.gate.artefact import Policy, Target
    from imgseal.gate.scan import scan_file
    from imgseal.window import ByteView
    from imgseal.workspace.judging import Judge

    shop = workshop()
    contents = {"motor-a": ByteView(shop.images["motor-a"])}
    context = Context(shop.product, shop.trust, fresh(shop.product), contents, day="2026-01-01")
    policy = Policy((Target(Judge(context, "a device")),))
    again = pickle.loads(pickle.dumps(policy))
    there = again.targets[0].judge.context
    assert bytes(there.contents["motor-a"].read(0, 10**6)) == shop.images["motor-a"]
    assert there._replace(contents={}) == context._replace(contents={})
    data = sealed("phrases", b"words")
    (tmp_path / "a").write_bytes(data)
    task = Task(str(tmp_path / "a"), "a", "a", len(data))
    found = scan_file(task, policy)
    assert found[0].scanned.findings == ()
    assert pickle.loads(pickle.dumps(scan_file(task, again))) == found
