"""Prints a page through Chromium, where there is one; it gets a page, an empty home, and no word of our environment."""

import os
import shutil
import subprocess
import tempfile

from imgseal.errors import InputError, UsageError
from imgseal.limits import ARTEFACT_BYTES
from imgseal.workspace.files import read_bounded, write_all
from imgseal.workspace.staging import Output

_NAMES = ("chromium", "chromium-browser")
_SECONDS = 120
_PASSED_ON = ("PATH", "LANG", "LC_ALL", "TZ", "FONTCONFIG_FILE", "FONTCONFIG_PATH")
"""All that a browser learns of the environment, where pass phrases, PINs and secrets of others may stand."""


def print_pdf(page: bytes) -> bytes:
    """Return a page as PDF; UsageError where there is no Chromium, InputError where it makes none."""
    program = next((path for name in _NAMES if (path := shutil.which(name)) is not None), None)
    if program is None:
        raise UsageError(
            "there is no Chromium to print the report with",
            expected=" or ".join(_NAMES) + " in the search path",
            hint="install it (Debian package chromium), or write HTML and print it from any browser: --format html",
        )
    with tempfile.TemporaryDirectory(prefix="imgseal-") as folder:
        source, target = os.path.join(folder, "report.html"), os.path.join(folder, "report.pdf")
        write_all([Output(source, [page], 0o600)])
        arguments = [
            program, "--headless=new", "--disable-gpu", "--no-pdf-header-footer", "--no-first-run",
            "--disable-background-networking", f"--user-data-dir={os.path.join(folder, 'profile')}",
            f"--print-to-pdf={target}", f"file://{source}",
        ]  # fmt: skip
        if os.geteuid() == 0:
            arguments.insert(1, "--no-sandbox")  # Chromium has none for root; the page is ours, and runs no script
        environment = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
        environment |= {"HOME": folder, "TMPDIR": folder}
        try:
            said = subprocess.run(  # noqa: S603 - no shell; the program is found by name
                arguments,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                check=False,
                timeout=_SECONDS,
                cwd=folder,
                env=environment,
            )
        except subprocess.TimeoutExpired:
            raise _failed(f"no answer in {_SECONDS} s") from None
        if not os.path.exists(target):
            lines = said.stderr.decode("utf-8", "replace").strip().splitlines()
            raise _failed(lines[-1] if lines else f"exit status {said.returncode}")
        return read_bounded(target, "printed report", ARTEFACT_BYTES)


def _failed(found: str) -> InputError:
    return InputError(
        "Chromium made no PDF", found=found, hint="write HTML instead, and print it from any browser: --format html"
    )
