"""What people read before they sign: the whole outline of a package, line by line; names are those of the SUIT manifest draft, section 8."""

import re
from pathlib import Path

from workshop import workshop

from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.manifest import decode_manifest, encode_manifest
from imgseal.formats.suit.outline import outline

EXPECTED = Path(__file__).with_name("outline.txt")


def test_an_outline_line_by_line() -> None:
    """Digests are left out: they follow from the firmware, and other tests hold them."""
    lines = [re.sub(r"\b[0-9a-f]{64}\b", "...", line) for line in outline(decode_envelope(workshop().package))]
    assert lines == EXPECTED.read_text().splitlines()


def test_sequences_inside_a_sequence() -> None:
    """Branches, one of which gives up, and a sequence that is run: devices of others know both."""
    envelope = decode_envelope(workshop().package)
    match = Command(labels.CONDITION_IMAGE_MATCH, 15)
    inside = (Command(labels.SET_COMPONENT_INDEX, 1), match)
    validate = (Command(labels.TRY_EACH, ((match,), inside, None)), Command(labels.RUN_SEQUENCE, inside), match)
    manifest = decode_manifest(envelope.manifest)._replace(members={labels.VALIDATE: validate})
    lines = list(outline(envelope._replace(manifest=encode_manifest(manifest))))
    at = lines.index("  validate")
    assert [line[4:] for line in lines[at + 1 : at + 12]] == [
        "  try each:",
        "    branch 0",
        "        condition image match",
        "    branch 1",
        "      component 1:",
        "        condition image match",
        "    branch 2: give up silently",
        "  run:",
        "    component 1:",
        "      condition image match",
        "  condition image match",
    ]


def test_long_byte_strings_are_shown_in_a_complete_outline_alone() -> None:
    envelope = decode_envelope(workshop().package)
    sizes = {labels.DEVICE_ID: 16, labels.CONTENT: 32, labels.ENCRYPTION_INFO: 33}
    command = Command(labels.OVERRIDE_PARAMETERS, {label: bytes(size) for label, size in sizes.items()})
    manifest = decode_manifest(envelope.manifest)._replace(members={labels.VALIDATE: (command,)})
    changed = envelope._replace(manifest=encode_manifest(manifest))
    for complete, longest in ((False, "33 bytes"), (True, "00" * 33)):
        shown = [line.partition(" = ")[2] for line in outline(changed, complete=complete) if " = " in line]
        assert shown[-3:] == ["00" * 32, longest, "00" * 16]
