"""Adding a line to a file: one process at a time, everything or nothing, whatever is cut off in between.

Source of truth: the contract of `append_line`; POSIX for locks, and for what a process that dies leaves behind.
"""

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from killed import HERE, entries_of, hunt
from log_book import book
from workshop import ALL, Imgseal, tree

from imgseal.errors import InputError
from imgseal.workspace.append import append_line


def never(_bare: bytes) -> bool:
    """A line without a line feed is no line."""
    return False


def add(path: Path, line: bytes | None, limit: int = 100) -> tuple[bytes | None, int, int]:
    """Add a line; return what the callback was shown, and the bytes that were dropped."""
    shown: list[tuple[bytes | None, int]] = []

    def next_line(last: bytes | None, at: int) -> bytes | None:
        shown.append((last, at))
        return line

    found = append_line(str(path), limit, 1000, next_line, never)
    return (*shown[0], found.dropped)


def test_lines_one_after_the_other(tmp_path: Path) -> None:
    path = tmp_path / "log"
    assert add(path, b"one") == (None, 0, 0)
    assert add(path, b"two") == (b"one", 0, 0)
    assert add(path, b"three") == (b"two", 4, 0)
    assert add(path, None) == (b"three", 8, 0)
    assert path.read_bytes() == b"one\ntwo\nthree\n"
    assert os.listdir(tmp_path) == ["log"]


@pytest.mark.parametrize(
    ("before", "last", "at", "torn"),
    [
        (b"", None, 0, 0),
        (b"cut", None, 0, 3),
        (b"one\ncut", b"one", 0, 3),
        (b"one\ntwo\n\0\0\0", b"two", 4, 3),
        (b"one\n\n", b"", 4, 0),
        (b"\n", b"", 0, 0),
        (b"x" * 100 + b"\n" + b"y" * 100, b"x" * 100, 0, 100),
    ],
)
def test_what_has_no_line_feed_never_happened(
    tmp_path: Path, before: bytes, last: bytes | None, at: int, torn: int
) -> None:
    path = tmp_path / "log"
    path.write_bytes(before)
    assert add(path, None) == (last, at, 0)
    assert path.read_bytes() == before
    assert add(path, b"new") == (last, at, torn)
    assert path.read_bytes() == before[: len(before) - torn] + b"new\n"


@pytest.mark.parametrize("line", [None, b"new"])
@pytest.mark.parametrize("before", [b"", b"one\n", b"x" * 99 + b"\n"])
def test_a_whole_line_without_its_line_feed_gets_it(tmp_path: Path, before: bytes, line: bytes | None) -> None:
    path = tmp_path / "log"
    path.write_bytes(before + b"{whole}")
    shown: list[tuple[bytes | None, int]] = []

    def next_line(last: bytes | None, at: int) -> bytes | None:
        shown.append((last, at))
        return line

    found = append_line(str(path), 100, 1000, next_line, lambda bare: bare.endswith(b"}"))
    assert shown == [(b"{whole}", len(before))]
    assert (found.dropped, found.finished) == (0, True)
    assert path.read_bytes() == before + b"{whole}\n" + (b"" if line is None else line + b"\n")


@pytest.mark.parametrize("size", [16382, 16383, 16384, 16385, 32768, 50_000, 99_999])
def test_lines_across_the_pieces_that_are_read(tmp_path: Path, size: int) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"first\n" + b"x" * size + b"\n" + b"torn" * 1000)
    seen = []
    append_line(str(path), 100_000, 1 << 20, lambda last, at: seen.append((last, at)), never)
    assert seen == [(b"x" * size, 6)]


