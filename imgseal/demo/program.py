"""A made-up program that behaves like compiled code when it changes: what its updates cost is what real ones cost.

Functions call one another by BL, load words from pools behind them, and point to tables; a longer function moves all
that stands behind it. The bytes are the same on every machine. None of it ever runs: the reset loop calls nothing.
"""

from collections.abc import Collection, Iterator
from struct import unpack_from

from imgseal.demo.firmware import filler
from imgseal.records import NamedTuple

_PUSH, _POP, _NOP = (value.to_bytes(2, "little") for value in (0xB510, 0xBD10, 0xBF00))
_RAM = 0x2000_0000
_IDIOMS = 96
_TABLE_WORDS, _TABLES = 64, 12
_TEXT = "greenhouse vent drive: open close hold limit torque wind frost dew noon dusk sensor window gear left right"


class _Function(NamedTuple):
    """Instructions, with the numbers of functions called between them, and the pool behind: functions, or RAM."""

    code: tuple[bytes, ...]
    calls: tuple[int, ...]
    pool: tuple[tuple[int, int], ...]

    @property
    def size(self) -> int:
        """Its bytes, to the next multiple of four."""
        plain = sum(map(len, self.code)) + 4 * len(self.calls) + 4
        return plain + plain % 4 + 4 * len(self.pool)


def program(name: str, *, start: int, size: int, changed: Collection[int] = (), table: int = 0) -> bytes:
    """Return a program of `size` bytes that runs from the address `start`: functions, tables, text.

    A later release has `changed` some functions, by number, and grows by that; `table` are other values of a table.
    """
    functions = list(_functions(name, size * 3 // 4))
    text = size - sum(each.size for each in functions) - 4 * _TABLE_WORDS * _TABLES
    for number in changed:
        functions[number] = _altered(functions[number], name, number)
    places, at = [], start
    for each in functions:
        places.append(at)
        at += each.size
    out = [_linked(each, place, places) for each, place in zip(functions, places, strict=True)]
    out += [filler(f"{name} table {n}{table if n == 0 else ''}", 4 * _TABLE_WORDS) for n in range(_TABLES)]
    out.append(_text(name, text))
    return b"".join(out)


def _functions(name: str, size: int) -> Iterator[_Function]:
    """Draw functions until they take so many bytes; each calls a few near ones, and one that many call."""
    count = size // 92
    draws = filler(f"{name} functions", 64 * count)
    idioms = [filler(f"{name} idiom {n}", 2 + 2 * (n % 4)) for n in range(_IDIOMS)]
    for number in range(count):
        draw = draws[64 * number : 64 * number + 64]
        calls = tuple(
            (number + draw[n] - 128) % count if draw[n] & 3 else (draw[n] * 5) % min(64, count)
            for n in range(draw[8] % 5)
        )
        code = tuple(
            b"".join(idioms[draw[16 + 8 * n + m] % _IDIOMS] for m in range(5)) + draw[10 + 2 * n : 12 + 2 * n]
            for n in range(len(calls) + 1)
        )
        pool = tuple(
            (0, _RAM + 4 * (draw[56 + n] | draw[57 + n] << 4))
            if draw[56 + n] & 1
            else (1, (number + draw[56 + n]) % count)
            for n in range(draw[9] % 4)
        )
        yield _Function(code, calls, pool)


def _altered(function: _Function, name: str, number: int) -> _Function:
    """Insert what a fix inserts: a comparison, a branch, another call."""
    extra = filler(f"{name} fix {number}", 14)
    code = (function.code[0] + extra, *function.code[1:], extra[:6])
    return function._replace(code=code, calls=(*function.calls, unpack_from("<H", extra)[0] % 64))


def _linked(function: _Function, place: int, places: list[int]) -> bytes:
    out = bytearray(_PUSH)
    for number, code in enumerate(function.code):
        out += code
        if number < len(function.calls):
            out += _call(place + len(out), places[function.calls[number]])
    out += _POP
    out += _NOP * (len(out) % 4 // 2)
    for points, value in function.pool:
        out += (places[value] | 1 if points else value).to_bytes(4, "little")
    return bytes(out)


def _call(at: int, target: int) -> bytes:
    """Return BL in its encoding T1: Armv7-M architecture manual, A7.7.18."""
    offset = target - at - 4
    sign, i1, i2 = offset >> 24 & 1, offset >> 23 & 1, offset >> 22 & 1
    first = 0xF000 | sign << 10 | offset >> 12 & 0x3FF
    second = 0xD000 | (1 ^ i1 ^ sign) << 13 | (1 ^ i2 ^ sign) << 11 | offset >> 1 & 0x7FF
    return (first | second << 16).to_bytes(4, "little")


def _text(name: str, size: int) -> bytes:
    words = _TEXT.split()
    drawn = b" ".join(words[value % len(words)].encode() for value in filler(f"{name} text", size // 4))
    return drawn[:size].ljust(size, b"\x00")
