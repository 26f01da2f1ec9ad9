"""Ends a command before and after each of its calls that change files, by a signal, and says what status it had.

    python tests/cli/killed_at.py KILL|TERM|HUP|INT [--plain] TEMPLATE FOLDER -- ARGUMENT...

Each attempt is a process of its own in a fresh copy of TEMPLATE, at FOLDER/0, FOLDER/1, and so on: one for each moment,
until the command comes to its end by itself. With `--plain` the file system knows no nameless files.
"""

import contextlib
import importlib
import os
import shutil
import signal
import sys
import tempfile
from typing import NoReturn

CALLS = ("open", "mkdir", "link", "replace", "unlink", "rmdir", "fsync", "close", "ftruncate", "pwrite")


def strike(number: int, at: int, *, plain: bool) -> None:
    """Arrange for the signal at a moment: an even one is before a call, an odd one behind it."""
    count = 0

    def wrap(name: str) -> None:
        real = getattr(os, name)

        def call(*arguments: object, **more: object) -> object:
            nonlocal count
            if plain and name == "open" and arguments[1] & os.O_TMPFILE == os.O_TMPFILE:  # type: ignore[operator]
                raise OSError(95, "Operation not supported")
            if count == at:
                os.kill(os.getpid(), number)
            count += 1
            made = real(*arguments, **more)
            if count == at:
                os.kill(os.getpid(), number)
            count += 1
            return made

        setattr(os, name, call)

    for name in CALLS:
        wrap(name)


def settle(folder: str) -> None:
    """What comes before the first moment."""
    os.chdir(folder)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(nowhere, descriptor)
    os.environ.pop("IMGSEAL_PASSPHRASE", None)


def load(template: str, arguments: list[str]) -> None:
    """Load here what the command loads, so that not every attempt has to: imports are no moments to be ended at."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(template, os.path.join(folder, "whole"), symlinks=True)
        ours, theirs = os.pipe()
        child = os.fork()
        if child == 0:
            from imgseal.cli.app import run

            settle(os.path.join(folder, "whole"))
            run(arguments)
            os.write(theirs, " ".join(sys.modules).encode())
            os._exit(0)
        os.close(theirs)
        with open(ours) as told:
            names = told.read().split()
        os.waitpid(child, 0)
    for name in names:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)


def attempt(number: int, at: int, folder: str, arguments: list[str], *, plain: bool) -> NoReturn:
    from imgseal.cli.app import run

    settle(folder)
    strike(number, at, plain=plain)
    os._exit(run(arguments))


def main() -> None:
    options, arguments = sys.argv[1 : sys.argv.index("--")], sys.argv[sys.argv.index("--") + 1 :]
    plain = "--plain" in options
    name, template, folder = (option for option in options if option != "--plain")
    number = getattr(signal, f"SIG{name}")
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # a run in the background has been told to ignore them
    signal.signal(signal.SIGINT, signal.default_int_handler)

    load(template, arguments)
    for at in range(100_000):
        here = os.path.join(folder, str(at))
        shutil.copytree(template, here, symlinks=True)
        child = os.fork()
        if child == 0:
            attempt(number, at, here, arguments, plain=plain)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        print(at, status, flush=True)
        if status == 0:
            return


if __name__ == "__main__":
    main()
