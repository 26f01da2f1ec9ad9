"""The kit's packages, each as a signing request: nobody is asked to sign what devices refuse to read."""

import json
from collections import Counter
from collections.abc import Iterator

from kit_base import VARIANTS, text_of
from make_kit import DATA
from run_python import product_of

from imgseal.errors import InputError
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import decode_sequence
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import Envelope, decode_envelope, wrapped_digest
from imgseal.formats.suit.manifest import Manifest, decode_manifest
from imgseal.formats.suit.profile import Departure, departure
from imgseal.formats.suit.shape import Shape
from imgseal.offline.request import Asked, Item, Request, decode_request, encode_request, hold_to_profile
from imgseal.product.model import Product

ASKED = (Asked("ESP256", bytes(16)),)
PRODUCTS = {name: product_of(name, text_of(name)) for name in VARIANTS}


def packages() -> Iterator[tuple[str, Product, Envelope, Manifest]]:
    """Every package of the kit that reads and has what its manifest severs."""
    for case in json.loads((DATA / "kit.json").read_text())["cases"]:
        if not case["name"].startswith("package-") or not isinstance(case["artefact"], str):
            continue
        try:
            envelope = decode_envelope((DATA / case["artefact"]).read_bytes())
            manifest = decode_manifest(envelope.manifest)
        except InputError:
            continue
        held = {label: member for label, member in manifest.members.items() if isinstance(member, SuitDigest)}
        if held == {label: wrapped_digest(content) for label, content in envelope.severed.items()}:
            yield case["name"], PRODUCTS[case["product"]], envelope, manifest


def left(of: Product, envelope: Envelope, manifest: Manifest) -> Departure | None:
    """What the judge says of the profile, but for payloads that nothing signed refers to."""
    install = envelope.severed.get(labels.INSTALL)
    sequence = None if install is None else decode_sequence(install, "install")
    return departure(manifest, sequence, (), Shape.of(of.components.values()))


def place(request: Request, of: Product | None) -> str | None:
    """Where a request is refused: with a product file, or as one that has none reads it."""
    try:
        if of is None:
            assert decode_request(encode_request(request), "r.json") == request
        else:
            hold_to_profile(request, "r.json", of)
    except InputError as error:
        return f"{error.place.file}: {error.place.key}"
    return None


def test_what_is_outside_the_profile_is_not_signed() -> None:
    """Generated from the kit: with the product file at the judge's place, and without one refused as well."""
    counted, seen = Counter[str](), set()
    for name, of, envelope, manifest in packages():
        try:
            said = left(of, envelope, manifest)
            request = Request("kit", (Item(envelope.manifest, ASKED, dict(envelope.severed)),))
            encode_request(request)
        except InputError:
            counted["unreadable"] += 1
            continue
        if said is None:
            assert place(request, None) is None, name
            assert place(request, of) is None, name
            counted["inside"] += 1
            continue
        seen.add(name)
        counted["outside"] += 1
        where = f"r.json: items[0].manifest.{said.where}"
        assert place(request, of) == where, name
        named = Request("kit", (request.items[0]._replace(verifier="one of their own"),))
        for one in (request, named):  # no name of a verifier lets other commands through
            assert place(one, None) is not None, name
    assert {
        "package-consent-behind-a-fetch",
        "package-version-never-fetched",
        "package-two-payloads-of-a-header",
        "package-install-inline",
    } <= seen, seen
    assert counted["inside"] > 20, counted
    assert counted["outside"] > 20, counted
