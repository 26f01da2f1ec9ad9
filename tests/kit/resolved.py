"""A product as plain values, for implementations that read no TOML and no PEM."""

from workshop import trust_of

from imgseal.keys.p256 import PublicKey
from imgseal.keys.public_key import AnyKey
from imgseal.product.algorithms import KEY_NAMES
from imgseal.product.cores import rams_of, vector_alignment
from imgseal.product.model import Component, Product


def resolved(of: Product) -> dict[str, object]:
    return {
        "vendor_id": of.vendor_id.hex(),
        "class_id": of.class_id.hex(),
        "hardware": list(of.hardware),
        "bootloader": str(of.bootloader.version) if of.bootloader else None,
        "external_code": of.rules.external_code,
        "image_algorithms": [KEY_NAMES[kind] for kind in of.rules.kinds],
        "package_algorithms": list(of.rules.algorithms),
        "must_verify": list(of.rules.must_verify),
        "unverified": list(of.rules.unverified),
        "uncounted": [_public(key.public) for key in trust_of(of).uncounted],
        "verifier": of.rules.verifier,
        "example_keys": of.rules.example_keys,
        "minimum_battery": of.rules.minimum_battery,
        "need": {"images": of.trust.need_images, "packages": of.trust.need_packages},
        "apex": _point(trust_of(of).apex),
        "contingency": _thumbprint(trust_of(of).contingency),
        "ram": [[m.base, m.size] for m in of.memories.values() if m.kind == "ram"],
        "slots": {
            name: {"base": of.slot_base(name), "size": slot.size, "trusted": of.memories[slot.memory].trusted}
            for name, slot in of.slots.items()
        },
        "components": [_component(of, c) for c in sorted(of.components.values(), key=lambda c: c.number)],
        "anchors": [
            {
                "role": key.role, "key_id": key.key_id.hex(), **_public(key.public),
                "development": key.development, "components": list(key.components), "from": key.first, "until": key.last, "other_class": not key.good_for(None, of.class_name),
            }
            for key in trust_of(of).keys
        ],
    }  # fmt: skip


def _point(key: PublicKey | None) -> str | None:
    return None if key is None else (key.x + key.y).hex()


def _thumbprint(key: PublicKey | None) -> str | None:
    return None if key is None else key.thumbprint.hex()


def _public(key: AnyKey) -> dict[str, str]:
    """A P-256 point, or an ML-DSA-44 public key."""
    if isinstance(key, PublicKey):
        return {"x": key.x.hex(), "y": key.y.hex()}
    return {"ml_dsa_44": key.value.hex()}


def _component(of: Product, component: Component) -> dict[str, object]:
    code = component.kind == "code"
    return {
        "name": component.name,
        "number": component.number,
        "kind": component.kind,
        "header_block": component.header_block,
        "counter_most": component.counter_most,
        "counter_jump": component.counter_jump,
        "run": list(component.run),
        "header": list(component.header),
        "waiting": [name for name in (component.staging, component.keep) if name is not None],
        "ram": [[m.base, m.size] for m in rams_of(of, component)],
        "vectors": component.vectors,
        "vector_alignment": vector_alignment(component.core, component.vectors)
        if code and component.core != "cortex-m0"
        else 0,
        "hazard": component.hazard is not None,
        "judged": component.judged,
    }
