"""What the commands that sign share: the clock, the day that keys have to be in force on, the source revision."""

import os
import time

from imgseal.errors import UsageError
from imgseal.versions import decimal

_LAST_SECOND = 253_402_300_799  # 9999-12-31T23:59:59Z, as far as four digits of a year go


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


def day_of(seconds: int) -> str:
    """Return the day of a time in seconds since 1970 as YYYY-MM-DD, in UTC."""
    return time.strftime("%Y-%m-%d", time.gmtime(min(seconds, _LAST_SECOND)))


def today() -> str:
    """Return the day it is, in UTC, whatever SOURCE_DATE_EPOCH says: a verdict is of the day it is given on."""
    return day_of(int(time.time()))


def parse_day(text: str | None) -> str:
    """Return the day that was given, else today; UsageError when it is none."""
    if text is None:
        return today()
    try:
        if time.strftime("%Y-%m-%d", time.strptime(text, "%Y-%m-%d")) == text:
            return text
    except ValueError:
        pass
    raise UsageError(
        "this is no day", expected="YYYY-MM-DD, such as 2027-01-31", found=text, hint="give a calendar day"
    )


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
