"""Which tests stand nearest to a line: a map that runs of the tests under coverage make, one test file a process.

It is kept outside the repository, in `$XDG_CACHE_HOME/imgseal-plant`, with a digest of each test file: what has changed is run again. Lines are known by module, function and text, so that the map stays good when lines move.
"""

import ast
import functools
import hashlib
import json
import os
import re
import time
from collections.abc import Generator, Iterable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import coverage
import pytest
from faults import Fault

__all__ = ["Mapped", "Nearest", "kept_in", "map_of"]

SLOW = 40.0
"""Seconds of a processor under coverage, beyond which a test is not near to anything."""
FILE = 0.5
"""Seconds that a further test file costs."""
_LATE = {"device_code", "properties", "rehearse", "integrations", "outside"}


class Mapped(NamedTuple):
    """A test, what it costs, and the order it is asked for in."""

    name: str
    seconds: float

    @property
    def file(self) -> str:
        return self.name.partition("::")[0]


def kept_in() -> Path:
    folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "imgseal-plant"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@functools.cache
def _places(path: str) -> list[tuple[str, str]]:
    """Give function and text of each line of a module; the first line is at 1."""
    source = Path(path).read_bytes()
    lines = [("", line.decode().strip()) for line in source.splitlines()]

    def name(node: ast.AST, inside: tuple[str, ...]) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                within = (*inside, child.name)
                for number in range(child.lineno - 1, child.end_lineno or child.lineno):
                    lines[number] = (".".join(within), lines[number][1])
                name(child, within)
            else:
                name(child, inside)

    name(ast.parse(source), ())
    return [("", ""), *lines]


class _Watch:
    """Switches the context of the coverage for each test, and measures it."""

    def __init__(self, cov: coverage.Coverage) -> None:
        self.cov = cov
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        self.cov.switch_context(item.nodeid)
        before = time.process_time() + sum(os.times()[2:4])
        try:
            return (yield)
        finally:
            self.seconds[item.nodeid] = time.process_time() + sum(os.times()[2:4]) - before
            self.cov.switch_context("")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if not report.passed:
            self.failed.add(report.nodeid)


def map_of(tree: Path, file: str) -> dict[str, object]:
    """Run one test file of a copy under coverage, in this process; what it covers, by the name of the line."""
    cov = coverage.Coverage(data_file=None, source=[str(tree / "imgseal")], config_file=False)
    watch = _Watch(cov)
    cov.start()
    pytest.main([*arguments(tree), file], plugins=[watch])
    cov.stop()
    tests = [name for name in watch.seconds if name not in watch.failed]
    numbers = {name: number for number, name in enumerate(tests)}
    covered: dict[str, set[int]] = {}
    data = cov.get_data()
    for path in data.measured_files():
        module = os.path.relpath(path, tree)
        for line, contexts in data.contexts_by_lineno(path).items():
            reached = {numbers[name] for name in contexts if name in numbers}
            if reached:
                covered.setdefault("|".join((module, *_places(path)[line])), set()).update(reached)
    return {
        "tests": [(name, round(watch.seconds[name], 3)) for name in tests],
        "lines": {place: sorted(reached) for place, reached in covered.items()},
    }


def arguments(tree: Path) -> list[str]:
    """Give the arguments of pytest for tests in a copy."""
    said = ["-q", "--no-header", "--tb=short", "-p", "no:cacheprovider", "-p", "no:xdist", "-o", "test_seconds=90"]
    return [*said, f"--rootdir={tree}", f"--config-file={tree / 'pyproject.toml'}", f"--basetemp={tree / 'made'}"]


class Nearest:
    """The map of all test files that are as they were when they were run."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.folder = kept_in()
        self.lines: dict[str, list[Mapped]] = {}
        self.of_file: dict[str, list[Mapped]] = {}

    def files(self) -> list[str]:
        return sorted(str(path.relative_to(self.root)) for path in (self.root / "tests").rglob("test_*.py"))

    def kept(self, file: str) -> Path:
        digest = hashlib.sha256(file.encode() + b"\0" + (self.root / file).read_bytes()).hexdigest()[:24]
        return self.folder / f"{file.replace('/', '~')}.{digest}.json"

    def newest(self, file: str) -> Path | None:
        """Give the map of a file as it is, or else of the last one of that name: most of its tests will still be there."""
        if self.kept(file).exists():
            return self.kept(file)
        return max(
            self.folder.glob(f"{file.replace('/', '~')}.*.json"), key=lambda path: path.stat().st_mtime, default=None
        )

    def missing(self) -> list[str]:
        """Give the files that have to be run, those that take long last."""
        missing = [file for file in self.files() if not self.kept(file).exists()]
        return sorted(missing, key=lambda file: file.split("/")[1] in _LATE)

    def load(self) -> None:
        for file in self.files():
            path = self.newest(file)
            if path is None:
                continue
            kept = json.loads(path.read_bytes())
            tests = [Mapped(name, seconds) for name, seconds in kept["tests"]]
            self.of_file[file] = tests
            for place, numbers in kept["lines"].items():
                self.lines.setdefault(place, []).extend(tests[number] for number in numbers)

    def _reached(self, fault: Fault, statement: Sequence[str]) -> Iterator[list[Mapped]]:
        """Give tests, nearest first: of the line, of its statement, of its function, of what uses its name."""
        for text in (fault.text, *statement):
            yield self.lines.get(f"{fault.module}|{fault.function}|{text}", [])
        if fault.function:
            start = f"{fault.module}|{fault.function}"
            yield [
                test
                for place, tests in self.lines.items()
                if place.startswith((f"{start}|", f"{start}."))
                for test in tests
            ]

    def _naming(self, module: str) -> list[str]:
        """Give the test files that import a module by name."""
        dotted = module.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        package, _, last = dotted.rpartition(".")
        pattern = rf"^\s*(?:from {re.escape(dotted)} import|from {re.escape(package)} import .*\b{last}\b)"
        return [file for file in self.files() if re.search(pattern, (self.root / file).read_text(), re.MULTILINE)]

    def tests(
        self, fault: Fault, statement: Sequence[str], users: Sequence[tuple[str, str]], budget: float
    ) -> list[Mapped]:
        """Give tests for a fault, cheapest and nearest first, as many as fit into the seconds."""
        room = fault.module.split("/")[1].removesuffix(".py")
        chosen: dict[str, Mapped] = {}
        files: set[str] = set()
        spent = 0.0

        def far(test: Mapped) -> float:
            near = f"/{room}/" in test.name or f"test_{room}" in test.name
            return test.seconds * (0.2 if near else 1) + (0 if near or test.file in files else FILE)

        def add(tests: Iterable[Mapped]) -> None:
            nonlocal spent
            for test in sorted(set(tests), key=far):
                cost = test.seconds + (0 if test.file in files else FILE)
                if test.name not in chosen and test.seconds < SLOW and spent + cost < budget:
                    chosen[test.name] = test
                    files.add(test.file)
                    spent += cost

        if not fault.function:  # a constant is read when its module is imported: by all who name it
            add(test for file in self._naming(fault.module) for test in self.of_file.get(file, ()))
        for tests in self._reached(fault, statement):
            add(tests)
        if not chosen or not fault.function or fault.function.isupper():
            for module, name in users:
                start = f"{module}|{name}"
                add(
                    test
                    for place, tests in self.lines.items()
                    if place.startswith((f"{start}|", f"{start}."))
                    for test in tests
                )
            add(test for place, tests in self.lines.items() if place.startswith(f"{fault.module}|") for test in tests)
        add(test for file in {test.file for test in chosen.values()} for test in self.of_file[file])
        return list(chosen.values())
