"""The process: runs the command line, and turns every error into words and an exit status."""

import sys
from typing import NoReturn

__all__ = ["main"]


def main() -> NoReturn:
    """Run `imgseal`; exit statuses: 0 done or accepted, 1 refused, 2 usage, 3 input, 4 keys, 5 internal error."""
    from imgseal.cli.app import run

    sys.exit(run())


if __name__ == "__main__":
    main()
