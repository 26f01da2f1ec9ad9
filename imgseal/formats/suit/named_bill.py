"""The bill of materials that a package names in its text; docs/decisions/013-sbom.md."""

from imgseal.formats.sbom.bill import Bill, parse_words
from imgseal.formats.suit.envelope import Envelope
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.labels import BILL_OF_MATERIALS, TEXT
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.formats.suit.text import Text, decode_text, manifest_texts


def bill_in(text: Text) -> Bill | None:
    """Return the bill of materials that a text names; None where it names none, or two languages name two."""
    named = manifest_texts(text, BILL_OF_MATERIALS)
    return parse_words(named.pop()) if len(named) == 1 else None


def bill_of(envelope: Envelope) -> Bill | None:
    """Return the bill of materials that an envelope names; nothing is verified here. None where its text is gone."""
    content = envelope.severed.get(TEXT)
    try:
        if content is not None:
            return bill_in(decode_text(content, "text"))
        member = decode_manifest(envelope.manifest).members.get(TEXT)
    except SuitError:
        return None
    return bill_in(member) if isinstance(member, dict) else None
