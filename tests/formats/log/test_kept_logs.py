"""Logs that earlier versions have written verify for ever, with the head that they had, and are continued."""

from pathlib import Path

import pytest
from log_book import CLASS, draft
from mixed_book import layout

from imgseal.formats.log.entry import Entry
from imgseal.formats.log.lines import EMPTY, added, is_whole, resume
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES
from imgseal.workspace.append import append_line
from imgseal.workspace.log_file import LogFile
from imgseal.workspace.verified_log import verified_log

KEPT = Path(__file__).parent / "kept"
HEADS = {
    "every-kind.log": "10:af239053a41209db83acc3f080638841efc7829fee5e0cd7e3950518b28afdbc",  # every_kind.py beside
    "formats-1-and-2.log": "9:19b61447c8583c9f3d62e449c28aa446f174394e8e4a7c3ce8f7d3595e01be3f",  # written by 0.2.0
    "hardware.log": "14:1e8fd17eed108e550bc6ae1e8ad95d22f8cc2863e9a3c200c5c9298563bd9254",  # mixed_book.py: mixed(7, 14)
    "format-3.log": "24:4c68d287e17ee9b1c685c9b0eed4a33defe4ed0abdbd2535b655363eef67c17f",
}


def test_every_kept_log_is_held() -> None:
    assert sorted(HEADS) == sorted(path.name for path in KEPT.iterdir())


@pytest.mark.parametrize("name", HEADS)
def test_a_kept_log_verifies_and_is_continued(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    path = tmp_path / "release.log"
    path.write_bytes((KEPT / name).read_bytes())
    assert str(verified_log(str(path)).head) == HEADS[name]

    def next_line(last: bytes | None, at: int) -> bytes:
        tip = EMPTY if last is None else resume(last, at)
        entry = draft(90, sequence=900, counter=90)._replace(format=3)
        return added(tip, entry._replace(packages=(entry.packages[0]._replace(layout=layout(0)),)))[0]

    append_line(str(path), LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)
    assert path.read_bytes().startswith((KEPT / name).read_bytes())
    log = LogFile(str(path))
    last = [step.entry for step in log.walk()][-1]
    assert isinstance(last, Entry)
    assert last.format == 3
    assert [(floor.sequence, floor.given) for floor in last.least if floor.line == (CLASS, "")] == [(900, 900)]
    assert verified_log(str(path)).head == log.head
    assert str(verified_log(str(path)).head_at(int(HEADS[name].split(":")[0]))) == HEADS[name]