@pytest.mark.parametrize(
    "data", [b"x" * 101 + b"\n", b"x" * 101, b"one\n" + b"x" * 101, b"x" * 90_000, b"\n" + b"x" * 90_000 + b"\n"]
)
def test_lines_that_are_too_long(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "log"
    path.write_bytes(data)
    with pytest.raises(InputError, match="larger than"):
        add(path, b"new")
    assert path.read_bytes() == data


def test_the_file_is_bounded(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"x" * 99 + b"\n")
    with pytest.raises(InputError, match="larger than"):
        append_line(str(path), 100, 102, lambda _last, _at: b"yy", never)
    assert path.stat().st_size == 100
    append_line(str(path), 100, 103, lambda _last, _at: b"yy", never)  # with its line feed it fits
    assert path.stat().st_size == 103


def test_what_the_callback_raises_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    def refuse(_last: bytes | None, _at: int) -> bytes:
        raise InputError("no")

    with pytest.raises(InputError, match="no"):
        append_line(str(tmp_path / "log"), 100, 1000, refuse, never)
    assert os.listdir(tmp_path) == []
    (tmp_path / "log").write_bytes(b"one\ncut")
    with pytest.raises(InputError, match="no"):
        append_line(str(tmp_path / "log"), 100, 1000, refuse, never)
    assert (tmp_path / "log").read_bytes() == b"one\ncut"
    (tmp_path / "log").write_bytes(b"")
    with pytest.raises(InputError, match="no"):
        append_line(str(tmp_path / "log"), 100, 1000, refuse, never)
    assert (tmp_path / "log").read_bytes() == b""


@pytest.mark.parametrize("call", ["ftruncate", "pwrite", "fsync"])
@pytest.mark.parametrize("nth", [1, 2])
def test_a_write_that_fails_is_taken_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, nth: int) -> None:
    """The first and the second call of each kind fail, as on a full disk; what was written before goes again."""
    path = tmp_path / "log"
    path.write_bytes(b"one\n")
    real = getattr(os, call)
    count = [0]

    def failing(*arguments: object) -> object:
        count[0] += 1
        if count[0] == nth:
            raise OSError(28, "No space left on device")
        return real(*arguments)

    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing)
        if (call, nth) == ("ftruncate", 2):
            assert add(path, b"two")[2] == 0  # there is no second one where nothing fails
            return
        with pytest.raises(InputError, match="cannot write this file"):
            add(path, b"two")
    # where cutting off fails as well, what is left has no line feed or is whole: never half a line with one
    assert path.read_bytes() == b"one\n"


