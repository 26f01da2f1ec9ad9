"""Packs sealed images into an update package: a SUIT envelope with integrated payloads."""

import hashlib
from collections.abc import Iterator

from imgseal.errors import InternalError, Place, UsageError
from imgseal.formats.cbor.strict import encode
from imgseal.formats.cose.labels import ES256, ESP256, ML_DSA_44
from imgseal.formats.cose.sign1 import assemble, protected_header, to_be_signed
from imgseal.formats.sbom.bill import Bill, bill_words
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import envelope_pieces, wrapped_digest
from imgseal.formats.suit.manifest import Manifest, Member, decode_manifest, encode_manifest, encode_member
from imgseal.formats.suit.profile import departure
from imgseal.formats.suit.shape import Shape
from imgseal.formats.suit.text import LanguageText, Text
from imgseal.keys.signer import Signer, sign_and_verify
from imgseal.make.bill_of_release import refuse_unfit_bill
from imgseal.make.recipe import Part, install_sequence, invoke_sequence, shared_sequence, validate_sequence
from imgseal.make.seal import SealedImage, ordered_signers
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import digest_of

_ALGORITHMS = {"ESP256": ESP256, "ES256": ES256, "ML-DSA-44": ML_DSA_44}


class Package(NamedTuple):
    """An update package: what is signed, and the pieces of the file."""

    manifest: Manifest
    manifest_bytes: bytes
    digest: SuitDigest
    blocks: tuple[bytes, ...]
    severed: dict[int, bytes]
    images: tuple[SealedImage, ...]

    def pieces(self) -> Iterator[bytes | memoryview]:
        """Yield the envelope's bytes in order."""
        payloads = {name: (size, pieces) for image in self.images for name, size, pieces in _files(image)}
        yield from envelope_pieces(
            encode(self.digest.to_value()), self.blocks, self.manifest_bytes, self.severed, payloads
        )


def _files(image: SealedImage) -> list[tuple[str, int, Iterator[bytes | memoryview]]]:
    slot = image.placed.slot.name
    if image.statement.detached:
        return [
            (f"#{slot}.header", len(image.header_block), iter([image.header_block])),
            (f"#{slot}.payload", image.payload.size, image.payload.chunks()),
        ]
    return [(f"#{slot}", image.size, image.pieces())]


def pack(
    images: tuple[SealedImage, ...],
    product: Product,
    signers: tuple[Signer, ...],
    *,
    development: bool,
    bill: Bill | None = None,
    witness: str | None = None,
) -> Package:
    """Pack sealed images and sign the manifest once by each signer; `witness` is a head of the release log.

    Raises as `draft`, and SigningKeyError for a published key or a signature that does not verify.
    """
    signers = ordered_signers(signers, product, development=development)
    package = draft(images, product, development=development, bill=bill, witness=witness)
    message = encode(package.digest.to_value())
    return package._replace(blocks=tuple(authentication_block(signer, message, product) for signer in signers))


def draft(
    images: tuple[SealedImage, ...],
    product: Product,
    *,
    development: bool,
    bill: Bill | None = None,
    witness: str | None = None,
) -> Package:
    """Return the package that nobody has signed yet; its encoded digest is what is signed.

    UsageError for what no device reads (more components or longer slot names than its tables hold), two images of one
    run slot or images that contradict each other, and for a release without the bill of materials that the product
    file demands, or with another one.
    """
    if product.rules.sbom == "required" and not development:
        refuse_unfit_bill(bill, product)
    ordered = tuple(sorted(images, key=lambda i: (i.statement.component, i.placed.slot_index)))
    _refuse_contradictions(ordered, development=development)
    parts = tuple(part for image in ordered for part in _parts(image))
    members: dict[int, Member] = {labels.VALIDATE: validate_sequence(parts)}
    start = invoke_sequence(parts)
    if start is not None:
        members[labels.INVOKE_MEMBER] = start
    severed: dict[int, bytes] = {}
    install = install_sequence(parts, product)
    for label, member in (
        (labels.INSTALL, install),
        (labels.TEXT, _text(ordered, parts, product, bill, witness)),
    ):
        # always, although draft section 8.4.12 leaves out what is shorter than a digest: one shape is easier to read
        severed[label] = encode_member(member)
        members[label] = wrapped_digest(severed[label])
    manifest = Manifest(
        sequence_number=product.release.sequence,
        components=tuple(part.identifier for part in parts),
        shared=shared_sequence(parts, product),
        members=members,
        set_version=tuple(product.release.version.suit()),
    )
    data = encode_manifest(manifest)
    if decode_manifest(data) != manifest:
        raise InternalError("the manifest does not read back as it was written")
    _refuse_other_profiles(manifest, install, tuple(part.uri for part in parts), product)
    return Package(manifest, data, wrapped_digest(data), (), severed, ordered)


