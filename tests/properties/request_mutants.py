"""Mutated signing requests and responses: no traceback, and nothing is signed or finished that was not meant.

    python tests/properties/request_mutants.py --count 100000 --seed 1

*Texts* are changed byte by byte. *Documents* are changed key by key and written again as imgseal writes them, with the words and digests that
belong to the changed content, so that they reach the later checks. A request that is accepted must satisfy an oracle that is written here anew:
statements by their byte table, manifests by the CBOR library, digests by hashlib. A response that is accepted is finished with the released
set's own firmware; what comes out must be exactly the released set.
"""

import argparse
import base64
import hashlib
import json
import random
import struct
import sys
from collections import Counter
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from typing import TYPE_CHECKING

import cbor2
from workshop import BUILD_TIME, firmware, public_key, signer, workshop

from imgseal.errors import ImgsealError
from imgseal.flow.release import Job, ReleaseResult
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.keys.remote_signer import LaterSigner
from imgseal.make.seal import SealOptions
from imgseal.offline.offline_signing import finish
from imgseal.offline.request import Asked, Item, Request, decode_request, encode_request, request_digest
from imgseal.offline.response import Response, Signed, decode_response, encode_response

if TYPE_CHECKING:
    from collections.abc import Callable

IMAGES, PACKAGES = (
    Asked("ESP256", public_key("keys/images").key_id),
    Asked("ESP256", public_key("keys/packages").key_id),
)
STRANGER = Asked("ESP256", public_key("stranger").key_id)


class WronglyAcceptedError(AssertionError):
    """Something was accepted that must not be."""


def images_request() -> Request:
    return Request(
        "vent-drive",
        tuple(Item(workshop().images[s][:384], (IMAGES,)) for s in ("motor-a", "motor-b", "radio", "phrases")),
    )


def package_request() -> Request:
    envelope = decode_envelope(workshop().package)
    return Request("vent-drive", (Item(envelope.manifest, (PACKAGES,), dict(envelope.severed)),))


def response_to(request: Request, digest: bytes) -> Response:
    key = "keys/images" if request.items[0].is_statement else "keys/packages"
    return Response(
        digest, tuple(Signed(i.digest, a, signer(key).sign(i.message("ESP256"))) for i in request.items for a in i.keys)
    )


def text_mutant(data: bytes, rng: random.Random) -> bytes:
    raw = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5))):
        at = rng.randrange(len(raw))
        kind = rng.randrange(5)
        if kind == 0:
            raw[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            raw[at] = rng.choice(b' \n"{}[]:,0123456789abcdefA=+/\\\x00\xff')
        elif kind == 2:
            del raw[at : at + rng.choice((1, 4, 60))]
        elif kind == 3:
            raw[at:at] = rng.choice((b" ", b"\n", b"0", b'"x": 1, ', b"[", b"\\u0041"))
        else:
            raw[at : at + 8] = raw[at // 2 : at // 2 + 8]
        if not raw:
            break
    return bytes(raw)


def item_mutant(item: Item, rng: random.Random) -> Item:
    """Change what is signed, or who is asked; words and digests follow when the request is written again."""
    kind = rng.randrange(6)
    raw = bytearray(item.content)
    if kind == 0:
        raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
        return item._replace(content=bytes(raw))
    if kind == 1:
        at = rng.randrange(0, len(raw) - 4)
        raw[at : at + 4] = struct.pack("<I", rng.choice((0, 1, 0x7FFF_FFFF, 0xFFFF_FFFF, rng.randrange(1 << 32))))
        return item._replace(content=bytes(raw))
    if kind == 2:
        return item._replace(
            keys=rng.choice(
                ((STRANGER,), (*item.keys, STRANGER), (Asked("ES256", item.keys[0].key_id),), item.keys * 2, ())
            )
        )
    if kind == 3 and item.severed:
        severed = dict(item.severed)
        label = rng.choice(list(severed))
        changed = bytearray(severed.pop(label))
        if rng.random() < 0.7:
            changed[rng.randrange(len(changed))] ^= 1
            severed[label] = bytes(changed)
        return item._replace(severed=severed)
    if kind == 4 and item.severed is None:
        payload = workshop().images["radio"][1024:]
        return item._replace(payload=payload if rng.random() < 0.5 else payload[:-1])
    return item._replace(content=bytes(raw[: rng.randrange(len(raw))]))


def written(request: Request) -> bytes | None:
    """Write a request as imgseal would; None where its content cannot even be read for the words."""
    try:
        return encode_request(request)
    except ImgsealError:
        return None


def oracle(data: bytes) -> None:
    """Is every item sound? Raises AssertionError or KeyError where not."""
    document = json.loads(data)
    assert list(document) == ["imgseal", "format", "about", "items"]
    for item in document["items"]:
        keys = [(entry["algorithm"], entry["key"]) for entry in item["keys"]]
        assert keys
        assert len(set(keys)) == len(keys)
        if item["what"] == "statement":
            raw = base64.b64decode(item["statement"], validate=True)
            assert len(raw) == 384
            assert hashlib.sha256(raw).hexdigest() == item["sha256"]
            named = {(struct.unpack_from("<i", raw, at)[0], raw[at + 4 : at + 20].hex()) for at in (300, 324, 348)}
            assert all(({"ESP256": -9, "ML-DSA-44": -48}[algorithm], key) in named for algorithm, key in keys)
            payload_digest, size = raw[248:280], struct.unpack_from("<I", raw, 280)[0]
            assert f"payload SHA-256 {payload_digest.hex()}" in item["says"]
            if "payload" in item:
                payload = base64.b64decode(item["payload"])
                assert (len(payload), hashlib.sha256(payload).digest()) == (size, payload_digest)
        else:
            raw = base64.b64decode(item["manifest"], validate=True)
            assert hashlib.sha256(cbor2.dumps(raw)).hexdigest() == item["sha256"]
            manifest = cbor2.loads(raw)
            digests = {
                label: cbor2.loads(v) if isinstance(v, bytes) else v
                for label, v in manifest.items()
                if label in (16, 20, 23)
            }
            severed = {
                {"payload fetch": 16, "install": 20, "text": 23}[name]: base64.b64decode(v)
                for name, v in item.get("severed", {}).items()
            }
            for label, content in severed.items():
                assert list(digests[label]) == [-16, hashlib.sha256(cbor2.dumps(content)).digest()]


def one_request(rng: random.Random, counts: Counter[str]) -> None:
    good = rng.choice((images_request, package_request))()
    if rng.random() < 0.4:
        data: bytes | None = text_mutant(encode_request(good), rng)
    else:
        items = list(good.items)
        at = rng.randrange(len(items))
        items[at] = item_mutant(items[at], rng)
        data = written(good._replace(items=tuple(items)))
    if data is None:
        counts["request: cannot be written"] += 1
        return
    try:
        decode_request(data, "r")
    except ImgsealError as error:
        counts[f"request: {error.message[:60]}"] += 1
        return
    counts["request: accepted"] += 1
    try:
        oracle(data)
    except (AssertionError, KeyError, ValueError) as error:
        raise WronglyAcceptedError(f"{error!r}: {data!r}") from error


def jobs() -> dict[bool, Job]:
    """What finishes either request: firmware, or the sealed images that it makes."""
    shop = workshop()
    options = SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20)))
    later = (LaterSigner(public_key("keys/images"), "images"),)
    at_hand = (signer("keys/packages"),)
    files = firmware()
    return {
        True: Job(files, shop.product, options, later, at_hand, shop.trust, "2025-11-25"),
        False: Job(
            files,
            shop.product,
            options,
            (signer("keys/images"),),
            (LaterSigner(public_key("keys/packages"), "packages"),),
            shop.trust,
            "2025-11-25",
        ),
    }


