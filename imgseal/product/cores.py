"""What the supported cores ask of firmware."""

CORES = ("cortex-m0", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m7", "cortex-m23", "cortex-m33")


def vector_alignment(core: str, vectors: int) -> int:
    """Return the alignment a core asks of its vector table, in bytes.

    A power of two, at least the table's size and 128 (Armv7-M Architecture Reference Manual B3.2.5); 256 on
    Cortex-M0+ (from memory).
    """
    return max(256 if core == "cortex-m0plus" else 128, 1 << (4 * vectors - 1).bit_length())
