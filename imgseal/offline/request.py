"""The signing request, format 1: what is asked to be signed, and by which keys. docs/format/signing-request.md.

It holds what is signed itself and never only its digest: whoever signs it sees what it says, and the bytes that
are signed are derived from it there. Nothing in it is secret, and nothing in it is believed.
"""

import hashlib
from collections.abc import Mapping

from imgseal.errors import InputError, Place
from imgseal.flow.classes import classes_of_manifest
from imgseal.formats.cbor.strict import encode
from imgseal.formats.cose.labels import ALGORITHMS, ES256, ESP256, ML_DSA_44
from imgseal.formats.cose.sign1 import protected_header, to_be_signed
from imgseal.formats.sealed_image.codec import decode_statement, encode_statement
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.formats.suit import labels
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import wrapped_digest
from imgseal.formats.suit.manifest import decode_manifest, encode_manifest
from imgseal.formats.suit.text import decode_text
from imgseal.limits import COMPONENTS, MANIFEST_BYTES, REQUEST_BYTES
from imgseal.offline.profile import refuse_outside_profile, remark
from imgseal.offline.screen import manifest_lines, manifest_screen, statement_screen, statement_words
from imgseal.offline.text_form import CHANGED, encode64, escaped, read_document, refuse, write_document
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.values import Kind, Node, array, hexadecimal, record

KIND = "signing request"
NUMBERS = {ALGORITHMS[number]: number for number in (ESP256, ES256, ML_DSA_44)}
_ABOUT = 200
_VERIFIER = 4096  # as rules.verifier


class Asked(NamedTuple):
    """A signature that is asked for: the algorithm's name and the key identifier, 16 bytes."""

    algorithm: str
    key_id: bytes


_ASKED = record(
    Asked, {"algorithm": Kind(lambda node: node.choice(NUMBERS)), "key": hexadecimal(16)}, {"key": "key_id"}
)
_ASKED_KEYS = array(_ASKED, 1, 16, "keys, each once", lambda keys: len({key.key_id for key in keys}) == len(keys))


class Item(NamedTuple):
    """One thing to sign: a statement of 384 bytes, or an encoded manifest with the members severed from it.

    `payload` is the firmware that a statement speaks for, where the request brings it along. `verifier` names what
    reads packages on the devices, where a manifest is outside the device profile; absent where it is inside.
    """

    content: bytes
    keys: tuple[Asked, ...]
    severed: Mapping[int, bytes] | None = None
    payload: bytes | None = None
    verifier: str | None = None

    @property
    def is_statement(self) -> bool:
        """Whether a sealed image is asked for; else it is a package."""
        return self.severed is None

    @property
    def digest(self) -> bytes:
        """SHA-256, 32 bytes: of the statement, or of the manifest as SUIT has it."""
        return hashlib.sha256(self.content).digest() if self.is_statement else wrapped_digest(self.content).value

    @property
    def classes(self) -> frozenset[bytes]:
        """The class identifiers that it states, by the content alone."""
        if self.is_statement:
            return frozenset([decode_statement(self.content).class_id])
        return classes_of_manifest(self.content)

    def message(self, algorithm: str) -> bytes:
        """Return the bytes that a key signs with an algorithm: the statement, or COSE's Sig_structure."""
        if self.is_statement:
            return self.content
        return to_be_signed(protected_header(NUMBERS[algorithm]), encode(wrapped_digest(self.content).to_value()))

    def screen(self) -> list[str]:
        """Return the lines of all that is signed, from the content alone, for whoever signs it."""
        if self.severed is None:
            return statement_screen(self.content)
        return self._remarked(manifest_screen(self.content, self.severed), self.severed)

    def words(self) -> list[str]:
        """Say in lines what is signed, in short, from the content alone."""
        if self.severed is None:
            return statement_words(decode_statement(self.content))
        manifest = decode_manifest(self.content)
        return self._remarked(manifest_lines(manifest, self.content, self.severed, complete=False), self.severed)

    def _remarked(self, lines: list[str], severed: Mapping[int, bytes]) -> list[str]:
        """Put what devices would say of a package behind its first line."""
        said = remark(decode_manifest(self.content), severed, self.verifier)
        return [*lines[:1], *map(escaped, said), *lines[1:]]


class Request(NamedTuple):
    """A signing request; `about` is what its maker calls it, which nothing checks."""

    about: str
    items: tuple[Item, ...]


def request_digest(data: bytes) -> bytes:
    """Return what responses name a request by: SHA-256 of its bytes."""
    return hashlib.sha256(data).digest()


def encode_request(request: Request) -> bytes:
    """Return the request as text."""
    return write_document(
        {
            "imgseal": KIND,
            "format": 1,
            "about": request.about,
            "items": [_document(item) for item in request.items],
        }
    )


