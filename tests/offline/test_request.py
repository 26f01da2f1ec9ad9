"""Signing requests and responses: one text for one meaning, what is signed derived from the content, sizes."""

import base64
import json
from collections.abc import Callable
from typing import Any

import pytest
import segno
from workshop import public_key, signer, workshop

from imgseal.errors import InputError
from imgseal.formats.cose.sign1 import protected_header, take_apart, to_be_signed
from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, decode_sequence, encode_sequence
from imgseal.formats.suit.digest import SuitDigest
from imgseal.formats.suit.envelope import decode_envelope, wrapped_digest
from imgseal.formats.suit.manifest import Manifest, decode_manifest, encode_manifest
from imgseal.keys.p256 import verify
from imgseal.offline.request import Asked, Item, Request, decode_request, encode_request, request_digest
from imgseal.offline.response import Response, Signed, decode_response, encode_response
from imgseal.offline.text_form import escaped

IMAGES, PACKAGES = (
    Asked("ESP256", public_key("keys/images").key_id),
    Asked("ESP256", public_key("keys/packages").key_id),
)


def statement_item(slot: str = "radio") -> Item:
    return Item(workshop().images[slot][:384], (IMAGES,))


def manifest_item() -> Item:
    envelope = decode_envelope(workshop().package)
    return Item(envelope.manifest, (PACKAGES,), dict(envelope.severed))


def request() -> Request:
    return Request("vent-drive 2.4.1 (sequence 17)", (statement_item(), statement_item("motor-a")))


def package_request() -> Request:
    return Request("vent-drive 2.4.1 (sequence 17)", (manifest_item(),))


def test_there_and_back() -> None:
    for one in (request(), package_request()):
        assert decode_request(encode_request(one), "r.json") == one


def test_what_is_signed_is_what_the_release_signed() -> None:
    """The released set's own signatures hold for the messages that are derived from a request."""
    raw = workshop().images["radio"]
    verify(public_key("keys/images"), statement_item().message("ESP256"), raw[384:448])
    envelope = decode_envelope(workshop().package)
    verify(public_key("keys/packages"), manifest_item().message("ESP256"), take_apart(envelope.blocks[0]).signature)
    # RFC 9052 section 4.4, over the encoded digest as the published examples sign it
    assert manifest_item().message("ES256") == to_be_signed(protected_header(-7), envelope.digest_bytes)
    assert manifest_item().digest == envelope.digest.value


def test_smallest_request_fits_a_qr_code() -> None:
    """One statement, one key: the figures of docs/format/signing-request.md; segno knows ISO/IEC 18004."""
    small = encode_request(Request("r", (statement_item(),)))
    response = encode_response(Response(bytes(32), (Signed(bytes(32), IMAGES, bytes(64)),)))
    package = encode_request(Request("r", (manifest_item(),)))
    assert (len(small), len(response)) == (1258, 414)
    assert segno.make(small, mode="byte", error="L", micro=False, boost_error=False).version == 25
    assert segno.make(response, mode="byte", error="L", micro=False, boost_error=False).version == 13
    assert len(package) > 2953  # what version 40-L holds: the demo's package of three images goes by file
    with pytest.raises(segno.DataOverflowError):
        segno.make(package, mode="byte", error="L", micro=False)


def edited(change: Callable[[dict[str, Any]], None], of: Request | None = None) -> bytes:
    document = json.loads(encode_request(of or request()))
    change(document)
    return (json.dumps(document, indent=1) + "\n").encode()


def put(path: str, value: object) -> Callable[[dict[str, Any]], None]:
    def change(document: dict[str, Any]) -> None:
        *way, last = [int(part) if part.isdigit() else part for part in path.split("/")]
        here: Any = document
        for part in way:
            here = here[part]
        here[last] = value

    return change


def b64(data: bytes) -> str:
    return base64.b64encode(data).decode()


