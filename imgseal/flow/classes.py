"""Reads for which classes of devices an artefact says that it is; nothing is verified, the judge does that."""

from imgseal.check.judge import kind_of
from imgseal.errors import InputError
from imgseal.flow.as_released import envelope_of, release_in
from imgseal.formats.sealed_image.layout import MAGIC, STATEMENT_BYTES, field
from imgseal.product.model import Product
from imgseal.window import Bytes

_CLASS = field("class_id")


def classes_in(data: Bytes) -> frozenset[bytes]:
    """Return the class identifiers that an artefact states, to find the product that it is for; none if unreadable."""
    kind = kind_of(data)
    if kind == "sealed image":
        head = bytes(data.read(0, STATEMENT_BYTES))
        whole = len(head) == STATEMENT_BYTES and head.startswith(MAGIC)
        return frozenset([head[_CLASS.offset : _CLASS.offset + 16]] if whole else ())
    try:
        if kind == "update package":
            return _of_package(data)
        if kind == "trust anchor update":
            from imgseal.formats.trust_anchors.codec import decode_update  # noqa: PLC0415 - few artefacts are one

            return frozenset([decode_update(bytes(data.read(0, data.size))).anchors.class_id])
    except InputError:
        pass
    return frozenset()


def _of_package(data: Bytes) -> frozenset[bytes]:
    from imgseal.formats.suit.envelope import decode_envelope  # noqa: PLC0415 - sealed images need no CBOR

    return classes_of_manifest(decode_envelope(data.read(0, data.size)).manifest)


def is_of_recovery(data: Bytes, product: Product) -> bool:
    """Say whether a package, or the one in a delivery, is of recovery images alone: these have numbers of their own."""
    if not any(each.recovery for each in product.components.values()) or (envelope := envelope_of(data)) is None:
        return False
    from imgseal.formats.suit.component import ours  # noqa: PLC0415 - sealed images need no CBOR
    from imgseal.formats.suit.manifest import decode_manifest  # noqa: PLC0415

    try:
        named = decode_manifest((release_in(envelope) or envelope).manifest).components
    except InputError:
        return False
    parts = [product.component(each.number) for each in map(ours, named) if each is not None]
    return len(parts) == len(named) > 0 and all(part is not None and part.recovery for part in parts)


def classes_of_manifest(content: bytes) -> frozenset[bytes]:
    """Return the class identifiers that an encoded manifest states; SuitError for what is none."""
    from imgseal.formats.suit import labels  # noqa: PLC0415 - sealed images need no CBOR
    from imgseal.formats.suit.manifest import decode_manifest  # noqa: PLC0415

    manifest = decode_manifest(content)
    stated = (
        command.argument.get(labels.CLASS_ID)
        for command in manifest.shared
        if command.code == labels.OVERRIDE_PARAMETERS and isinstance(command.argument, dict)
    )
    return frozenset(each for each in stated if isinstance(each, bytes))
