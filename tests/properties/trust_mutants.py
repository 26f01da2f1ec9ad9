"""Mutated trust anchor updates against the judge: no traceback, and nothing is taken that the page does not allow.

    python tests/properties/trust_mutants.py --count 100000 --seed 1

*Blind* mutants change bytes of a good update. *Signed* ones change fields and are signed again, by the apex trust anchor, the contingency key or
others, so that they reach the later checks. What is accepted must satisfy an oracle that is written here anew from the page, with a verification of
its own.
"""

import argparse
import hashlib
import random
import struct
import sys
from collections import Counter
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256
from workshop import product, public_key, signer, trust_of

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import fresh
from imgseal.formats.trust_anchors.codec import Anchor, AnchorSet, encode_set
from imgseal.keys.anchor_set import anchor_set
from imgseal.product.model import Product
from imgseal.window import ByteView

HEAD, ENTRY = 148, 88
NAMES = (
    "keys/images",
    "keys/second",
    "keys/third",
    "keys/packages",
    "keys/packers",
    "stranger",
    "keys/apex",
    "keys/contingency",
)
SIGNERS = ("keys/apex", "keys/apex", "keys/apex", "keys/contingency", "keys/contingency", "stranger", "keys/images")


class WronglyAcceptedError(AssertionError):
    """A set was taken that must not be."""


def point(name: str) -> bytes:
    key = public_key(name)
    return key.x + key.y


def of() -> Product:
    return product(
        lambda text: text.replace(
            "[trust.images]",
            '[trust]\napex = "keys/apex.pub.pem"\ncontingency = "keys/contingency.pub.pem"\n\n[trust.images]',
        )
    )


def held_sets(this: Product) -> list[AnchorSet]:
    """What a device may hold: the factory's set, and a later one that has revoked two keys."""
    factory = anchor_set(trust_of(this), this)
    gone = tuple(sorted(public_key(name).key_id for name in ("gone-1", "gone-2")))
    return [factory, factory._replace(number=7, revoked=gone)]


def thumbprint(raw: bytes) -> bytes:
    """RFC 9679 of an EC2 key on P-256."""
    return hashlib.sha256(bytes.fromhex("a401022001215820") + raw[:32] + bytes.fromhex("225820") + raw[32:]).digest()


def on_curve(raw: bytes) -> bool:
    try:
        ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + raw)
    except ValueError:
        return False
    return True


def oracle(raw: bytes, held: AnchorSet) -> None:
    """Every rule of docs/format/trust-anchors.md; AssertionError where one does not hold."""
    content, who, signature = raw[:-128], raw[-128:-64], raw[-64:]
    assert content[:10] == b"\xd5anchors\x01\0"
    keys, number, images, packages, revoked = struct.unpack_from("<HIBBH", content, 10)
    assert 1 <= keys <= 32
    assert revoked <= 32
    assert len(content) == HEAD + ENTRY * keys + 16 * revoked
    apex, contingency = content[52:116], content[116:148]
    entries = [content[HEAD + ENTRY * i : HEAD + ENTRY * (i + 1)] for i in range(keys)]
    gone = [content[len(content) - 16 * (i + 1) :][:16] for i in range(revoked)][::-1]
    order = [(entry[0], entry[8:24]) for entry in entries]
    assert order == sorted(set(order))
    assert gone == sorted(set(gone))
    ids = [entry[8:24] for entry in entries]
    assert len(set(ids)) == keys
    for entry in entries:
        assert entry[0] in (1, 2, 3)
        assert entry[1:4] == bytes(3)
        assert entry[4:8] != bytes(4)
        assert entry[0] == 1 or entry[4:8] == b"\xff" * 4
        assert thumbprint(entry[24:])[:16] == entry[8:24]
        assert on_curve(entry[24:])
    assert 1 <= images <= sum(entry[0] == 1 for entry in entries)
    assert 1 <= packages <= sum(entry[0] == 2 for entry in entries)
    assert not set(ids) & set(gone)
    special = []
    if apex != bytes(64):
        assert on_curve(apex)
        special.append(thumbprint(apex)[:16])
    else:
        assert contingency == bytes(32)
    if contingency != bytes(32):
        special.append(contingency[:16])
    assert len(set(special)) == len(special)
    assert not set(special) & (set(ids) | set(gone))
    assert on_curve(who)
    by_apex = who == held.apex
    assert by_apex or thumbprint(who) == held.contingency
    if by_apex:
        assert (apex, contingency) == (held.apex, held.contingency)
    else:
        assert apex not in (held.apex, bytes(64))
        assert thumbprint(apex) != held.contingency
        assert contingency not in (held.contingency, thumbprint(held.apex))
    assert (content[20:36], content[36:52]) == (held.vendor_id, held.class_id)
    if by_apex:
        assert set(held.revoked) <= set(gone)
        assert (number > held.number and number >> 24 == held.number >> 24) or content == encode_set(held)
    else:
        assert number >> 24 == (held.number >> 24) + 1
    public = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), b"\x04" + who)
    try:
        public.verify(
            encode_dss_signature(int.from_bytes(signature[:32]), int.from_bytes(signature[32:])),
            raw[:-64],
            ec.ECDSA(SHA256()),
        )
    except InvalidSignature:
        raise AssertionError("the signature does not hold") from None


