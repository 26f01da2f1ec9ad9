"""What can be wrong with a release log: a line that cannot be read, one that does not follow, numbers that go down."""

from imgseal.errors import ImgsealError, InputError, RefusedError
from imgseal.values import Document

CURE = (
    "a log goes on from its last line only; where a merge put two sides together, take one side whole"
    " (git checkout --ours FILE, or --theirs), then make the other side's releases again with higher sequences"
)
"""What to do about a log that forks."""


class LogFormatError(InputError):
    """A line, proof or head is not as docs/format/release-log.md says."""


class LogError(RefusedError):
    """A log, proof or head is well-formed and does not hold."""


class ForkError(LogError):
    """Two entries claim the same place, or a line does not stand where it was written."""


class GoingDownError(ImgsealError):
    """A sequence or counter is below an earlier release's; `place.key` names it as the product file does.

    When an entry is to be added that is wrong usage, in a log that exists it is a refusal: who catches it says so.
    """

    exit_status = 1


DOCUMENT = Document(LogFormatError, "restore the file from version control or a backup", ordered=True)


def compact(tree: object) -> bytes:
    """Return the one encoding of JSON in a log: keys in the order of the format's table, no blanks, ASCII."""
    import json  # noqa: PLC0415 - 5 ms, for release logs only

    return json.dumps(tree, separators=(",", ":"), ensure_ascii=True).encode("ascii")
