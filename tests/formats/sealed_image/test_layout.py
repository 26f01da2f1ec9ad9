"""The byte table of docs/format/sealed-image.md and the code's own are one."""

import re
from pathlib import Path

from imgseal.formats.sealed_image.layout import FIELDS, FLAG_DETACHED, FLAG_DEVELOPMENT, MAGIC, STATEMENT_BYTES

PAGE = Path(__file__).parents[3] / "docs" / "format" / "sealed-image.md"


def test_page_and_code_list_the_same_fields_in_the_same_order() -> None:
    rows = re.findall(r"^\| (\d+) \| (\d+) \| `(\w+)` \| (.+) \|$", PAGE.read_text(), re.MULTILINE)
    assert [(int(o), int(s), n, m) for o, s, n, m in rows] == [(f.offset, f.size, f.name, f.meaning) for f in FIELDS]


def test_fields_leave_no_gap_and_fill_the_statement() -> None:
    end = 0
    for field in FIELDS:
        assert field.offset == end
        end += field.size
    assert end == STATEMENT_BYTES == 384


def test_page_states_magic_and_flags() -> None:
    text = PAGE.read_text()
    assert " ".join(f"{byte:02x}" for byte in MAGIC) in text
    assert f"bit {FLAG_DEVELOPMENT.bit_length() - 1}: development" in text
    assert f"bit {FLAG_DETACHED.bit_length() - 1}: detached" in text
