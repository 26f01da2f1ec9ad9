"""What the maker asks of a release beyond what devices do: it is in the log, not withdrawn, and names its bill."""

import hashlib
from typing import TYPE_CHECKING

from imgseal.check.judge import kind_of
from imgseal.errors import InputError
from imgseal.findings import OF_RELEASES, Finding
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import Bytes

if TYPE_CHECKING:
    from imgseal.formats.suit.envelope import Envelope

Identity = tuple[str, bytes]
"""What the release log has of an artefact: `manifest` or `statement`, and its SHA-256."""


class Released(NamedTuple):
    """What the release log has.

    `withdrawn` are the statements that no release has which is not withdrawn; packages are the judge's.
    """

    known: frozenset[Identity]
    withdrawn: frozenset[Identity] = frozenset()


def envelope_of(data: Bytes) -> "Envelope | None":
    """Take a package apart; None for what is none, and for one that cannot be read, which the judge refuses."""
    if kind_of(data) != "update package":
        return None
    from imgseal.formats.suit.envelope import decode_envelope  # noqa: PLC0415 - sealed images need no CBOR

    try:
        return decode_envelope(data.read(0, data.size))
    except InputError:
        return None


def identity_of(data: Bytes, envelope: "Envelope | None") -> Identity | None:
    """Return what the log knows an artefact by that the judge has accepted; None for a trust anchor update."""
    if envelope is not None:
        return "manifest", (release_in(envelope) or envelope).digest.value
    if kind_of(data) != "sealed image":
        return None
    return "statement", hashlib.sha256(data.read(0, STATEMENT_BYTES)).digest()


def release_in(envelope: "Envelope") -> "Envelope | None":
    """Return the release in a delivery; None for a package, which is one."""
    from imgseal.formats.suit.delivery import RELEASE_KEY, is_delivery  # noqa: PLC0415 - sealed images need no CBOR
    from imgseal.formats.suit.envelope import decode_envelope  # noqa: PLC0415

    if not is_delivery(envelope):
        return None
    try:
        return decode_envelope(envelope.payloads[RELEASE_KEY])
    except InputError:
        return None


def wraps_release(data: Bytes) -> bool:
    """Say whether an artefact is a delivery; False for what does not read."""
    envelope = envelope_of(data)
    return envelope is not None and release_in(envelope) is not None


def refused_by_log(identity: Identity | None, released: Released | None) -> Finding | None:
    """Say what the log has against an artefact; nothing where none is kept."""
    if identity is None or released is None:
        return None
    what, digest = identity
    if identity in released.withdrawn:
        return _finding(
            "gate.withdrawn",
            "an image of a release that is not withdrawn",
            f"{what} {digest.hex()}",
            "take it out of what is shipped; imgseal log show says why its release is withdrawn",
        )
    if identity in released.known:
        return None
    return _finding(
        "gate.not-logged",
        "a release that imgseal build --release has logged",
        f"{what} {digest.hex()}",
        "find out who made it: imgseal log show lists what was released; build it again with --release",
    )


def without_bill(envelope: "Envelope | None", product: Product) -> Finding | None:
    """Find a package that names no bill of materials where the product file demands one; decision 013.

    A delivery travels without the text that names it: the log has its release.
    """
    if product.rules.sbom != "required" or envelope is None or release_in(envelope) is not None:
        return None
    from imgseal.formats.suit.named_bill import bill_of  # noqa: PLC0415 - sealed images need no CBOR

    if bill_of(envelope) is not None:
        return None
    return _finding(
        "gate.no-sbom",
        "a bill of materials named in the package's signed text (rules.sbom)",
        "none",
        "build the release with it: imgseal build ... --release --sbom FILE",
    )


def _finding(code: str, expected: str, found: str, hint: str) -> Finding:
    return Finding(code, OF_RELEASES[code], expected=expected, found=found, hint=hint)