def test_the_line_is_on_disk_before_its_line_feed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut may keep later writes and lose earlier ones, unless fsync stands between them (POSIX fsync)."""
    calls: list[str] = []
    for name in ("ftruncate", "pwrite", "fsync"):
        real = getattr(os, name)

        def noted(*arguments: object, name: str = name, real: object = real) -> object:
            calls.append(f"{name} {bytes(arguments[1])!r}" if name == "pwrite" else name)  # type: ignore[call-overload]
            return real(*arguments)  # type: ignore[operator]

        monkeypatch.setattr(os, name, noted)
    add(tmp_path / "log", b"line")
    assert calls == ["ftruncate", "pwrite b'line'", "fsync", "pwrite b'\\n'", "fsync", "fsync"]  # the folder's last
    calls.clear()
    add(tmp_path / "log", b"next")
    assert calls == ["ftruncate", "pwrite b'next'", "fsync", "pwrite b'\\n'", "fsync"]


def test_short_writes_are_gone_on_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """POSIX write: fewer bytes than asked for is no error."""
    real = os.pwrite
    monkeypatch.setattr(os, "pwrite", lambda fd, data, at: real(fd, bytes(data[:2]), at))
    add(tmp_path / "log", b"a longer line")
    assert (tmp_path / "log").read_bytes() == b"a longer line\n"


def test_threads_wait_for_each_other(tmp_path: Path) -> None:
    """The lock belongs to the open file, not to the process."""
    path = str(tmp_path / "log")

    def count(last: bytes | None, _at: int) -> bytes:
        return str(0 if last is None else int(last) + 1).encode()

    threads = [
        threading.Thread(target=lambda: [append_line(path, 100, 10_000, count, never) for _ in range(20)])
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Path(path).read_text() == "".join(f"{number}\n" for number in range(80))


def test_a_file_that_is_replaced_while_we_wait(tmp_path: Path) -> None:
    """A checkout puts another file in its place: who waited for the lock adds to the new one."""
    import fcntl

    path = tmp_path / "log"
    path.write_bytes(b"old\n")
    holder = os.open(path, os.O_RDWR)
    fcntl.flock(holder, fcntl.LOCK_EX)
    waiting = threading.Thread(target=lambda: add(path, b"new"))
    waiting.start()
    waiting.join(0.3)
    assert waiting.is_alive()
    (tmp_path / "other").write_bytes(b"other\n")
    os.replace(tmp_path / "other", path)
    os.close(holder)
    waiting.join()
    assert path.read_bytes() == b"other\nnew\n"


@pytest.mark.parametrize("count", [2, 8])
def test_processes_at_once(tmp_path: Path, count: int) -> None:
    """Each adds entries as fast as it can until it is killed: one log, and every acknowledged entry in it once."""
    path = str(tmp_path / "release.log")
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    children = [
        subprocess.Popen(
            [sys.executable, str(HERE / "killed.py"), "--child", path], stdout=subprocess.PIPE, env=environment
        )
        for _ in range(count)
    ]
    said: list[bytes] = []
    for child in children:
        assert child.stdout is not None
        said += [child.stdout.readline() for _ in range(10)]
    for child in children:
        child.kill()
    for child in children:
        assert child.stdout is not None
        said += child.stdout.read().splitlines(keepends=True)
        child.wait()
        child.stdout.close()
    told = [int(line) for line in said if line.endswith(b"\n")]
    entries, _ = entries_of(path)
    assert len(told) >= 10 * count
    assert len(set(told)) == len(told)
    assert entries == list(range(len(entries)))
    assert set(told) <= set(entries)
    assert len(entries) - len(told) <= count


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """A short run; 200 kills are `python tests/formats/log/killed.py`."""
    outcome = hunt(20, "default", str(tmp_path))
    assert outcome.acknowledged >= 20
    assert outcome.unfinished + outcome.unsaid > 0


# every call that changes a file dies: before it, and half-way through a write
CRASH = """
import os, sys
at, half = int(sys.argv[1]), sys.argv[2] == "half"
count = 0
def wrap(name):
    real = getattr(os, name)
    def call(*arguments, **more):
        global count
        count += 1
        if count == at:
            if half and name == "pwrite":
                real(arguments[0], bytes(arguments[1])[: len(arguments[1]) // 2], arguments[2])
            elif half:
                real(*arguments, **more)
            os._exit(9)
        return real(*arguments, **more)
    setattr(os, name, call)
for name in ("fsync", "pwrite", "ftruncate", "replace", "link", "unlink", "mkdir"):
    wrap(name)
from imgseal.cli.app import run
sys.exit(run(sys.argv[3:]))
"""


def test_a_build_that_dies_anywhere(imgseal: Imgseal, project: Path) -> None:
    """No released file without its entry, the log is whole, and the same build again completes both: at every call."""
    (project / "imgseal.toml").write_text((project / "imgseal.toml").read_text() + '\n[log]\npath = "release.log"\n')
    (project / "release.log").touch()
    before = tree(project)
    arguments = ("build", ALL[2], "--release", "--revision", "abcd")
    assert imgseal(*arguments).status == 0
    after = tree(project)
    made = {name: data for name, data in after.items() if name not in before}
    logged = deaths = 0
    for at in range(1, 60):
        for half in ("half", "before"):
            for name in set(tree(project)) - set(before):
                (project / name).unlink()
            (project / "release.log").write_bytes(b"")
            done = subprocess.run(
                [sys.executable, "-c", CRASH, str(at), half, *arguments], check=False, capture_output=True
            )
            now = tree(project)
            if done.returncode == 0:
                assert now == after
                assert deaths > 15
                assert 3 <= logged < deaths
                return
            assert done.returncode == 9, done.stderr
            deaths += 1
            entries, _ = entries_of("release.log") if "release.log" in now else ([], 0)
            logged += bool(entries)
            released = [name for name in now if name in made and name != "release.log"]
            assert not released or entries == [0], (at, half, released)
            assert imgseal(*arguments).status == 0
            again = {name: data for name, data in tree(project).items() if not name.split("/")[-1].startswith(".")}
            assert again == after, (at, half)
    pytest.fail("the build never came to its end")


def test_the_book_of_the_tests_is_a_log(tmp_path: Path) -> None:
    data, made = book(5)
    (tmp_path / "release.log").write_bytes(data)
    assert entries_of(str(tmp_path / "release.log")) == ([step.entry.number for step in made], 0)
