"""Opens a file that the gate has found: whether it is still the same one, its bytes, and what firmware it is."""

import os
from typing import BinaryIO

from imgseal.findings import Finding
from imgseal.formats.archives.unpack import Reopen
from imgseal.formats.source.detect import HEAD_BYTES
from imgseal.formats.source.recognise import BLANK, blanks, firmware_kind, marked
from imgseal.formats.source.unread_text import DAMAGED
from imgseal.gate.artefact import finding
from imgseal.gate.discover import Task, identity
from imgseal.limits import CHUNK, FIRMWARE_BYTES
from imgseal.window import Window


def changed_since(task: Task, stream: BinaryIO) -> Finding | None:
    """Hold a file against what was seen of it when it was found."""
    status = os.fstat(stream.fileno())
    if status.st_size != task.size:
        return finding("gate.changed", expected=f"{task.size} bytes", found=f"{status.st_size} bytes")
    if task.seen is not None and identity(status) != task.seen:
        other = identity(status)[:2] != task.seen[:2]
        return finding(
            "gate.changed",
            expected="the file that was there when the gate began",
            found="another file under its name" if other else "a later time of change",
        )
    return None


def file_bytes(stream: BinaryIO, size: int) -> Window:
    """Return a stream as bytes to be read anywhere."""

    def read(offset: int, length: int) -> bytes:
        stream.seek(offset)
        return stream.read(length)

    return Window(read, 0, size)


def kind_of_firmware(head: bytes, reopen: Reopen) -> str | None:
    """Say what firmware a file is; where it begins with blanks, by what comes behind them."""
    kind = firmware_kind(head)
    if kind != BLANK:
        return kind
    stream = reopen()
    stream.seek(marked(head))
    for _ in range(0, FIRMWARE_BYTES, CHUNK):
        piece = stream.read(CHUNK)
        skip = blanks(piece)
        if skip == len(piece):
            if not piece:
                return None
            continue
        rest = piece[skip : skip + HEAD_BYTES]
        kind = firmware_kind(rest + stream.read(HEAD_BYTES - len(rest)))
        break
    return DAMAGED if kind == BLANK else kind
