"""Explores every sequence of power cuts on the small products.

`python tests/rehearse/every_cut.py --cuts 2 [--changing] [NAME...]` prints states, lives and what broke first; without
`--cuts` it goes on until no state is new or something breaks, which takes minutes of processor time a product.
"""

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from stages import PRODUCTS, pair

from imgseal.rehearse.reach import Reach
from imgseal.rehearse.sequence import token_of


def main() -> None:
    wanted = argparse.ArgumentParser()
    wanted.add_argument("names", nargs="*", metavar="NAME")
    wanted.add_argument("--cuts", type=int)
    wanted.add_argument("--lives", type=int)
    wanted.add_argument("--changing", action="store_true")
    asked = wanted.parse_args()
    for name in asked.names or PRODUCTS:
        for healthy in (True, False):
            began = time.process_time()
            reach = Reach(pair(name).stage, pair(name).package, healthy=healthy, changing=asked.changing)
            reached = reach.explore(cuts=asked.cuts, sessions=asked.lives)
            found = reached.found
            print(
                f"{name}, {'healthy' if healthy else 'failing'} set: states by cuts {reached.levels}, {reached.sessions} lives, "
                f"{reached.steps} operations cut, {time.process_time() - began:.1f} s; "
                + (
                    f"{found.invariant} after {found.cuts}: {token_of(found)}"
                    if found
                    else f"nothing up to {reached.cuts}"
                ),
                flush=True,
            )


if __name__ == "__main__":
    main()
