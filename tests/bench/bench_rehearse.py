"""Rehearsing the demo's update: time for every single cut, time per cut against the size of the flash.

    python tests/bench/bench_rehearse.py

The bound: every single cut of the demo's update in at most 30 s on two cores (one is used). The time per cut must not
grow with the flash: the same update on a product whose external flash and data slot are 32 times as large.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))

from demo_update import demo_update

from imgseal.rehearse.explore import Explorer
from imgseal.rehearse.life import Programs


def one(text_edit: tuple[str, str] | None, pairs: int) -> tuple[int, float, Explorer]:
    stage, package = demo_update(text_edit)
    explorer = Explorer(stage, package, "1", Programs())
    began = time.perf_counter()
    assert explorer.explore(pairs) is None
    return explorer.tally.singles + explorer.tally.pairs, time.perf_counter() - began, explorer


def main() -> None:
    cuts, seconds, explorer = one(None, 0)
    operations = " and ".join(f"{count} ({name.split('-')[0]})" for name, count in explorer.tally.operations.items())
    print("the demo's update: motor 213 KiB, radio 91 KiB, phrases 301 KiB unchanged; internal 1 MiB, NOR 64 MiB")
    print(f"operations         {operations}")
    print(f"single cuts        {cuts} lives in {seconds:.1f} s   {1e3 * seconds / cuts:.2f} ms each   (at most 30 s)")
    large = ('size = "512 Mbit"                # 64 MiB', 'size = "16 Gbit"')
    cuts, more, _ = one(large, 0)
    print(f"NOR of 2 GiB       {cuts} lives in {more:.1f} s   ratio {more / seconds:.2f}   (at most 1.2)")
    slots = ('at = 0x8_0000\nsize = "8 MiB"', 'at = 0x8_0000\nsize = "56 MiB"')
    cuts, more, _ = one(slots, 0)
    print(f"phrases of 56 MiB  {cuts} lives in {more:.1f} s   ratio {more / seconds:.2f}   (at most 1.2)")
    cuts, seconds, explorer = one(None, 20_000)
    print(f"and 20000 pairs    {cuts} lives in {seconds:.1f} s, {explorer.tally.pairs} of them after two cuts")


if __name__ == "__main__":
    main()
