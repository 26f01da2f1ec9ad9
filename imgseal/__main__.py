"""The process: runs the command line, and turns every error into words and an exit status."""

import gc
import sys
from typing import NoReturn

__all__ = ["main"]

_PATIENCE = 100_000


def main() -> NoReturn:
    """Run `imgseal`; exit statuses: 0 done or accepted, 1 refused, 2 usage, 3 input, 4 keys, 5 internal error."""
    # start-up makes tens of thousands of objects that all stay; collecting among them costs 5 ms of each run
    gc.set_threshold(_PATIENCE)
    from imgseal.cli.app import run

    sys.exit(run())


if __name__ == "__main__":
    main()
