"""Firmware as text in forms that programmers and simulators load and nothing here reads, and records behind other text.

One whole record with its check sums right, or an address with the data that belongs to it, is enough, wherever it
stands: what reads such files skips comments, and prose has none. Where an address has so little data behind it that a
word could be both, several in a row are. Forms are those that GNU objcopy 2.40 and srec_cat 1.64 write; srec_*(5) of
the latter describes them. A test generates them all.
"""

import re
from collections.abc import Callable
from functools import cache

from imgseal.formats.source.detect import ADDRESS_BYTES
from imgseal.limits import LINE_BYTES

DAMAGED = "records behind something else"
"""Text with whole records in it that no reader takes: damaged, saved as UTF-16, with something in front."""

BEGIN = b"\0\n"
"""What stands in front of squeezed text where a file begins."""

CARRY = 4096
"""Bytes of squeezed text that any form is recognised in: several lines, the longest of which has 521 characters."""

_BEHIND = 640  # bytes of the lines behind one that a check looks at
_LINE_FEEDS = bytes.maketrans(b"\r", b"\n")
_FOUR = re.compile(rb"[%-)+-z]+")
_WILSON = {0x3A: 0xA0, 0x3B: 0xB0, 0x3C: 0xC0, 0x3D: 0xD0}


def squeezed(data: bytes) -> bytes:
    """Return text without blanks, zeros (so UTF-16 is like ASCII) and empty lines, its lines ended by line feeds."""
    text = data.translate(_LINE_FEEDS, b" \t\f\v\0")
    while b"\n\n" in text:
        text = text.replace(b"\n\n", b"\n")
    return text


def kind_in(text: bytes) -> str | None:
    """Return the form of the first firmware in squeezed text: DAMAGED for what is read elsewhere, a name, or None.

    Only what follows a line feed counts, and no line that the text does not end. BEGIN in front says that a file begins
    here: columns of words without any mark are firmware at its first line and tables everywhere else.
    """
    for match in _starts().finditer(text):
        name, check = _FORMS[match.lastgroup or ""]
        at = match.start() + 1
        end = text.find(b"\n", at)
        if check is None or (0 < end - at <= LINE_BYTES and check(text[at:end], text[end + 1 : end + _BEHIND].split())):
            return name
    return None


def is_whole_record(line: bytes) -> bool:
    """Say whether a line is one record of Intel HEX or S-records, its length and check sum right."""
    counted = line[:1] in (b"S", b"s")
    raw = _bytes(line[2 if counted else 1 :])
    if counted:
        wide = ADDRESS_BYTES.get(line[1:2])
        return wide is not None and len(raw) > wide + 1 and raw[0] == len(raw) - 1 and sum(raw) & 0xFF == 0xFF
    return len(raw) >= 5 and raw[0] == len(raw) - 5 and sum(raw) & 0xFF == 0


def _bytes(digits: bytes) -> bytes:
    try:
        return bytes.fromhex(digits.decode("ascii"))
    except ValueError:
        return b""


def _digit_sum(digits: bytes) -> int:
    return sum(int(digits[at : at + 1], 16) for at in range(len(digits)))


def _record(line: bytes, _: list[bytes]) -> bool:
    return is_whole_record(line)


def _signetics(line: bytes, _: list[bytes]) -> bool:
    raw = _bytes(line[1:])
    return len(raw) > 5 and raw[2] == len(raw) - 5 and raw[3] == _rotated(raw[:3]) and raw[-1] == _rotated(raw[4:-1])


def _rotated(data: bytes) -> int:
    value = 0
    for byte in data:
        value ^= byte
        value = (value << 1 | value >> 7) & 0xFF
    return value


def _tektronix(line: bytes, _: list[bytes]) -> bool:
    raw = _bytes(line[1:])
    return (
        len(raw) > 5
        and raw[2] == len(raw) - 5
        and raw[3] == _digit_sum(line[1:7])
        and raw[-1] == _digit_sum(line[9:-2]) & 0xFF
    )


def _tektronix_extended(line: bytes, _: list[bytes]) -> bool:
    counted = line[1:4] + line[6:]
    return int(line[1:3], 16) == len(line) - 1 and int(line[4:6], 16) == _digit_sum(counted) & 0xFF


