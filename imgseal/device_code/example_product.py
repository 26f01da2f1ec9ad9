"""The product file of the example: the demo's vent drive on an emulated board (example/board.h)."""

from imgseal.errors import InternalError
from imgseal.product.starter import product_text

_HEAD = """\
# SPDX-License-Identifier: MIT
# Copyright (c) 2026 the imgseal authors
# The demo's vent drive on an emulated board (board.h): what differs is class, addresses and firmware.
"""
_RECORDS = 'size = "16 KiB"\nholds = "records"\n'
_RECORDS_AND_MARK = """\
size = "12 KiB"
holds = "records"

[slot.mark]
memory = "internal"
at = 0x1_3000
size = "4 KiB"
holds = "boot-mark"
write_protected = "until-reset"  # board_protect in board.c
"""
_DIFFERENT = (
    ("# A greenhouse vent drive, invented: two cores, 1 MiB of internal flash, 512 Mbit of external NOR.\n", _HEAD),
    ('class = "vent-drive-2"', 'class = "vent-drive-emulated"'),
    ('[signing.development]\nimages = "keys-dev/images.pem"\npackages = "keys-dev/packages.pem"\n\n', ""),
    ('[trust.development]\nimages = ["keys-dev/images.pub.pem"]\npackages = ["keys-dev/packages.pub.pem"]\n\n', ""),
    ("base = 0x0000_0000", "base = 0x2100_0000"),
    ("base = 0x6000_0000", "base = 0x2110_0000"),
    ('size = "512 Mbit"                # 64 MiB', 'size = "4 MiB"'),
    ('size = "8 MiB"', 'size = "1 MiB"'),
    (_RECORDS, _RECORDS_AND_MARK),
    ("vectors = 64", "vectors = 48"),
    ('"firmware/', '"build/'),
    ("at = 0x0_F000", "at = 0x2100_F000"),
    ("[rules]\n", '[rules]\nat_boot = "digest"               # a set that was verified starts by its digests\n'),
)
"""What the board has in the place of what the demo has."""


def example_product() -> str:
    """Return the product file as `device-code --example` writes it."""
    text = product_text()
    for demo, board in _DIFFERENT:
        if demo not in text:
            raise InternalError(f"the demo's product file does not say {demo!r} any more")
        text = text.replace(demo, board)
    return text
