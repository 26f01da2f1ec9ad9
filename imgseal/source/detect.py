"""What a firmware file is, by its first bytes; a name never decides, it only warns."""

from imgseal.errors import InputError, Place

__all__ = ["BINARY", "ELF", "HEAD_BYTES", "INTEL_HEX", "S_RECORD", "detect"]

INTEL_HEX, S_RECORD, ELF, BINARY = "intel-hex", "s-record", "elf", "binary"
HEAD_BYTES = 512
_TEXT = frozenset(b"0123456789abcdefABCDEF:S \t\r\n")
_TEXT_NAMES = (".hex", ".ihex", ".ihx", ".mot", ".s19", ".s28", ".s37", ".srec", ".s")


def detect(head: bytes, name: str) -> str:
    """Return the kind of a file that starts with `head`.

    Raises InputError for an empty file, for text that looks like records but does not start like one, and for things that
    are certainly no firmware; a damaged text file is never taken for a flat binary.
    """
    if not head:
        raise InputError("this file is empty", place=Place(file=name))
    if head.startswith(b"\x7fELF"):
        return ELF
    body = head.lstrip(b" \t\r\n").removeprefix(b"\xef\xbb\xbf")
    if body[:1] == b":" and _looks_like_digits(body[1:11]):
        return INTEL_HEX
    if body[:1] == b"S" and body[1:2].isdigit() and _looks_like_digits(body[2:8]):
        return S_RECORD
    if all(byte in _TEXT for byte in head[:64]) or name.lower().endswith(_TEXT_NAMES):
        raise InputError(
            "this looks like a text of records, but does not start with one",
            place=Place(file=name, line=1, offset=0),
            expected="':' (Intel HEX) or 'S' (S-record)",
            found=head[:16].decode("ascii", "backslashreplace"),
            hint="the file is damaged, or has something in front of its first record",
        )
    if head.startswith((b"-----BEGIN", b"PK\x03\x04", b"!<arch>", b"\x1f\x8b")):
        raise InputError(
            "this is no firmware",
            place=Place(file=name),
            expected="Intel HEX, S-records, ELF, or a flat binary",
            found="a PEM file, an archive or an object library",
        )
    return BINARY


def _looks_like_digits(text: bytes) -> bool:
    return bool(text) and all(byte in b"0123456789abcdefABCDEF" for byte in text)
