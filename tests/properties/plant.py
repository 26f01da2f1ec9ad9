"""Plant faults in a copy of the package, one at a time, run the tests that stand nearest to each, and print the faults that no test sees.

    nice python tests/properties/plant.py --count 100 --seed 1
    nice python tests/properties/plant.py --only imgseal/versions.py:40

The first run makes a map of what each test reaches (minutes); later runs bring it up to date. Faults that change nothing stand with the argument in
equivalent.toml. The tests run on a copy in a temporary folder: the tree that others read stays as it is.
"""

import argparse
import ast
import compileall
import contextlib
import difflib
import functools
import hashlib
import json
import multiprocessing
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import pytest
from faults import Fault, faults_in
from nearest import Mapped, Nearest, arguments, map_of

ROOT = Path(__file__).parents[2]
LINKED = (".sources",)
"""Fetched once for the tests of the device code, and never written to."""
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
COPIED = (
    "imgseal",
    "tests",
    "docs",
    "keys-example",
    "pyproject.toml",
    "README.md",
    "DEVELOPERS.md",
    ".ci",
    ".gitignore",
)
BUDGETS = 5.0, 25.0, 90.0
"""Seconds of tests, as measured under coverage, that a fault is given at first, and if it survives them."""


class Outcome(NamedTuple):
    """What the tests said of a fault."""

    fault: Fault
    said: str
    """found, found by its time, survived, not reached, listed"""
    by: str
    seconds: float
    """Of a processor."""


class _Chosen:
    """Keeps the chosen tests in their order, and the name of the first that failed."""

    def __init__(self, tests: Sequence[str], note: Path) -> None:
        self.order = {name: number for number, name in enumerate(tests)}
        self.note = note

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if any("::" in name for name in self.order):
            items[:] = sorted(
                (item for item in items if item.nodeid in self.order), key=lambda item: self.order[item.nodeid]
            )

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.note.write_text(report.nodeid)


def made_copy(folder: Path, root: Path = ROOT) -> Path:
    """Copy what the tests read, with what Python has compiled of it."""
    for name in COPIED:
        if (root / name).is_dir():
            shutil.copytree(root / name, folder / name, symlinks=True)
        elif (root / name).exists():
            shutil.copy2(root / name, folder / name)
    for name in LINKED:
        if (root / name).exists():
            (folder / name).symlink_to(root / name)
    return folder


