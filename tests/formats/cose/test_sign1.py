"""COSE_Sign1: the working group's examples, and the rules of RFC 9052 sections 3 and 4. Origin: tests/vectors/cose-examples.json."""

import json
from pathlib import Path
from typing import Any

import pytest

from imgseal.formats.cbor.strict import Tag, decode, encode
from imgseal.formats.cose import labels
from imgseal.formats.cose.kid import thumbprint
from imgseal.formats.cose.sign1 import (
    CoseError,
    assemble,
    protected_header,
    read_block,
    take_apart,
    to_be_signed,
)
from imgseal.keys.p256 import BadSignatureError, PublicKey, verify
from imgseal.product.algorithms import ALGORITHMS, UNVERIFIED

VECTORS = json.loads((Path(__file__).parents[2] / "vectors" / "cose-examples.json").read_text())
KEY = PublicKey(bytes.fromhex(VECTORS["key"]["x"]), bytes.fromhex(VECTORS["key"]["y"]))
PAYLOAD = VECTORS["payload"].encode()
TAGS = frozenset({18})


def parts(message: dict[str, Any]) -> tuple[bytes, bytes]:
    value = decode(bytes.fromhex(message["hex"]), "example", sorted_maps=False, tags=TAGS)
    assert isinstance(value, Tag)
    assert isinstance(value.value, list)
    assert value.value[2] == PAYLOAD
    return value.value[0], value.value[3]


@pytest.mark.parametrize("message", VECTORS["messages"], ids=[m["file"] for m in VECTORS["messages"]])
def test_published_messages(message: dict[str, Any]) -> None:
    protected, signature = parts(message)
    external = bytes.fromhex(message["external_aad"])
    if external:
        verify(KEY, encode(["Signature1", protected, external, PAYLOAD]), signature)
        with pytest.raises(BadSignatureError):
            verify(KEY, to_be_signed(protected, PAYLOAD), signature)
    else:
        verify(KEY, to_be_signed(protected, PAYLOAD), signature)
        with pytest.raises(BadSignatureError):
            verify(KEY, to_be_signed(protected, PAYLOAD + b"!"), signature)


def test_bytes_to_be_signed_are_those_of_the_standard() -> None:
    """RFC 9052 section 4.4: fixed prefixes, worked out by hand; 55 bytes in all for SUIT digests."""
    digest = bytes.fromhex("822f5820") + bytes(32)
    for algorithm, header in ((-7, "a10126"), (-9, "a10128")):
        message = to_be_signed(protected_header(algorithm), digest)
        assert message.hex().startswith("846a5369676e617475726531" + "43" + header + "40" + "5824")
        assert len(message) == 55


def test_empty_map_counts_as_zero_length() -> None:
    """RFC 9052 section 3; confirmed by the examples sign1-tests/sign-pass-01."""
    assert to_be_signed(b"\xa0", b"x") == to_be_signed(b"", b"x")


def test_thumbprint_is_that_of_the_deterministic_key() -> None:
    """RFC 9679 section 4: SHA-256 over {1: 2, -1: 1, -2: x, -3: y}, encoded here by cbor2's own encoder of ordered maps."""
    import hashlib

    import cbor2

    encoded = cbor2.dumps({1: 2, -1: 1, -2: KEY.x, -3: KEY.y})
    assert thumbprint(KEY.x, KEY.y) == hashlib.sha256(encoded).digest()
    assert KEY.key_id == hashlib.sha256(encoded).digest()[:16]


def test_the_product_file_names_every_other_signature_algorithm() -> None:
    """What `rules.unverified` may name: registered, signs, and nothing here verifies it."""
    others = {name for number, name in labels.ALGORITHMS.items() if number < 0} - set(ALGORITHMS)
    assert sorted(UNVERIFIED) == sorted(others)


def test_assembled_blocks_come_apart_again() -> None:
    block = assemble(-9, bytes(range(64)))
    assert block[0] == 0xD2
    assert take_apart(block) == ("COSE_Sign1", bytes.fromhex("a10128"), -9, bytes(range(64)))


