"""Bills of materials are recognised by content. Sources: keys of CycloneDX JSON by its schemas, of SPDX 2 by spdx-tools, of SPDX 3 from memory; the form in a package is ours, decision 013."""

import hashlib
import json
from typing import Any

import pytest

from imgseal.errors import InputError
from imgseal.formats.sbom.bill import Bill, Listed, bill_words, parse_words, read_bill

GOOD = [
    ({"bomFormat": "CycloneDX", "specVersion": "1.6", "components": []}, ("CycloneDX", "1.6")),
    ({"spdxVersion": "SPDX-2.3", "SPDXID": "SPDXRef-DOCUMENT"}, ("SPDX", "2.3")),
    ({"@context": "https://spdx.org/rdf/3.0.1/spdx-context.jsonld", "@graph": []}, ("SPDX", "3.0.1")),
]


@pytest.mark.parametrize(("tree", "says"), GOOD, ids=[" ".join(says) for _, says in GOOD])
@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbf"])
def test_recognised_by_content(tree: dict[str, object], says: tuple[str, str], start: bytes) -> None:
    data = start + json.dumps(tree).encode()
    bill = read_bill(data, "bom.json")
    assert bill == Bill(*says, len(data), hashlib.sha256(data).digest(), Listed((), 0))
    assert parse_words(bill_words(bill)) == bill._replace(listed=None)


DESCRIBES = {"spdxElementId": "SPDXRef-DOCUMENT", "relationshipType": "DESCRIBES", "relatedSpdxElement": "SPDXRef-p"}
TURNED = {"spdxElementId": "SPDXRef-p", "relationshipType": "DESCRIBED_BY", "relatedSpdxElement": "SPDXRef-DOCUMENT"}
OTHER = {"spdxElementId": "SPDXRef-p", "relationshipType": "CONTAINS", "relatedSpdxElement": "SPDXRef-a"}
SPDX_2 = {
    "spdxVersion": "SPDX-2.3",
    "packages": [
        {"SPDXID": "SPDXRef-p", "name": "vent-drive", "versionInfo": "2.4.1"},
        {"SPDXID": "SPDXRef-a", "name": "tiny-stack", "versionInfo": "3.1"},
    ],
}
SPDX_3: dict[str, Any] = {
    "@context": "https://spdx.org/rdf/3.0.1/spdx-context.jsonld",
    "@graph": [
        {"type": "SpdxDocument", "spdxId": "d", "rootElement": ["s"]},
        {"type": "software_Sbom", "spdxId": "s", "rootElement": ["p"]},
        {"type": "software_Package", "spdxId": "p", "name": "vent-drive", "software_packageVersion": "2.4.1"},
        {"type": "software_Package", "spdxId": "a", "name": "tiny-stack", "software_packageVersion": "3.1"},
        {"type": "software_File", "spdxId": "f", "name": "main.c"},
    ],
}
CYCLONEDX = {"bomFormat": "CycloneDX", "specVersion": "1.6"}
OF = (("vent-drive", "2.4.1"),)
LISTED: list[tuple[dict[str, object], Listed]] = [
    ({**CYCLONEDX, "metadata": {"component": {"name": "vent-drive", "version": "2.4.1"}}, "components": [{}]}, Listed(OF, 1)),
    ({**CYCLONEDX, "metadata": {"component": {"name": 5}}, "components": {}}, Listed((), 0)),
    ({**CYCLONEDX, "metadata": [], "components": [1, "two"]}, Listed((), 0)),
    ({**CYCLONEDX, "metadata": {"component": {"name": "vent-drive"}}}, Listed((("vent-drive", ""),), 0)),
    ({**SPDX_2, "documentDescribes": ["SPDXRef-p"]}, Listed(OF, 1)),
    ({**SPDX_2, "relationships": [OTHER, DESCRIBES]}, Listed(OF, 1)),
    ({**SPDX_2, "relationships": [TURNED]}, Listed(OF, 1)),
    ({**SPDX_2, "relationships": [OTHER, {}, 5]}, Listed((), 2)),
    ({**SPDX_2, "packages": None, "documentDescribes": 5}, Listed((), 0)),
    (SPDX_3, Listed(OF, 2)),
    ({**SPDX_3, "@graph": SPDX_3["@graph"][1:]}, Listed((), 3)),
    ({**SPDX_3, "@graph": [{"type": "SpdxDocument", "spdxId": "d", "rootElement": "p"}, *SPDX_3["@graph"][2:]]}, Listed(OF, 2)),
]  # fmt: skip


