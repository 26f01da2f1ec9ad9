"""What `seal`, `pack` and `build` share: the clock, the source revision, and which keys sign."""

import os
import time

from imgseal.errors import UsageError
from imgseal.versions import decimal

__all__ = ["build_time", "source_revision"]


def build_time() -> int:
    """Return SOURCE_DATE_EPOCH where it is set, else the time now, in seconds since 1970."""
    given = os.environ.get("SOURCE_DATE_EPOCH")
    if given is None:
        return int(time.time())
    seconds = decimal(given, (1 << 63) - 1)
    if seconds is None:
        raise UsageError(
            "SOURCE_DATE_EPOCH is not a number of seconds",
            expected="for example 1764072000",
            found=given,
            hint="unset it, or set it to the time of the last commit: git log -1 --format=%ct",
        )
    return seconds


def source_revision(text: str | None) -> bytes:
    """Turn the hex digits of a revision into bytes; none given is none recorded."""
    if text is None:
        return b""
    try:
        revision = bytes.fromhex(text)
    except ValueError:
        revision = b""
    if not revision or len(revision) > 32 or text.strip() != text:
        raise UsageError(
            "the source revision is not 2 to 64 hex digits",
            expected="for example the output of: git rev-parse HEAD",
            found=text,
            hint="give the revision in hex, or leave --revision out",
        )
    return revision
