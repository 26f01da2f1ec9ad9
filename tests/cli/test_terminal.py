"""At a terminal: pass phrases are asked for unseen, progress shows when reading takes long, completion and pipes work."""

import io
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pytest
from workshop import Imgseal

from imgseal.workspace import progress


def at_terminal(arguments: list[str], answers: list[str], cwd: Path) -> tuple[int, str]:
    """Run a command on a terminal of its own, answer its prompts, and return exit status and what the screen shows."""
    child, screen = pty.fork()
    if child == 0:
        os.chdir(cwd)
        os.environ.pop("IMGSEAL_PASSPHRASE", None)
        os.execv(sys.executable, [sys.executable, "-m", "imgseal", *arguments])
    shown = b""
    waiting = list(answers)
    while True:
        try:
            piece = os.read(screen, 1024)
        except OSError:
            break
        if not piece:
            break
        shown += piece
        if waiting and shown.rstrip().endswith(b":"):
            time.sleep(0.05)  # the prompt switches the echo off before it reads
            os.write(screen, waiting.pop(0).encode() + b"\n")
    _, status = os.waitpid(child, 0)
    os.close(screen)
    return os.waitstatus_to_exitcode(status), shown.decode()


def test_new_key_with_a_pass_phrase(tmp_path: Path) -> None:
    status, shown = at_terminal(["key", "new", "k.pem"], ["sesame", "sesame"], tmp_path)
    assert status == 0, shown
    assert "sesame" not in shown
    assert b"ENCRYPTED" in (tmp_path / "k.pem").read_bytes()
    status, shown = at_terminal(["key", "show", "k.pem"], ["sesame"], tmp_path)
    assert status == 0, shown
    assert "thumbprint" in shown
    assert "sesame" not in shown
    status, shown = at_terminal(["key", "show", "k.pem"], ["other"], tmp_path)
    assert status == 4
    assert "does not open this key" in shown


def test_pass_phrases_that_differ_are_asked_again(tmp_path: Path) -> None:
    status, shown = at_terminal(["key", "new", "k.pem"], ["one", "two", "three", "three"], tmp_path)
    assert (status, "do not match" in shown) == (0, True), shown


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_after_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen()
    monkeypatch.setattr("sys.stderr", screen)
    times = iter([0.0, 0.5, 1.5, 1.6, 2.0])
    stream = progress.watch(io.BytesIO(bytes(100)), 100, "reading f", clock=lambda: next(times))
    stream.read(10)
    assert screen.getvalue() == ""
    stream.read(30)
    assert screen.getvalue() == "\rreading f 40 %"
    stream.seek(100)
    assert stream.tell() == 100
    stream.read(10)
    assert screen.getvalue().endswith("\x1b[K")


def test_no_progress_where_nobody_looks() -> None:
    stream = io.BytesIO(b"x")
    assert progress.watch(stream, 1, "reading") is stream


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_script(shell: str) -> None:
    said = subprocess.run(
        [sys.executable, "-c", "from imgseal.cli.app import app; app(prog_name='imgseal')"],
        env={**os.environ, "_IMGSEAL_COMPLETE": f"{shell}_source"}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "_IMGSEAL_COMPLETE" in said.stdout


def test_completion_of_commands_and_options() -> None:
    def complete(words: str, current: str) -> str:
        return subprocess.run(
            [sys.executable, "-m", "imgseal"],
            env={**os.environ, "_IMGSEAL_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": current},
            capture_output=True, text=True, check=False,
        ).stdout  # fmt: skip

    assert "plain,build" in complete("imgseal bu", "1")
    assert "plain,--development" in complete("imgseal check --dev", "2")


def test_a_reader_that_goes_away(project: Path, imgseal: Imgseal) -> None:
    """`imgseal show ... | head -1` ends quietly."""
    imgseal("build", "phrases=phrases.bin@0x60080400", "--release")
    done = subprocess.run(
        f"{sys.executable} -m imgseal show out/vent-drive-2.4.1-17.suit | head -1; echo ${{PIPESTATUS[0]}}",
        shell=True, executable="/bin/bash", cwd=project, capture_output=True, text=True, check=False,
    )  # fmt: skip
    first, status = done.stdout.splitlines()
    assert first.startswith("update package")
    assert status in ("0", "141")  # 0 when everything was written before head ended
    assert done.stderr == ""


def test_interrupted(imgseal: Imgseal, project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Control-C in the middle of a build: a word, a status, and nothing written."""

    def stop(*_arguments: object, **_more: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("imgseal.workspace.release_log.write_all", stop)
    said = imgseal("build", "phrases=phrases.bin@0x60080400", "--release")
    assert (said.status, "no half-written file is left" in said.err) == (130, True)
    assert not (project / "out").exists()
