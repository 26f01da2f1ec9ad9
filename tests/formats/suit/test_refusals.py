"""What the readers of envelope and manifest refuse, by a word of the message; SUIT manifest draft -37, sections 8 and 14."""

from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgseal.formats.cbor.strict import Tag, encode
from imgseal.formats.suit import labels as l
from imgseal.formats.suit import manifest
from imgseal.formats.suit.commands import decode_sequence, encode_sequence
from imgseal.formats.suit.component import ours
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.manifest import decode_manifest, encode_manifest
from imgseal.formats.suit.text import decode_text
from imgseal.versions import Version

DIGEST = encode([-16, bytes(32)])
SHARED = encode([12, 0, 1, 15])
COMMON = {2: [[b"\x01", b"\x00"]], 4: SHARED}
MANIFEST: dict[Any, Any] = {1: 1, 2: 5, 3: encode(COMMON)}


def refused(call: Any, *arguments: Any) -> SuitError:
    with pytest.raises(SuitError) as caught:
        call(*arguments)
    return caught.value


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({1: 2}, "version"),
        ({1: True}, "version"),
        ({1: None}, "version"),
        ({2: -1}, "sequence number"),
        ({2: None}, "sequence number"),
        ({2: True}, "sequence number"),
        ({3: None}, "byte string"),
        ({3: encode([])}, "common part"),
        ({3: encode({**COMMON, 9: 1})}, "common part"),
        ({3: encode({**COMMON, 2: []})}, "list of components"),
        ({3: encode({**COMMON, 2: [[1]]})}, "component identifier"),
        ({3: encode({**COMMON, 2: [[b"a"], [b"a"]]})}, "twice"),
        ({3: encode({**COMMON, 2: [[bytes([n])] for n in range(65)]})}, "list of components"),
        ({3: encode({**COMMON, 4: b""})}, "end where an item"),
        ({4: 1}, "text"),
        ({5: 1}, "component identifier"),
        ({6: encode([])}, "version"),
        ({6: encode([True])}, "version"),
        ({7: [-16, bytes(32)]}, "cannot be severed"),
        ({7: encode([])}, "command sequence"),
        ({7: encode([1])}, "command sequence"),
        ({7: encode({})}, "command sequence"),
        ({7: encode([0, 1])}, "no command"),
        ({7: encode(["x", 1])}, "no command"),
        ({7: encode([1, 16])}, "reporting policy"),
        ({7: encode([1, True])}, "reporting policy"),
        ({7: encode([1, -1])}, "reporting policy"),
        ({7: encode([12, False])}, "component index"),
        ({7: encode([12, -1])}, "component index"),
        ({7: encode([12, 256])}, "component index"),
        ({7: encode([12, []])}, "component index"),
        ({7: encode([15, [SHARED]])}, "two branches"),
        ({7: encode([15, [SHARED, None]])}, "byte string"),
        ({7: encode([15, [None, SHARED]])}, "byte string"),
        ({7: encode([20, {}])}, "parameters"),
        ({7: encode([20, []])}, "parameters"),
        ({7: encode([20, {"x": 1}])}, "no parameter"),
        ({7: encode([20, {0: 1}])}, "no parameter"),
        ({7: encode([20, {1: bytes(15)}])}, "16 bytes"),
        ({7: encode([20, {2: "x"}])}, "16 bytes"),
        ({7: encode([20, {3: [-16, bytes(32)]}])}, "byte string"),
        ({7: encode([20, {3: encode([-16, bytes(31)])}])}, "length"),
        ({7: encode([20, {3: encode([-1, bytes(32)])}])}, "algorithm"),
        ({7: encode([20, {3: encode({})}])}, "digest"),
        ({7: encode([20, {5: -1}])}, "unsigned"),
        ({7: encode([20, {14: True}])}, "unsigned"),
        ({7: encode([20, {12: 1}])}, "true nor false"),
        ({7: encode([20, {18: "x"}])}, "byte string"),
        ({7: encode([20, {21: b"x"}])}, "text"),
        ({7: encode([20, {27: "x"}])}, "integer"),
        ({7: encode([20, {28: encode([6, [1]])}])}, "version to compare"),
        ({7: encode([20, {28: encode([3, []])}])}, "version to compare"),
        ({7: encode([32, 5])}, "byte string"),
        ({8: 5}, "byte string"),
        ({14: 5}, "byte string"),
        ({17: b""}, "unknown member"),
        ({20: [-16, bytes(31)]}, "length"),
        ({23: encode({})}, "text map"),
        ({23: encode({"e n": {}})}, "language tag"),
        ({23: encode({5: {}})}, "language tag"),
        ({23: encode({"en": 5})}, "map of texts"),
        ({23: encode({"en": {1: 5}})}, "neither a text"),
        ({23: encode({"en": {(b"a",): {1: 5}}})}, "texts of a component"),
        ({23: encode({"en": {(1,): {1: "x"}}})}, "key of a map"),
        ({"x": 1}, "unknown member"),
    ],
)
def test_manifests(changes: dict[Any, Any], words: str) -> None:
    good = decode_manifest(encode(MANIFEST))
    assert encode_manifest(good) == encode(MANIFEST)
    value = {k: v for k, v in {**MANIFEST, **changes}.items() if v is not None}
    if changes == {3: None}:
        value[3] = 5
    error = refused(decode_manifest, encode(value))
    assert words in "\n".join(error.lines())


