"""The text map: descriptions for people, never a basis for a decision; section 8.4.4."""

from imgseal.formats.cbor.strict import is_integer
from imgseal.formats.suit.component import ComponentId, component_id
from imgseal.formats.suit.errors import decode_part, refuse
from imgseal.records import NamedTuple


class LanguageText(NamedTuple):
    """Texts in one language: of the manifest by label 1 to 4, of components by label 1 to 8; others are kept."""

    manifest: dict[int, str]
    components: dict[ComponentId, dict[int, str]]


Text = dict[str, LanguageText]


def text_value(text: Text) -> dict[object, object]:
    """Return the map as a value."""
    return {tag: dict([*part.manifest.items(), *part.components.items()]) for tag, part in text.items()}


def manifest_texts(text: Text, label: int) -> set[str]:
    """Return what the text says of the manifest under a label, in whatever language."""
    return {part.manifest[label] for part in text.values() if label in part.manifest}


def decode_text(data: object, where: str) -> Text:
    """Read a byte string that holds a text map."""
    value = decode_part(data, where)
    if not isinstance(value, dict) or not value:
        refuse(where, "this is no text map", "at least one language", value)
    out: Text = {}
    for tag, entries in value.items():
        if not isinstance(tag, str) or not _is_tag(tag):
            refuse(where, "this is no language tag", 'such as "en"', tag)
        if not isinstance(entries, dict):
            refuse(f"{where}.{tag}", "this is no map of texts", "a map", entries)
        manifest: dict[int, str] = {}
        components: dict[ComponentId, dict[int, str]] = {}
        for key, entry in entries.items():
            place = f"{where}.{tag}.{key}"
            if is_integer(key) and isinstance(entry, str):
                manifest[key] = entry
            elif isinstance(key, tuple) and isinstance(entry, dict):
                if not all(isinstance(k, int) and isinstance(v, str) for k, v in entry.items()):
                    refuse(place, "these are no texts of a component", "labels with texts", entry)
                components[component_id(key, place)] = dict(entry)
            else:
                refuse(place, "this is neither a text nor a component's texts", "a text string or a map", entry)
        out[tag] = LanguageText(manifest, components)
    return out


def _is_tag(tag: str) -> bool:
    parts = tag.split("-")
    return all(1 <= len(p) <= 8 and p.isascii() and p.isalnum() for p in parts) and parts[0].isalpha()
