"""The text of a package, and what it names: a bill of materials, the head of the release log (decisions 013, 045)."""

from imgseal.formats.sbom.bill import Bill, parse_words
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import Envelope, wrapped_digest
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.labels import BILL_OF_MATERIALS, LOG_HEAD, TEXT
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.formats.suit.text import Text, decode_text, manifest_texts


def bill_in(text: Text) -> Bill | None:
    """Return the bill of materials that a text names; None where it names none, or two languages name two."""
    named = manifest_texts(text, BILL_OF_MATERIALS)
    return parse_words(named.pop()) if len(named) == 1 else None


def bill_of(envelope: Envelope) -> Bill | None:
    """Return the bill of materials that an envelope names; nothing is verified here. None where its text is gone."""
    try:
        text = text_of(envelope)
    except SuitError:
        return None
    return bill_in(text) if isinstance(text, dict) else None


def witness_of(envelope: Envelope) -> str | None:
    """Return the head of the release log that an envelope carries, where its text is the one that the manifest names.

    None where it carries none, or its text is gone. No signature is verified here.
    """
    try:
        text = text_of(envelope)
        content, named = envelope.severed.get(TEXT), decode_manifest(envelope.manifest).members.get(TEXT)
        if content is not None and named != wrapped_digest(content):
            return None
    except SuitError:
        return None
    said = manifest_texts(text, LOG_HEAD) if isinstance(text, dict) else set()
    return said.pop() if len(said) == 1 else None


def text_of(envelope: Envelope) -> Text | SuitDigest | None:
    """Return the text of a package, severed or inside the manifest; SuitError where it cannot be read.

    The digest alone is left of a text that was taken out; None where there never was one. Nothing is verified here.
    """
    content = envelope.severed.get(TEXT)
    if content is not None:
        return decode_text(content, "text")
    member = decode_manifest(envelope.manifest).members.get(TEXT)
    return member if isinstance(member, dict | SuitDigest) else None