def sets(rng: random.Random, held: AnchorSet) -> AnchorSet:
    """A set that might follow: some keys, some revoked, some number."""
    anchors = []
    for name in rng.sample(NAMES[:6], rng.randrange(2, 6)):
        role = 2 if "pack" in name else 1
        if rng.random() < 0.05:
            role = 3 - role
        if rng.random() < 0.2:
            role = 3
        mask = 0xFFFF_FFFF if role != 1 or rng.random() < 0.7 else rng.choice((1, 2, 6))
        anchors.append(Anchor(role, mask, public_key(name).key_id, point(name)))
    revoked = {*held.revoked} if rng.random() < 0.9 else set()
    if rng.random() < 0.4:
        revoked.add(public_key(rng.choice(NAMES)).key_id)
    apex, contingency = held.apex, held.contingency
    if rng.random() < 0.35:
        apex = rng.choice(
            (
                point("keys/apex-2"),
                point("keys/apex-2"),
                point("stranger"),
                point("keys/contingency"),
                bytes(64),
                held.apex,
            )
        )
        contingency = rng.choice(
            (
                public_key("keys/contingency-2").thumbprint,
                public_key("keys/apex").thumbprint,
                bytes(32),
                held.contingency,
            )
        )
    return AnchorSet(
        rng.choice((0, held.number, held.number + 1, held.number + 1, held.number + 9, 0xFF_FFFF, 1 << 24, 1 << 24, 0x1FF_FFFF, 2 << 24, 0xFFFF_FFFF)),
        held.vendor_id if rng.random() < 0.97 else bytes(16), held.class_id if rng.random() < 0.97 else bytes(16),
        rng.choice((0, 1, 1, 1, 2)), rng.choice((1, 1, 1, 2)), apex, contingency, tuple(anchors), tuple(revoked),
    )  # fmt: skip


def mutant(rng: random.Random, held: AnchorSet) -> bytes:
    content = bytearray(encode_set(held if rng.random() < 0.1 else sets(rng, held)))
    if rng.random() < 0.4:
        for _ in range(rng.choice((1, 1, 2))):
            at = rng.randrange(len(content))
            kind = rng.randrange(4)
            if kind == 0:
                content[at] ^= 1 << rng.randrange(8)
            elif kind == 1:
                content[at] = rng.choice((0, 1, 2, 0xFF))
            elif kind == 2:
                first, second = (HEAD + ENTRY * rng.randrange(3) for _ in range(2))
                content[first : first + ENTRY], content[second : second + ENTRY] = (
                    content[second : second + ENTRY],
                    content[first : first + ENTRY],
                )
            else:
                del content[at : at + rng.choice((1, 16, ENTRY))]
    name = rng.choice(SIGNERS)
    message = bytes(content) + point(name)
    raw = message + signer(name).sign(message)
    if rng.random() < 0.15:
        blind = bytearray(raw)
        blind[rng.randrange(len(blind))] ^= 1 << rng.randrange(8)
        raw = bytes(blind)[: rng.choice((len(blind), len(blind), rng.randrange(len(blind))))]
    return raw


def run(count: int, seed: int) -> Counter[str]:
    rng = random.Random(seed)
    this = of()
    trust, state = trust_of(this), fresh(this)
    held_by = held_sets(this)
    counts: Counter[str] = Counter()
    for _ in range(count):
        held = rng.choice(held_by)
        raw = mutant(rng, held)
        verdict = judge(ByteView(raw), "update", Context(this, trust, state, anchors=held))
        if not verdict.accepted:
            counts[verdict.findings[0].code] += 1
            continue
        counts["accepted"] += 1
        try:
            oracle(raw, held)
        except AssertionError as error:
            raise WronglyAcceptedError(f"{error}: {raw.hex()}") from error
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    for what, number in run(arguments.count, arguments.seed).most_common():
        print(f"{number:8}  {what}")


if __name__ == "__main__":
    main()
