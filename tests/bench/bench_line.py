"""What a product line costs: 40 products of 5 revisions against 200 times one product; whole processes.

`python tests/bench/bench_line.py [PRODUCTS REVISIONS]`. At most 1.15 times; without what a process costs to start, which
200 of them pay and one does not, the second ratio.
"""

import os
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from tempfile import TemporaryDirectory

HERE = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(HERE), str(HERE / "keys")]

from workshop import ALL, BUILD_TIME, write_project  # noqa: E402

from imgseal.demo.firmware import code, phrases  # noqa: E402
from imgseal.formats.source.intel_hex_writer import write_intel_hex  # noqa: E402
from imgseal.product.write_toml import write_toml  # noqa: E402

SHARED = ("signing", "trust", "rules", "memory")


def make(folder: Path, products: int, revisions: int) -> None:
    """Write a line: keys and firmware beside it, a member in a folder of its own, revisions as variants."""
    write_project(folder)
    for slot, link in (("a", 0x20400), ("b", 0x70400)):
        data = code(f"motor {slot}", link=link, size=60_000, vectors=64, stack=0x2002_0000)
        (folder / f"motor-{slot}.hex").write_bytes(b"".join(write_intel_hex([(link, data)])))
    (folder / "radio.bin").write_bytes(code("radio", link=0xC0400, size=30_001, vectors=48, stack=0x2002_0000))
    (folder / "phrases.bin").write_bytes(phrases("phrases", 40_000))
    own = tomllib.loads((folder / "imgseal.toml").read_text())
    common = {"format": 1, **{key: own.pop(key) for key in SHARED}}
    (folder / "common.toml").write_text(write_toml(common))
    (folder / "imgseal.toml").write_text('format = 1\n[line]\nmembers = ["p*"]\n')
    for number in range(products):
        name = f"p{number:02}"
        member = {**own, "product": {**own["product"], "name": name, "class": name}}
        if revisions > 1:
            member["variant"] = {f"rev{n}": {"class": f"{name}-{n}"} for n in range(revisions)}
        (folder / name).mkdir()
        (folder / name / "imgseal.toml").write_text(write_toml({"include": "../common.toml", **member}))


def seconds(folder: Path, *arguments: str, times: int = 1) -> float:
    """The least time of a process, so that what else the machine does counts for little."""
    best = 1e9
    environment = {**os.environ, "SOURCE_DATE_EPOCH": str(BUILD_TIME)}
    for _ in range(times):
        begin = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "imgseal", *arguments], cwd=folder, env=environment, capture_output=True, check=False
        )
        best = min(best, time.perf_counter() - begin)
        if done.returncode:
            sys.exit(f"{arguments[:3]}: {done.stderr.decode()[-600:]}{done.stdout.decode()[-600:]}")
    return best


def main() -> None:
    products, revisions = map(int, sys.argv[1:3] or ("40", "5"))
    with TemporaryDirectory() as there:
        line, one = Path(there) / "line", Path(there) / "one"
        for folder, count, of in ((line, products, revisions), (one, 1, 1)):
            folder.mkdir()
            make(folder, count, of)
        firmware = [f"p{number:02}/{argument}" for number in range(products) for argument in ALL]
        variants = ("--variant", "all") if revisions > 1 else ()
        start = seconds(one, "--version", times=7)
        for name, whole, alone in (
            ("build", ("build", *firmware, "--release", *variants), ("build", *ALL, "--release", "--product", "p00")),
            ("gate", ("gate", "out", "--fresh", "--jobs", "1"), ("gate", "out", "--fresh", "--jobs", "1")),
            ("check", ("check", "{suit}"), ("check", "{suit}")),
        ):
            times = []
            for folder, arguments, repeat in ((one, alone, 5), (line, whole, 1)):
                files = [str(path.relative_to(folder)) for path in sorted(folder.rglob("*.suit"))]
                given = [each for word in arguments for each in (files if word == "{suit}" else [word])]
                times.append(seconds(folder, *given, times=repeat))
            many = products * revisions
            print(
                f"{name:6} {many} of the line {times[1]:7.2f} s   one {times[0]:6.3f} s   "
                f"ratio {times[1] / (many * times[0]):.2f}   (at most 1.15; without start "
                f"{(times[1] - start) / (many * (times[0] - start)):.2f})",
                flush=True,
            )


if __name__ == "__main__":
    main()
