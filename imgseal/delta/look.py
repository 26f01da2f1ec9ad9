"""What a patch is made of: bytes by symbol, where they lie in the new image, and what would make them fewer."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable

from imgseal.formats.delta.layout import Frame
from imgseal.formats.source.symbols import Symbol
from imgseal.make.delta.encode import Patch
from imgseal.make.delta.parse import NEW, OLD, STORED
from imgseal.records import NamedTuple

COLUMNS = 64
SHADES = " .:-=+*#"
SHOWN = 12
BETWEEN = "(between symbols)"
_RAM, _RAM_BYTES = 0x2000_0000, 256 << 10


class Side(NamedTuple):
    """An image, the address of its first byte if it has one, and whether it is code."""

    data: bytes
    base: int | None
    code: bool


class Look(NamedTuple):
    """Bytes of the patch by symbol, the most first, over the new image, in shades, and advice."""

    symbols: list[tuple[str, float]]
    picture: str
    advice: list[str]


def frame_of(old: Side, new: Side) -> Frame | None:
    """Return how to take the images for code; None where one is data, or has no address.

    RAM is where the initial stack pointer of the new image points to.
    """
    if not (old.code and new.code) or old.base is None or new.base is None:
        return None
    if old.base % 256 or new.base % 256 or max(old.base + len(old.data), new.base + len(new.data)) > 1 << 32:
        return None
    stack = _stack_pointer(new.data)
    if stack is None:
        return Frame(old.base, new.base, _RAM, _RAM_BYTES)
    first = (stack - 1) & 0xFF00_0000
    size = 4096
    while size < min(stack - first, 4096 << 15):
        size *= 2
    return Frame(old.base, new.base, first, size)


def _stack_pointer(data: bytes) -> int | None:
    """Return the first word of the vector table: in front, or behind the header block of a sealed image."""
    for at in (0, *range(512, 8193, 128)):
        stack, reset = (int.from_bytes(data[at + i : at + i + 4], "little") for i in (0, 4))
        if 0x1000_0000 < stack <= 0x4000_0000 and not stack & 3 and reset & 1 and reset < 0x1000_0000:
            return stack
    return None


def look(patch: Patch, new: Side, symbols: list[Symbol]) -> Look:
    """Return what the patch is made of."""
    starts = [symbol.address for symbol in symbols]
    by_symbol: Counter[str] = Counter()
    cells = [0] * COLUMNS
    base = new.base or 0
    kinds: Counter[int] = Counter()
    for token, bits in patch.spent:
        cells[token.at * COLUMNS // len(new.data)] += bits
        kinds[token.kind] += bits
        i = bisect_right(starts, base + token.at) - 1
        inside = i >= 0 and base + token.at < symbols[i].address + symbols[i].size
        by_symbol[symbols[i].name if inside else BETWEEN] += bits
    most = max(cells, default=0) or 1
    picture = "".join(SHADES[min(len(SHADES) - 1, (bits * (len(SHADES) - 1) + most - 1) // most)] for bits in cells)
    named = [(name, bits / 8) for name, bits in by_symbol.most_common() if bits >= 8] if symbols else []
    return Look(named, picture, list(_advice(patch, new, kinds)))


def _advice(patch: Patch, new: Side, kinds: Counter[int]) -> Iterable[str]:
    copied = sum(token.length for token, _ in patch.spent if token.kind == OLD)
    if kinds[STORED] > 8 * len(new.data) // 10:
        yield "bytes that look like those of a cipher or of a packer do not compress: patch first, then encrypt or pack"
    if new.base is None:
        yield "give FILE@ADDRESS for flat binaries: then calls and addresses that moved cost next to nothing"
    elif new.code and new.base % 256:
        yield "it does not begin at a multiple of 256, and is taken for data: give what lies from such an address on"
    if copied * 2 < len(new.data) and kinds[NEW] + kinds[0] > 0 and any(token.kind == OLD for token, _ in patch.spent):
        yield "less than half of it comes from the old image: build both with the same compiler and the same options"
    if patch.entries > 60:
        yield (
            f"what moved takes {patch.entries} entries of the shift table: compile with -ffunction-sections and keep "
            "the link order fixed (sorted inputs, or KEEP and SORT in the linker script)"
        )
