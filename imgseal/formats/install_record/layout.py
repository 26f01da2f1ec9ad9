"""The record's field table, in the order and with the offsets of docs/format/install-record.md. Little-endian.

The document's byte table, the codec and the C declaration follow it; a test compares the first two.
"""

import struct

from imgseal.formats.fields import Layout

MAGIC = b"\xd5records"
FORMAT = 1
REFUSED = 4
"""Manifest digests of failed packages that are remembered; the oldest makes room."""


HEAD = Layout(
    (
        ("magic", "8s", "marks a record of this format"),
        ("format", "H", "1"),
        ("phase", "B", "1 settled, 2 delivering, 3 switching, 4 trial, 5 unproven, 6 returning, 7 settling"),
        ("member_count", "B", "members in each of the two sets, 0 to 32"),
        ("generation", "I", "rises by one with each new content"),
        ("base", "I", "generation of the record that was acted upon when this one was written"),
        ("copied", "H", "0 as first written; one more each time the same content was copied to another place"),
        ("attempts", "B", "trial starts after any reset but power-on"),
        ("power_ons", "B", "trial starts after power-on"),
        (
            "prepared",
            "I",
            "bit per component by ascending number: delivered and verified; while switching, what is to be placed",
        ),
        (
            "kept",
            "I",
            "bit per component: its keep slot holds the older image, verified; `trial` 0: its run slot may be touched",
        ),
        ("placed", "I", "bit per component: its run slot has been rewritten with the image of the newer set, judged"),
        ("sequence", "I", "sequence number of the last settled release"),
        ("manifest_digest", "32s", "digest of its manifest; zeros when there was none"),
        ("target_sequence", "I", "sequence number of the release that is being installed or tried, else 0"),
        ("refused_count", "B", "digests used in the next field, 0 to 4"),
        ("trial", "B", "1 when a trial is offered: the set before can be returned to; else 0"),
        ("recovery", "B", "1 from before the recovery image is rewritten until it has been judged; else 0"),
        (
            "unraised",
            "B",
            "1 while counters are below those of the last settled set: their storage does not take them; else 0",
        ),
        ("target_digest", "32s", "digest of its manifest, else zeros"),
        ("refused", "128s", "manifest digests of packages that failed, oldest first, zeros behind them"),
    )
)
FIELDS = HEAD.fields
MEMBER = struct.Struct("<BB2s32s")
"""One member of a set: component number, index of its run slot (0xFF: none), zeros, SHA-256 of its statement."""
