"""What flash holds, as values that share what did not change.

An operation costs its page, a copy what was changed last.

What a range holds has a number, kept up to date from what changed; two ranges with the same number hold the same.
"""

from collections.abc import Iterator, Mapping, MutableMapping
from hashlib import blake2b
from types import MappingProxyType

Key = tuple[str, int]
"""Memory and block number."""

Range = tuple[str, int, int]
"""Memory, first block number, and the one behind the last."""

_SHARED = 256
"""Blocks changed since a copy that a copy takes along one by one, at most; then all of them become the shared part."""

_SUM = (1 << 128) - 1
_NO_BLOCKS: Mapping[Key, "Block"] = MappingProxyType({})


class Block:
    """One erase block that is not simply erased. Never changed: an operation makes a new one.

    `done` are the units programmed since the erase, `torn` those that a cut has left unreliable, as bit masks by unit;
    `weak` marks an erase that was cut short, of which `data` is what the block held before.
    """

    __slots__ = ("_digest", "_pages", "done", "firm", "torn", "weak")

    def __init__(self, data: bytes | tuple[bytes, ...], done: int, torn: int, weak: bool) -> None:
        self._pages = data if isinstance(data, tuple) else (data,)
        self.done = done
        self.torn = torn
        self.weak = weak
        self.firm = not torn and not weak  # whether every read gives the same
        self._digest: bytes | None = None

    @property
    def data(self) -> bytes:
        """All bytes of the block."""
        return b"".join(self._pages)

    def pages(self, size: int) -> tuple[bytes, ...]:
        """Return the bytes in pages of that size."""
        if len(self._pages[0]) == size:
            return self._pages
        data = self.data
        return tuple([data[at : at + size] for at in range(0, len(data), size)])

    def read(self, start: int, count: int) -> bytes:
        """Return some of the bytes."""
        pages = self._pages
        size = len(pages[0])
        first, at = divmod(start, size)
        if at + count <= size:
            return pages[first][at : at + count]
        return b"".join(pages[first : (start + count - 1) // size + 1])[at : at + count]

    @property
    def digest(self) -> bytes:
        """What tells blocks apart: 128 bits over all that counts."""
        if self._digest is None:
            state = blake2b(f"{self.done:x} {self.torn:x} {self.weak}\n".encode(), digest_size=16)
            state.update(self.data)
            self._digest = state.digest()
        return self._digest

    def __eq__(self, other: object) -> bool:
        return self is other or (isinstance(other, Block) and self.digest == other.digest)

    def __hash__(self) -> int:
        return hash(self.digest)


class Contents(MutableMapping[Key, Block]):
    """The blocks of all memories; a block that is not there is erased. `loose` are those that do not read firmly."""

    __slots__ = ("_base", "_changed", "_stale", "_sums", "loose")

    def __init__(self, blocks: Mapping[Key, Block] = _NO_BLOCKS) -> None:
        self._base = dict(blocks)
        self._changed: dict[Key, Block | None] = {}
        self._sums: dict[Range | None, int] = {}
        self._stale: dict[Key, Block | None] = {}  # what the sums still count
        self.loose = frozenset(key for key, block in self._base.items() if not block.firm)

    @classmethod
    def of(cls, blocks: Mapping[Key, Block]) -> "Contents":
        """Return a copy of contents, or of a plain table of blocks."""
        return blocks.branch() if isinstance(blocks, Contents) else cls(blocks)

    def branch(self) -> "Contents":
        """Return a copy that is changed apart from this one."""
        if self._stale and self._sums:
            self._refresh()  # once here, not in each copy
        if len(self._changed) > _SHARED:
            self._base, self._changed = dict(self.items()), {}
        out = Contents()
        out._base = self._base
        out._changed = self._changed.copy()
        out._sums = self._sums.copy()
        out._stale = self._stale.copy()
        out.loose = self.loose
        return out

    def get(self, key: Key, _default: object = None) -> Block | None:  # type: ignore[override]
        """Return a block, or None where it is erased."""
        changed = self._changed
        return changed[key] if key in changed else self._base.get(key)

    def put(self, key: Key, block: Block | None) -> None:
        """Change a block; None for one that is erased."""
        self._stale.setdefault(key, self.get(key))
        self._changed[key] = block
        if block is not None and not block.firm:
            self.loose |= {key}
        elif self.loose and key in self.loose:
            self.loose -= {key}

    def __getitem__(self, key: Key) -> Block:
        block = self.get(key)
        if block is None:
            raise KeyError(key)
        return block

    def __setitem__(self, key: Key, block: Block) -> None:
        self.put(key, block)

    def __delitem__(self, key: Key) -> None:
        self.put(key, self[key] and None)

    def __iter__(self) -> Iterator[Key]:
        for key in (*self._base, *(key for key in self._changed if key not in self._base)):
            if self.get(key) is not None:
                yield key

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def sum_of(self, part: Range | None) -> int:
        """Return the number of what a range holds; None stands for everything."""
        if self._stale:
            self._refresh()
        known = self._sums.get(part)
        if known is None:
            keys = self if part is None else ((part[0], number) for number in range(part[1], part[2]))
            known = self._sums[part] = sum(_number(key, self.get(key)) for key in keys) & _SUM
        return known

    def _refresh(self) -> None:
        for key, old in self._stale.items():
            new = self.get(key)
            memory, number = key
            parts = [part for part in self._sums if part is None or (part[0] == memory and part[1] <= number < part[2])]
            if new is not old and parts:
                more = _number(key, new) - _number(key, old)
                for part in parts:
                    self._sums[part] = self._sums[part] + more & _SUM
        self._stale = {}


def in_range(key: Key, part: Range) -> bool:
    """Say whether a block lies in a range."""
    return key[0] == part[0] and part[1] <= key[1] < part[2]


def _number(key: Key, block: Block | None) -> int:
    if block is None:
        return 0
    return int.from_bytes(blake2b(block.digest + f"{key[1]} {key[0]}".encode(), digest_size=16).digest(), "big")
