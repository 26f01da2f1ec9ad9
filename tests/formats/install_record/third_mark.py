"""The boot mark from docs/format/boot-mark.md alone; imports nothing of imgseal."""

import hashlib


def mark(said: dict[str, object]) -> bytes:
    """The mark of what a device trusts and starts; the keys are the words of the page."""
    return hashlib.sha256(content(said)).digest()


def content(said: dict[str, object]) -> bytes:
    entries, anchors, revoked = said["entries"], said["anchors"], said["revoked"]
    assert isinstance(entries, list)
    assert isinstance(anchors, list)
    assert isinstance(revoked, list)
    out = b"\xd5checked" + (1).to_bytes(2, "little")
    out += bytes(
        [len(entries), len(anchors), len(revoked), number(said["need"]), number(said["kinds"]), number(said["must"])]
    )
    out += bytes([number(said["development"]), 0]) + number(said["hardware"]).to_bytes(2, "little")
    bootloader = said["bootloader"]
    assert isinstance(bootloader, bytes)
    assert len(bootloader) == 16
    out += bootloader
    for component, slot, statement in entries:
        out += bytes([component, 255 if slot is None else slot, 0, 0]) + (bytes(32) if slot is None else statement)
    for key_id, point, components, development, value in anchors:
        out += key_id + (point or bytes(64)) + components.to_bytes(4, "little")
        out += bytes([development, 2 if value else 1, 0, 0]) + value
    return out + b"".join(revoked)


def number(value: object) -> int:
    assert isinstance(value, int)
    return value
