"""The process: runs the command line, and turns every error into words and an exit status."""

import gc
import sys
from typing import NoReturn

_PATIENCE = 100_000


def main() -> NoReturn:
    """Run `imgseal`; exit statuses: 0 done or accepted, 1 refused, 2 usage, 3 input, 4 keys, 5 internal error."""
    # start-up makes tens of thousands of objects that all stay; collecting among them costs 5 ms of each run
    gc.set_threshold(_PATIENCE)
    try:
        from imgseal.cli.app import run
    except KeyboardInterrupt:  # importing takes most of a short run
        sys.stderr.write("imgseal: stopped; nothing was written\n")
        sys.exit(130)

    sys.exit(run())


if __name__ == "__main__":
    main()
