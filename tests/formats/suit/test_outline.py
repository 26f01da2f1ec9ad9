"""What people read before they sign: the whole outline of a package, line by line; names are those of the SUIT manifest draft, section 8."""

import re
from pathlib import Path

from workshop import workshop

from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.outline import outline

EXPECTED = Path(__file__).with_name("outline.txt")


def test_an_outline_line_by_line() -> None:
    """Digests are left out: they follow from the firmware, and other tests hold them."""
    lines = [re.sub(r"\b[0-9a-f]{64}\b", "...", line) for line in outline(decode_envelope(workshop().package))]
    assert lines == EXPECTED.read_text().splitlines()
