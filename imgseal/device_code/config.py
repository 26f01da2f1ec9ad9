"""seal_config.h: what a product file says, as constants for the C sources."""

from collections.abc import Iterable

from imgseal.errors import KeyTroubleError, Place
from imgseal.keys.trust import IMAGES, PACKAGES, Trust, TrustedKey
from imgseal.product.cores import vector_alignment
from imgseal.product.model import Component, Product

__all__ = ["config_header"]

_EVERY = 0xFFFF_FFFF


def config_header(product: Product, trust: Trust, *, development: bool) -> str:
    """Return the header; development keys are left out unless asked for.

    KeyTroubleError for a trust anchor whose private half everyone has: such a device would trust everyone.
    """
    for key in trust.keys:
        if key.published is not None and not key.development:
            raise KeyTroubleError(
                "this trust anchor's private half is public",
                place=Place(file=key.source),
                expected="a key whose private half is secret",
                found=f"the key of {key.published}",
                hint="make one of your own: imgseal key new FILE",
            )
    components = sorted(product.components.values(), key=lambda c: c.number)
    rams = [m for m in product.memories.values() if m.kind == "ram"]
    keys = [k for k in trust.keys if development or not k.development]
    images = [k for k in keys if k.role == IMAGES]
    packages = [k for k in keys if k.role == PACKAGES]
    external = int(product.rules.external_code == "accept")
    lines = [
        f"/* {product.name}, class {product.class_name}: made by imgseal device-code from the product file.",
        " * Make it again when the product file changes; do not edit. */",
        "#ifndef SEAL_CONFIG_H",
        "#define SEAL_CONFIG_H",
        "",
        '#include "seal_image.h"',
        "",
        "static const struct seal_component seal_components[] = {",
        *(_component(product, c) for c in components),
        "};",
        "",
        "static const struct seal_anchor seal_image_anchors[] = {",
        *(_anchor(k, components, product) for k in images),
        "};",
        "",
        "static const struct seal_anchor seal_package_anchors[] = {",
        *(_anchor(k, components, product) for k in packages),
        "};",
        "",
        "static const struct seal_range seal_ram[] = {",
        *(f"    {{ 0x{m.base:08X}u, 0x{m.size:X}u }}," for m in rams or ()),
        *(() if rams else ("    { 0u, 0u },",)),
        "};",
        "",
        "static const struct seal_product seal_product = {",
        f"    {{ {_bytes(product.vendor_id)} }},",
        f"    {{ {_bytes(product.class_id)} }},",
        "    seal_components, seal_image_anchors, seal_ram,",
        f"    {len(components)}, {len(images)}, {len(rams)}, {trust.need_images}, {external}",
        "};",
        "",
        f"#define SEAL_NEED_PACKAGES {trust.need_packages}u",
        f"#define SEAL_PACKAGE_ANCHORS {len(packages)}u",
        f"#define SEAL_TRIAL_ATTEMPTS {product.rules.trial_attempts}u",
        f"#define SEAL_TRIAL_POWER_ONS {product.rules.trial_power_ons}u",
        "",
        "#endif",
        "",
    ]
    return "\n".join(lines)


def _component(product: Product, component: Component) -> str:
    runs = []
    for name in component.run:
        slot = product.slots[name]
        trusted = int(product.memories[slot.memory].trusted)
        runs.append(f"{{ 0x{product.slot_base(name):08X}u, 0x{slot.size:X}u, {trusted} }}")
    alignment = 0
    if component.kind == "code" and component.core != "cortex-m0":
        alignment = vector_alignment(component.core, component.vectors)
    facts = (
        component.number, 1 if component.kind == "code" else 2, int(bool(component.header)), len(component.run),
        component.header_block, component.vectors, f"{alignment}u", f"{{ {', '.join(runs)} }}",
    )  # fmt: skip
    return f"    /* {component.name} */ {{ {', '.join(map(str, facts))} }},"


def _anchor(key: TrustedKey, components: Iterable[Component], product: Product) -> str:
    """A key that is not good for this class is good for no component: the device can still name it."""
    mask = _EVERY
    if key.components:
        mask = sum(1 << index for index, c in enumerate(components) if c.name in key.components)
    if key.classes and product.class_name not in key.classes:
        mask = 0
    parts = [f"{{ {_bytes(data)} }}" for data in (key.key_id, key.public.x, key.public.y)]
    name = key.source.replace("*", "")
    return f"    /* {name} */ {{ " + ",\n        ".join(parts) + f", 0x{mask:08X}u, {int(key.development)} }},"


def _bytes(data: bytes) -> str:
    return ", ".join(f"0x{byte:02X}" for byte in data)
