"""What several test packages share."""

import os
import shutil
from collections.abc import Callable

import pytest


@pytest.fixture(scope="session")
def tool() -> Callable[[str], str]:
    """Return a function that finds an external command, or a file by its absolute path.

    What is missing skips the test at a desk and fails it in CI, where nothing may go untested unseen.
    """

    def find(name: str) -> str:
        path = name if os.path.isabs(name) and os.path.exists(name) else shutil.which(name)
        if path is None:
            message = f"{name} is missing: tests/run names the Debian package"
            if os.environ.get("CI"):
                pytest.fail(message)
            pytest.skip(message)
        return path

    return find