def _mos(line: bytes, _: list[bytes]) -> bool:
    raw = _bytes(line[1:])
    return len(raw) > 5 and raw[0] == len(raw) - 5 and int.from_bytes(raw[-2:]) == sum(raw[:-2]) & 0xFFFF


def _emon(line: bytes, _: list[bytes]) -> bool:
    raw = _bytes(line.replace(b":", b""))
    return len(raw) > 5 and raw[0] == len(raw) - 5 and int.from_bytes(raw[-2:]) == sum(raw[3:-2]) & 0xFFFF


def _fairchild(line: bytes, _: list[bytes]) -> bool:
    return int(line[17:], 16) == _digit_sum(line[1:17]) & 0xF


def _b_record(line: bytes, behind: list[bytes]) -> bool:
    """Two records, the second where the first one ends: there is no check sum."""
    first, second = _bytes(line), _bytes(behind[0] if behind else b"")
    fits = all(len(raw) > 5 and raw[4] == len(raw) - 5 < 32 for raw in (first, second))
    return fits and int.from_bytes(first[:4]) + first[4] == int.from_bytes(second[:4])


def _counting(line: bytes, behind: list[bytes]) -> bool:
    """Four words at four addresses, one by one: there is no check sum."""
    found = [int(each[:-4].rstrip(b":"), 16) for each in (line, *behind[:3]) if _WORD_LINE.fullmatch(each)]
    return len(found) == 4 and found == list(range(found[0], found[0] + 4))


def _ascending(line: bytes, behind: list[bytes]) -> bool:
    """Lines of address and data: with as many digits of data on each, their numbers ascend as their addresses do."""
    found = _ADDRESSED.findall(b"\n".join((line, *behind)))[:8]
    numbers = [int(digits.replace(b"_", b""), 16) for digits in found]
    return len(numbers) == 8 and numbers == sorted(set(numbers))


def _four_packed(line: bytes, _: list[bytes]) -> bool:
    """Groups of five characters are four bytes, in base 85; the star is no digit."""
    if not _FOUR.fullmatch(line[1:]) or len(line) < 16 or len(line) % 5 != 1:
        return False
    raw = b""
    for at in range(1, len(line), 5):
        value = 0
        for character in line[at : at + 5]:
            value = 85 * value + character - (0x25 if character < 0x2A else 0x26)
        raw += value.to_bytes(5)[1:]
    return raw[2] == 0 and raw[3] < 3 and 0 <= len(raw) - raw[1] - 4 < 4 and sum(raw) & 0xFF == 0


def _wilson(line: bytes, behind: list[bytes]) -> bool:
    """Two records, the second where the first one ends, as one in some thousand comments looks like one."""
    first, second = _unpacked(line), _unpacked(behind[0] if behind else b"")
    if first is None or second is None:
        return False
    return int.from_bytes(first[:4]) + len(first) - 5 == int.from_bytes(second[:4])


def _unpacked(line: bytes) -> bytes | None:
    raw, high = bytearray(), 0
    for character in line[1:]:
        if not high and character in _WILSON:
            high = _WILSON[character]
        elif high and 0x30 <= character < 0x40:
            raw.append(high | character & 0xF)
            high = 0
        elif not high and character >= 0x40:
            raw.append(character if character >= 0xE0 else character - 0x40)
        else:
            return None
    fits = line[:1] == b"#" and len(raw) > 6 and raw[0] == len(raw) - 1 and sum(raw) & 0xFF == 0xFF
    return bytes(raw[1:]) if fits else None


