"""Encoded CBOR items that no map of ours has as a key; Python would take some of them for 1."""

ODD = {
    "true": b"\xf5", "false": b"\xf4", "null": b"\xf6", "bytes": b"\x41\x01", "no-bytes": b"\x40", "tag": b"\xd2\x01", "half-float": b"\xf9\x3c\x00",
    "double": b"\xfb\x3f\xf0" + bytes(6), "map": b"\xa0", "array-of-true": b"\x81\xf5", "array-of-one": b"\x81\x01", "array-of-text": b"\x81\x61a",
    "array-in-array": b"\x81\x80", "bytes-and-true": b"\x82\x41\x01\xf5", "undefined": b"\xf7",
}  # fmt: skip
