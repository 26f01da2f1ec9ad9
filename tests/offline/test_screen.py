"""What a person sees who is asked to sign: nothing that is signed may be left out of it.

Held against the bytes: whatever changes in what is signed changes on the screen.
"""

import struct
from collections.abc import Iterator

import pytest
from workshop import workshop

from imgseal.errors import InputError
from imgseal.formats.cbor.strict import encode
from imgseal.formats.fields import Field
from imgseal.formats.sealed_image import layout
from imgseal.formats.sealed_image.layout import FIELDS, STATEMENT_BYTES, field
from imgseal.formats.suit import labels
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.formats.suit.manifest import decode_manifest, encode_manifest
from imgseal.formats.suit.text import decode_text, text_value
from imgseal.offline.profile import outside
from imgseal.offline.request import Asked, Item, Request, decode_request, encode_request
from imgseal.offline.screen import manifest_screen, statement_screen

STATEMENT = workshop().images["motor-a"][:STATEMENT_BYTES]


def changed(name: str, *values: object) -> bytes:
    """The statement with other values in one field."""
    entry = field(name)
    return STATEMENT[: entry.offset] + struct.pack("<" + entry.code, *values) + STATEMENT[entry.offset + entry.size :]


def test_names_and_values_stand_below_one_another() -> None:
    head, *lines = statement_screen(STATEMENT)
    assert head == "sealed image of component 1 (code, released), version 2.4.1, counter 6"
    column = max(len(entry.name) for entry in FIELDS) + 4
    assert all(line[column - 1] == " " and line[column] != " " for line in lines)
    assert "  entry_offset           0x00000000 (0)" in lines
    assert "  signature_0_algorithm  -9 (ESP256)" in lines
    assert max(map(len, lines)) <= 100


def test_every_field_is_on_the_screen() -> None:
    """By its name, and by its value: every bit of the statement changes what is shown."""
    shown = statement_screen(STATEMENT)
    for entry in FIELDS:
        assert any(entry.name in line.replace(",", " ").split() for line in shown), entry.name
    for at in range(STATEMENT_BYTES):
        for bit in range(8):
            data = STATEMENT[:at] + bytes([STATEMENT[at] ^ 1 << bit]) + STATEMENT[at + 1 :]
            assert statement_screen(data) != shown, (at, bit)


@pytest.mark.parametrize("value", [0, 0x1234])
def test_a_field_that_is_added_to_the_layout_shows(monkeypatch: pytest.MonkeyPatch, value: int) -> None:
    """The screen follows the table: nobody has to think of it."""
    last = FIELDS[-1]
    assert (last.name, last.size) == ("reserved", 12)
    more = (
        *FIELDS[:-1],
        Field(last.offset, 4, "second_entry", "I", "invented"),
        Field(last.offset + 4, 8, "reserved", "8s", "zeros"),
    )
    monkeypatch.setattr(layout, "FIELDS", more)
    data = STATEMENT[: last.offset] + struct.pack("<I", value) + bytes(8)
    shown = statement_screen(data)
    assert any("second_entry" in line for line in shown)
    assert any(line.split() == ["second_entry", str(value)] for line in shown) == (value != 0)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("entry_offset", 0x1000, "entry_offset           0x00001000 (4096)   (usually 0x00000000 (0))"),
        ("header_block", 2048, "header_block           2048   (usually 1024)"),
        ("flags", 2, "flags                  0x00000002 (header kept apart)   (usually 0x00000000 (none))"),
        ("signature_1_algorithm", -48, "signature_1_algorithm  -48 (ML-DSA-44)   (usually 0)"),
        ("digest_algorithm", -44, "digest_algorithm       -44   (usually -16 (SHA-256))"),
    ],
)
def test_what_is_unusual_comes_first(name: str, value: int, words: str) -> None:
    """A vector table elsewhere, another header block, one more signature slot."""
    assert statement_screen(changed(name, value))[1:4] == [
        "look at these first:",
        f"  {words}",
        "and at all others:",
    ]


def manifests() -> Iterator[tuple[bytes, dict[int, bytes]]]:
    """The demo's manifest with one bit changed, in it or in a member severed from it, where it is still one of ours."""
    envelope = decode_envelope(workshop().package)
    content, severed = envelope.manifest, {label: bytes(data) for label, data in envelope.severed.items()}
    before = decode_manifest(content)
    for label, data in ((None, content), *severed.items()):
        for at in range(len(data)):
            new = data[:at] + bytes([data[at] ^ (0x01, 0x10, 0x02)[at % 3]]) + data[at + 1 :]
            try:
                if label is None:
                    made, beside = new, severed
                    manifest = decode_manifest(made)
                else:
                    beside = {**severed, label: new}
                    manifest = before._replace(members={**before.members, label: wrapped_digest(new)})
                    made = encode_manifest(manifest)
                held = {label for label, member in manifest.members.items() if isinstance(member, SuitDigest)}
                if encode_manifest(manifest) != made or held != set(beside):
                    continue
                if outside(manifest, beside) is not None:
                    continue
                decode_text(beside[labels.TEXT], "text")
            except InputError:
                continue
            yield made, beside


def test_every_value_of_a_manifest_is_on_the_screen() -> None:
    envelope = decode_envelope(workshop().package)

    def without_digest(content: bytes, severed: dict[int, bytes]) -> list[str]:
        lines = manifest_screen(content, severed)
        assert lines[1].startswith("digest of the manifest: ")
        return [lines[0], *lines[2:]]

    shown = without_digest(envelope.manifest, {label: bytes(data) for label, data in envelope.severed.items()})
    tried = 0
    for content, severed in manifests():
        same_digests = {label: wrapped_digest(data) for label, data in severed.items()}
        members = decode_manifest(content).members
        if any(members[label] != digest for label, digest in same_digests.items()):
            continue  # a digest of a severed member that is not that of its bytes: no request may hold it
        lines = without_digest(content, severed)
        assert lines != shown, content.hex()
        assert not any("unreadable" in line for line in lines)
        tried += 1
    assert tried > 300


def test_a_text_that_cannot_be_read_is_not_asked_for() -> None:
    """It would be a line that says so, and be signed unseen."""
    envelope = decode_envelope(workshop().package)
    severed = {label: bytes(data) for label, data in envelope.severed.items()}
    severed[labels.TEXT] = severed[labels.TEXT] + b"\0"
    before = decode_manifest(envelope.manifest)
    manifest = before._replace(members={**before.members, labels.TEXT: wrapped_digest(severed[labels.TEXT])})
    asked = Asked("ESP256", bytes(16))
    raw = encode_request(Request("r", (Item(encode_manifest(manifest), (asked,), severed),)))
    with pytest.raises(InputError) as caught:
        decode_request(raw, "r.json")
    assert caught.value.place.key == "text"


def test_reporting_policies_and_line_ends_show() -> None:
    envelope = decode_envelope(workshop().package)
    severed = {label: bytes(data) for label, data in envelope.severed.items()}
    shown = manifest_screen(envelope.manifest, severed)
    assert any("condition image match (report 15)" in line for line in shown)
    assert any("manifest version: 1" in line for line in shown)
    text = decode_text(severed[labels.TEXT], "text")
    words = {label: f"one\r\n{said}" for label, said in text["en"].manifest.items()}
    other = {**severed, labels.TEXT: encode(text_value({**text, "en": text["en"]._replace(manifest=words)}))}
    assert any("one\\x0d" in line for line in manifest_screen(envelope.manifest, other))
