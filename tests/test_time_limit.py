"""A test that hangs is reported as failed, whatever it hangs in, and those after it still run."""

import subprocess
import sys
from pathlib import Path

LEFT = {
    "loop": "\n    while True: pass",
    "lock": "threading.Event().wait()",
    "process": "subprocess.run(['sleep', '600'])",
    "cleaning_up": "\n    try: time.sleep(600)\n    finally: time.sleep(600)",
}
KEPT = {"library": "sum(itertools.repeat(0))"}
LONGER = "\n@pytest.mark.seconds(30)\ndef test_has_longer():\n    time.sleep(1.5)\n"


def planted(folder: Path, hangs: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    (folder / "conftest.py").write_text(
        "from time_limit import TimeLimit, add_options as pytest_addoption\n"
        "def pytest_configure(config): config.pluginmanager.register(TimeLimit(config))\n"
    )
    (folder / "pytest.ini").write_text(
        "[pytest]\ntest_seconds = 1\nmarkers = seconds: of a test\nfaulthandler_timeout = 4\nfaulthandler_exit_on_timeout = true\n"
        f"pythonpath = {Path(__file__).parent}\n"
    )
    tests = "".join(f"def test_{name}(): {hang}\n" for name, hang in hangs.items())
    (folder / "test_planted.py").write_text(f"import itertools, pytest, subprocess, threading, time\n{tests}{LONGER}")
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120, check=False)


def test_what_hangs_in_python_fails(tmp_path: Path) -> None:
    said = planted(tmp_path, LEFT)
    assert said.returncode == 1
    assert "4 failed, 1 passed" in said.stdout, said.stdout + said.stderr
    assert said.stdout.count("Failed: took longer than 1 seconds") >= 4


def test_under_pytest_xdist_those_behind_a_hang_still_run(tmp_path: Path) -> None:
    """As the whole run is; a process that hangs in C is replaced by another."""
    said = planted(tmp_path, KEPT | {"loop": LEFT["loop"]}, "-n", "1")
    assert said.returncode == 1
    assert "2 failed, 1 passed" in said.stdout, said.stdout + said.stderr
    assert "crashed while running 'test_planted.py::test_library'" in said.stdout


def test_a_hang_in_a_library_ends_the_only_process(tmp_path: Path) -> None:
    said = planted(tmp_path, KEPT)
    assert said.returncode == 1
    assert "Timeout" in said.stderr
    assert "in test_library" in said.stderr