JOBS: dict[bool, Job] = {}


def one_response(rng: random.Random, counts: Counter[str]) -> None:
    request = rng.choice((images_request, package_request))()
    data = encode_request(request)
    digest = request_digest(data)
    good = response_to(request, digest)
    signatures = list(good.signatures)
    at = rng.randrange(len(signatures))
    kind = rng.randrange(8)
    if kind == 0:
        raw = text_mutant(encode_response(good), rng)
    else:
        one = signatures[at]
        if kind == 1:
            value = bytearray(one.value)
            value[rng.randrange(64)] ^= 1 << rng.randrange(8)
            one = one._replace(value=bytes(value))
        elif kind == 2:
            one = one._replace(value=rng.choice((b"", one.value[:-1], bytes(64), one.value + b"\0", rng.randbytes(64))))
        elif kind == 3:
            one = one._replace(value=signatures[rng.randrange(len(signatures))].value)
        elif kind == 4:
            one = one._replace(asked=rng.choice((STRANGER, PACKAGES, IMAGES, Asked("ES256", one.asked.key_id))))
        elif kind == 5:
            one = one._replace(
                value=signer(rng.choice(("stranger", "keys/packages", "keys/images"))).sign(
                    request.items[at].message("ESP256")
                )
            )
        elif kind == 6:
            one = one._replace(digest=rng.choice((bytes(32), signatures[rng.randrange(len(signatures))].digest)))
        signatures[at] = one
        if kind == 7:
            rng.shuffle(signatures)
            signatures = signatures[: rng.randrange(1, len(signatures) + 1)]
        raw = encode_response(Response(digest if rng.random() < 0.97 else bytes(32), tuple(signatures)))
    try:
        done = finish(JOBS[request.items[0].is_statement], request, [decode_response(raw, "a", request, digest)])
    except ImgsealError as error:
        counts[f"response: {error.message[:60]}"] += 1
        return
    counts["response: accepted"] += 1
    if not isinstance(done, ReleaseResult) or b"".join(done.package.pieces()) != workshop().package:
        raise WronglyAcceptedError(raw)


def run(count: int, seed: int) -> Counter[str]:
    """A third of the mutants are responses: each of these makes a whole release."""
    rng = random.Random(seed)
    counts: Counter[str] = Counter()
    JOBS.update(jobs())
    for number in range(count):
        turn: Callable[[random.Random, Counter[str]], None] = one_response if number % 3 == 0 else one_request
        turn(rng, counts)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    counts = run(arguments.count, arguments.seed)
    for what, number in sorted(counts.items()):
        print(f"{number:8}  {what}")


if __name__ == "__main__":
    main()
