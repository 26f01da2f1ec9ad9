"""How long everything is that stands in front of the first payload of a package, at most; docs/format/package.md.

The installer holds it in RAM while it is judged. The limit covers what this tool makes of the product, with a signature
by as many signers as have to sign, and by all that may have signed besides.
"""

from imgseal.product.algorithms import ML_DSA_44, SIGNATURE_BYTES
from imgseal.product.model import Component, Product

_ENVELOPE = 80  # tag, map, digest array, keys and heads of members, the head of the first payload's key
_BLOCK = 15  # of an authentication block, beside its value
_UNKNOWN_BLOCK = 4803  # one of an algorithm that nothing here verifies
_MANIFEST = 170  # beside the parts: versions, sequence number, digests of severed members, authorisation and charge
_PART = 5 + 90 + 14 + 40 + 11  # identifier, shared, install, validate and invoke sequence; the key left out
_BRANCH = 17  # of one of two builds, in each of the three sequences: index, slot condition, heads


def front_bytes(product: Product) -> int:
    """Return the bytes in front of the first payload, without the text, which is hashed and not stored."""
    rules, trust = product.rules, product.trust
    values = sum(_BLOCK + SIGNATURE_BYTES[kind] for kind in rules.kinds) * trust.need_packages
    largest = max(SIGNATURE_BYTES[kind] for kind in (*rules.kinds, ML_DSA_44)) if trust.uncounted else 0
    more = len(trust.uncounted) * (_BLOCK + largest) + len(rules.unverified) * trust.need_packages * _UNKNOWN_BLOCK
    parts = sum(_part(component, slot) for component in product.components.values() for slot in component.run)
    return -(-(_ENVELOPE + values + more + _MANIFEST + parts) // 64) * 64


def _part(component: Component, slot: str) -> int:
    """One run slot: identifier, parameters and conditions, and steps of install, validate and invoke."""
    once = _PART + 3 * _BRANCH * (len(component.run) > 1) + len(f"#{slot}")
    if component.header:
        return 2 * once + len("header") + 1 + len(".header" + ".payload")
    return once
