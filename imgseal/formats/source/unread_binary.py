"""Firmware in binary forms that programmers load and nothing here reads, by their first bytes.

Forms that srec_cat 1.64 writes, as srec_*(5) describes them, where a mark or check sums tell them from other data. The
one without either, of the TRS-80, is like a flat binary: docs/gate.md says so.
"""

_MARKS: dict[str, tuple[bytes, ...]] = {
    "Windows CE image": (b"B000FF\n",),
    "formatted binary": (b"\x08\x1c\x2a\x49\x08\x00", b"\x08\x1c\x3e\x6b\x08\x00"),
    "Stewie binary": (b"S003S1", b"S003S2", b"S003S3"),
}
_PPB_BLOCK = 1024


def unread_binary(head: bytes) -> str | None:
    """Return the form of firmware that starts with `head`; None for everything else, text included."""
    for name, marks in _MARKS.items():
        if head.startswith(marks):
            return name
    if head[:1] == b"S" and head[1:2].isdigit():
        size = 3 + head[2] if len(head) > 2 else 0
        whole = 6 <= size <= len(head) and sum(head[2:size]) & 0xFF == 0xFF
        return "IDT/sim binary" if whole and head[size : size + 1] == b"S" else None
    if head[:1] == b"\2":
        return "Intel absolute object module" if _module(head) else None
    if head[:2] == b"\1\0" and _dec(head):
        return "DEC binary"
    return "PPB" if head[:1] == b"\1" and _ppb(head) else None


def _module(head: bytes) -> bool:
    """The first record of an absolute object module: a name with its length, two bytes, and all add up to nothing."""
    size = int.from_bytes(head[1:3], "little")
    name = head[3] if len(head) > 3 else 0
    return 0 < name == size - 4 and size + 3 < len(head) and sum(head[: size + 3]) & 0xFF == 0


def _dec(head: bytes) -> bool:
    """One record of the paper tape: the size counts six bytes of header, a check sum follows."""
    size = int.from_bytes(head[2:4], "little")
    return 6 < size < len(head) and sum(head[: size + 1]) & 0xFF == 0 and any(head[6:size])


def _ppb(head: bytes) -> bool:
    """The first packet: sizes, most significant byte first; 1,024 bytes of data and the next one add up to nothing."""
    size = min(int.from_bytes(head[1:5]), _PPB_BLOCK)
    data = head[9 : 10 + size]
    return 0 < size < len(data) and sum(data) & 0xFF == 0 and any(data)
