"""Structure of a sealed image: one meaning, one encoding, and nothing behind the payload."""

from imgseal.check.context import Context
from imgseal.check.image import ImageSubject
from imgseal.errors import Place
from imgseal.findings import Finding

_AGAIN = "copy it again from where it was made, or seal it again: imgseal build"


def header(subject: ImageSubject, _context: Context) -> list[Finding]:
    """The header block reads as format 1; the codec refuses whatever has a second encoding."""
    error = subject.header_error
    if error is None:
        return []
    return [Finding(error.code, error.message, error.place, error.expected, error.found, error.hint or _AGAIN)]


def extent(subject: ImageSubject, context: Context) -> list[Finding]:
    """The artefact holds the whole payload, and behind it nothing, except the rest of a dumped slot.

    RFC 9124 section 4.2.15 THREAT.IMG.EXTRA.
    """
    statement = subject.statement
    where = subject.payload
    findings = []
    if statement.detached and context.slot is None and subject.data.size > statement.header_block:
        findings.append(_behind(statement.header_block, subject.data.size, "the detached header"))
    if where is None:
        return [
            *findings,
            Finding(
                "structure.payload-missing",
                "this header's payload lies elsewhere and was not given",
                Place(key="flags", offset=296),
                expected=f"{statement.payload_size} bytes of payload",
                hint="name it: imgseal check HEADER --payload FILE",
            ),
        ]
    data, start = where
    end = start + statement.payload_size
    if data.size < end:
        findings.append(
            Finding(
                "structure.truncated",
                "the file ends inside the payload",
                Place(offset=data.size),
                expected=f"{end} bytes",
                found=f"{data.size} bytes",
                hint="copy the file again; a build that was interrupted leaves no file behind",
            )
        )
    elif data.size > end and context.slot is None:
        findings.append(_behind(end, data.size, "the payload"))
    return findings


def _behind(end: int, size: int, what: str) -> Finding:
    return Finding(
        "structure.bytes-after-payload",
        f"something follows {what}",
        Place(offset=end),
        expected=f"{end} bytes in all",
        found=f"{size} bytes",
        hint="copy it again; a dump of a whole slot is judged with: imgseal check --slot NAME",
    )