CASES: list[tuple[Callable[[dict[str, Any]], None], str]] = [
    (put("imgseal", "signing response"), "this is no signing request"),
    (put("format", 2), "format"),
    (put("format", True), "format"),
    (put("about", "two\nlines"), "name of a request"),
    (put("about", 7), "name of a request"),
    (put("items", []), "1 to 64 things to sign"),
    (put("items", {}), "1 to 64 things to sign"),
    (put("items/0", 1), "a thing to sign"),
    (put("items/0/what", "file"), '"statement" or "manifest"'),
    (put("items/0/keys", []), "1 to 16 keys"),
    (put("items/0/keys/0", {"algorithm": "ESP256"}), "this key is missing"),
    (put("items/0/keys/0/algorithm", "EdDSA"), '"ESP256" or'),
    (put("items/0/keys/0/key", "00" * 16), "the statement does not name"),
    (put("items/0/keys/0/key", "0" * 31), "32 lower-case hex digits"),
    (put("items/0/keys/0/key", IMAGES.key_id.hex().upper()), "32 lower-case hex digits"),
    (put("items/0/keys", [{"algorithm": "ESP256", "key": IMAGES.key_id.hex()}] * 2), "each once"),
    (put("items/0/statement", b64(bytes(384))), "no sealed image"),
    (put("items/0/statement", b64(bytes(385))), "base64"),
    (put("items/0/statement", "*"), "base64"),
    (put("items/0/payload", b64(b"x")), "not what the statement speaks for"),
    (put("items/0/says", ["something else"]), "not as imgseal writes it"),
    (put("items/0/sha256", "00" * 32), "not as imgseal writes it"),
    (put("items/0/more", 1), "unknown key"),
    (put("more", 1), "unknown key"),
    (put("items/0/manifest", b64(b"\x00")), "manifest"),
    (put("items/0/severed/text", b64(b"\xa0")), "not the one that the manifest names"),
    (put("items/0/severed", {}), "items[0].severed.install: this key is missing"),
    (put("items/0/severed", []), "an object with install, text"),
]


def test_one_signature_is_asked_of_up_to_16_keys() -> None:
    """docs/format/signing-request.md; several signers sign one manifest."""
    keys = tuple(Asked("ESP256", bytes([number]) * 16) for number in range(17))
    of = package_request()
    most = of._replace(items=(of.items[0]._replace(keys=keys[:16]),))
    assert decode_request(encode_request(most), "r.json") == most
    with pytest.raises(InputError, match="1 to 16 keys"):
        decode_request(encode_request(of._replace(items=(of.items[0]._replace(keys=keys),))), "r.json")


MANIFEST_WORDS = (
    "manifest", "not the one that the manifest names", "items[0].severed.install: this key is missing",
    "an object with install, text",
)  # fmt: skip


@pytest.mark.parametrize(("change", "words"), CASES)
def test_anything_else_is_refused(change: Callable[[dict[str, Any]], None], words: str) -> None:
    of = package_request() if words in MANIFEST_WORDS else None
    with pytest.raises(InputError) as caught:
        decode_request(edited(change, of), "r.json")
    assert words in str(caught.value)
    assert caught.value.place.file == "r.json"


def test_one_kind_each_once() -> None:
    for items, words in (
        ((statement_item(), manifest_item()), "more than one kind"),
        ((manifest_item(), manifest_item()._replace(keys=(IMAGES,))), "more than one kind"),
        ((statement_item(), statement_item()), "asked for twice"),
        ((manifest_item()._replace(keys=(PACKAGES, PACKAGES._replace(algorithm="ES256"))),), "each once"),
    ):
        with pytest.raises(InputError) as caught:
            decode_request(encode_request(Request("r", items)), "r.json")
        assert words in str(caught.value)


@pytest.mark.parametrize(
    "data", [b"", b"{", b"[]", b"null", b"\xff", b"[" * 100_000, b'{"imgseal": "signing request"}']
)
def test_no_request_at_all(data: bytes) -> None:
    with pytest.raises(InputError):
        decode_request(data, "r.json")


def response(**changes: Any) -> bytes:
    data = encode_request(request())
    signed = Signed(statement_item().digest, IMAGES, signer("keys/images").sign(statement_item().message("ESP256")))
    return encode_response(Response(request_digest(data), (signed._replace(**changes),)))


def test_a_response() -> None:
    data = encode_request(request())
    read = decode_response(response(), "a.json", request(), request_digest(data))
    assert encode_response(read) == response()


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (response(digest=bytes(32)), "does not ask for"),
        (response(asked=PACKAGES), "does not ask for"),
        (response(asked=IMAGES._replace(algorithm="ML-DSA-44")), "does not ask for"),
        (response(value=bytes(5000)), "base64"),
        (response().replace(b'"format": 1', b'"format": 3'), "format"),
        (response() + b" ", "not as imgseal writes it"),
        (encode_response(Response(bytes(32), (Signed(bytes(32), IMAGES, b""),))), "another request"),
        (encode_response(Response(bytes(32), ())), "1 to 1024 signatures"),
        (encode_response(Response(bytes(32), (Signed(bytes(32), IMAGES, b""),) * 2)), "one by a key of a thing"),
    ],
)
def test_any_other_response_is_refused(raw: bytes, words: str) -> None:
    with pytest.raises(InputError) as caught:
        decode_response(raw, "a.json", request(), request_digest(encode_request(request())))
    assert words in str(caught.value)
    assert caught.value.place.file == "a.json"


