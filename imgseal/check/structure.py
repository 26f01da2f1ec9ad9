"""Structure of a sealed image: one meaning, one encoding, and nothing behind the payload."""

from collections.abc import Iterator

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject
from imgseal.errors import Place
from imgseal.findings import Finding, said_by

_AGAIN = "copy it again from where it was made, or seal it again: imgseal build"


def header(subject: ImageSubject, _context: Context) -> Finding | None:
    """The header block reads as format 1; the codec refuses whatever has a second encoding."""
    error = subject.header_error
    if error is None:
        return None
    return said_by(error.code, error)._replace(hint=error.hint or _AGAIN)


def extent(subject: ImageSubject, context: Context) -> Iterator[Finding]:
    """The artefact holds the whole payload, and behind it nothing, except the rest of a dumped slot.

    RFC 9124 section 4.2.15 THREAT.IMG.EXTRA.
    """
    statement = subject.statement
    if statement.detached and context.slot is None and subject.data.size > statement.header_block:
        yield _behind(statement.header_block, subject.data.size, "the detached header")
    if subject.payload is None:
        yield Finding(
            "structure.payload-missing",
            "this header's payload lies elsewhere and was not given",
            Place(key="flags", offset=296),
            expected=f"{statement.payload_size} bytes of payload",
            hint="name it: imgseal check HEADER --payload FILE",
        )
        return
    data, start = subject.payload
    end = start + statement.payload_size
    if data.size < end:
        yield Finding(
            "structure.truncated",
            "the file ends inside the payload",
            Place(offset=data.size),
            expected=f"{end} bytes",
            found=f"{data.size} bytes",
            hint="copy the file again; a build that was interrupted leaves no file behind",
        )
    elif data.size > end and context.slot is None:
        yield _behind(end, data.size, "the payload")


def _behind(end: int, size: int, what: str) -> Finding:
    return Finding(
        "structure.bytes-after-payload",
        f"something follows {what}",
        Place(offset=end),
        expected=f"{end} bytes in all",
        found=f"{size} bytes",
        hint="copy it again; a dump of a whole slot is judged with: imgseal check --slot NAME",
    )
