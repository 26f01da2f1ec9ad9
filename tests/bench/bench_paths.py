"""What it costs to ask who can take a release: 60 releases of the demo's product, whole processes.

`python tests/bench/bench_paths.py [RELEASES]`; at most 10 s. A third of the releases change how devices are made: keys
that are exchanged, another bootloader; one component is raised on the way and needed by what is asked about, so that
earlier devices have to go through another release.
"""

import os
import subprocess
import sys
import time
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(HERE), str(HERE / "keys")]

from workshop import BUILD_TIME, private_key, public_key, write_project  # noqa: E402

from imgseal.cli.app import run  # noqa: E402
from imgseal.demo.firmware import code, phrases  # noqa: E402
from imgseal.formats.source.intel_hex_writer import write_intel_hex  # noqa: E402
from imgseal.keys.pem import encode_private, encode_public  # noqa: E402

FILES = ("motor=motor-a.hex", "motor=motor-b.hex", "radio=radio.bin@0xC0400", "phrases=phrases.bin@0x60080400")


def make(folder: Path) -> None:
    """Write the project: firmware of the demo's sizes, a second key for packages, a log."""
    write_project(folder)
    (folder / "keys/second.pem").write_bytes(encode_private(private_key("keys/second"), None))
    (folder / "keys/second.pem").chmod(0o600)
    (folder / "keys/second.pub.pem").write_bytes(encode_public(public_key("keys/second")))
    for slot, link in (("a", 0x20400), ("b", 0x70400)):
        data = code(f"motor {slot}", link=link, size=216_000, vectors=64, stack=0x2002_0000)
        (folder / f"motor-{slot}.hex").write_bytes(b"".join(write_intel_hex([(link, data)])))
    (folder / "radio.bin").write_bytes(code("radio", link=0xC0400, size=92_000, vectors=48, stack=0x2002_0000))
    (folder / "phrases.bin").write_bytes(phrases("phrases", 307_000))
    (folder / "release.log").touch()


def release(folder: Path, number: int, count: int) -> str:
    """Make one release; return where its package is."""
    text = (HERE.parent / "imgseal/product/vent_drive.toml").read_text() + '\n[log]\npath = "release.log"\n'
    third = number * 3 // count
    if third:
        text = text.replace('version = "1.1.0"', f'version = "1.{1 + third}.0"')
        text = text.replace(
            'keys = ["keys/packages.pub.pem"]', 'keys = ["keys/packages.pub.pem", "keys/second.pub.pem"]'
        )
    if number * 2 > count:
        text = text.replace('version = "1.3.2"', 'version = "1.3.3"')
    files: tuple[str, ...] = FILES
    if number == count - 1:
        text = text.replace('radio = ">=1.3.0', 'radio = ">=1.3.3')
        files = FILES[:2]
    (folder / "imgseal.toml").write_text(text)
    numbers = ("--set", f"release.version=3.0.{number}", "--set", f"release.sequence={number + 1}")
    out = f"out/{number}"
    status = run(
        [
            "build",
            *files,
            "--release",
            *numbers,
            "--set",
            f"component.motor.counter={6 + third}",
            "--revision",
            "ab" * 20,
            "--out",
            out,
        ]
    )
    if status:
        sys.exit(f"release {number}: exit status {status}")
    return f"{out}/vent-drive-3.0.{number}-{number + 1}.suit"


def main() -> None:
    count = int((*sys.argv[1:], "60")[0])
    os.environ["SOURCE_DATE_EPOCH"] = str(BUILD_TIME)
    with TemporaryDirectory() as there:
        folder = Path(there)
        os.environ["XDG_CACHE_HOME"] = f"{there}/cache"
        os.chdir(folder)
        make(folder)
        with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
            last = [release(folder, number, count) for number in range(count)][-1]
        print(f"{count} releases; load {os.getloadavg()[0]:.1f}; {sys.executable}")
        for what, arguments in (("log alone", ()), ("with the archive", ("--archive", "out"))):
            begin, before = time.perf_counter(), os.times().children_user
            done = subprocess.run(
                [sys.executable, "-m", "imgseal", "paths", last, *arguments],
                capture_output=True,
                text=True,
                check=False,
            )
            took, used = time.perf_counter() - begin, os.times().children_user - before
            if done.returncode:
                sys.exit(done.stderr)
            lines = done.stdout.splitlines()
            words = ("takes it:", "takes it through", "cannot take it", "not known:")
            answers = ", ".join(f"{word.rstrip(':')} {sum(word in line for line in lines)}" for word in words)
            print(f"{what:<17}{took:6.2f} s ({used:.2f} s of processor)   (at most 10 s)   {answers}")


if __name__ == "__main__":
    main()
