"""What a product file says, for the C sources: seal_options.h, what to compile in, and seal_config.h, constants."""

from collections.abc import Iterable, Mapping

from imgseal.device_code.front import front_bytes
from imgseal.errors import Place, SigningKeyError, UsageError
from imgseal.formats.install_record.room import record_bytes
from imgseal.formats.trust_anchors.codec import AnchorFormatError, decode_set, encode_set
from imgseal.keys.anchor_set import anchor_set
from imgseal.keys.p256 import PublicKey
from imgseal.keys.trusted_keys import DELIVERIES, IMAGES, PACKAGES, Trust, TrustedKey
from imgseal.limits import DEVICE_PARTS
from imgseal.product.algorithms import ML_DSA_44, P256
from imgseal.product.cores import rams_of, vector_alignment
from imgseal.product.model import Component, Product

_EVERY = 0xFFFF_FFFF
_KINDS = {P256: ("SEAL_KIND_P256", 1), ML_DSA_44: ("SEAL_KIND_ML_DSA_44", 2)}
_LINE = 16
_COMPONENTS, _RAMS, _PACKAGE_KEYS, _IMAGE_KEYS = 32, 32, 32, 255  # a bit each in a word of the sources; a byte's count


def options_header(product: Product) -> str:
    """Return seal_options.h: what the sources compile in for this product. All of them include it."""
    asked = ML_DSA_44 in product.rules.kinds
    unit = max((product.memories[slot.memory].write_unit for slot in product.slots.values()), default=1)
    every = sum(len(c.run) * (2 if c.header else 1) for c in product.components.values())
    parts = max(1, min(DEVICE_PARTS, every))
    lines = [
        "#define SEAL_ML_DSA_44          /* signatures by ML-DSA-44 count beside those by P-256 */"
        if asked
        else "/* P-256 signatures alone */",
        "#define SEAL_BOOT_MARK          /* a mark stands for signatures that were verified before */"
        if product.rules.at_boot == "digest"
        else "/* signatures are verified at each boot */",
        f"#define SEAL_WRITE_UNIT {unit}u   /* bytes, the largest of all slots */",
        f"#define SEAL_PARTS_MAX {parts}u   /* of one manifest: run slots, twice where detached */",
        f"#define SEAL_DELIVERY_STEPS {product.delivery_steps}u   /* of a delivery, with SEAL_PATCHES */",
    ]
    return _header("SEAL_OPTIONS_H", product, lines)


def _header(guard: str, product: Product, lines: list[str]) -> str:
    """Return a header with these lines in it."""
    head = [
        f"/* {product.name}, class {_plain(product.class_name)}: made by imgseal device-code from the product file.",
        " * Make it again when the product file changes; do not edit. */",
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
    ]
    return "\n".join([*head, *lines, "", "#endif", ""])


def _array(what: str, rows: Iterable[str]) -> list[str]:
    """Return a constant of C; what it is has its type in front."""
    return [f"static const {what} = {{", *rows, "};", ""]


def _rows(data: bytes) -> list[str]:
    """Return bytes as rows of a constant."""
    return [f"    {_bytes(data[at : at + _LINE])}," for at in range(0, len(data), _LINE)]


