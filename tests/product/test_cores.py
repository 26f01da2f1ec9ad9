"""Where a vector table may lie: Armv7-M Architecture Reference Manual B3.2.5, and the Cortex-M0+ with its 256 bytes."""

import pytest

from imgseal.product.cores import vector_alignment
from imgseal.product.schema import CORES


@pytest.mark.parametrize(
    ("vectors", "size"),
    [(2, 128), (16, 128), (32, 128), (33, 256), (48, 256), (64, 256), (65, 512), (128, 512), (129, 1024), (496, 2048)],
)
def test_a_power_of_two_that_holds_the_table(vectors: int, size: int) -> None:
    for core in CORES:
        assert vector_alignment(core, vectors) == max(size, 256 if core == "cortex-m0plus" else 128)


def test_cores() -> None:
    """docs/format/product-file.md names them."""
    assert CORES == ("cortex-m0", "cortex-m0plus", "cortex-m3", "cortex-m4", "cortex-m7", "cortex-m23", "cortex-m33")