@pytest.mark.parametrize(("tree", "listed"), LISTED, ids=range(len(LISTED)))
def test_what_it_lists_and_what_it_is_of(tree: dict[str, object], listed: Listed) -> None:
    """The product itself is no component; what is no table or text is passed over, whatever it is."""
    assert read_bill(json.dumps(tree).encode(), "bom.json").listed == listed


BAD: list[tuple[bytes, str, int | None, int | None, str | None]] = [
    (b"", "not JSON", 1, 0, None),
    (b'{"bomFormat":\n "CycloneDX",}', "not JSON", 2, 27, None),
    (b'{"bomFormat": "\xff"}', "not UTF-8", None, 15, None),
    (b"[]", "no bill of materials", None, None, None),
    (b'{"bomFormat": "cyclonedx"}', "no bill of materials", None, None, None),
    (b'{"bomFormat": "CycloneDX"}', "does not say its version", None, None, "specVersion"),
    (b'{"bomFormat": "CycloneDX", "specVersion": 1.6}', "does not say its version", None, None, "specVersion"),
    (b'{"bomFormat": "CycloneDX", "specVersion": "1.6\\n"}', "does not say its version", None, None, "specVersion"),
    (b'{"spdxVersion": "SPDX-two"}', "does not say its version", None, None, "spdxVersion"),
    (b'{"spdxVersion": "2.3"}', "no bill of materials", None, None, None),
    (b'{"@context": "https://spdx.org/rdf/3.0.1/x", "@graph": {}}', "no bill of materials", None, None, None),
    (b'{"@context": "https://example.org/3.0.1/x", "@graph": []}', "no bill of materials", None, None, None),
    (b'{"bomFormat": "x", "bomFormat": "CycloneDX", "specVersion": "1.6"}', "twice", None, None, "bomFormat"),
    (b"[" * 100_000, "nested too deeply", None, None, None),
    (b'{"n": ' + b"9" * 5000 + b"}", "not JSON that can be read", None, None, None),
]


@pytest.mark.parametrize(("data", "words", "line", "offset", "key"), BAD, ids=range(len(BAD)))
def test_refused_with_its_place(data: bytes, words: str, line: int | None, offset: int | None, key: str | None) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_bill(data, "bom.json")
    place = caught.value.place
    assert (place.file, place.line, place.offset, place.key) == ("bom.json", line, offset, key)
    assert caught.value.hint


def test_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    data = json.dumps(GOOD[0][0]).encode()
    monkeypatch.setattr("imgseal.formats.sbom.bill.SBOM_BYTES", len(data))
    read_bill(data, "bom.json")
    with pytest.raises(InputError, match="too large"):
        read_bill(data + b" ", "bom.json")


@pytest.mark.parametrize(
    "change",
    [("CycloneDX", "cyclonedx"), (" 1.6", " 1.6 "), ("1.6", "1..6"), ("48231", "048231"), ("9f86", "9F86"), ("sha-256 ", "sha-256:"), ("a08", "a08\n"), ("a08", "a0")],
)  # fmt: skip
def test_another_text_names_nothing(change: tuple[str, str]) -> None:
    words = "CycloneDX 1.6, 48231 bytes, sha-256 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
    assert parse_words(words) is not None
    assert parse_words(words.replace(*change)) is None


def test_what_a_stranger_wrote_is_cut_and_cannot_act() -> None:
    """At most 80 characters of a version or key, and none that a terminal obeys."""
    for value, shown in (("9" * 81, "9" * 76 + "..."), ("1.\x1b[2J", "1.\\x1b[2J")):
        data = json.dumps({"bomFormat": "CycloneDX", "specVersion": value, "version": 1}).encode()
        with pytest.raises(InputError) as caught:
            read_bill(data, name="x")
        assert shown == (caught.value.found or "").strip('"'), caught.value.found
