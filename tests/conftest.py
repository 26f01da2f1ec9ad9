"""What several test packages share."""

import gc
import os
import shutil
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from soft_token import faulty, made_faulty, made_tokens, token
from time_limit import TimeLimit, add_options
from workshop import BUILD_TIME, Imgseal, Said, write_project

from imgseal.cli.app import run
from imgseal.demo.firmware import code, phrases
from imgseal.formats.source.intel_hex_writer import write_intel_hex

__all__ = ["faulty", "made_faulty", "made_tokens", "token"]  # fixtures


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--all", action="store_true", help="also what takes long: tests/long_runs.py")
    add_options(parser)


def pytest_configure(config: pytest.Config) -> None:
    # how long an example takes says something of the machine, not of the code
    settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
    settings.load_profile("untimed")
    config.pluginmanager.register(TimeLimit(config))


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """What is collected stays to the end: the garbage collector looks at none of it, now or later."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what takes long, unless it is asked for or a test is named by itself; pytest says how many."""
    if config.getoption("--all"):
        return
    left = [item for item in items if item.get_closest_marker("long") is not None]
    if left:
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if item.get_closest_marker("long") is None]


SUMS = {
    "rehearsed: {}; every invariant holds": ("lives after one cut", "lives after two"),
    "agreed on by table, Python and C: {}": ("packages expected to be accepted", "packages expected to be refused"),
    "agreed on: {}": ("generated packages accepted by Python and C", "refused by both"),
}
"""What the summary of a test run says, and the properties of tests that it adds up."""


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say how many power cuts and packages were tried: figures that the README states."""
    sums: Counter[str] = Counter()
    for report in terminalreporter.stats.get("passed", []):
        for name, value in getattr(report, "user_properties", ()):
            if any(name in names for names in SUMS.values()):
                sums[name] += value
    for words, names in SUMS.items():
        if any(sums[name] for name in names):
            terminalreporter.write_line(words.format(", ".join(f"{sums[name]} {name}" for name in names)))


@pytest.fixture(scope="session", autouse=True)
def _objects(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Compiled objects are shared by the processes of a run: c_build.py."""
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "objects"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("IMGSEAL_TESTS_OBJECTS", str(folder))
        yield


@pytest.fixture(scope="session")
def tool() -> Callable[[str], str]:
    """Return a function that finds an external command, or a file by its absolute path.

    What is missing skips the test at a desk and fails it in CI, where nothing may go untested unseen.
    """

    def find(name: str) -> str:
        path = name if os.path.isabs(name) and os.path.exists(name) else shutil.which(name)
        if path is None:
            message = f"{name} is missing: tests/run names the Debian package"
            if os.environ.get("CI"):
                pytest.fail(message)
            pytest.skip(message)
        return path

    return find


@pytest.fixture(scope="session")
def tries(pytestconfig: pytest.Config) -> Callable[[int], int]:
    """Return a function that says how many of so many random cases are tried: a third of them, or all with --all."""
    return lambda count: count if pytestconfig.getoption("--all") else count // 3


@pytest.fixture
def imgseal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Imgseal:
    """Run a command; standard input is no terminal."""
    monkeypatch.setattr("os.isatty", lambda _descriptor: False)

    def call(*arguments: str) -> Said:
        capsys.readouterr()
        status = run(arguments)
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return Said(status, said.out, said.err)

    return call


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the demo's product file, keys and firmware; the working folder."""
    write_project(tmp_path)
    for slot, link in (("a", 0x20400), ("b", 0x70400)):
        data = code(f"motor {slot}", link=link, size=6000, vectors=64, stack=0x2002_0000)
        (tmp_path / f"motor-{slot}.hex").write_bytes(b"".join(write_intel_hex([(link, data)])))
    radio = code("radio", link=0xC0400, size=3001, vectors=48, stack=0x2002_0000)
    (tmp_path / "radio.bin").write_bytes(radio)
    (tmp_path / "phrases.bin").write_bytes(phrases("phrases", 4000))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(BUILD_TIME))
    monkeypatch.setenv("XDG_CACHE_HOME", f"{tmp_path}-cache")
    monkeypatch.delenv("IMGSEAL_PASSPHRASE", raising=False)
    return tmp_path
