"""Plays deliveries under any number of power cuts: every small product, each kind of payload, from either run slot.

    nice python tests/delivery/every_delivery.py [--compiled]

The tests play one in seven of these. With --compiled it is the exported code that installs them. Seven minutes of
processor, or nine.
"""

import argparse
import sys
import tempfile
from pathlib import Path

if __name__ == "__main__":
    for room in ("", "kit", "rehearse", "delivery", "device_code"):
        sys.path.insert(0, str(Path(__file__).parents[1] / room))

from kinds import ROWS, of_kind

from imgseal.rehearse.cuts import Asking, explore
from imgseal.rehearse.cuts_text import was_answered
from imgseal.rehearse.life import Programs


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--compiled", action="store_true", help="install by the compiled code")
    compiled = parser.parse_args().compiled
    states = 0
    for name, kind, where in ROWS:
        delivered = of_kind(name, kind, where)
        with tempfile.TemporaryDirectory() as folder:
            programs = Programs()
            if compiled:
                from test_any_delivery_in_c import programs as by_compiled_code

                programs = by_compiled_code(name, Path(folder))
            explored = explore(Asking(delivered.stage, delivered.package, programs, None, None, changing=False))
        if not was_answered(explored, None):
            sys.exit(f"{name}, {kind}, {where}: {[each.found for each in explored]}")
        states += sum(each.reached.states for each in explored)
    print(f"{len(ROWS)} deliveries, {states} states: every one closes")


if __name__ == "__main__":
    main()
