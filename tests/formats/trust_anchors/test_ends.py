"""The ends of what docs/format/trust-anchors.md allows: keys, revoked keys, signers that are needed, and the words for a number."""

from collections.abc import Callable

import pytest
from anchor_cases import anchor, factory, following
from workshop import public_key

from imgseal.flow.classes import classes_in
from imgseal.formats.trust_anchors.codec import (
    EVERY_COMPONENT,
    IMAGES,
    PACKAGES,
    Anchor,
    AnchorFormatError,
    AnchorSet,
    decode_held,
    decode_set,
    encode_set,
    encode_update,
    flash_block,
    number_words,
    read_flash_block,
)
from imgseal.window import ByteView


def of(images: int, packages: int, **changes: object) -> AnchorSet:
    keys = [anchor(IMAGES, f"image {n}") for n in range(images)] + [
        anchor(PACKAGES, f"package {n}") for n in range(packages)
    ]
    return factory()._replace(anchors=tuple(sorted(keys, key=lambda a: (a.role, a.key_id))), **changes)  # type: ignore[arg-type]


def refused(anchors: AnchorSet) -> str:
    with pytest.raises(AnchorFormatError) as caught:
        decode_set(encode_set(anchors))
    return caught.value.place.key or ""


def revoked(count: int) -> tuple[bytes, ...]:
    return tuple(sorted(public_key(f"lost {n}").key_id for n in range(count)))


def test_keys() -> None:
    for images, packages in ((1, 1), (31, 1), (16, 16), (1, 31)):
        assert decode_set(encode_set(of(images, packages))) == of(images, packages)
    assert refused(of(32, 1)) == "keys"
    assert refused(of(0, 0)) == "keys"
    assert refused(of(1, 0)) == "need_packages"
    assert refused(of(0, 1)) == "need_images"


def test_revoked_keys() -> None:
    for count in (0, 1, 32):
        assert decode_set(encode_set(of(1, 1, revoked=revoked(count)))).revoked == revoked(count)
    assert refused(of(1, 1, revoked=revoked(33))) == "revoked"
    assert refused(of(1, 1, revoked=(public_key("image 0").key_id,))) == "revoked"
    assert refused(of(1, 1, revoked=(public_key("keys/apex").key_id,))) == "revoked"


def test_signers_needed() -> None:
    assert decode_set(encode_set(of(3, 2, need_images=3, need_packages=2))).need_images == 3
    for key in ("need_images", "need_packages"):
        assert refused(of(3, 2, **{key: 0})) == key
        assert refused(of(3, 2, **{key: 4})) == key


def test_components() -> None:
    """A key for images may be limited, one for packages not; one for nothing is none."""
    limited = anchor(IMAGES, "image 0", 1 << 3)
    assert (
        decode_set(encode_set(of(0, 1)._replace(anchors=(limited, anchor(PACKAGES, "package 0")))))
        .anchors[0]
        .components
        == 8
    )
    for bad in (
        limited._replace(components=0),
        limited._replace(role=3),
        limited._replace(role=0),
        limited._replace(key_id=bytes(16)),
    ):
        assert refused(
            of(0, 1)._replace(anchors=(bad, anchor(IMAGES, "other"), anchor(PACKAGES, "package 0")))
        ).startswith("keys[")
    package = anchor(PACKAGES, "package 0", EVERY_COMPONENT - 1)
    assert refused(of(0, 1)._replace(anchors=(limited, package))) == "keys[1].components"


def test_apex_and_contingency() -> None:
    apex = Anchor(IMAGES, EVERY_COMPONENT, public_key("keys/apex").key_id, factory().apex)
    assert (
        refused(
            of(1, 1)._replace(
                anchors=(
                    *sorted((apex, anchor(IMAGES, "image 0")), key=lambda a: a.key_id),
                    anchor(PACKAGES, "package 0"),
                )
            )
        )
        == "apex"
    )
    assert refused(of(1, 1, apex=bytes(64))) == "contingency"
    assert decode_set(encode_set(of(1, 1, apex=bytes(64), contingency=bytes(32)))).apex == bytes(64)


def test_what_a_device_holds_is_read_in_either_form() -> None:
    anchors = decode_set(encode_set(following()))
    content = encode_set(anchors)
    assert decode_held(flash_block(anchors) + b"\xff" * 64) == anchors
    assert decode_held(encode_update(content + bytes(64), bytes(64))) == anchors
    for cut in (0, 7, 8, 100, len(content) - 1):
        with pytest.raises(AnchorFormatError):
            decode_held(content[:cut])
    damaged = bytearray(flash_block(anchors))
    damaged[30] ^= 1
    with pytest.raises(AnchorFormatError):
        decode_held(bytes(damaged))


def test_the_class_of_an_update_finds_its_product() -> None:
    anchors = decode_set(encode_set(following()))
    update = encode_update(encode_set(anchors) + bytes(64), bytes(64))
    assert classes_in(ByteView(update)) == {anchors.class_id}
    assert classes_in(ByteView(update[:-1])) == frozenset()


@pytest.mark.parametrize("read", [decode_set, read_flash_block])
@pytest.mark.parametrize(
    ("data", "found"), [(b"", "nothing"), (b"\xff" * 64, "ff" * 8), (b"\xd5anchor", "d5616e63686f72")]
)
def test_what_is_no_set_is_shown(read: Callable[[bytes], AnchorSet], data: bytes, found: str) -> None:
    with pytest.raises(AnchorFormatError) as caught:
        read(data)
    assert (caught.value.expected, caught.value.found) == ("d5616e63686f7273", found)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (0, "0"),
        (7, "7"),
        (0xFF_FFFF, "16777215"),
        (0x100_0000, "0 of apex trust anchor 2"),
        (0x300_0005, "5 of apex trust anchor 4"),
    ],
)
def test_words_for_a_number(number: int, words: str) -> None:
    """Its first byte counts apex trust anchors: the first is that of the factory."""
    assert number_words(number) == words