@pytest.mark.parametrize("text", ["2.4.1", "2.4.1-rc.1", "2.4.1-beta.0", "2.4.1-alpha.16777214", "0.0.0-rc.4294967"])
def test_the_whole_version_is_read(text: str) -> None:
    """A release candidate whose label is lost would ship as the release."""
    version = Version.parse(text)
    data = encode({**MANIFEST, l.SET_VERSION: encode(version.suit())})
    read = decode_manifest(data)
    assert read.set_version == tuple(version.suit())
    assert Version.from_suit(list(read.set_version)) == version
    assert encode_manifest(read) == data


def test_manifests_that_are_none() -> None:
    assert "manifest" in refused(decode_manifest, encode([])).message
    assert "larger" in refused(decode_manifest, bytes(65537)).message
    assert "common" in refused(decode_manifest, encode({1: 1, 2: 0})).message
    assert refused(decode_manifest, encode(MANIFEST) + b"\0").place.offset is not None


def envelope(members: dict[Any, Any], tag: int = 107) -> bytes:
    return encode(Tag(tag, members))


WRAPPER = encode([DIGEST])


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "end where an item"),
        (encode({2: WRAPPER, 3: b""}), "no SUIT envelope"),
        (envelope({2: WRAPPER, 3: b""}, 1070), "no SUIT envelope"),
        (encode(Tag(107, [])), "map of members"),
        (envelope({3: b""}), "wrapper is missing"),
        (envelope({2: WRAPPER}), "manifest is missing"),
        (envelope({2: WRAPPER, 3: 5}), "no byte string"),
        (envelope({2: WRAPPER, 3: b"", 1: b""}), "unknown member"),
        (envelope({2: WRAPPER, 3: b"", 99: b""}), "unknown member"),
        (envelope({2: WRAPPER, 3: b"", -1: b""}), "unknown member"),
        (envelope({2: WRAPPER, 3: bytes(65537)}), "larger"),
        (envelope({2: b"", 3: b""}), "end where an item"),
        (envelope({2: encode([]), 3: b""}), "authentication wrapper"),
        (envelope({2: encode({}), 3: b""}), "authentication wrapper"),
        (envelope({2: encode([DIGEST, 5]), 3: b""}), "authentication wrapper"),
        (envelope({2: encode([b"\x80"]), 3: b""}), "digest"),
        (envelope({2: encode([DIGEST] * 18), 3: b""}), "more signatures"),
        (b"\xd8\x6b\xa2\x03\x40\x02\x40", "order"),
        (b"\xd8\x6b\xa2\x02\x40\x02\x40", "order"),
        (b"\xd8\x6b\xa1\x02\x58\x20", "ends inside"),
        (b"\xd8\x6b\xb9\x01\x01", "map of members"),
        (b"\xd9\x00\x6b\xa0", "longer than needed"),
        (envelope({2: WRAPPER, 3: b""}) + b"\0", "follow"),
    ],
)
def test_envelopes(data: bytes, words: str) -> None:
    assert words in "\n".join(refused(decode_envelope, data).lines())


def test_unknown_commands_keep_their_value() -> None:
    """They can be shown and encoded again; executing them is the machine's question."""
    for data in (encode([99, {1: [2]}]), encode([-300, "x"]), encode([19, {1: b"x"}]), encode([34, {0: {1: b"x"}}])):
        assert encode_sequence(decode_sequence(data, "x")) == data


def test_text_keeps_what_people_wrote() -> None:
    text = decode_text(encode({"en-GB": {1: "a", (b"x",): {3: "b"}}, "de": {2: "c"}}), "text")
    assert text["en-GB"].components[(b"x",)] == {3: "b"}
    assert text["de"].manifest == {2: "c"}


def test_identifiers_of_our_own() -> None:
    assert ours((b"\x01", b"\x00")) == (1, 0, False)
    assert ours((b"\x01", b"\x00", b"header")) == (1, 0, True)
    for other in ((), (b"\x01",), (b"\x00", b"\x00"), (b"\x01", b"\x00", b"x"), (b"\x01\x02", b"\x00")):
        assert ours(other) is None


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    """Nothing but SuitError leaves the readers, and what is read encodes to the same bytes."""
    for prefix in (b"", b"\xd8\x6b"):
        with suppress(SuitError):
            decode_envelope(prefix + data)
    try:
        manifest = decode_manifest(data)
    except SuitError:
        return
    assert encode_manifest(manifest) == data


def test_labels_are_those_of_the_registry() -> None:
    """A few that companion documents once numbered otherwise."""
    assert (l.INSTALL, l.TEXT, l.PAYLOAD_FETCH, l.SHARED) == (20, 23, 16, 4)
    assert set(l.SEVERABLE) == {14, 15, 16, 18, 20, 23}


def test_the_largest_manifest(monkeypatch: pytest.MonkeyPatch) -> None:
    data = encode(MANIFEST)
    monkeypatch.setattr(manifest, "MANIFEST_BYTES", len(data))
    assert decode_manifest(data).sequence_number == 5
    monkeypatch.setattr(manifest, "MANIFEST_BYTES", len(data) - 1)
    assert refused(decode_manifest, data).expected == f"at most {len(data) - 1} bytes"
