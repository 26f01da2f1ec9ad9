"""Twists of generated packages: authentication blocks, members of the envelope, and its bytes."""

import random

from gen_cbor import Pairs, Tagged, emit
from gen_package import Block, Draft
from gen_twists import twist

# -- authentication ---------------------------------------------------------------------------------------------------


@twist("wrapper")
def signed_by_others(d: Draft, rng: random.Random) -> None:
    second = ("keys/packages-pq", "somebody/packages-pq", "keys-dev/packages-pq") if d.variant.second else ()
    names = (
        "keys/packages",
        "keys/second-packages",
        "keys/other-packages",
        "keys/images",
        "keys-dev/packages",
        "somebody/packages",
        *second,
    )
    d.blocks = [Block(rng.choice(names)) for _ in range(rng.choice((0, 1, 1, 2, 3, 4)))]


@twist("wrapper")
def a_block_more(d: Draft, rng: random.Random) -> None:
    name = rng.choice(
        ("keys/packages", "somebody/packages", "keys/other-packages", "keys-dev/packages", "keys/second-packages")
    )
    block = Block(name)
    if rng.random() < 0.4:
        block.protected = {1: rng.choice((-7, -8, -35, -48, -65_537, 5, 0, -(1 << 33)))}
    d.blocks.insert(rng.randrange(len(d.blocks) + 1), block)


@twist("wrapper")
def many_blocks(d: Draft, rng: random.Random) -> None:
    block = Block("somebody/packages")
    block.by, block.signature = None, bytes(rng.choice((0, 32, 63, 64)))
    d.blocks += [block] * rng.choice((3, 7, 8, 14, 15, 16, 17))


@twist("wrapper")
def block_left_out(d: Draft, rng: random.Random) -> None:
    if d.blocks:
        d.blocks.pop(rng.randrange(len(d.blocks)))


@twist("wrapper")
def unprotected_map(d: Draft, rng: random.Random) -> None:
    if d.blocks:
        bytes_ = (bytes(20), bytes(300), bytes(5000))
        odd: tuple[object, ...] = (
            {4: rng.choice(bytes_)},
            {1: -9},
            {"x": 0},
            {2: [1]},
            {-70_001: rng.choice(bytes_)},
            {33: b"x"},
            [],
            None,
            0,
            b"",
        )
        rng.choice(d.blocks).unprotected = rng.choice(
            (*odd, Pairs([(True, 0)]), Pairs([(4, b""), (4, b"")]), {True: 0})
        )


@twist("wrapper")
def protected_map(d: Draft, rng: random.Random) -> None:
    if d.blocks:
        block = rng.choice(d.blocks)
        number = -9 if block.by is None or not block.by.endswith("-pq") else -48
        block.protected = rng.choice(
            (
                {1: number, 4: b"kid"}, {1: number, 2: [1]}, {}, b"", {1: "ESP256"}, {1: True}, {4: number}, Pairs([(1, number), (True, -7)]),
                Pairs([(True, number)]), Pairs([(1, number), (1, number)]), {1: -7}, {1: -8}, {1: -35}, {1: 1 << 40}, [1, number], emit({1: number}) + b"\0",
                b"\xa1\x01\x38\x08", b"\xbf\x01\x28\xff", {1: number, "x": 1}, {1: number, -70_001: b"x" * 40}, Pairs([(4, b"k"), (1, number)]),
            )
        )  # fmt: skip


@twist("wrapper")
def block_of_another_shape(d: Draft, rng: random.Random) -> None:
    if d.blocks:
        block = rng.choice(d.blocks)
        kind = rng.randrange(5)
        if kind == 0:
            block.tag = rng.choice((None, 17, 97, 98, 19, 1 << 20))
        elif kind == 1:
            block.payload = rng.choice((b"", b"x", 0, False, []))
        elif kind == 2:
            block.rest = [None] if rng.random() < 0.5 else [b"", 1]
        elif kind == 3:
            block.by, block.signature = None, rng.choice((None, 5, "text", [], b""))
        else:
            block.change = lambda value: value + b"\0"


@twist("wrapper")
def signature_value(d: Draft, rng: random.Random) -> None:
    if d.blocks:
        order = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551
        zero = bytes(32)
        block = rng.choice(d.blocks)
        block.change = rng.choice((
            lambda v: v[:-1], lambda v: v + b"\0", lambda _v: b"", lambda v: zero + v[32:], lambda v: v[:32] + zero + v[64:],
            lambda v: v[:32] + (order - int.from_bytes(v[32:64])).to_bytes(32, "big") + v[64:] if len(v) == 64 else v,
            lambda v: order.to_bytes(32, "big") + v[32:], lambda v: bytes([v[0] ^ 1]) + v[1:], lambda v: b"\xff" * len(v),
        ))  # fmt: skip