def forked(tree: Path, act: Callable[[], int], *, processor: int, wall: float) -> int | None:
    """Run something in a process of its own inside a copy; its status, or None when its time is over."""
    child = os.fork()
    if child == 0:
        status = 120
        try:
            os.setsid()
            resource.setrlimit(resource.RLIMIT_CPU, (processor, processor))
            out = os.open(tree / "said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(out, 1)
            os.dup2(out, 2)
            os.chdir(tree)
            os.environ["PYTHONPATH"] = str(tree)
            os.environ.pop("CI", None)
            sys.path[:] = [str(tree), *(entry for entry in sys.path if not entry.startswith(str(ROOT / "tests")))]
            for name in ("faults", "nearest", "plant"):
                sys.modules.pop(name, None)
            status = act()
        finally:
            sys.stdout.flush()
            os._exit(status)
    end = time.monotonic() + wall
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            _end_group(child)
            return os.waitstatus_to_exitcode(status) if not os.WIFSIGNALED(status) else None
        time.sleep(0.02)
    _end_group(child)
    os.waitpid(child, 0)
    return None


def _end_group(child: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)


def tried(tree: Path, fault: Fault, tests: Sequence[Mapped]) -> tuple[str, str]:
    """Plant a fault in a copy, run tests, and put the source back."""
    path, note = tree / fault.module, tree / "first-failed"
    note.unlink(missing_ok=True)
    source, before = path.read_bytes(), path.stat()
    path.write_bytes(fault.planted(source))
    os.utime(path, (before.st_mtime + 1000, before.st_mtime + 1000))  # what was compiled of it is out of date
    files = sorted({test.file for test in tests}, key=[test.file for test in tests].index)
    measured = sum(test.seconds for test in tests)
    try:
        status = forked(
            tree,
            lambda: int(
                pytest.main(["-x", *arguments(tree), *files], plugins=[_Chosen([test.name for test in tests], note)])
            ),
            processor=int(20 + 3 * measured),
            wall=240 + 10 * measured,
        )
    finally:
        path.write_bytes(source)
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
        shutil.rmtree(tree / "made", ignore_errors=True)
    if status is None:
        return "found by its time", ""
    if status in {0, 5}:
        return "survived", ""
    return "found", note.read_text() if note.exists() else "does not start"


@functools.cache
def source_of(module: str) -> bytes:
    return (ROOT / module).read_bytes()


def all_faults(rooms: Sequence[str]) -> list[Fault]:
    modules = sorted(str(path.relative_to(ROOT)) for path in (ROOT / "imgseal").rglob("*.py"))
    wanted = [name for name in modules if not rooms or name.split("/")[1].removesuffix(".py") in rooms]
    return [fault for name in wanted for fault in faults_in(name, source_of(name))]


def chosen_by(seed: int, faults: Sequence[Fault]) -> list[Fault]:
    """Give faults in an order that follows from the seed, and that a change elsewhere in the package leaves as it is."""

    times: Counter[tuple[str, ...]] = Counter()
    ranked = []
    for fault in faults:
        times[fault.name] += 1
        ranked.append((hashlib.sha256(repr((seed, times[fault.name], fault.name)).encode()).digest(), fault))
    return [fault for _rank, fault in sorted(ranked)]


def listed() -> dict[tuple[str, str, str, str, str], str]:
    """Give the faults that change nothing, with the argument."""
    rows = tomllib.loads(EQUIVALENT.read_text())["fault"]
    return {(row["module"], row["function"], row["line"], row["was"], row["becomes"]): row["why"] for row in rows}


def statement_of(fault: Fault) -> list[str]:
    """Give the lines of the statements around a fault, innermost first: a tracer sees some of them only."""
    lines = source_of(fault.module).decode().splitlines()
    nodes = [
        node
        for node in ast.walk(ast.parse(source_of(fault.module)))
        if isinstance(node, ast.stmt)
        and not isinstance(node, ast.FunctionDef | ast.ClassDef)
        and node.lineno <= fault.line <= (node.end_lineno or 0)
    ]
    if not nodes:
        return []
    node = max(nodes, key=lambda node: node.lineno)
    inner = getattr(node, "body", None)
    last = inner[0].lineno if inner else (node.end_lineno or 0) + 1
    return [lines[number - 1].strip() for number in range(node.lineno, last)]


@functools.cache
def _words() -> list[tuple[str, str, frozenset[str]]]:
    """Give the functions of the package with the names that each uses."""
    found = []
    for path in sorted((ROOT / "imgseal").rglob("*.py")):
        module = str(path.relative_to(ROOT))
        for node in ast.walk(ast.parse(source_of(module))):
            if isinstance(node, ast.FunctionDef):
                names = {inner.id for inner in ast.walk(node) if isinstance(inner, ast.Name)}
                names |= {inner.attr for inner in ast.walk(node) if isinstance(inner, ast.Attribute)}
                found.append((module, node.name, frozenset(names)))
    return found


def users_of(fault: Fault) -> list[tuple[str, str]]:
    """Give the functions that use what a statement outside of functions gives a name to."""
    names = {fault.function.rpartition(".")[2]} - {""}
    for node in ast.walk(ast.parse(source_of(fault.module))):
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.lineno <= fault.line <= (node.end_lineno or 0):
            names |= {n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    return [(module, name) for module, name, used in _words() if used & names]


class _Here(NamedTuple):
    """What a process of the pool works with: a copy of its own, and the map."""

    tree: Path
    nearest: Nearest
    instead: Sequence[str]


_HERE: list[_Here] = []


def _begin(folder: str, nearest: Nearest, instead: Sequence[str]) -> None:
    tree = made_copy(Path(tempfile.mkdtemp(dir=folder)))
    compileall.compile_dir(tree / "imgseal", quiet=2)
    if forked(tree, _compiled(tree, instead), processor=200, wall=900) != 0:
        raise RuntimeError(f"tests do not start without a fault: {(tree / 'said').read_text()[-2000:]}")
    _HERE.append(_Here(tree, nearest, instead))


def _compiled(tree: Path, files: Sequence[str]) -> Callable[[], int]:
    def act() -> int:
        sys.dont_write_bytecode = False
        return int(pytest.main(["--collect-only", *arguments(tree), *files]))

    return act


def _map_one(file: str) -> str:
    here = _HERE[0]
    kept = here.nearest.kept(file)

    def act() -> int:
        made = map_of(here.tree, file)
        part = kept.with_suffix(f".{os.getpid()}")
        part.write_text(json.dumps(made))
        part.replace(kept)
        return 0

    started = time.monotonic()
    status = forked(here.tree, act, processor=900, wall=3000)
    if status != 0:
        kept.write_text(json.dumps({"tests": [], "lines": {}}))
    return f"{file}: {time.monotonic() - started:.0f} s{'' if status == 0 else ', nothing'}"


def _try_one(fault: Fault) -> Outcome:
    here, started = _HERE[0], sum(os.times()[:4])
    statement, users = statement_of(fault), users_of(fault)
    if here.instead:
        said, by = tried(here.tree, fault, [Mapped(file, 0.0) for file in here.instead])
        return Outcome(fault, said, by, sum(os.times()[:4]) - started)
    said, by, done = "not reached", "", set[Mapped]()
    for seconds in BUDGETS:
        more = [test for test in here.nearest.tests(fault, statement, users, seconds) if test not in done]
        if more:
            done.update(more)
            said, by = tried(here.tree, fault, more)
        if said not in {"survived", "not reached"}:
            break
    return Outcome(fault, said, by, sum(os.times()[:4]) - started)


def failing(names: Sequence[str]) -> set[str]:
    """Give those of some tests that fail without any fault: they have found nothing."""
    tree = _HERE[0].tree
    note, failed = tree / "failed", set(names)

    class Watch:
        def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
            if report.when == "call" and report.passed:
                with note.open("a") as out:
                    out.write(f"{report.nodeid}\n")

    files = sorted({name.partition("::")[0] for name in names})
    chosen = _Chosen(names, tree / "first-failed")
    forked(
        tree, lambda: int(pytest.main([*arguments(tree), *files], plugins=[chosen, Watch()])), processor=900, wall=3000
    )
    return failed - set(note.read_text().splitlines() if note.exists() else ())


def show(fault: Fault) -> Iterator[str]:
    source = source_of(fault.module)
    before, behind = source.decode().splitlines(), fault.planted(source).decode().splitlines()
    yield f"{fault.module}:{fault.line}"
    yield from (f"  {line}" for line in list(difflib.unified_diff(before, behind, n=1, lineterm=""))[3:])


def main() -> int:
    """Plant, run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--room", action="append", default=[], help="plant only here: check, cli, versions, ...")
    parser.add_argument(
        "--only", action="append", default=[], metavar="MODULE:LINE", help="plant all faults of these lines"
    )
    parser.add_argument(
        "--tests", action="append", default=[], metavar="FILE", help="run these in place of the nearest"
    )
    parser.add_argument("--kept", action="store_true", help="use the map as it is kept, though tests have changed")
    parser.add_argument("--map", action="store_true", help="bring the map up to date and stop")
    chosen = parser.parse_args()

    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.dont_write_bytecode = True  # of this process and those that fork from it: nothing compiled of a fault stays
    nearest = Nearest(ROOT)
    fork = multiprocessing.get_context("fork")
    with tempfile.TemporaryDirectory(prefix="planted-") as folder:
        missing = [] if chosen.tests or chosen.kept else nearest.missing()
        if missing:
            with ProcessPoolExecutor(chosen.jobs, fork, _begin, (folder, nearest, chosen.tests)) as pool:
                for line in pool.map(_map_one, missing):
                    print(line, flush=True)
        if chosen.map:
            return 0
        nearest.load()
        equivalent = listed()
        faults = all_faults(chosen.room)
        if chosen.only:
            planted = [fault for fault in faults if f"{fault.module}:{fault.line}" in chosen.only]
        else:
            planted = chosen_by(chosen.seed, faults)[: chosen.count]
        with ProcessPoolExecutor(chosen.jobs, fork, _begin, (folder, nearest, chosen.tests)) as pool:
            outcomes = []
            for outcome in pool.map(_try_one, [fault for fault in planted if fault.name not in equivalent]):
                outcomes.append(outcome)
                if outcome.said in {"survived", "not reached"} or chosen.only:
                    print(*show(outcome.fault), sep="\n")
                print(f"{outcome.said} {outcome.by} ({outcome.seconds:.0f} s)", flush=True)
            names = sorted({outcome.by for outcome in outcomes if "::" in outcome.by})
            without = pool.submit(failing, names).result() if names else set()
    for name in sorted(without):
        print(f"{name} fails without a fault")
    counts = Counter("found by a test that fails" if outcome.by in without else outcome.said for outcome in outcomes)
    counts["listed as changing nothing"] += sum(fault.name in equivalent for fault in planted)
    survived = counts["survived"] + counts["not reached"] + counts["found by a test that fails"]
    print(f"{len(planted)} faults of {len(faults)}, seed {chosen.seed}: {survived} survive; {dict(+counts)}")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main())
