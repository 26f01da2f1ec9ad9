"""The judge's order, top to bottom. First finding means first in this order."""

from imgseal.check import content, identity, placement, rollback, rules, structure
from imgseal.check import trusted_signers as trust
from imgseal.check.image import ImageSubject
from imgseal.check.runner import Check

_SIGNED = ("signature",)
_FITS = ("signature", "extent", "component", "address", "size", "dump")

IMAGE_ORDER: tuple[Check[ImageSubject], ...] = (
    Check("header", "structure", (), structure.header),
    Check("extent", "structure", ("header",), structure.extent),
    Check("algorithm", "trust", ("header",), trust.algorithm),
    Check("key", "trust", ("algorithm",), trust.key),
    Check("signature", "signature", ("key",), trust.signature),
    Check("vendor", "identity", _SIGNED, identity.vendor),
    Check("class", "identity", _SIGNED, identity.device_class),
    Check("hardware", "identity", _SIGNED, identity.hardware),
    Check("component", "identity", _SIGNED, identity.component),
    Check("layers", "identity", _SIGNED, identity.layers),
    Check("development", "rules", _SIGNED, rules.development),
    Check("external-code", "rules", ("component",), rules.external_code),
    Check("requirements", "rules", _SIGNED, rules.requirements),
    Check("package", "rules", ("component",), rules.staged),
    Check("counter", "rollback", _SIGNED, rollback.counter),
    Check("header-block", "placement", ("component",), placement.header_block),
    Check("address", "placement", ("component",), placement.address),
    Check("size", "placement", ("address",), placement.size),
    Check("dump", "placement", ("component",), placement.dump),
    Check("payload", "digest", _FITS, content.payload),
    Check("vectors", "content", ("payload",), content.vectors),
    Check("rest", "content", ("payload",), content.rest),
)
"""Checks of one sealed image, detached header or slot dump."""

HELD_ORDER: tuple[Check[ImageSubject], ...] = (Check("hardware", "identity", (), identity.hardware),)
"""Checks of an image that stays: its digest is the signed manifest's, and the manifest says for whom it is."""
