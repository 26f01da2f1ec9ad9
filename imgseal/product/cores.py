"""What the supported cores ask of firmware."""

from imgseal.product.model import Component, Memory, Product


def vector_alignment(core: str, vectors: int) -> int:
    """Return the alignment a core asks of its vector table, in bytes.

    A power of two, at least the table's size and 128 (Armv7-M Architecture Reference Manual B3.2.5); 256 on
    Cortex-M0+ (from memory).
    """
    return max(256 if core == "cortex-m0plus" else 128, 1 << (4 * vectors - 1).bit_length())


def rams_of(product: Product, component: Component | None = None) -> tuple[Memory, ...]:
    """Return the RAMs that the stack of a component may lie in, or all that the product has."""
    names = () if component is None else component.ram
    return tuple(m for m in product.memories.values() if m.kind == "ram" and (not names or m.name in names))


_V6_M, _V7_M, _V7E_M, _V8_BASE, _V8_MAIN = (11, 12), (10,), (13,), (16,), (17,)
_ANY = (0, 2, 8)  # of an assembler that was told no processor: what it has seen, v4T or v6T2
_ARCHITECTURES = {
    "cortex-m0": _V6_M,
    "cortex-m0plus": _V6_M,
    "cortex-m3": (*_V6_M, *_V7_M),
    "cortex-m4": (*_V6_M, *_V7_M, *_V7E_M),
    "cortex-m7": (*_V6_M, *_V7_M, *_V7E_M),
    "cortex-m23": (*_V6_M, *_V8_BASE),
    "cortex-m33": (*_V6_M, *_V7_M, *_V7E_M, *_V8_BASE, *_V8_MAIN),
}
_NAMES = {
    0: "an architecture before v4", 1: "v4", 2: "v4T", 3: "v5T", 4: "v5TE", 5: "v5TEJ", 6: "v6", 7: "v6KZ", 8: "v6T2",
    9: "v6K", 10: "v7", 11: "v6-M", 12: "v6S-M", 13: "v7E-M", 14: "v8-A", 15: "v8-R", 16: "v8-M.baseline",
    17: "v8-M.mainline", 21: "v8.1-M.mainline", 22: "v9-A",
}  # fmt: skip
_FP_D16, _FP_V5_D16 = 6, 8
_FLOATING_POINT = {"cortex-m4": (_FP_D16,), "cortex-m7": (_FP_D16, _FP_V5_D16), "cortex-m33": (_FP_D16, _FP_V5_D16)}


def cannot_run(core: str, arch: int, profile: str, fp: int) -> str | None:
    """Say what of code a core does not have, in words; None where it runs it.

    Numbers are those of Tag_CPU_arch and Tag_FP_arch (Build Attributes for the Arm Architecture, from memory; compilers
    in the tests write them). Code for a smaller core runs on a larger one.
    """
    name = _NAMES.get(arch, f"architecture {arch}")
    if profile not in ("", "M"):
        return f"{name}-{profile}"
    if arch not in (*_ARCHITECTURES[core], *_ANY):
        return f"{name}{'-M' if arch == _V7_M[0] else ''}"
    if fp and fp not in _FLOATING_POINT.get(core, ()):
        return f"{name} with floating-point unit {'FPv5' if fp == _FP_V5_D16 else 'VFPv4' if fp == _FP_D16 else fp}"
    return None
