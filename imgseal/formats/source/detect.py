"""What a firmware file is, by its first bytes; a name never decides, it only warns."""

from imgseal.errors import InputError, Place

INTEL_HEX, S_RECORD, ELF, BINARY = KINDS = ("intel-hex", "s-record", "elf", "binary")
HEAD_BYTES = 4096
DIGITS = b"0123456789abcdefABCDEF"
ADDRESS_BYTES = {b"0": 2, b"1": 2, b"2": 3, b"3": 4, b"5": 2, b"6": 3, b"7": 4, b"8": 3, b"9": 2}
"""Of S-records, by their type."""

_TEXT_NAMES = (".hex", ".ihex", ".ihx", ".mot", ".s19", ".s28", ".s37", ".srec", ".sre", ".s3")
_BLANK = b" \t\r\n"
_IN_FRONT = _BLANK + b"\x00\x1a\xef\xbb\xbf"


def detect(head: bytes, name: str) -> str:
    """Return the kind of a file that starts with `head`, which is up to HEAD_BYTES of it.

    Raises InputError for an empty file, for text that holds records but does not start with one, and for what is
    certainly no firmware. A damaged text file is never taken for a flat binary; its own reader then names the line.
    """
    if not head:
        raise InputError(
            "this file is empty",
            place=Place(file=name),
            hint="did the step that makes it fail, or is it the wrong file?",
        )
    if head.startswith(b"\x7fELF"):
        return ELF
    kind = kind_of_record(head.lstrip(_BLANK).removeprefix(b"\xef\xbb\xbf"), least=5)
    if kind is not None:
        return kind
    if head.startswith((b"\xff\xfe", b"\xfe\xff")) and kind_of_record(head[2:34].replace(b"\x00", b""), least=5):
        raise InputError(
            "this text of records is saved as UTF-16",
            place=Place(file=name, offset=0),
            expected="plain ASCII text",
            found=f"the byte order mark {head[:2].hex(' ').upper()}",
            hint="save it as ASCII or UTF-8 without a byte order mark; some shells write UTF-16 with >",
        )
    archive = _ARCHIVES.get(head[:4])
    if archive is not None:
        raise InputError(
            "this is no firmware",
            place=Place(file=name),
            expected="Intel HEX, S-records, ELF, or a flat binary",
            found=archive,
            hint="give the linked executable, its HEX file, or a flat binary",
        )
    lines = head.split(b"\n")
    named_text = name.lower().endswith(_TEXT_NAMES)
    record = next((n for n, line in enumerate(lines, 1) if kind_of_record(line.lstrip(_IN_FRONT), least=10)), None)
    only_digits = not head[:64].strip(DIGITS + b":S" + _BLANK)
    if record is None and not only_digits and not named_text:
        return BINARY
    cure = "give a flat binary a name that ends in .bin" if named_text else "make Intel HEX of a flat binary of digits"
    raise InputError(
        "this looks like a text of records, but does not start with one",
        place=Place(file=name, line=1, offset=0),
        expected="':' (Intel HEX) or 'S' (S-record)",
        found=ascii(head[:16].decode("latin-1"))
        + (f"; the first record is in line {record}" if record is not None else ""),
        hint="the file is damaged, or has something in front of its first record"
        + (f"; {cure}" if record is None else ""),
    )


_ARCHIVES = {
    b"----": "a PEM file",
    b"PK\x03\x04": "a ZIP archive",
    b"!<ar": "an object library",
    b"\x1f\x8b\x08\x00": "a gzip file",
    b"\x1f\x8b\x08\x08": "a gzip file",
}


def kind_of_record(text: bytes, least: int) -> str | None:
    """Return the kind of text that starts like a record: at least `least` of the next ten characters are hex digits."""
    if text[:1] == b":" and _digits(text[1:11]) >= least:
        return INTEL_HEX
    if text[:1] == b"S" and text[1:2].isdigit() and _digits(text[2:10]) >= min(least, 8):
        return S_RECORD
    return None


def _digits(text: bytes) -> int:
    return sum(byte in DIGITS for byte in text)
