"""Where a vector table may lie: Armv7-M Architecture Reference Manual B3.2.5, and the Cortex-M0+ with its 256 bytes."""

import pytest

from imgseal.product.cores import cannot_run, vector_alignment
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


def test_what_no_core_here_runs_is_named() -> None:
    """By its number where it has no name here, and never by another architecture's name."""
    for core in CORES:
        names = [cannot_run(core, arch, "R", 0) for arch in range(24)]
        assert names[:3] == ["an architecture before v4-R", "v4-R", "v4T-R"]
        assert names[18:] == [
            *(f"architecture {n}-R" for n in (18, 19, 20)),
            "v8.1-M.mainline-R",
            "v9-A-R",
            "architecture 23-R",
        ]
        assert len(set(names)) == 24
