"""Seals a placed payload: statement, digest, signatures, and each signature verified again before it is used."""

from collections.abc import Iterator

from imgseal.errors import InternalError, Place, SigningKeyError, UsageError
from imgseal.formats.sealed_image.codec import decode_header_block, encode_header_block, encode_statement
from imgseal.formats.sealed_image.layout import (
    CODE,
    DATA,
    FLAG_DETACHED,
    FLAG_DEVELOPMENT,
    REVISION_BYTES,
    SIGNATURE_BYTES,
    SIGNATURE_SLOTS,
)
from imgseal.formats.sealed_image.statement import Need, SignatureSlot, Statement
from imgseal.keys.public_key import SEALED_NUMBERS
from imgseal.keys.published import origin_of
from imgseal.keys.signer import Signer, sign_and_verify
from imgseal.make.place import Payload, Placed
from imgseal.product.model import Product
from imgseal.product.signature_room import fitting_block, room_for
from imgseal.records import NamedTuple


class SealOptions(NamedTuple):
    """What the build script and the clock say: `build_time` in seconds since 1970, `source_revision` up to 32 bytes."""

    build_time: int
    development: bool
    source_revision: bytes = b""


class SealedImage(NamedTuple):
    """A sealed image: the header block's bytes and the payload they speak for."""

    placed: Placed
    statement: Statement
    header_block: bytes
    payload: Payload

    def pieces(self) -> Iterator[bytes]:
        """Yield the sealed image's bytes in order; of a detached one the header block only."""
        yield self.header_block
        if not self.statement.detached:
            yield from self.payload.chunks()

    @property
    def size(self) -> int:
        """Bytes of what `pieces` yields."""
        return len(self.header_block) + (0 if self.statement.detached else self.payload.size)

    def read(self, offset: int, length: int) -> bytes:
        """Return up to `length` bytes of it from `offset`, without a copy of the payload."""
        head = self.header_block[offset : offset + length]
        if self.statement.detached or len(head) == length:
            return head
        start = max(0, offset - len(self.header_block))
        return head + self.payload.read(start, length - len(head))


def ordered_signers(signers: tuple[Signer, ...], product: Product, *, development: bool) -> tuple[Signer, ...]:
    """Return the signers in the order of the rules, so that the order in which keys are named changes no byte.

    SigningKeyError for a key whose private half is public, and for one that the rules name no algorithm for.
    """
    kinds = product.rules.kinds
    for signer in signers:
        _refuse_published(signer, product, development=development)
        if signer.public.kind not in kinds:
            raise SigningKeyError(
                "the rules have no algorithm for this signing key",
                place=Place(file=signer.name),
                expected=f"a key for {' or '.join(product.rules.algorithms)} (rules.algorithms)",
                found=f"a key for {signer.public.words}",
                hint="name its algorithm in rules.algorithms, or sign with another key",
            )
    return tuple(sorted(signers, key=lambda signer: (kinds.index(signer.public.kind), signer.public.key_id)))


def _refuse_published(signer: Signer, product: Product, *, development: bool) -> None:
    """SigningKeyError for a key whose private half is public, except where the product file allows it at a desk."""
    origin = origin_of(signer.public)
    if origin is None or (development and product.rules.example_keys == "development"):
        return
    raise SigningKeyError(
        "everyone can sign with this key",
        place=Place(file=signer.name),
        expected="a key whose private half is secret",
        found=f"the key of {origin}",
        hint="make one of your own: imgseal key new FILE"
        + ('; rules.example_keys = "development" allows it for development images' if development else ""),
    )


def draft(placed: Placed, product: Product, options: SealOptions, signers: tuple[Signer, ...]) -> Statement:
    """Return the statement that the signers have to sign; it names their keys, so nobody can take one away.

    Raises SigningKeyError for a published key, UsageError where the header block is too small or a value out of range.
    """
    signers = ordered_signers(signers, product, development=options.development)
    component = placed.component
    if len(signers) > SIGNATURE_SLOTS:
        raise UsageError(
            "a sealed image has room for three signatures",
            expected=f"at most {SIGNATURE_SLOTS} signers",
            found=", ".join(signer.name for signer in signers),
            hint="sign with fewer keys",
        )
    needed = room_for(signer.public.kind for signer in signers)
    if component.header_block < needed:
        raise UsageError(
            "the header block is too small for the signatures",
            place=product.place(f"component.{component.name}.header_block"),
            expected=f"at least {needed}",
            found=str(component.header_block),
            hint=f"say header_block = {fitting_block(product, component, needed)}, and link the firmware for it: "
            "imgseal show --linker",
        )
    if len(options.source_revision) > REVISION_BYTES:
        raise UsageError(
            "the source revision is too long",
            expected=f"at most {REVISION_BYTES} bytes ({2 * REVISION_BYTES} hex digits)",
            found=f"{len(options.source_revision)} bytes",
            hint="give a shorter revision, such as the output of git rev-parse HEAD",
        )
    flags = (FLAG_DEVELOPMENT if options.development else 0) | (FLAG_DETACHED if component.header else 0)
    return Statement(
        vendor_id=product.vendor_id,
        class_id=product.class_id,
        hardware=product.hardware,
        component=component.number,
        kind=CODE if component.kind == "code" else DATA,
        version=component.version,
        counter=component.counter,
        needs=tuple(
            Need(n.component, n.least, n.below) for n in sorted(component.needs, key=lambda need: need.component)
        ),
        build_time=options.build_time,
        source_revision=options.source_revision,
        payload_digest=placed.payload.digest(),
        payload_size=placed.payload.size,
        link_address=placed.link_address,
        entry_offset=placed.entry_offset,
        header_block=component.header_block,
        flags=flags,
        signatures=tuple(_slot(signer) for signer in signers),
    )


def seal(placed: Placed, product: Product, options: SealOptions, signers: tuple[Signer, ...]) -> SealedImage:
    """Seal a placed payload with one signature by each signer; raises as `draft`."""
    signers = ordered_signers(signers, product, development=options.development)
    statement = draft(placed, product, options, signers)
    message = encode_statement(statement)
    signatures = tuple(sign_and_verify(signer, message) for signer in signers)
    block = encode_header_block(statement, signatures)
    if decode_header_block(block).statement != statement:
        raise InternalError("the header block does not read back as it was written")
    return SealedImage(placed, statement, block, placed.payload)


def _slot(signer: Signer) -> SignatureSlot:
    number = SEALED_NUMBERS[signer.public.kind]
    return SignatureSlot(number, signer.public.key_id, SIGNATURE_BYTES[number])