_Check = Callable[[bytes, list[bytes]], bool]
_WORD_LINE = re.compile(rb"[0-9A-Fa-f]{6}:[0-9A-Fa-f]{4}|[0-9A-Fa-f]{8}")
_ADDRESSED = re.compile(rb"@([0-9A-Fa-f][0-9A-Fa-f_]*)")
# words of Verilog's memory files (IEEE 1364, $readmemh): digits with underscores, comments and lines between them
_MEMORY = "Verilog hex, VMEM or TI text"
_DIGIT = r"(?:~_*+)"
_BLOCK = r"(?:/\*[^*]{0,512}+(?:\*(?!/)[^*]{0,512}+){0,16}+\*/)"  # bounded, as one that nobody ends is looked for again
_BETWEEN = rf"(?:\n|//[^\n]*+|{_BLOCK})"
_FRONT = rf"(?![^/@]){_BLOCK}*+"
_APART = rf"@{_DIGIT}++{_BETWEEN}++(?:{_DIGIT}{_BETWEEN}*+){{8}}"
_PLACED = rf"(?:@(?=(?:{_DIGIT}{_BETWEEN}*+){{3}})(?:{_DIGIT}++{_BETWEEN}*+)++)"  # an address and at least one word
# the first row that fits is the one that is checked: those without a check stand in front of those that begin like them
_ROWS: tuple[tuple[str, str, _Check | None], ...] = (
    (DAMAGED, r":~{6}0[0-5]~~", _record),
    (DAMAGED, r"[Ss][0-9]~{6}", _record),
    ("Signetics hex", r":~{12}", _signetics),
    ("Tektronix hex", r"/~{12,}\n", _tektronix),
    ("extended Tektronix hex", r"%~~[368]~~[0-9A-F]+\n", _tektronix_extended),
    (_MEMORY, rf"{_FRONT}(?:@{_DIGIT}{{16}}|{_APART}|{_PLACED}{{16}})", None),
    (_MEMORY, rf"{_FRONT}{_PLACED}{{8}}", _ascending),
    ("MOS Technology hex", r";~{12,}\n", _mos),
    ("ASCII hex", r"\x02?\$A~{1,8}[,.]\n*(?:~~[%',]?\n?){4}|\x02\n*(?:~~[%',]?\n?){4}", None),
    ("four packed code", r"\$[%-z]{10}", _four_packed),
    ("COSMAC hex", r"!M~{0,8};?\n*~{8}", None),
    ("MIPS flash", r"!R\n+(?:>[^\n]*\n+|@[^\n]*\n+)+~{8}", None),
    ("OS65V hex", r"\.~{4,8}/~~(?:\n*~~){3}", None),
    ("PPX", r"\*\n+~{12,}(?:\$S~{4})?\n", None),
    ("Spectrum binary digits", r"(?<=\0\n)(?:[0-9]{4,10}[01]{8}\n+){2}", None),
    ("B-records", r"~{12,72}\n+~{12}", _b_record),
    ("EMON52", r"~{6}:~{6}", _emon),
    ("Atmel generic", r"~{6}:~{4}\n", _counting),
    ("SPASM", r"(?<=\0\n)~{8}\n", _counting),
    ("FORTH store commands", r"~{6,10}(?:EE)?C!\n", None),
    ("Fairchild Fairbug", r"X~{17}\n", _fairchild),
    ("TI tagged hex", r"(?:K~{4}[^\n]{0,250}9~{4}[B*]~{2}|(?:9~{4})?(?:B~{4}|\*~~){3,}[78]~{4}F\n)", None),
    ("LSI Logic Fast Load", r"/A[\w,.]{2,6}\n+(?:[\w,.]{4,}\n+){0,40}[\w,.]*(?:/B..)*/C[\w,.]{3}/[KE]AA\n", None),
    ("memory initialization file", r"(?i:CONTENT(?:--[^\n]*)?\n*BEGIN\n|DATA_RADIX=[A-Z]{3};)", None),
    ("coefficient file", r"(?i:memory_initialization_(?:radix|vector)=)", None),
    ("memory initialization of Lattice", r"#Format=(?:Bin|Hex|AddrHex)\n", None),
    ("Logisim memory", r"(?<=\0\n)v2\.0raw\n+(?:[0-9]+\*)?~", None),
    ("Wilson", r"#[\x40-\xff:;<=]{8}", _wilson),
)
_FORMS = {f"f{number}": (name, check) for number, (name, _, check) in enumerate(_ROWS)}


@cache
def _starts() -> "re.Pattern[bytes]":
    """Join all rows behind a line feed, looking ahead only, as one line may end what the next one begins."""
    rows = (f"(?P<f{number}>{row.replace('~', '[0-9A-Fa-f]')})" for number, (_, row, _) in enumerate(_ROWS))
    return re.compile(f"\\n(?={'|'.join(rows)})".encode())
