"""Authentication blocks and odd keys: Python and C say what a table says; the long run is fuzz_blocks.py."""

from collections.abc import Callable
from pathlib import Path

from c_build import SOURCES
from fuzz_blocks import BlockFuzzer, many, odd_keys
from test_fuzz import FLAGS

from imgseal.limits import BLOCK_BYTES, BLOCKS, MANIFEST_BYTES


def test_limits_of_desk_and_device_are_the_same() -> None:
    header = (SOURCES / "seal_package.h").read_text()
    for name, value in (
        ("SEAL_BLOCKS_MAX", BLOCKS),
        ("SEAL_BLOCK_MAX", BLOCK_BYTES),
        ("SEAL_MEMBER_MAX", MANIFEST_BYTES),
    ):
        assert f"#define {name} {value}u" in header
    for page in ("format/package.md", "threats.md"):
        text = " ".join((SOURCES.parents[1] / "docs" / page).read_text().split())
        assert "`idle-blocks`" in text
        assert f"{BLOCKS} blocks" in text
        assert f"{BLOCK_BYTES:,} bytes" in text


def test_generated_blocks(tool: Callable[[str], str], tries: Callable[[int], int], tmp_path: Path) -> None:
    """Every outcome of the table, in its one encoding or not, with and without blocks that count for nothing."""
    tool("gcc")
    counts = many(BlockFuzzer(tmp_path, FLAGS), tries(1500), seed=1)
    print(dict(counts))
    for code in (
        "accepted", "accepted (idle blocks)", "structure.envelope", "signature.wrong-key", "signature.malformed", "trust.too-few-signatures",
        "trust.no-signature", "trust.algorithm-not-allowed",
    ):  # fmt: skip
        assert counts[code] >= 3, code
    assert counts["accepted"] + counts["accepted (idle blocks)"] > tries(300)


def test_odd_keys_in_every_map(tool: Callable[[str], str], tmp_path: Path) -> None:
    """true beside 1, in place of it, floats, tags, null and arrays: blocks, envelope, manifest, install sequence, text."""
    tool("gcc")
    counts = odd_keys(BlockFuzzer(tmp_path, FLAGS, ("kit",)))
    print(dict(counts))
    assert {key.split(":")[0] for key in counts} == {"block", "envelope", "manifest", "install", "text"}
    assert counts.total() > 1000
