"""Firmware for the invented product: made up, but with vector tables, code and data where real ones would be.

The bytes are the same on every machine. Nothing here moves anything: the code is a short loop that does nothing.
"""

import hashlib

_LOOP = bytes.fromhex("00bffde7")  # nop; branch back to it (Armv6-M and later)
_HANDLER = bytes.fromhex("fee7")  # branch to itself: where an unexpected interrupt stays


def code(title: str, *, link: int, size: int, vectors: int, stack: int) -> bytes:
    """Return `size` bytes of Cortex-M firmware linked at `link`: vector table, reset loop, handler, text, filler.

    `stack` is the initial stack pointer; `vectors` counts all entries of the table, the stack pointer among them.
    """
    head = head_of(title, link=link, vectors=vectors, stack=stack)
    return head + filler(title, size - len(head))


def head_of(title: str, *, link: int, vectors: int, stack: int) -> bytes:
    """Return what firmware begins with: the vector table, what it leads to, and the title."""
    table_size = 4 * vectors
    reset = link + table_size
    handler = reset + len(_LOOP)
    table = [stack, reset | 1] + [handler | 1] * (vectors - 2)
    head = b"".join(word.to_bytes(4, "little") for word in table) + _LOOP + _HANDLER + bytes(2)
    return head + title.encode() + bytes(1)


def phrases(title: str, size: int) -> bytes:
    """Return `size` bytes of stand-in speech data."""
    head = b"phrases\x00" + title.encode() + bytes(1)
    return head + filler(title, size - len(head))


def filler(seed: str, size: int) -> bytes:
    """Return `size` bytes that no compressor shortens and every machine repeats."""
    blocks = (hashlib.sha256(f"{seed} {counter}".encode()).digest() for counter in range(0, size, 32))
    return b"".join(blocks)[:size]