def config_header(product: Product, trust: Trust, *, development: bool) -> str:
    """Return the header; development keys are left out unless asked for.

    SigningKeyError for a trust anchor whose private half everyone has: such a device would trust everyone. UsageError
    for more components or keys than the sources count.
    """
    for key in trust.keys:
        if key.published is not None and not key.development:
            raise SigningKeyError(
                "everyone can sign with this key",
                place=Place(file=key.source),
                expected="a key whose private half is secret",
                found=f"the key of {key.published}",
                hint="make one of your own: imgseal key new FILE",
            )
    components = sorted(product.components.values(), key=lambda c: c.number)
    rams = rams_of(product)
    keys = [k for k in trust.keys if development or not k.development]
    values = {k.key_id: f"seal_key_{n}" for n, k in enumerate(keys) if not isinstance(k.public, PublicKey)}
    kinds = _kinds(product) if ML_DSA_44 in product.rules.kinds else ""
    images = [k for k in keys if k.role == IMAGES]
    packages = [k for k in keys if k.role == PACKAGES]
    deliverers = [*trust.deliverers(development=False), *(trust.deliverers(development=True) if development else ())]
    own = any(k.role == DELIVERIES for k in deliverers)
    _refuse_too_many(product, "component", len(components), _COMPONENTS)
    _refuse_too_many(product, "memory", len(rams), _RAMS)
    _refuse_too_many(product, "trust.images.keys", len(images), _IMAGE_KEYS)
    _refuse_too_many(product, "trust.packages.keys", len(packages), _PACKAGE_KEYS)
    _refuse_too_many(product, "trust.deliveries", len(deliverers), _PACKAGE_KEYS)
    slot = product.slot_holding("records")
    records = None if slot is None else slot.name
    marked = product.slot_holding("boot-mark") if product.rules.at_boot == "digest" else None
    mark = "" if marked is None else f",\n    {_slot(product, marked.name)}"
    external = int(product.rules.external_code == "accept")
    ram = [f"    {{ 0x{m.base:08X}u, 0x{m.size:X}u }}," for m in rams]
    facts = [
        f"    {len(components)}, {len(images)}, {len(rams)}, {trust.need_images}, {external},",
        f"    {product.rules.trial_attempts}, {product.rules.trial_power_ons},",
        "    seal_components, seal_image_anchors, seal_ram,",
        f"    {{ {_bytes(product.vendor_id)} }},",
        f"    {{ {_bytes(product.class_id)} }},",
        f"    {_slot(product, records)}{mark}{kinds}",
    ]

    def named(anchors: Iterable[TrustedKey]) -> list[str]:
        return [_anchor(key, components, product, values) for key in anchors]

    lines = [
        '#include "seal_image.h"',
        "",
        *(line for k in keys if k.key_id in values for line in _value(k, values[k.key_id])),
        *_array("struct seal_component seal_components[]", (_component(product, c) for c in components)),
        *_array("struct seal_anchor seal_image_anchors[]", named(images)),
        *_array("struct seal_anchor seal_package_anchors[]", named(packages)),
        *(_array("struct seal_anchor seal_delivery_anchors[]", named(deliverers)) if own else ()),
        *_array("struct seal_range seal_ram[]", ram or ["    { 0u, 0u },"]),
        *_array("struct seal_product seal_product", facts),
        f"#define SEAL_NEED_PACKAGES {trust.need_packages}u",
        f"#define SEAL_PACKAGE_ANCHORS {len(packages)}u",
        *([] if own else ["#define seal_delivery_anchors seal_package_anchors"]),
        f"#define SEAL_DELIVERY_ANCHORS {len(deliverers)}u",
        f"#define SEAL_PACKAGE_ES256 {_es256(product)}u",
        f"#define SEAL_RECORD_BYTES {record_bytes(len(components))}u",
        f"#define SEAL_FRONT_BYTES {front_bytes(product)}u",
        *_anchors(product, trust, development=development),
        *_package(product),
    ]
    return _header("SEAL_CONFIG_H", product, lines)


def _es256(product: Product) -> int:
    """Say which of the two numbers of one computation packages may be signed under: -9 alone, -7 alone, or both."""
    listed = {"ES256", "ESP256"}.intersection(product.rules.algorithms)
    return 2 if len(listed) == 2 else int("ES256" in listed)


def _anchors(product: Product, trust: Trust, *, development: bool) -> list[str]:
    """The slot that holds trust anchors, and the factory's set for devices that compile it in."""
    slot = product.slot_holding("anchors")
    if slot is None:
        return []
    lines = ["", f"static const struct seal_slot seal_anchors_slot = {_slot(product, slot.name)};"]
    try:
        content = encode_set(anchor_set(trust, product, development=development))
        decode_set(content)
    except (UsageError, AnchorFormatError):
        return lines  # format 1 cannot hold these keys, which imgseal factory says with the reason
    lines.append(f"#define SEAL_FACTORY_SET_BYTES {len(content)}u")
    return lines + _array("uint8_t seal_factory_set[SEAL_FACTORY_SET_BYTES]", _rows(content))[:-1]


