"""Whether a file among others holds firmware, by its first bytes.

`detect` answers another question: it is asked about a file that somebody calls firmware, and takes anything for a flat
binary. Here most files are something else.
"""

from imgseal.source.detect import ELF, HEAD_BYTES, INTEL_HEX, S_RECORD, kind_of_record

__all__ = ["DAMAGED", "HEAD_BYTES", "firmware_kind"]

DAMAGED = "records behind something else"
"""Text with whole records in it that does not begin with one: a damaged firmware file, or one saved as UTF-16."""

_BLANK = b" \t\r\n"
_MARK = b"\xef\xbb\xbf"
_ARM = 40  # EM_ARM, ELF for the Arm Architecture
_LOADED = (2, 3)  # ET_EXEC and ET_DYN; what is still to be linked (ET_REL) is no firmware
_NUMBERS = {b"0": 2, b"1": 2, b"2": 3, b"3": 4, b"5": 2, b"6": 3, b"7": 4, b"8": 3, b"9": 2}  # bytes of address


def firmware_kind(head: bytes) -> str | None:
    """Return ELF, INTEL_HEX, S_RECORD or DAMAGED for what starts with `head` (up to HEAD_BYTES of it), else None.

    ELF files count when they are for Arm, the architecture of all cores that a product file can name.
    """
    if head.startswith(b"\x7fELF"):
        return ELF if _is_loaded_by_arm(head) else None
    kind = kind_of_record(head.lstrip(_BLANK).removeprefix(_MARK), least=5)
    if kind in (INTEL_HEX, S_RECORD):
        return kind
    if head.startswith((b"\xff\xfe", b"\xfe\xff")) and kind_of_record(head[2:66].replace(b"\0", b""), least=5):
        return DAMAGED
    if any(
        _is_whole_record(line.strip(_BLANK)) for line in head.split(b"\n") if line.lstrip(_BLANK)[:1] in (b":", b"S")
    ):
        return DAMAGED
    return None


def _is_loaded_by_arm(head: bytes) -> bool:
    step = -1 if head[5:6] == b"\x02" else 1  # EI_DATA 2: the most significant byte comes first
    kind, machine = (int.from_bytes(head[at : at + 2][::step], "little") for at in (16, 18))
    return machine == _ARM and kind in _LOADED


def _is_whole_record(line: bytes) -> bool:
    """Say whether a line is one record, its length and checksum right: other text hardly ever is."""
    counted = line[:1] == b"S"
    try:
        raw = bytes.fromhex(line[2 if counted else 1 :].decode("ascii"))
    except ValueError:
        return False
    if counted:
        wide = _NUMBERS.get(line[1:2])
        return wide is not None and len(raw) > wide and raw[0] == len(raw) - 1 and sum(raw) & 0xFF == 0xFF
    return len(raw) >= 5 and raw[0] == len(raw) - 5 and sum(raw) & 0xFF == 0
