"""What a patch is made of: bytes by symbol, where they lie in the new image, and what would make them fewer."""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable

from imgseal.formats.source.symbols import Symbol
from imgseal.make.delta.encode import Patch
from imgseal.make.delta.frame import Side
from imgseal.make.delta.parse import NEW, OLD, STORED
from imgseal.records import NamedTuple

COLUMNS = 64
SHADES = " .:-=+*#"
SHOWN = 12
BETWEEN = "(between symbols)"


class Look(NamedTuple):
    """Bytes of the patch by symbol, the most first, over the new image, in shades, and advice."""

    symbols: list[tuple[str, float]]
    picture: str
    advice: list[str]


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