def _package(product: Product) -> list[str]:
    """The slot that keeps a package as it arrives."""
    slot = product.slot_holding("package")
    if slot is None:
        return []
    return [
        "",
        f"static const struct seal_slot seal_package_slot = {_slot(product, slot.name)};",
        "#define SEAL_PACKAGE_SLOT",
    ]


def _refuse_too_many(product: Product, key: str, count: int, most: int) -> None:
    if count > most:
        raise UsageError(
            "more than the C sources can tell apart",
            place=product.place(key),
            expected=f"at most {most}",
            found=str(count),
            hint="take out what this product does not need",
        )


def _kinds(product: Product) -> str:
    """Whose signatures count, and which have to be there, in the order of the product file; one alone stands twice."""
    must = [_KINDS[kind][0] for kind in product.rules.required]
    counted = sum(_KINDS[kind][1] for kind in product.rules.kinds)
    return f",\n    {counted}, {{ {', '.join((*must, *must)[:2])} }}"


def _value(key: TrustedKey, name: str) -> list[str]:
    """The bytes of a key that has no room in an anchor."""
    assert not isinstance(key.public, PublicKey)
    return _array(f"uint8_t {name}[SEAL_ML_DSA_44_KEY_BYTES]", _rows(key.public.value))


def _component(product: Product, component: Component) -> str:
    alignment = 0
    if component.kind == "code" and component.core != "cortex-m0":
        alignment = vector_alignment(component.core, component.vectors)
    header = component.header or (None,) * len(component.run)
    facts = (
        component.number, 1 if component.kind == "code" else 2, int(bool(component.header)), len(component.run),
        int(component.judged == "boot"), int(component.recovery), int(component.hazard is not None),
        int(component.counter_storage == "value"), component.header_block, component.vectors, f"{alignment}u",
        f"{component.counter_most}u", f"{_EVERY if component.counter_jump is None else component.counter_jump}u",
        f"0x{_rams(product, component):X}u",
        _pair(product, component.run), _pair(product, header), _slot(product, component.staging),
        _slot(product, component.keep),
    )  # fmt: skip
    return f"    /* {component.name} */ {{ {', '.join(map(str, facts))} }},"


def _rams(product: Product, component: Component) -> int:
    """A bit for each RAM, in the order of the product, that the component's stack may lie in."""
    if not component.ram:
        return _EVERY
    return sum(1 << index for index, ram in enumerate(rams_of(product)) if ram.name in component.ram)


def _pair(product: Product, names: tuple[str | None, ...]) -> str:
    return "{ " + ", ".join(_slot(product, name) for name in (*names, None)[:2]) + " }"


def _slot(product: Product, name: str | None) -> str:
    if name is None:
        return "{ 0u, 0u, 0, 0xFF }"
    slot = product.slots[name]
    memory = product.memories[slot.memory]
    erased = "SEAL_UNREADABLE" if memory.erased is None else f"0x{memory.erased:02X}"
    return f"{{ 0x{product.slot_base(name):08X}u, 0x{slot.size:X}u, {int(memory.trusted)}, {erased} }}"


def _anchor(key: TrustedKey, components: Iterable[Component], product: Product, values: Mapping[bytes, str]) -> str:
    """A key that is not good for this class is good for no component: the device can still name it."""
    mask = _EVERY
    if key.components:
        mask = sum(1 << index for index, c in enumerate(components) if c.name in key.components)
    if key.classes and product.class_name not in key.classes:
        mask = 0
    point = (key.public.x, key.public.y) if isinstance(key.public, PublicKey) else (b"\0", b"\0")
    parts = [f"{{ {_bytes(data)} }}" for data in (key.key_id, *point)]
    name = _plain(key.source)
    value = f", {values.get(key.key_id, '0')}" if ML_DSA_44 in product.rules.kinds else ""
    front = f"    /* {name} */ {{ 0x{mask:08X}u, {int(key.development)}, "
    return front + ",\n        ".join(parts) + f"{value} }},"


def _plain(text: str) -> str:
    """Return a text that stays inside a comment of C, whatever the compiler makes of it before it looks for its end."""
    kept = (c if " " <= c <= "~" and c not in "*\\?" else f"{{U+{ord(c):04X}}}" for c in text)
    return "".join(kept)


def _bytes(data: bytes) -> str:
    return ", ".join(f"0x{byte:02X}" for byte in data)
