"""The manifest <-> a value; section 8.4."""

from collections.abc import Mapping

from imgseal.formats.cbor.strict import encode, is_integer
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Sequence, decode_sequence, encode_sequence
from imgseal.formats.suit.component import ComponentId, component_id
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.errors import decode_part, refuse
from imgseal.formats.suit.text import Text, decode_text, text_value
from imgseal.limits import COMPONENTS, MANIFEST_BYTES
from imgseal.records import NamedTuple

_SEQUENCE_MAX = 0xFFFF_FFFF  # install records and device states keep 32 bits of it
_COMMON_KEYS = (labels.DEPENDENCIES, labels.COMPONENTS, labels.SHARED)

Member = Sequence | Text | SuitDigest | bytes
"""A member of the manifest: a command sequence, the text, the digest of one that was severed, or bytes (CoSWID)."""


class Manifest(NamedTuple):
    """A manifest. `members` are sequences and text by label; `dependencies` is trust-domain data that is only kept."""

    sequence_number: int
    components: tuple[ComponentId, ...]
    shared: Sequence
    members: Mapping[int, Member]
    set_version: tuple[int, ...] | None = None
    reference_uri: str | None = None
    component: ComponentId | None = None
    dependencies: object = None
    version: int = 1


def encode_member(member: Member) -> bytes:
    """Return the content of the byte string that a member is wrapped in."""
    if isinstance(member, bytes):
        return member
    if isinstance(member, dict):
        return encode(text_value(member))
    assert isinstance(member, tuple)
    assert not isinstance(member, SuitDigest)
    return encode_sequence(member)


def encode_manifest(manifest: Manifest) -> bytes:
    """Return the encoded map, not yet wrapped in a byte string."""
    common = {
        labels.DEPENDENCIES: manifest.dependencies,
        labels.COMPONENTS: manifest.components or None,
        labels.SHARED: encode_sequence(manifest.shared) if manifest.shared else None,
    }
    value: dict[int, object] = {
        labels.VERSION_MEMBER: manifest.version,
        labels.SEQUENCE_NUMBER: manifest.sequence_number,
        labels.COMMON: _encode_present(common),
        labels.REFERENCE_URI: manifest.reference_uri,
        labels.COMPONENT_MEMBER: manifest.component,
        labels.SET_VERSION: None if manifest.set_version is None else encode(manifest.set_version),
    }
    for label, member in manifest.members.items():
        value[label] = member.to_value() if isinstance(member, SuitDigest) else encode_member(member)
    return _encode_present(value)


def _encode_present(members: dict[int, object]) -> bytes:
    """Encode a map of the members that there are."""
    return encode({label: member for label, member in members.items() if member is not None})


def decode_manifest(data: bytes) -> Manifest:
    """Read the content of the manifest's byte string; SuitError says which member breaks which rule."""
    if len(data) > MANIFEST_BYTES:
        most = f"at most {MANIFEST_BYTES} bytes"
        refuse("manifest", "the manifest is larger than a device would copy", most, len(data))
    value = decode_part(data, "manifest")
    if not isinstance(value, dict):
        refuse("manifest", "this is no manifest", "a map", value)
    for label in value:
        if label not in labels.MANIFEST_MEMBERS:
            refuse("manifest", "an unknown member", "the labels of the SUIT registry", label)
        if value[label] is None:  # absent and null would be two encodings of one meaning
            refuse(f"manifest.{_name(label)}", "a member without a value", "a value")
    version = value.get(labels.VERSION_MEMBER)
    if not is_integer(version) or version != 1:
        refuse("manifest.version", "a manifest version that is not supported", "1", version)
    sequence = value.get(labels.SEQUENCE_NUMBER)
    if not is_integer(sequence) or not 0 <= sequence <= _SEQUENCE_MAX:
        refuse("manifest.sequence", "this is no sequence number of a device", f"0 to {_SEQUENCE_MAX}", sequence)
    if labels.COMMON not in value:
        refuse("manifest.common", "the common part is missing")
    dependencies, components, shared = _common(value[labels.COMMON])
    uri = value.get(labels.REFERENCE_URI)
    if uri is not None and not isinstance(uri, str):
        refuse("manifest.reference-uri", "this is no text", "a text string", uri)
    own = value.get(labels.COMPONENT_MEMBER)
    return Manifest(
        sequence_number=sequence,
        components=components,
        shared=shared,
        members={label: _member(label, member) for label, member in value.items() if label >= labels.VALIDATE},
        set_version=_set_version(value.get(labels.SET_VERSION)),
        reference_uri=uri,
        component=None if own is None else component_id(own, "manifest.component"),
        dependencies=dependencies,
    )


def _common(data: object) -> tuple[object, tuple[ComponentId, ...], Sequence]:
    common = decode_part(data, "common")
    if not isinstance(common, dict) or any(label not in _COMMON_KEYS for label in common):
        refuse("common", "this is no common part", f"a map with labels {_COMMON_KEYS}", common)
    if any(value is None for value in common.values()):  # absent and null would be two encodings of one meaning
        refuse("common", "a member without a value", "a value")
    listed = common.get(labels.COMPONENTS, [])
    if not isinstance(listed, list) or len(listed) > COMPONENTS or (labels.COMPONENTS in common and not listed):
        refuse("common.components", "this is no list of components", f"1 to {COMPONENTS} identifiers", listed)
    components = tuple(component_id(entry, f"common.components[{n}]") for n, entry in enumerate(listed))
    if len(set(components)) != len(components):
        refuse("common.components", "a component stands twice")
    shared = decode_sequence(common[labels.SHARED], "shared") if labels.SHARED in common else ()
    return common.get(labels.DEPENDENCIES), components, shared


def _name(label: int) -> str:
    return labels.MANIFEST_MEMBERS[label].replace(" ", "-")


def _member(label: int, value: object) -> Member:
    where = _name(label)
    if isinstance(value, list):
        if label not in labels.SEVERABLE:
            refuse(where, "this member cannot be severed", "a byte string", value)
        return SuitDigest.from_value(value, where)
    if label == labels.TEXT:
        return decode_text(value, where)
    if label != labels.COSWID:
        return decode_sequence(value, where)
    if not isinstance(value, bytes):
        refuse(where, "this is not wrapped in a byte string", "a byte string", value)
    return value


def _set_version(value: object) -> tuple[int, ...] | None:
    if value is None:
        return None
    numbers = decode_part(value, "set-version")
    if not isinstance(numbers, list) or not numbers or not all(map(is_integer, numbers)):
        refuse("set-version", "this is no version", "an array of integers", numbers)
    return tuple(numbers)