def test_a_stranger_s_text_does_nothing_to_a_terminal() -> None:
    assert escaped("\x1b[2Jall good\r\u202e") == "\\u001b[2Jall good\\u000d\\u202e"
    for change in (
        put("items/0/what", "\x1b[2J\nimgseal: accepted"),
        put("imgseal", "\x1b]0;x\x07"),
        put("items/0/statement", "\x1b" * 999),
    ):
        with pytest.raises(InputError) as caught:
            decode_request(edited(change), "r.json")
        assert "\x1b" not in str(caught.value)
        assert "\n" not in (caught.value.found or "")


def outside(change: Callable[[Manifest], Manifest], install: Sequence | None = None) -> bytes:
    """A request for a manifest that imgseal would not pack; everything else in it is right."""
    item = manifest_item()
    assert item.severed is not None
    manifest = decode_manifest(item.content)
    severed = dict(item.severed)
    if install is not None:
        severed[labels.INSTALL] = encode_sequence((*decode_sequence(severed[labels.INSTALL], "install"), *install))
        manifest = manifest._replace(
            members={**manifest.members, labels.INSTALL: wrapped_digest(severed[labels.INSTALL])}
        )
    return encode_request(Request("r", (Item(encode_manifest(change(manifest)), (PACKAGES,), severed),)))


OTHER_DIGEST = Command(labels.OVERRIDE_PARAMETERS, {labels.IMAGE_DIGEST: SuitDigest(-16, bytes(32))})


@pytest.mark.parametrize(
    ("raw", "where"),
    [
        (outside(lambda m: m, (OTHER_DIGEST,)), "install[15]"),
        (outside(lambda m: m._replace(members={**m.members, labels.VALIDATE: (OTHER_DIGEST,)})), "validate[0]"),
        (outside(lambda m: m, (Command(labels.WRITE, 2),)), "install[15]"),
        (outside(lambda m: m, (Command(labels.SET_COMPONENT_INDEX, True),)), "install[15]"),
        (outside(lambda m: m._replace(shared=(*m.shared, Command(labels.FETCH, 2)))), "shared[16]"),
        (outside(lambda m: m._replace(reference_uri="x")), "manifest"),
        (outside(lambda m: m._replace(members={**m.members, labels.LOAD: (Command(labels.INVOKE, 2),)})), "manifest"),
    ],
)
def test_only_what_devices_read_is_asked_for(raw: bytes, where: str) -> None:
    """What a screen shows of a component has to be all that is said of it; no verifier's name lets more through."""
    for changed in (raw, named(raw, "theirs")):
        with pytest.raises(InputError) as caught:
            decode_request(changed, "r.json")
        assert "outside the device profile" in str(caught.value)
        assert caught.value.place.key == f"items[0].manifest.{where}"


def named(raw: bytes, verifier: object) -> bytes:
    """The request with a verifier's name, written as imgseal writes it."""
    document = json.loads(raw)
    item = document["items"][0]
    content, beside = base64.b64decode(item["manifest"]), item["severed"]
    severed = {
        label: base64.b64decode(beside[name]) for label, name in labels.MANIFEST_MEMBERS.items() if name in beside
    }
    made = Item(content, (PACKAGES,), severed, verifier=verifier)  # type: ignore[arg-type]
    return encode_request(Request("r", (made,)))


def test_a_verifier_is_named_where_it_is_needed_and_nowhere_else() -> None:
    raw = encode_request(Request("r", (manifest_item(),)))
    with pytest.raises(InputError) as caught:
        decode_request(named(raw, "theirs"), "r.json")
    assert "inside the device profile" in str(caught.value)
    for verifier in ("", " ", 7, "x" * 4097):
        with pytest.raises(InputError) as caught:
            decode_request(edited(put("items/0/verifier", verifier), package_request()), "r.json")
        assert caught.value.place.key == "items[0].verifier"


def test_every_sequence_is_shown() -> None:
    shown = "\n".join(manifest_item().words())
    for words in (
        "shared",
        "validate",
        "install (beside the manifest",
        "text (beside the manifest",
        "condition update authorised",
        "uri = ",
    ):
        assert words.lower() in shown.lower(), words
