"""Writing: everything or nothing, existing files untouched on failure, an output is never an input."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from imgseal.errors import InputError, UsageError
from imgseal.window import ByteView
from imgseal.workspace.files import read_bounded, refuse_overlap, write_all
from imgseal.workspace.staging import Output, signals_held


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.rglob("*"))


def failing() -> Iterator[bytes]:
    yield b"some bytes"
    raise UsageError("stopped in the middle")


def test_writes_all_and_leaves_no_temporary_file(tmp_path: Path) -> None:
    (tmp_path / "b").write_bytes(b"old")
    write_all([Output(str(tmp_path / "sub" / "a"), [b"1", b"2"]), Output(str(tmp_path / "b"), [b"new"])])
    assert (tmp_path / "sub" / "a").read_bytes() == b"12"
    assert (tmp_path / "b").read_bytes() == b"new"
    assert names(tmp_path) == ["a", "b", "sub"]


def test_failure_in_the_second_output_leaves_nothing_of_the_first(tmp_path: Path) -> None:
    (tmp_path / "b").write_bytes(b"old")
    with pytest.raises(UsageError, match="stopped in the middle"):
        write_all([Output(str(tmp_path / "sub" / "a"), [b"1"]), Output(str(tmp_path / "b"), failing())])
    assert (tmp_path / "b").read_bytes() == b"old"
    assert names(tmp_path) == ["b"]


def test_failure_while_moving_restores_what_was_moved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a").write_bytes(b"old a")
    real = os.replace
    moved: list[str] = []

    def second_fails(source: str, target: str) -> None:
        if str(target).endswith("b") and not moved:
            moved.append(target)
            raise OSError(28, "No space left on device")
        real(source, target)

    monkeypatch.setattr("imgseal.workspace.staging.os.replace", second_fails)
    with pytest.raises(InputError, match="cannot write"):
        write_all([Output(str(tmp_path / "a"), [b"new a"]), Output(str(tmp_path / "b"), [b"new b"])])
    assert moved
    assert (tmp_path / "a").read_bytes() == b"old a"
    assert names(tmp_path) == ["a"]


def test_never_replaces_where_told_so(tmp_path: Path) -> None:
    (tmp_path / "key").write_bytes(b"mine")
    with pytest.raises(UsageError, match="exists already"):
        write_all([Output(str(tmp_path / "key"), [b"x"], replace=False)])
    assert (tmp_path / "key").read_bytes() == b"mine"
    assert names(tmp_path) == ["key"]


@pytest.mark.parametrize("mode", [0o600, 0o644])
def test_what_appears_meanwhile_is_not_replaced_and_named(tmp_path: Path, mode: int) -> None:
    """Between the look and the move; of several files the one that is there is named."""
    key, other = tmp_path / "key", tmp_path / "other"
    with pytest.raises(UsageError, match="exists already") as caught:
        write_all(
            [Output(str(key), [b"x"], mode=mode, replace=False), Output(str(other), [b"y"], mode=mode, replace=False)],
            before_moving=lambda: key.write_bytes(b"mine"),  # type: ignore[arg-type]
        )
    assert caught.value.place is not None
    assert caught.value.place.file == str(key)
    assert key.read_bytes() == b"mine"
    assert names(tmp_path) == ["key"]


def test_mode_of_private_files(tmp_path: Path) -> None:
    write_all([Output(str(tmp_path / "key"), [b"x"], mode=0o600, replace=False)])
    assert (tmp_path / "key").stat().st_mode & 0o777 == 0o600


def test_target_is_a_folder(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(InputError, match="cannot write"):
        write_all([Output(str(tmp_path / "out"), [b"x"])])
    assert names(tmp_path) == ["out"]


def test_output_equal_to_an_input_by_link(tmp_path: Path) -> None:
    (tmp_path / "in").write_bytes(b"firmware")
    (tmp_path / "link").symlink_to("in")
    with pytest.raises(UsageError, match="overwrite"):
        refuse_overlap([str(tmp_path / "link")], [str(tmp_path / "in")])
    with pytest.raises(UsageError, match="overwrite"):
        refuse_overlap([str(tmp_path / "new"), str(tmp_path / "." / "new")], [])
    refuse_overlap([str(tmp_path / "new")], [str(tmp_path / "in")])


def test_reads_are_bounded(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"12345")
    assert read_bounded(str(tmp_path / "file"), "thing", 5) == b"12345"
    with pytest.raises(InputError, match="larger"):
        read_bounded(str(tmp_path / "file"), "thing", 4)
    with pytest.raises(InputError, match="cannot read"):
        read_bounded(str(tmp_path / "nothing"), "thing", 4)
    with pytest.raises(InputError, match="cannot read"):
        read_bounded(str(tmp_path), "thing", 1 << 30)


def test_endless_input_is_cut(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="larger"):
        read_bounded("/dev/zero", "thing", 1000)


def test_byte_view_reads_stop_at_the_end() -> None:
    data = ByteView(b"0123456789")
    assert data.size == 10
    assert bytes(data.read(8, 5)) == b"89"
    assert bytes(data.read(20, 5)) == b""


def test_what_is_known_to_be_a_file_has_to_be_one(tmp_path: Path) -> None:
    """No link is followed, and a pipe without a writer is not waited for."""
    from imgseal.workspace.files import NOT_REGULAR, open_input

    def opened(name: str, limit: int = 3) -> bytes:
        with open_input(str(tmp_path / name), "file", limit, regular=True) as stream:
            return stream.read()

    (tmp_path / "file").write_bytes(b"abc")
    assert opened("file") == b"abc"
    with pytest.raises(InputError, match="larger"):
        opened("file", 2)
    with pytest.raises(InputError, match="cannot read") as refused:
        opened("missing")
    assert refused.value.found != NOT_REGULAR
    (tmp_path / "link").symlink_to("file")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    for name in ("link", "pipe", "folder"):
        with pytest.raises(InputError, match="cannot read") as refused:
            opened(name)
        assert refused.value.found == NOT_REGULAR


@pytest.mark.parametrize(
    ("name", "found"),
    [("nowhere", "No such file or directory"), ("folder", "Is a directory"), ("/proc/self/mem", "Input/output error")],
)
def test_what_cannot_be_read_is_said(tmp_path: Path, name: str, found: str) -> None:
    """Where it cannot be opened, and where it cannot be read once it is open."""
    (tmp_path / "folder").mkdir()
    path = name if name.startswith("/") else str(tmp_path / name)
    with pytest.raises(InputError, match="cannot read this firmware file") as caught:
        read_bounded(path, "firmware file", 1000)
    assert (caught.value.place.file, caught.value.found) == (path, found)
    assert caught.value.hint
    assert ("imgseal gate" in caught.value.hint) == (name == "folder")


def test_a_secret_has_no_name_that_git_sees_where_files_without_names_are_not_to_be_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """gitignore(5): `*` in a folder's own .gitignore leaves out all of it, that file too."""
    monkeypatch.setattr("imgseal.workspace.staging._DESCRIPTORS", "/nowhere")
    seen: dict[str, bytes] = {}

    def look() -> None:
        seen.update(
            {str(path.relative_to(tmp_path)): path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
        )

    write_all([Output(str(tmp_path / "key"), [b"secret"], mode=0o600, replace=False)], before_moving=look)
    assert names(tmp_path) == ["key"]
    assert (tmp_path / "key").stat().st_mode & 0o777 == 0o600
    folders = {name.partition("/")[0] for name in seen}
    assert len(folders) == 1
    (folder,) = folders
    assert seen == {f"{folder}/.gitignore": b"*\n", f"{folder}/secret": b"secret"}
    assert folder.startswith(".key.")


def test_signals_wait_while_they_are_held(monkeypatch: pytest.MonkeyPatch) -> None:
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ())
    ending = {signal.SIGINT, signal.SIGTERM, signal.SIGHUP}
    assert not before & ending
    with signals_held():
        assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == before | ending
    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == before
    monkeypatch.delattr(signal, "pthread_sigmask")  # systems without it go on as they are
    with signals_held():
        pass
