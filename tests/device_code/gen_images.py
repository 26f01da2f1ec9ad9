"""Twists of generated packages: sealed images, their digests, and which of them are listed."""

import hashlib
import random

from gen_package import COMPONENTS, CONTENTS, FAULTS, Draft, Part, image_of
from gen_twists import twist

from imgseal.formats.sealed_image.layout import STATEMENT_BYTES, field
from imgseal.limits import HEADER_BLOCK_MIN

# -- images: the payloads themselves ----------------------------------------------------------------------------------


def _heads(d: Draft) -> list[Part]:
    return [part for part in d.parts if part.header == COMPONENTS[part.number].detached]


@twist("images")
def image_with_a_fault(d: Draft, rng: random.Random) -> None:
    if not (heads := _heads(d)):  # another twist has left payloads alone
        return
    part = rng.choice(heads)
    slot = COMPONENTS[part.number].slots[part.slot]
    fault = rng.choice((*FAULTS, *CONTENTS))
    block, payload = image_of(d.variant, slot, fault)
    d.images[part] = block if part.header else block + payload
    if part.header:
        d.images[part._replace(header=False)] = payload
    if fault == "version" and rng.random() < 0.7:
        d.versions[part] = [d.versions[part][0], 9, d.versions[part][2]]
    d.twists[-1] += f" ({fault})"


@twist("images")
def image_by_another_key(d: Draft, rng: random.Random) -> None:
    if not (heads := _heads(d)):  # another twist has left payloads alone
        return
    part = rng.choice(heads)
    by = rng.choice(("keys-dev/images", "somebody/images", "keys/packages"))
    block, payload = image_of(d.variant, COMPONENTS[part.number].slots[part.slot], "", True, by)
    d.images[part] = block if part.header else block + payload


@twist("images")
def image_of_the_release_before(d: Draft, rng: random.Random) -> None:
    if not (heads := _heads(d)):  # another twist has left payloads alone
        return
    part = rng.choice(heads)
    component = COMPONENTS[part.number]
    block, payload = image_of(d.variant, component.slots[part.slot], "", False)
    d.images[part] = block if part.header else block + payload
    if part.header and rng.random() < 0.5:
        d.images[part._replace(header=False)] = payload
    if rng.random() < 0.8:
        d.versions[part] = [2, 0, 0]


@twist("images")
def development_images(d: Draft, rng: random.Random) -> None:
    for part in _heads(d):
        block, payload = image_of(
            d.variant, COMPONENTS[part.number].slots[part.slot], "development", True, "keys-dev/images"
        )
        d.images[part] = block if part.header else block + payload
    if rng.random() < 0.8:
        for one in d.blocks:
            if one.by is not None:
                one.by = one.by.replace("keys/", "keys-dev/").replace("second-", "")


@twist("images")
def images_swapped(d: Draft, rng: random.Random) -> None:
    one, other = rng.choice(d.parts), rng.choice(d.parts)
    d.images[one], d.images[other] = d.images[other], d.images[one]


@twist("images")
def image_changed(d: Draft, rng: random.Random) -> None:
    part = rng.choice(d.parts)
    body = bytearray(d.images[part])
    kind = rng.randrange(5) if len(body) >= 8 else 2  # another twist may have left nothing to change
    if kind == 0:
        body[rng.randrange(len(body))] ^= 1 << rng.randrange(8)
    elif kind == 1:
        del body[rng.randrange(len(body)) :]
    elif kind == 2:
        body += rng.randbytes(rng.choice((1, 4, 600)))
    elif kind == 3:
        body[rng.randrange(8)] ^= 1
    else:
        body = bytearray(rng.randbytes(rng.choice((0, 1, 383, 600))))
    d.images[part] = bytes(body)


@twist("images")
def header_block_changed(d: Draft, rng: random.Random) -> None:
    """What is looked at before the signature: behind it nobody comes."""
    heads = [
        part for part in _heads(d) if len(d.images[part]) >= HEADER_BLOCK_MIN
    ]  # another twist may have cut it short
    if not heads:
        return
    part = rng.choice(heads)
    body = bytearray(d.images[part])
    where = rng.choice(("format_major", "flags", "header_block", "fill", "reserved"))
    if where == "fill":
        at = rng.randrange(HEADER_BLOCK_MIN - 8, HEADER_BLOCK_MIN)
    elif where == "reserved":
        at = rng.randrange(field("flags").offset, STATEMENT_BYTES)
    else:
        at = field(where).offset + rng.randrange(field(where).size)
    body[at] ^= 1 << rng.randrange(8)
    d.images[part] = bytes(body)
    d.twists[-1] += f" ({where})"


@twist("images")
def digest_of_something_else(d: Draft, rng: random.Random) -> None:
    part = rng.choice(d.parts)
    d.digests[part] = hashlib.sha256(d.images[part]).digest()
    d.sizes[part] = len(d.images[part])
    if rng.random() < 0.7:
        d.digests[part] = bytes([d.digests[part][0] ^ 1]) + d.digests[part][1:]
    else:
        d.sizes[part] += rng.choice((-1, 1))


# -- the component list -----------------------------------------------------------------------------------------------


@twist("images")
def component_left_out(d: Draft, rng: random.Random) -> None:
    d.parts.remove(rng.choice(d.parts))
    if not d.parts:
        d.parts = list(d.images)


@twist("images")
def components_in_another_order(d: Draft, rng: random.Random) -> None:
    rng.shuffle(d.parts)


@twist("images")
def one_build_of_two(d: Draft, rng: random.Random) -> None:
    slot = rng.randrange(2)
    left = [part for part in d.parts if len(COMPONENTS[part.number].slots) == 1 or part.slot == slot]
    if left:
        d.parts = left
        d.images = {part: d.images[part] for part in left}
