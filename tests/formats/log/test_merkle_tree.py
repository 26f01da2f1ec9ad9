"""The Merkle tree against RFC 9162: the example of section 2.1.5 by hand, and a second implementation for every size."""

import random
from hashlib import sha256

import naive_tree
import pytest

from imgseal.formats.log import tree

SIZES = 130
DATA = [number.to_bytes(2) for number in range(SIZES)]
LEAVES = [tree.leaf_hash(each) for each in DATA]
ROOTS = [naive_tree.mth(DATA[:size]) for size in range(SIZES + 1)]


def h(data: bytes) -> bytes:
    return sha256(data).digest()


# RFC 9162 section 2.1.5, worked by hand: the letters are the RFC's, the data of d0 to d6 ours, no function of the
# package or of naive_tree has a part in it
#
#            hash
#           /    \
#          k      l
#         / \    / \
#        g   h  i   j
#       /\  /\  /\  |
#      a b  c d e f d6
D = [b"d0", b"d1", b"d2", b"d3", b"d4", b"d5", b"d6"]
A, B, C, DD, E, F, J = (h(b"\x00" + each) for each in D)
G, HH, II = h(b"\x01" + A + B), h(b"\x01" + C + DD), h(b"\x01" + E + F)
K, L = h(b"\x01" + G + HH), h(b"\x01" + II + J)
HASH = h(b"\x01" + K + L)
HASH0, HASH1, HASH2 = h(b"\x01" + G + C), K, h(b"\x01" + K + II)  # the trees of 3, 4 and 6 leaves
EXAMPLE = [A, B, C, DD, E, F, J]


def test_example_tree() -> None:
    """RFC 9162 section 2.1.5."""
    assert [tree.leaf_hash(each) for each in D] == EXAMPLE
    for size, root in ((3, HASH0), (4, HASH1), (6, HASH2), (7, HASH)):
        assert tree.root_of(tree.peaks_of(EXAMPLE[:size])) == root
    assert tree.peaks_of(EXAMPLE) == (K, II, J)


@pytest.mark.parametrize(("index", "path"), [(0, (B, HH, L)), (3, (C, G, L)), (4, (F, J, K)), (6, (II, K))])
def test_example_inclusion(index: int, path: tuple[bytes, ...]) -> None:
    """RFC 9162 section 2.1.5: "The inclusion proof for d0 is [b, h, l]", and so on."""
    assert tree.inclusion_path(EXAMPLE, index) == path
    assert tree.inclusion_holds(EXAMPLE[index], index, 7, path, HASH)


@pytest.mark.parametrize(
    ("first", "root", "path"), [(3, HASH0, (C, DD, G, L)), (4, HASH1, (L,)), (6, HASH2, (II, J, K))]
)
def test_example_consistency(first: int, root: bytes, path: tuple[bytes, ...]) -> None:
    """RFC 9162 section 2.1.5: PROOF(3, D[7]) = [c, d, g, l], PROOF(4, D[7]) = [l], PROOF(6, D[7]) = [i, j, k]."""
    assert tree.consistency_path(EXAMPLE, first) == path
    assert tree.consistency_holds(first, root, 7, HASH, path)


def test_empty_tree() -> None:
    """Section 2.1.1: the hash of nothing, which FIPS 180-4's SHA-256 of the empty string is."""
    assert tree.root_of(()) == bytes.fromhex("e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")
    assert naive_tree.mth([]) == tree.EMPTY_ROOT


def test_roots_of_every_size() -> None:
    peaks: tuple[bytes, ...] = ()
    for size in range(SIZES + 1):
        assert len(peaks) == size.bit_count()
        assert tree.root_of(peaks) == ROOTS[size]
        assert tree.peaks_of(LEAVES[:size]) == peaks
        if size < SIZES:
            peaks = tree.push(peaks, size, LEAVES[size])


def test_every_inclusion_proof() -> None:
    """Sizes 0 to 130, every leaf: path as the definition has it, and accepted."""
    for size in range(SIZES + 1):
        for index in range(size):
            path = tree.inclusion_path(LEAVES[:size], index)
            assert list(path) == naive_tree.path(index, DATA[:size])
            assert tree.inclusion_holds(LEAVES[index], index, size, path, ROOTS[size])
        assert not tree.inclusion_holds(LEAVES[0], size, size, (), ROOTS[size])


