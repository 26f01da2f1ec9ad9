"""RFC 9162 section 2.1 once more, as its definitions are written: recursive, on the data of the leaves, and slow.

Nothing here comes from the package: it is the second implementation that the tests hold the first one against.
"""

from hashlib import sha256


def mth(data: list[bytes]) -> bytes:
    """Section 2.1.1: MTH({}) = HASH(); MTH({d}) = HASH(0x00 || d); else HASH(0x01 || MTH(D[0:k]) || MTH(D[k:n]))."""
    if not data:
        return sha256().digest()
    if len(data) == 1:
        return sha256(b"\x00" + data[0]).digest()
    k = below(len(data))
    return sha256(b"\x01" + mth(data[:k]) + mth(data[k:])).digest()


def below(n: int) -> int:
    """The largest power of two smaller than n: k < n <= 2k."""
    k = 1
    while 2 * k < n:
        k *= 2
    return k


def path(m: int, data: list[bytes]) -> list[bytes]:
    """Section 2.1.3.1: PATH(m, D_n)."""
    if len(data) == 1:
        return []
    k = below(len(data))
    if m < k:
        return [*path(m, data[:k]), mth(data[k:])]
    return [*path(m - k, data[k:]), mth(data[:k])]


def proof(m: int, data: list[bytes]) -> list[bytes]:
    """Section 2.1.4.1: PROOF(m, D_n) = SUBPROOF(m, D_n, true)."""
    return subproof(m, data, b=True)


def subproof(m: int, data: list[bytes], *, b: bool) -> list[bytes]:
    n = len(data)
    if m == n:
        return [] if b else [mth(data)]
    k = below(n)
    if m <= k:
        return [*subproof(m, data[:k], b=b), mth(data[k:])]
    return [*subproof(m - k, data[k:], b=False), mth(data[:k])]


def root_from_path(m: int, n: int, leaf: bytes, hashes: list[bytes]) -> bytes | None:
    """The root that a path leads to, by undoing PATH from its end; None where the path has another length."""
    if n == 1:
        return leaf if not hashes else None
    if not hashes:
        return None
    k = below(n)
    inner = (
        root_from_path(m, k, leaf, hashes[:-1]) if m < k else root_from_path(m - k, n - k, leaf, hashes[:-1])
    )  # fmt: skip
    if inner is None:
        return None
    return sha256(b"\x01" + (inner + hashes[-1] if m < k else hashes[-1] + inner)).digest()


def roots_from_proof(
    m: int, n: int, first: bytes, hashes: list[bytes], *, b: bool = True
) -> tuple[bytes, bytes] | None:
    """Both roots that a consistency proof leads to, by undoing SUBPROOF; None where it has another length."""
    if m == n:
        if b:
            return (first, first) if not hashes else None
        return (hashes[0], hashes[0]) if len(hashes) == 1 else None
    if not hashes:
        return None
    k, last = below(n), hashes[-1]
    if m <= k:
        inner = roots_from_proof(m, k, first, hashes[:-1], b=b)
        return inner and (inner[0], sha256(b"\x01" + inner[1] + last).digest())
    inner = roots_from_proof(m - k, n - k, first, hashes[:-1], b=False)
    return inner and (sha256(b"\x01" + last + inner[0]).digest(), sha256(b"\x01" + last + inner[1]).digest())