def test_pycose_reads_our_block() -> None:
    """Another library takes it for a COSE_Sign1 with ES256 and the same signature."""
    import cbor2
    from pycose.messages.sign1message import Sign1Message

    # pycose's own entry point wants lists, which cbor2 6 no longer gives inside a tag
    item = cbor2.loads(assemble(-7, bytes(range(64))))
    message = Sign1Message.from_cose_obj([item.value[0], dict(item.value[1]), *item.value[2:]], True)
    assert item.tag == Sign1Message.cbor_tag
    assert message.phdr_encoded == bytes.fromhex("a10126")
    assert message.signature == bytes(range(64))


@pytest.mark.parametrize(
    ("value", "word"),
    [
        (Tag(18, [b"\xa1\x01\x28", {}, None]), "four"),
        ([b"\xa1\x01\x28", {}, None, bytes(64)], "no tag"),
        (Tag(18, [b"\xa1\x01\x28", {}, b"inside", bytes(64)]), "detached"),
        (Tag(18, [b"\xa1\x01\x28", {1: -7}, None, bytes(64)]), "both maps"),
        (Tag(18, [b"", {1: -9}, None, bytes(64)]), "not in the protected"),
        (Tag(18, [b"\xa0", {}, None, bytes(64)]), "not in the protected"),
        (Tag(18, [encode({1: -9, 2: [4]}), {}, None, bytes(64)]), "critical"),
        (Tag(18, [encode({1: -9}), {2: [4]}, None, bytes(64)]), "critical"),
        (Tag(18, [encode([1]), {}, None, bytes(64)]), "no map"),
        (Tag(18, [b"\xff", {}, None, bytes(64)]), "protected header"),
        (Tag(18, [{}, {}, None, bytes(64)]), "wrong type"),
        (Tag(18, [encode({1: "ES256"}), {}, None, bytes(64)]), "not in the protected"),
    ],
)
def test_refused_blocks(value: object, word: str) -> None:
    with pytest.raises(CoseError, match=word):
        take_apart(encode(value))


def test_wrong_tag_and_trailing_bytes() -> None:
    """sign1-tests/sign-fail-01 of the examples has tag 998 in place of 18: refused by structure."""
    with pytest.raises(CoseError, match="tag"):
        take_apart(encode(Tag(998, [b"\xa1\x01\x28", {}, None, bytes(64)])))
    with pytest.raises(CoseError, match="follow"):
        take_apart(assemble(-9, bytes(64)) + b"\0")


def test_other_structures_are_named() -> None:
    block = encode(Tag(17, [b"\xa1\x01\x05", {}, None, bytes(32)]))
    assert take_apart(block).structure == "COSE_Mac0"
    assert take_apart(block).algorithm is None


@pytest.mark.parametrize("size", [79, 80, 81, 2000])
def test_what_is_found_is_shown_up_to_160_characters(size: int) -> None:
    header = encode({1: -9, 4: b"k" * (size - 6)})
    with pytest.raises(CoseError) as refused:
        read_block(encode(Tag(18, [header, {}, None, bytes(64)])))
    whole = header.hex()
    assert size > 1000 or len(whole) == 2 * size
    assert refused.value.found == (whole if len(whole) <= 160 else whole[:157] + "...")


@pytest.mark.parametrize(("more", "read"), [(0, True), (1, False)])
def test_a_block_has_at_most_4800_bytes(more: int, read: bool) -> None:
    """docs/format/package.md: the largest signature of FIPS 204 fits, and nothing that is much larger."""
    room = 4800 - len(assemble(-50, bytes(4000))) + 4000
    data = assemble(-50, bytes(room + more))
    assert len(data) == 4800 + more
    if read:
        assert len(read_block(data).signature) == room
        return
    with pytest.raises(CoseError, match="larger than any signature"):
        read_block(data)


@pytest.mark.parametrize(("size", "shown"), [(16, f"h'{'07' * 16}'}}"), (17, f"h'{'07' * 8}...' / 17 bytes /")])
def test_long_bytes_of_an_unprotected_header_are_cut(size: int, shown: str) -> None:
    data = encode(Tag(18, [protected_header(-9), {4: b"\x07" * size}, None, bytes(64)]))
    with pytest.raises(CoseError, match="unprotected header is not empty") as caught:
        read_block(data)
    assert shown in (caught.value.found or "")
