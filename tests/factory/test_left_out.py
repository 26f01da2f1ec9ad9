"""`imgseal factory` leaves out no image that the product file declares, whatever the release log says of numbers."""

from pathlib import Path

import pytest
from test_factory_command import LOG, line  # noqa: F401 - a fixture
from workshop import ALL, Imgseal, tree


@pytest.mark.parametrize("missing", ["motor", "radio", "phrases", "recovery"])
@pytest.mark.parametrize("logged", [False, True], ids=["", "logged"])
def test_no_image_is_left_out(imgseal: Imgseal, line: Path, missing: str, logged: bool) -> None:  # noqa: F811
    """In the README's order, on a log of two releases: each by itself is missed by name."""
    if logged:
        with (line / "imgseal.toml").open("a") as file:
            file.write(LOG)
        assert imgseal("log", "new").status == 0
        first = ("--set", "release.version=2.4.0", "--set", "release.sequence=16", "--out", "old")
        assert imgseal("build", *ALL, "--release", "--revision", "abcd", *first).status == 0
    packages = []
    files = [each for each in ALL if not each.startswith(missing)]
    assert imgseal("build", *files, "--release", "--revision", "abcd", "--out", "new").status == 0
    packages.append("new/vent-drive-2.4.1-17.suit")
    if missing != "recovery":
        own = ("--set", "release.version=1.0.0", "--set", "release.sequence=1", "--out", "own")
        assert imgseal("build", "recovery=recovery.hex", "--release", "--revision", "abcd", *own).status == 0
        packages.append("own/vent-drive-1.0.0-1.suit")
    before = tree(line)
    said = imgseal("factory", *packages)
    assert (said.status != 0, f"no package brings {missing}" in said.err) == (True, True), said.err
    assert tree(line) == before