def _refuse_other_profiles(manifest: Manifest, install: Sequence, keys: tuple[str, ...], product: Product) -> None:
    """Nothing is made that the exported device code does not read, unless the product file names another verifier."""
    shapes = Shape.of(product.components.values())
    left = departure(manifest, install, keys, shapes)
    if left is not None and product.rules.verifier is None:
        raise UsageError(
            f"the package would be outside the device profile at {left.where}",
            place=Place(file=product.source),
            expected=left.expected,
            found=left.found,
            hint="docs/format/package.md lists what devices read; rules.verifier names another verifier",
        )


def authentication_block(signer: Signer, digest_bytes: bytes, product: Product) -> bytes:
    """Sign the encoded digest as a detached COSE payload; draft section 8.3."""
    algorithm = _ALGORITHMS[product.rules.signs_with(signer.public.kind)]
    message = to_be_signed(protected_header(algorithm), digest_bytes)
    return assemble(algorithm, sign_and_verify(signer, message))


def _refuse_contradictions(images: tuple[SealedImage, ...], *, development: bool) -> None:
    if not images:
        raise UsageError("there is nothing to pack", hint="name at least one sealed image")
    seen: dict[str, SealedImage] = {}
    versions: dict[int, SealedImage] = {}
    for image in images:
        slot = image.placed.slot.name
        if slot in seen:
            raise UsageError(
                "two images for one run slot",
                expected="one image a slot",
                found=f"two for {slot}",
                hint="link one of them for the component's other slot: imgseal show --linker"
                if len(image.placed.component.run) > 1
                else "leave one of them out",
            )
        seen[slot] = image
        first = versions.setdefault(image.statement.component, image)
        for what in ("version", "counter"):
            mine, theirs = getattr(image.statement, what), getattr(first.statement, what)
            if mine != theirs:
                raise UsageError(
                    f"the two images of {image.placed.component.name} differ in {what}",
                    expected=str(theirs),
                    found=str(mine),
                    hint="build both from the same sources with one product file",
                )
        if image.statement.development != development:
            raise UsageError(
                "a development image in a release"
                if image.statement.development
                else "a released image in a development package",
                found=slot,
                hint="build all of them in one way: with --release, or without",
            )


def _parts(image: SealedImage) -> list[Part]:
    statement, placed = image.statement, image.placed
    code = placed.component.kind == "code"
    choice = len(placed.component.run) > 1
    common = (statement.component, placed.slot_index)
    if not statement.detached:
        name, digest = f"#{placed.slot.name}", digest_of(image.pieces())
        return [Part(*common, False, name, digest, image.size, statement.version, code, choice)]
    header = hashlib.sha256(image.header_block).digest()
    names = [f"#{placed.slot.name}.header", f"#{placed.slot.name}.payload"]
    return [
        Part(*common, False, names[1], statement.payload_digest, statement.payload_size, None, code, choice),
        Part(*common, True, names[0], header, len(image.header_block), statement.version, False, choice),
    ]


def _text(
    images: tuple[SealedImage, ...], parts: tuple[Part, ...], product: Product, bill: Bill | None, witness: str | None
) -> Text:
    """What people read before they install; never a basis for a decision."""
    text = product.text
    description = text.description or product.name
    brought = dict.fromkeys(f"{image.placed.component.name} {image.statement.version}" for image in images)
    words = [f"{product.name} {product.release.version}: " + ", ".join(brought)]
    hazards = [c.hazard for c in product.components.values() if c.hazard and any(p.number == c.number for p in parts)]
    words += [f"Caution: {hazard}" for hazard in hazards]
    cautions = text.cautions or (_USUAL if hazards else ())
    words += list(cautions)
    by_number = {c.number: c.description or c.name for c in product.components.values()}
    maker = {number: said for number, said in ((1, text.vendor_name), (2, text.model)) if said}
    components = {
        part.identifier: {3: product.vendor, 5: by_number[part.number], 6: str(part.version), **maker}
        for part in parts
        if part.version is not None
    }
    about = {1: description, 2: "\n".join(words)}
    if bill is not None:
        about[labels.BILL_OF_MATERIALS] = bill_words(bill)
    if witness is not None:
        about[labels.LOG_HEAD] = witness
    return {text.language: LanguageText(about, components)}


_USUAL = (
    "Stop the mechanism and secure it before the update and during the first start.",
    "An emergency stop must not depend on firmware.",
    "Follow the maker's instructions and local codes; let qualified staff do the work.",
)