def _document(item: Item) -> dict[str, object]:
    what = "statement" if item.is_statement else "manifest"
    out: dict[str, object] = {
        "what": what,
        "says": item.words(),
        "sha256": item.digest.hex(),
        "keys": _ASKED_KEYS.write(item.keys),
        what: encode64(item.content),
    }
    if item.severed:
        out["severed"] = {
            labels.MANIFEST_MEMBERS[label]: encode64(item.severed[label]) for label in sorted(item.severed)
        }
    if item.payload is not None:
        out["payload"] = encode64(item.payload)
    if item.verifier is not None:
        out["verifier"] = item.verifier
    return out


def decode_request(data: bytes, name: str) -> Request:
    """Read a request; InputError for anything that is not exactly what `encode_request` writes.

    A statement or manifest is read as strictly as the judge reads it; a payload must be the one that its statement
    names. A manifest is held to the device profile, as far as one can without a product file.
    """
    try:
        request = _decode(data)
        if encode_request(request) != data:
            refuse("the request is not as imgseal writes it", "", "what its statements and manifests say", "other text")
    except InputError as error:
        error.place = error.place._replace(file=name)
        error.hint = CHANGED
        raise
    hold_to_profile(request, name)
    return request


def hold_to_profile(request: Request, name: str, product: Product | None = None) -> None:
    """InputError for a manifest that devices do not read; with a product file, that its devices do not read."""
    for number, item in enumerate(request.items):
        if item.severed is not None:
            place = Place(file=name, key=f"items[{number}].manifest")
            refuse_outside_profile(decode_manifest(item.content), item.severed, item.verifier, place, product)


def _decode(data: bytes) -> Request:
    at = read_document(data, KIND, REQUEST_BYTES).members(("imgseal", "format", "about", "items"))
    at["format"].integer(1, 1)
    about = at["about"].value
    if not isinstance(about, str) or len(about) > _ABOUT or not about.isprintable():
        at["about"].refuse(f"at most {_ABOUT} characters that can be printed", "this is no name of a request")
    read = tuple(_item(node) for node in at["items"].items(1, COMPONENTS, "things to sign"))
    if len(read) > 1 and not all(item.is_statement for item in read):
        refuse("more than one kind of thing to sign", "items", "statements, or one manifest", "a manifest among others")
    if len({item.digest for item in read}) != len(read):
        refuse("one thing is asked for twice", "items", "each once", "the same SHA-256 twice")
    return Request(about, read)


def _item(node: Node) -> Item:
    what = node.entries("a thing to sign").get("what", node).choice(("statement", "manifest"))
    optional = ("payload",) if what == "statement" else ("severed", "verifier")
    at = node.members(("what", "says", "sha256", "keys", what, *optional), optional)
    keys = _ASKED_KEYS.read(at["keys"])
    return _statement(at, keys) if what == "statement" else _manifest(at, keys)


def _statement(at: Mapping[str, Node], keys: tuple[Asked, ...]) -> Item:
    item = Item(at["statement"].base64(STATEMENT_BYTES), keys)
    statement = decode_statement(item.content)
    if encode_statement(statement) != item.content:
        at["statement"].refuse(None, "the statement does not read back as it is written")
    named = {(slot.algorithm, slot.key_id) for slot in statement.signatures}
    for entry in keys:
        if (NUMBERS[entry.algorithm], entry.key_id) not in named:
            at["keys"].refuse(
                ", ".join(slot.key_id.hex() for slot in statement.signatures),
                "a key is asked for that the statement does not name",
                entry.key_id.hex(),
            )
    if "payload" in at:
        payload = at["payload"].base64(REQUEST_BYTES)
        if len(payload) != statement.payload_size or hashlib.sha256(payload).digest() != statement.payload_digest:
            at["payload"].refuse(
                f"{statement.payload_size} bytes, SHA-256 {statement.payload_digest.hex()}",
                "the firmware in the request is not what the statement speaks for",
                f"{len(payload)} bytes, SHA-256 {hashlib.sha256(payload).hexdigest()}",
            )
        item = item._replace(payload=payload)
    return item


def _manifest(at: Mapping[str, Node], keys: tuple[Asked, ...]) -> Item:
    content = at["manifest"].base64(MANIFEST_BYTES)
    manifest = decode_manifest(content)
    if encode_manifest(manifest) != content:
        at["manifest"].refuse(None, "the manifest does not read back as it is written")
    by_name = {
        labels.MANIFEST_MEMBERS[label]: (label, member)
        for label, member in manifest.members.items()
        if isinstance(member, SuitDigest)
    }
    severed = {}
    there = at.get("severed", Node(at["what"].document, {}, "severed", at["what"].above))
    for name, node in there.members(tuple(by_name)).items():
        label, digest = by_name[name]
        severed[label] = node.base64(MANIFEST_BYTES)
        if wrapped_digest(severed[label]) != digest:
            node.refuse(None, "a severed member is not the one that the manifest names")
    if labels.TEXT in severed:
        decode_text(severed[labels.TEXT], "text")  # what cannot be read cannot be shown
    verifier = at["verifier"].text(_VERIFIER) if "verifier" in at else None
    return Item(content, keys, severed, verifier=verifier)
