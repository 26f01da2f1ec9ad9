"""Changed deliveries through judge and compiled installer, with every address checked: same verdict, same code.

`python tests/device_code/fuzz_delivery.py SEED COUNT` prints how many, and those of which they say something else.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

FLAGS = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def main() -> int:
    seed, count = sys.argv[1], int(sys.argv[2])
    if "LD_PRELOAD" not in os.environ:  # the address sanitizer has to be there before anything else
        found = subprocess.run(["gcc", "-print-file-name=libasan.so"], capture_output=True, text=True, check=True)
        options = {"LD_PRELOAD": found.stdout.strip(), "ASAN_OPTIONS": "detect_leaks=0"}
        return subprocess.run(
            [sys.executable, __file__, *sys.argv[1:]], env=os.environ | options, check=False
        ).returncode
    del os.environ["LD_PRELOAD"]  # not for compilers
    root = Path(__file__).parents[1]
    sys.path[:0] = [str(root), *(str(folder) for folder in sorted(root.iterdir()) if folder.is_dir())]
    from delivered import TWO
    from spoilt import mutated, offers
    from test_deliveries_in_c import library, otherwise

    with tempfile.TemporaryDirectory() as folder:
        compiled = library(TWO, Path(folder), flags=FLAGS)
        tried = wrong = 0
        for offer in (*offers(), *mutated(seed, count)):
            tried += 1
            said = otherwise([offer], compiled)
            if said:
                wrong += 1
                print(said, flush=True)
    print(f"{tried} offers, {wrong} otherwise")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
