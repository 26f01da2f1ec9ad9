"""Authentication blocks at the desk: one encoding, none that counts for nothing, and what the product file may name."""

import json
from pathlib import Path
from typing import Any

import pytest
from block_cases import with_blocks
from workshop import Workshop, any_public, any_signer, codes, cose_block, first, public_key, repacked, verdict, workshop

from imgseal.device_state.device import fresh
from imgseal.errors import SigningKeyError, UsageError
from imgseal.formats.cbor.strict import encode
from imgseal.formats.cose.sign1 import CoseError, assemble, read_block, take_apart
from imgseal.formats.suit.envelope import decode_envelope, with_block
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.outline import outline
from imgseal.keys.anchor_set import anchor_set, trust_of
from imgseal.keys.trusted_keys import PACKAGES, UNCOUNTED, Trust, TrustedKey
from imgseal.limits import BLOCKS
from imgseal.make.add_signature import add_signature

VECTORS = json.loads((Path(__file__).parents[1] / "vectors" / "suit-envelopes.json").read_text())["envelopes"]


def knowing(*names: str, unverified: tuple[str, ...] = ()) -> Workshop:
    """The workshop, and keys that its product file names as uncounted."""
    shop = workshop()
    keys = tuple(
        TrustedKey(any_public(name), any_public(name).key_id, name, UNCOUNTED, development=False) for name in names
    )
    rules = shop.product.rules._replace(unverified=unverified)
    return shop._replace(trust=shop.trust._replace(uncounted=keys), product=shop.product._replace(rules=rules))


def by(*names: str) -> bytes:
    return repacked(workshop().package, by=names)


def test_every_block_has_a_finding_of_its_own() -> None:
    """By its number in the package, with what is known of it; everything else of the package is judged as well."""
    digest = decode_envelope(workshop().package).digest_bytes
    blocks = [cose_block(name, digest, -9) for name in ("somebody", "keys/packages", "keys/images", "keys/packages")]
    found = verdict(with_blocks(workshop().package, *blocks, assemble(-35, bytes(96)))).findings
    assert [(f.code, f.place.key) for f in found] == [
        ("trust.idle-block", f"authentication.block[{number}]") for number in (0, 2, 3, 4)
    ]
    words = [f"{f.found}; {f.hint}" for f in found]
    for text, part in zip(words, ("nobody who is known", "keys/images.pub.pem", "signed already", "rules.unverified"), strict=True):  # fmt: skip
        assert part in text
    assert "trust.uncounted" in words[0]


def test_what_the_product_file_knows_is_said_and_counts_for_nothing() -> None:
    shop = knowing("second", "third-pq", unverified=("ES384",))
    digest = decode_envelope(workshop().package).digest_bytes
    own = [cose_block(name, digest, -9) for name in ("keys/packages", "second")]
    blocks = (*own, cose_block("third-pq", digest, -48), assemble(-35, bytes(96)))
    found = verdict(with_blocks(workshop().package, *blocks), shop)
    assert found.accepted
    assert [note for note in found.notes if note.startswith("block")] == [
        "block 1 is by second, which counts for nothing (trust.uncounted)",
        "block 2 is by third-pq, which counts for nothing (trust.uncounted)",
        "block 3 is by ES384, which nothing here verifies (rules.unverified)",
    ]
    assert first(by("second"), shop) == "signature.wrong-key"
    two = shop._replace(trust=shop.trust._replace(need_packages=2))
    assert first(by("keys/packages", "second"), two) == "trust.too-few-signatures"


def test_a_device_with_an_older_set_takes_what_is_signed_for_newer_ones() -> None:
    """It trusts the old key alone; the product file knows whose the other block is. A stranger's is refused as ever."""
    shop = workshop()
    new = public_key("second")
    anchor = next(key for key in shop.trust.keys if key.role == PACKAGES and not key.development)
    newer = shop.trust._replace(
        keys=(*shop.trust.keys, anchor._replace(public=new, key_id=new.key_id, source="second"))
    )
    held = anchor_set(shop.trust, shop.product)
    device = shop._replace(trust=trust_of(held, shop.product, newer))
    assert first(by("keys/packages", "second"), device) == "accepted"
    assert first(by("second"), device) == "signature.wrong-key"
    assert first(by("keys/packages", "somebody"), device) == "trust.idle-block"
    alone = shop._replace(trust=trust_of(held, shop.product, shop.trust))
    assert first(by("keys/packages", "second"), alone) == "trust.idle-block"


