"""The Merkle tree of RFC 9162 section 2.1: hashes, roots, inclusion and consistency proofs. SHA-256, 32 bytes each.

A tree that only grows is known by its peaks: the roots of the complete subtrees that the bits of its size name, the
largest first. They are what the next leaf needs.
"""

import hashlib
from collections.abc import Iterable, Sequence

HASH_BYTES = 32
PATH_MAX = 64
"""Hashes of a proof: more than any tree of 2**63 leaves needs."""

EMPTY_ROOT = hashlib.sha256().digest()
"""The root of a tree without leaves, section 2.1.1."""


def leaf_hash(data: bytes) -> bytes:
    """Return the hash of a leaf, section 2.1.1; the leading byte keeps leaves and nodes apart."""
    return hashlib.sha256(b"\0" + data).digest()


def _node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\1" + left + right).digest()


def push(peaks: tuple[bytes, ...], size: int, leaf: bytes) -> tuple[bytes, ...]:
    """Return the peaks of the tree of `size` leaves with one more; each trailing one bit of the size is a merge."""
    kept = list(peaks)
    while size & 1:
        leaf = _node(kept.pop(), leaf)
        size >>= 1
    return (*kept, leaf)


def root_of(peaks: Sequence[bytes]) -> bytes:
    """Return the root of the tree with these peaks, section 2.1.1: the largest complete subtree stands left."""
    if not peaks:
        return EMPTY_ROOT
    root = peaks[-1]
    for peak in reversed(peaks[:-1]):
        root = _node(peak, root)
    return root


def peaks_of(leaves: Iterable[bytes]) -> tuple[bytes, ...]:
    """Return the peaks of the tree with these leaf hashes."""
    peaks: tuple[bytes, ...] = ()
    for size, leaf in enumerate(leaves):
        peaks = push(peaks, size, leaf)
    return peaks


def _split(size: int) -> int:
    """Return the largest power of two below `size`, which is at least 2."""
    return 1 << (size - 1).bit_length() - 1


def inclusion_path(leaves: Sequence[bytes], index: int) -> tuple[bytes, ...]:
    """Return the proof that leaf `index` (from 0) is in the tree of all these leaf hashes, section 2.1.3.1."""
    start, stop = 0, len(leaves)
    path = []
    while stop - start > 1:
        middle = start + _split(stop - start)
        if index < middle:
            path.append(root_of(peaks_of(leaves[middle:stop])))
            stop = middle
        else:
            path.append(root_of(peaks_of(leaves[start:middle])))
            start = middle
    return tuple(reversed(path))


def inclusion_holds(leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> bool:
    """Say whether the path proves the leaf hash at `index` of a tree of `size` leaves, section 2.1.3.2."""
    sides = _sides(index, size - 1, len(path)) if 0 <= index < size else None
    if sides is None:
        return False
    hashed = leaf
    for other, left in zip(path, sides, strict=True):
        hashed = _node(other, hashed) if left else _node(hashed, other)
    return hashed == root


def _sides(place: int, last: int, count: int) -> list[bool] | None:
    """Say of each hash on the way from a node to the root whether it stands left, where the last node is `last`.

    None where the way does not have `count` hashes.
    """
    sides = []
    for _ in range(count):
        if last == 0:
            return None
        sides.append(bool(place & 1) or place == last)
        if sides[-1]:
            while not place & 1 and place:
                place >>= 1
                last >>= 1
        place >>= 1
        last >>= 1
    return sides if last == 0 else None


def consistency_path(leaves: Sequence[bytes], first: int) -> tuple[bytes, ...]:
    """Return the proof that the tree of the `first` leaves is the beginning of this one, section 2.1.4.1.

    `first` is 1 to the number of leaves; the path is empty when it is that number.
    """
    start, stop = 0, len(leaves)
    known = True  # whether the root of what is left is one that the verifier has
    path = []
    while first != stop - start:
        middle = start + _split(stop - start)
        if first <= middle - start:
            path.append(root_of(peaks_of(leaves[middle:stop])))
            stop = middle
        else:
            path.append(root_of(peaks_of(leaves[start:middle])))
            first -= middle - start
            start = middle
            known = False
    if not known:
        path.append(root_of(peaks_of(leaves[start:stop])))
    return tuple(reversed(path))


def consistency_holds(first: int, first_root: bytes, second: int, second_root: bytes, path: Sequence[bytes]) -> bool:
    """Say whether the path proves that a tree of `second` leaves continues one of `first`, section 2.1.4.2.

    The standard has 0 < first < second. Of equal sizes the roots are equal and the path is empty; every tree continues
    the empty one, with an empty path.
    """
    if first == second:
        return not path and first_root == second_root
    if first == 0:
        return not path and first_root == EMPTY_ROOT
    if not 0 < first < second or not path:
        return False
    hashes = list(path)
    if first & (first - 1) == 0:
        hashes.insert(0, first_root)
    place, last = first - 1, second - 1
    while place & 1:
        place >>= 1
        last >>= 1
    sides = _sides(place, last, len(hashes) - 1)
    if sides is None:
        return False
    before = after = hashes[0]
    for other, left in zip(hashes[1:], sides, strict=True):
        before = _node(other, before) if left else before
        after = _node(other, after) if left else _node(after, other)
    return before == first_root and after == second_root
