"""Writes tests/vectors/patches.json: patches with what they are applied to and what comes out, and patches that are none.

python tests/delta/make_vectors.py; for other implementations of docs/format/delta.md.
"""

import json
import sys
from itertools import islice
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from small_pairs import RAM, call, pairs

from imgseal.check.patch import apply_patch
from imgseal.formats.delta.layout import PREAMBLE, Frame
from imgseal.make.delta.encode import encode

TARGET = Path(__file__).parents[1] / "vectors" / "patches.json"
BASE = 0x1_0000
ORIGIN = (
    "Made by tests/delta/make_vectors.py, of generated images; under the licence of imgseal. Of each: the old image, the size "
    "that is signed, the patch, and the new image or why there is none (the words are ours, the refusal is not)."
)


def example() -> tuple[bytes, bytes, Frame]:
    """The example of the page: two functions, one calls the other, and the other moves."""
    helper = bytes.fromhex("0020704700bf00bf")
    before = call(BASE, BASE + 12) + b"\x00\xbf\x70\x47" + (BASE + 13).to_bytes(4, "little") + helper
    after = (
        call(BASE, BASE + 16) + b"\x00\xbf\x70\x47" + (BASE + 17).to_bytes(4, "little") + b"\x2a\x20\x70\x47" + helper
    )
    return before, after, Frame(BASE, BASE, RAM, 0x1_0000)


def good() -> dict[str, tuple[bytes, bytes, bytes]]:
    """Name -> old image, new image, patch."""
    old, new, frame = example()
    text = b"".join(b"phrase %d of the vent\0" % i for i in range(40))
    noise = bytes(i * i * 7 + i // 3 & 255 for i in range(5000))
    out = {
        "the example of the page": (old, new, encode(old, new, frame).data),
        "one byte": (b"", b"v", encode(b"", b"v", None).data),
        "text that repeats": (b"", b"vent vent vent", encode(b"", b"vent vent vent", None).data),
        "data": (
            text,
            text[:300] + b"a new one\0" + text[280:],
            encode(text, text[:300] + b"a new one\0" + text[280:], None).data,
        ),
        "nothing changed": (text, text, encode(text, text, None).data),
        "code without an old image": (b"", new, encode(b"", new, frame).data),
        "another slot": (old, new, encode(old, new, frame._replace(new_base=0x8_0000)).data),
        "noise": (b"", noise, encode(b"", noise, None).data),
    }
    for number, pair in enumerate(islice(pairs(3), 24)):
        out[f"generated {number}"] = (pair.old, pair.new, encode(pair.old, pair.new, pair.frame).data)
    return out


def bad() -> dict[str, tuple[bytes, int, bytes]]:
    """Name -> old image, size, what is no patch for it."""
    old, new, frame = example()
    patch = encode(old, new, frame).data
    front = PREAMBLE[1]
    size = len(new)
    return {
        "no bytes": (old, size, b""),
        "version 3": (old, size, b"\x03" + patch[1:]),
        "version 0": (old, size, b"\x00" + patch[1:]),
        "ends in front": (old, size, patch[: front - 1]),
        "ends behind what is in front": (old, size, patch[:front]),
        "last byte missing": (old, size, patch[:-1]),
        "a byte behind the end": (old, size, patch + b"\x01"),
        "a zero behind the end": (old, size, patch + b"\x00"),
        "five zeros behind the end": (old, size, patch + bytes(5)),
        "one byte more is signed": (old, size + 1, patch),
        "one byte less is signed": (old, size - 1, patch),
        "RAM of 2^28 bytes": (old, size, patch[:8] + b"\x10" + patch[9:]),
        "code of all ones": (old, size, patch[:front] + b"\xff\xff\xff\xff" + patch[front + 4 :]),
        "all decisions are one": (old, size, patch[:front] + b"\xff\xff\xff\xfe" + b"\xff" * 40),
        "old image cut off": (old[:8], size, patch),
        "without the old image": (b"", size, patch),
        "of data, all decisions are one": (
            old,
            size,
            b"\x02" + (size - 1).to_bytes(3, "big") + b"\xff\xff\xff\xfe" + b"\xff" * 40,
        ),
    }


def document() -> dict[str, Any]:
    """What the file holds."""
    rows: list[dict[str, Any]] = []
    for name, (old, new, patch) in good().items():
        rows.append({"name": name, "old": old.hex(), "size": len(new), "patch": patch.hex(), "new": new.hex()})
    for name, (old, size, patch) in bad().items():
        made = apply_patch(patch, old, size)
        assert not isinstance(made, bytes), name
        rows.append({"name": name, "old": old.hex(), "size": size, "patch": patch.hex(), "refused": made.why})
    return {"origin": ORIGIN, "patches": rows}


if __name__ == "__main__":
    TARGET.write_text(json.dumps(document(), indent=1) + "\n")