def test_every_consistency_proof() -> None:
    """Sizes 0 to 130 against every smaller or equal one."""
    for second in range(1, SIZES + 1):
        for first in range(1, second + 1):
            path = tree.consistency_path(LEAVES[:second], first)
            assert list(path) == naive_tree.proof(first, DATA[:second])
            assert tree.consistency_holds(first, ROOTS[first], second, ROOTS[second], path)
        assert tree.consistency_holds(0, ROOTS[0], second, ROOTS[second], ())
    assert tree.consistency_holds(0, ROOTS[0], 0, ROOTS[0], ())


def spoiled(path: tuple[bytes, ...], rng: random.Random) -> list[tuple[bytes, ...]]:
    """A path spoiled in every way: each hash changed, left out, doubled, two exchanged, one more, none."""
    out: list[tuple[bytes, ...]] = [(*path, rng.randbytes(32)), (rng.randbytes(32), *path)]
    for at, each in enumerate(path):
        flipped = bytes([each[0] ^ 1 << rng.randrange(8)]) + each[1:]
        out += [(*path[:at], flipped, *path[at + 1 :]), (*path[:at], *path[at + 1 :])]
        out.append((*path[: at + 1], *path[at:]))
        if at:
            out.append((*path[: at - 1], each, path[at - 1], *path[at + 1 :]))
    return [each for each in out if each != path]


def test_wrong_inclusion_proofs() -> None:
    """Wrong path, leaf, root, index, size: refused, except where the definition itself leads to that root."""
    rng = random.Random("inclusion")
    refused = 0
    for size in range(1, 70):
        for index in range(size):
            path = tree.inclusion_path(LEAVES[:size], index)
            leaf, root = LEAVES[index], ROOTS[size]
            cases = [(leaf, index, size, each, root) for each in spoiled(path, rng)]
            cases += [
                (LEAVES[(index + 1) % SIZES], index, size, path, root),
                (leaf, index, size, path, ROOTS[size + 1]),
            ]
            cases += [(leaf, other, size, path, root) for other in (index - 1, index + 1, -1, size)]
            cases += [(leaf, index, other, path, root) for other in (size - 1, size + 1, 2 * size, 0)]
            for case in cases:
                held = tree.inclusion_holds(*case)
                if 0 <= case[1] < case[2]:
                    assert held == (naive_tree.root_from_path(case[1], case[2], case[0], list(case[3])) == case[4])
                if held:
                    # a path fixes the turns, not the size: some other sizes have the same way to this leaf
                    assert case[2] != size, case
                    assert (case[0], case[1], case[3], case[4]) == (leaf, index, path, root)
                else:
                    refused += 1
    assert refused > 50_000


def test_wrong_consistency_proofs() -> None:
    rng = random.Random("consistency")
    refused = 0
    for second in range(2, 40):
        for first in range(1, second):
            path = tree.consistency_path(LEAVES[:second], first)
            one, two = ROOTS[first], ROOTS[second]
            cases = [(first, one, second, two, each) for each in spoiled(path, rng)]
            cases += [
                (first, two, second, one, path),
                (first, ROOTS[0], second, two, path),
                (first, one, second, one, path),
            ]
            cases += [(first, one, second, ROOTS[second + 1], path), (first, one, second, two, ())]
            cases += [(second, two, first, one, path), (-1, one, second, two, path), (0, one, second, two, path)]
            cases += [(other, one, second, two, path) for other in (first - 1, first + 1)]
            for case in cases:
                held = tree.consistency_holds(*case)
                if 0 < case[0] < case[2] and case[4]:
                    roots = naive_tree.roots_from_proof(case[0], case[2], case[1], list(case[4]))
                    assert held == (roots == (case[1], case[3])), case
                assert not held, case
                refused += 1
    assert refused > 10_000


def test_equal_sizes() -> None:
    assert tree.consistency_holds(5, ROOTS[5], 5, ROOTS[5], ())
    assert not tree.consistency_holds(5, ROOTS[5], 5, ROOTS[5], (ROOTS[5],))
    assert not tree.consistency_holds(5, ROOTS[5], 5, ROOTS[6], ())
    assert not tree.consistency_holds(0, ROOTS[1], 5, ROOTS[5], ())
    assert not tree.consistency_holds(0, ROOTS[0], 5, ROOTS[5], (ROOTS[5],))


def test_a_leaf_is_no_node() -> None:
    """RFC 9162 section 2.1.1: the domain separation is what keeps a node from passing for a leaf."""
    forged = LEAVES[0] + LEAVES[1]
    assert tree.leaf_hash(forged) != ROOTS[2]
    assert not tree.inclusion_holds(tree.leaf_hash(forged), 0, 1, (), ROOTS[2])
