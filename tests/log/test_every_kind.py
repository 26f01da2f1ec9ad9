"""The kept log that commands have made, with every kind of entry: it verifies, says what it said, and a new build goes on from it."""

import json
from pathlib import Path
from typing import Any

import pytest
from every_kind import KINDS, TODAY, play, write_away, write_line
from test_kept_logs import HEADS, KEPT
from workshop import ALL, BUILD_TIME, Imgseal, public_key

NAME = "every-kind.log"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keys and firmware of the product that the log is of, with the product file of then."""
    write_line(tmp_path)
    (tmp_path / "imgseal.toml").write_bytes((KEPT.parent / "every_kind.toml").read_bytes())
    write_away(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(BUILD_TIME))
    monkeypatch.setenv("XDG_CACHE_HOME", f"{tmp_path}-cache")
    return tmp_path


def entries(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(line)["entry"] for line in (folder / "release.log").read_text().splitlines()]


def test_the_commands_of_today_make_every_kind(imgseal: Imgseal, folder: Path) -> None:
    write_line(folder)  # the product of today: that of then has no room for another set of trust anchors
    play(imgseal)
    made = entries(folder)
    assert tuple(entry["kind"] for entry in made) == TODAY
    delivery = made[TODAY.index("delivery")]
    assert (delivery["entry"], str(delivery["bases"]).count(",")) == (
        TODAY.index("release", 3),
        1,
    )  # from either run slot
    assert delivery["least"] == made[TODAY.index("delivery") - 1]["least"]
    said = imgseal("check", "small.suit", "--archive", "promoted", "--channel", "production")
    assert (said.status, "rollback.withdrawn" in said.out) == (1, True), said.out
    release = ("--release", "--revision", "abcd", "--channel", "production", "--set", "release.version=2.8.0")
    assert imgseal("build", *ALL, *release).status == 0
    assert entries(folder)[-1]["sequence"] == 5


def test_the_kept_log_is_continued_by_a_new_build(imgseal: Imgseal, folder: Path) -> None:
    kept = (KEPT / NAME).read_bytes()
    (folder / "release.log").write_bytes(kept)
    assert tuple(entry["kind"] for entry in entries(folder)) == KINDS
    assert imgseal("log", "verify").out.splitlines()[-1] == f"head {HEADS[NAME]}"
    release = ("--release", "--revision", "abcd", "--channel", "production")
    said = imgseal("build", *ALL, *release, "--set", "release.version=2.8.0")
    assert said.status == 0, said.err
    made = entries(folder)[len(KINDS) :]
    # 1 and 2 were released, 3 too and withdrawn, 4 was reserved and given up: none of them is given again
    assert [(each["kind"], each["sequence"], each["reserved"]) for each in made] == [("release", 5, None)]
    floor, recovery = json.loads((folder / "release.log").read_text().splitlines()[-1])["entry"]["least"]
    assert (floor["sequence"], floor["open"], len(floor["withdrawn"]), recovery["variant"]) == (5, [], 1, "/recovery")
    assert [(row["channel"], row["version"]) for row in floor["channels"]] == [
        ("beta", "2.5.0"),
        ("production", "2.8.0"),
    ]
    assert (folder / "release.log").read_bytes().startswith(kept)
    said = imgseal("log", "verify", "--against", HEADS[NAME])
    assert (said.status, f"continues {HEADS[NAME]}" in said.out) == (0, True)
    assert imgseal("check", said_package(folder), "--channel", "production").status == 0
    # what was withdrawn, given up or lower stays so
    for version, words in (("2.6.0", "this release is withdrawn"), ("2.4.0", "lower than the last")):
        said = imgseal("build", *ALL, *release, "--set", f"release.version={version}", "--out", "no")
        assert (said.status, words in said.err) == (2, True), said.err
    second = public_key("keys/second").thumbprint.hex()
    assert "signature added to entry 2" in imgseal("log", "show", "--key", second).out


def said_package(folder: Path) -> str:
    (package,) = (folder / "out").glob("*.suit")
    return str(package)
