"""Sizes as people read them: docs/report.md, in the largest unit that they are whole in with at most four digits, or else with one decimal."""

import pytest

from imgseal.report.memory_map import size_words


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0, "0 B"), (1, "1 B"), (1023, "1023 B"), (1024, "1 KiB"), (1025, "1.0 KiB"), (10001, "9.8 KiB"), (1536 << 10, "1536 KiB"),
        (1 << 20, "1 MiB"), (9999 << 10, "9999 KiB"), (20000 << 10, "19.5 MiB"), ((10 << 20) - 512, "10239.5 KiB"),
        ((10 << 20) + 512, "10.0 MiB"), (25 << 20, "25 MiB"), (1 << 30, "1 GiB"), (4 << 30, "4 GiB"), ((1 << 30) + 1, "1024.0 MiB"),
        (9999 << 20, "9999 MiB"), (10000 << 20, "10000.0 MiB"),
    ],
)  # fmt: skip
def test_words(size: int, words: str) -> None:
    assert size_words(size) == words