@twist("wrapper")
def digest_that_is_signed(d: Draft, rng: random.Random) -> None:
    right = d.signed_digest
    d.digest_value = rng.choice(
        ([-16, bytes(32)], [-44, bytes(64)], [-16, right, 0], [-16, right[:31]], right, [], [-43, bytes(48)], [-17, right], [-16], {-16: right}, [16, right])
    )  # fmt: skip


# -- envelope ---------------------------------------------------------------------------------------------------------


@twist("envelope")
def payload_more(d: Draft, rng: random.Random) -> None:
    key = rng.choice(("#more", "", "x" * 64, "x" * 65, "#\u00e4", "\u2028", "#zzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzzz"))
    d.members.append((key, rng.choice((b"", b"x", bytes(60_000)))))
    if rng.random() < 0.8:
        _in_order(d)


def _in_order(d: Draft) -> None:
    d.members.sort(key=lambda entry: emit(entry[0]))


@twist("envelope")
def payload_left_out(d: Draft, rng: random.Random) -> None:
    keys = [entry for entry in d.members if isinstance(entry[0], str)]
    if keys:
        d.members.remove(rng.choice(keys))


@twist("envelope")
def payloads_swapped(d: Draft, rng: random.Random) -> None:
    at = [n for n, entry in enumerate(d.members) if isinstance(entry[0], str)]
    if at:
        one, other = rng.choice(at), rng.choice(at)
        (a, b), (x, y) = d.members[one], d.members[other]
        d.members[one], d.members[other] = (a, y), (x, b)


@twist("envelope")
def payload_of_another_size(d: Draft, rng: random.Random) -> None:
    at = [n for n, entry in enumerate(d.members) if isinstance(entry[0], str)]
    if at:
        n = rng.choice(at)
        key, body = d.members[n]
        body = body if isinstance(body, bytes) else b""
        d.members[n] = key, rng.choice((body[:-1], body + b"\xff", b"", body + bytes(3000)))


@twist("envelope")
def members_of_the_envelope(d: Draft, rng: random.Random) -> None:
    key = rng.choice(
        (0, 1, 2, 3, 4, 7, 8, 14, 15, 16, 17, 18, 20, 23, 24, 99, -1, -2, b"\2", None, True, False, 1 << 33, ["x"])
    )
    value = rng.choice((b"", b"\x80", emit([12, 0, 3, 2]), None, 5))
    d.members.append((key, value))
    if rng.random() < 0.8:
        _in_order(d)


@twist("envelope")
def members_in_another_order(d: Draft, rng: random.Random) -> None:
    rng.shuffle(d.members)


@twist("envelope")
def member_of_another_kind(d: Draft, rng: random.Random) -> None:
    n = rng.randrange(len(d.members))
    d.members[n] = d.members[n][0], rng.choice(("text", 5, None, [], {}, Tagged(24, b"")))


@twist("envelope")
def manifest_exchanged(d: Draft, rng: random.Random) -> None:
    """What was signed was another manifest."""
    for n, (key, value) in enumerate(d.members):
        if key == 3 and isinstance(value, bytes) and value:
            raw = bytearray(value)
            raw[rng.randrange(min(len(raw), 12))] ^= 1
            d.members[n] = key, bytes(raw)


@twist("envelope")
def severed_taken_out(d: Draft, rng: random.Random) -> None:
    label = rng.choice((20, 20, 23))
    d.members = [entry for entry in d.members if entry[0] != label]


# -- bytes ------------------------------------------------------------------------------------------------------------


@twist("raw")
def bytes_changed(d: Draft, rng: random.Random) -> None:
    raw = bytearray(d.raw)
    reach = min(len(raw), rng.choice((20, 200, 1500, 1 << 20)))
    for _ in range(rng.choice((1, 1, 2))):
        at = rng.randrange(2, reach)
        raw[at] = rng.choice((raw[at] ^ 1 << rng.randrange(8), 0, 0xFF, rng.randrange(256)))
    d.raw = bytes(raw)


@twist("raw")
def bytes_cut_or_more(d: Draft, rng: random.Random) -> None:
    kind = rng.randrange(3)
    if kind == 0:
        d.raw = d.raw[: rng.randrange(2, len(d.raw))]
    elif kind == 1:
        d.raw += rng.choice((b"\0", b"\xff", d.raw))
    else:
        at = rng.randrange(2, len(d.raw))
        d.raw = d.raw[:at] + rng.randbytes(rng.choice((1, 2, 40))) + d.raw[at:]


@twist("raw")
def heads_longer_than_needed(d: Draft, rng: random.Random) -> None:
    count = d.raw[2] & 31
    d.raw = d.raw[:2] + rng.choice((b"\xb8" + bytes([count]), b"\xb9\0" + bytes([count]), b"\xbf")) + d.raw[3:]