@pytest.mark.parametrize("entry", VECTORS, ids=[f"{e['name']}, {e['variant']}" for e in VECTORS])
def test_examples_of_others_stay_readable(entry: dict[str, Any]) -> None:
    """The rule is the judge's: whoever shows a package still reads what RFC 9052 allows."""
    envelope = decode_envelope(bytes.fromhex(entry["envelope"]))
    lines = [line for line in outline(envelope) if line.startswith("signature")]
    assert len(lines) == len(entry["authentication"])
    assert not any("unreadable" in line for line in lines)


def test_a_block_with_a_key_identifier_is_shown_and_not_judged() -> None:
    value = take_apart(decode_envelope(workshop().package).blocks[0]).signature
    block = b"\xd2\x84" + encode(encode({1: -9})) + encode({4: b"who"}) + b"\xf6" + encode(value)
    assert take_apart(block).algorithm == -9
    with pytest.raises(CoseError, match="unprotected header is not empty") as caught:
        read_block(block)
    assert "{4: h'77686f'}" in (caught.value.found or "")
    wider = b"\xd2\x84" + encode(encode({1: -9, 4: b"who"})) + b"\xa0\xf6" + encode(value)
    with pytest.raises(CoseError, match="protected header holds more than the algorithm") as caught:
        read_block(wider)
    assert (caught.value.expected, caught.value.found) == ("a10128", "a201280443" + b"who".hex())
    raw = with_blocks(workshop().package, block)
    assert codes(raw) == ["structure.envelope"]
    assert "signature 0: COSE_Sign1, ESP256, 64 bytes" in list(outline(decode_envelope(raw)))


def test_as_many_of_an_unverified_algorithm_as_signers_are_needed() -> None:
    """Of the product file, also while a package is judged that is not finished yet and one signature is enough."""
    shop = knowing("second", unverified=("ES384",))
    table = shop.product.trust._replace(need_packages=2)
    two = shop._replace(product=shop.product._replace(trust=table))
    own, newer = decode_envelope(workshop().package).blocks[0], assemble(-35, bytes(96))
    for number in (1, 2, 3):
        raw = with_blocks(workshop().package, own, *[newer] * number)
        assert codes(raw, two) == ["trust.idle-block"] * (number - 2)
        assert codes(raw, shop) == ["trust.idle-block"] * (number - 1)


def test_endorsing_makes_only_what_the_judge_takes() -> None:
    shop, signer = knowing("second"), any_signer("second")
    raw = workshop().package
    made = b"".join(add_signature(memoryview(raw), signer, shop.product, shop.trust, "x"))
    assert first(made, shop) == "accepted"
    with pytest.raises(UsageError, match="signed the package already"):
        list(add_signature(memoryview(made), signer, shop.product, shop.trust, "x"))
    with pytest.raises(SigningKeyError, match="would not count"):
        list(add_signature(memoryview(raw), any_signer("somebody"), shop.product, shop.trust, "x"))
    block = b"\xd2\x84\x43\xa1\x01\x28\xa1\x04\x41\x78\xf6\x40"
    with pytest.raises(CoseError, match="unprotected"):
        list(add_signature(memoryview(with_blocks(raw, block)), signer, shop.product, shop.trust, "x"))
    full = with_blocks(raw, *[assemble(-35, b"")] * BLOCKS)
    with pytest.raises(SuitError, match="no room for another signature"):
        list(with_block(memoryview(full), assemble(-9, bytes(64))))


def test_a_revoked_key_beside_a_good_one() -> None:
    """As before: it is refused by name, whoever else has signed."""
    shop = workshop()
    anchor = next(key for key in shop.trust.keys if key.role == PACKAGES and not key.development)
    second = anchor._replace(public=public_key("second"), key_id=public_key("second").key_id)
    two = shop._replace(trust=Trust((*shop.trust.keys, second), 1, 1))
    state = fresh(shop.product)._replace(revoked=(second.key_id.hex(),))
    assert first(by("keys/packages", "second"), two, state) == "trust.key-revoked"
