"""The maker: places, seals and packs; what it refuses before the judge has to."""

import pytest
from workshop import BUILD_TIME, firmware, make, product, signer, trust_of, workshop

from imgseal.demo.firmware import code
from imgseal.errors import ImgsealError, RefusedError, SigningKeyError, UsageError
from imgseal.flow.release import FirmwareFile, Job, release
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.sealed_image.codec import decode_header_block
from imgseal.keys.untrusted import published_signer
from imgseal.make.adopt import adopt
from imgseal.make.place import linker_region, place
from imgseal.make.seal import SealOptions, seal
from imgseal.window import ByteView

OPTIONS = SealOptions(BUILD_TIME, development=False)


def image(address: int, size: int = 4000) -> MemoryImage:
    return MemoryImage.from_bytes(address, code("x", link=address, size=size, vectors=64, stack=0x2002_0000))


def placed(address: int, size: int = 4000):  # type: ignore[no-untyped-def]  # noqa: ANN201
    of = product()
    return place(image(address, size), of, of.components["motor"], "x.hex")


def test_places() -> None:
    first = placed(0x20400)
    assert (first.slot.name, first.slot_index, first.link_address, first.entry_offset, first.room) == (
        "motor-a", 0, 0x20400, 0, 319 * 1024,
    )  # fmt: skip
    assert placed(0x70400).slot.name == "motor-b"
    late = placed(0x20800)
    assert (late.link_address, late.entry_offset, late.payload.size) == (0x20400, 0x400, 4400 + 624)
    assert b"".join(late.payload.chunks())[:1024] == b"\xff" * 1024
    assert late.payload.read(1020, 8)[:4] == b"\xff" * 4
    assert late.payload.read(late.payload.size, 8) == b""


@pytest.mark.parametrize(
    ("address", "size", "words"),
    [
        (0x20000, 4000, "FLASH (rx) : ORIGIN = 0x00020400"),
        (0x203FC, 4000, "where its header block goes"),
        (0x20400, 319 * 1024 + 1, "does not fit motor-a"),
        (0x1F000, 4000, "none of the run slots"),
        (0xC0400, 4000, "is this radio's file?"),
        (0x30000000, 4000, "show --linker"),
    ],
)
def test_places_that_are_none(address: int, size: int, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        placed(address, size)
    assert words in str(caught.value)
    assert caught.value.place.file == "x.hex"
    assert caught.value.place.address is not None


def test_exactly_full() -> None:
    assert placed(0x20400, 319 * 1024).payload.size == 319 * 1024


def test_linker_region() -> None:
    of = product()
    assert linker_region(of, of.components["radio"], "radio") == "FLASH (rx) : ORIGIN = 0x000c0400, LENGTH = 0x1fc00"


def test_header_block_too_small_for_the_signatures() -> None:
    of = product(lambda text: text.replace("vectors = 64", "vectors = 64\nheader_block = 512"))
    where = place(image(0x20200), of, of.components["motor"], "x")
    signers = tuple(signer(name) for name in ("a", "b", "c"))
    assert len(seal(where, of, OPTIONS, signers[:2]).header_block) == 512
    with pytest.raises(UsageError, match="too small for the signatures"):
        seal(where, of, OPTIONS, signers)


def test_published_key_and_long_revision() -> None:
    with pytest.raises(SigningKeyError, match="everyone can sign"):
        seal(placed(0x20400), product(), OPTIONS, (published_signer(),))
    with pytest.raises(UsageError, match="too long"):
        seal(placed(0x20400), product(), OPTIONS._replace(source_revision=bytes(33)), (signer("keys/images"),))


def test_nothing_leaves_that_the_judge_refuses() -> None:
    """A signer that is not trusted, or firmware that cannot start: found before anything is written (decision 005)."""
    of = product()
    with pytest.raises(RefusedError, match=r"trust\.unknown-key"):
        release(Job(
            firmware(), of, OPTIONS, image_signers=(signer("other"),), package_signers=(signer("keys/packages"),),
            trust=trust_of(of),
        ))  # fmt: skip
    with pytest.raises(RefusedError, match=r"signature\.wrong-key"):
        release(Job(
            firmware(), of, OPTIONS, image_signers=(signer("keys/images"),), package_signers=(signer("other"),),
            trust=trust_of(of),
        ))  # fmt: skip
    blank = FirmwareFile("motor", "x", MemoryImage.from_bytes(0x20400, bytes(4000)))
    with pytest.raises(RefusedError, match=r"content\.stack-pointer"):
        make(of, files=[blank])


def test_contradictions_in_one_release() -> None:
    files = firmware()
    with pytest.raises(UsageError, match="two images for one run slot"):
        make(product(), files=[*files, files[0]])
    with pytest.raises(UsageError, match="nothing to pack"):
        make(product(), files=[])
    of = product()
    newer = product(lambda text: text.replace('version = "2.4.1"', 'version = "2.4.2"'))
    old = adopt(ByteView(workshop().images["motor-a"]), of, "old")
    with pytest.raises(UsageError, match="differ in version"):
        make(newer, files=[FirmwareFile("motor", "old", old), files[1]])
    desk = adopt(ByteView(make(of, development=True).images["radio"]), of, "desk")
    with pytest.raises(UsageError, match="development image in a release"):
        make(of, files=[files[0], FirmwareFile("radio", "desk", desk)])
    with pytest.raises(UsageError, match="of another component"):
        make(of, files=[FirmwareFile("radio", "old", old)])


def test_adopting_what_is_not_ours() -> None:
    of, good = product(), workshop().images["motor-a"]
    for data, words, hint in (
        (b"x" * 2000, "no sealed image", "firmware is sealed first"),
        (good[:-1], "exactly one sealed image", ""),
        (good + b"x", "exactly one sealed image", ""),
        (good[:500], "ends inside", "copy the file again"),
        (good[:8] + b"\7" + good[9:], "format", "a newer imgseal"),
    ):
        with pytest.raises(ImgsealError, match=words) as caught:
            adopt(ByteView(data), of, "file.bin")
        assert caught.value.place.file == "file.bin"
        assert hint in (caught.value.hint or "")
    fewer = product(lambda text: text.replace('run = ["motor-a", "motor-b"]', 'run = ["motor-b"]\nway_back = "none"'))
    with pytest.raises(UsageError, match="none of the run slots"):
        adopt(ByteView(good), fewer, "x")
    other = product(lambda text: text.replace("number = 1\n", "number = 9\n"))
    with pytest.raises(UsageError, match="no component of this number"):
        adopt(ByteView(good), other, "x")


def test_partial_release_is_packed_although_only_a_device_can_answer() -> None:
    shop = make(product(), files=[f for f in firmware() if f.component == "motor"])
    assert set(shop.images) == {"motor-a", "motor-b"}


def test_a_header_that_does_not_read_back_is_not_handed_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Decision 005: nothing leaves unjudged, also not what the maker's own reader sees otherwise."""
    from imgseal.errors import InternalError
    from imgseal.make import seal as module

    other = decode_header_block(workshop().images["radio"][:1024])
    monkeypatch.setattr(module, "decode_header_block", lambda _block: other)
    with pytest.raises(InternalError, match="does not read back"):
        make(product())
