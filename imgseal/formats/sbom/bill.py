"""A bill of materials as a release names it: what it is, its size and its digest; decision 013.

CycloneDX JSON and SPDX JSON are recognised by what they say of themselves (keys of CycloneDX by its schemas 1.4 to 1.7,
of SPDX 2 by what spdx-tools reads, of SPDX 3 from memory). Nothing else of them is looked at: whether a list of
components is right, no packaging tool can know.
"""

import hashlib
import re

from imgseal.errors import InputError
from imgseal.limits import SBOM_BYTES
from imgseal.records import NamedTuple
from imgseal.values import Document, shown

CYCLONEDX, SPDX = "CycloneDX", "SPDX"
_VERSION = re.compile(r"[0-9]{1,3}(\.[0-9]{1,3}){1,2}")
_WORDS = re.compile(r"(CycloneDX|SPDX) ([0-9.]{3,11}), ([1-9][0-9]{0,9}) bytes, sha-256 ([0-9a-f]{64})")
_EXPECTED = 'CycloneDX JSON ("bomFormat": "CycloneDX") or SPDX JSON ("spdxVersion", or "@context" of SPDX 3)'
_HINT = "give the file that the tool which lists your components wrote, as CycloneDX JSON or SPDX JSON"


class Bill(NamedTuple):
    """What names a bill of materials: its format with the format's version, its size, the SHA-256 of its bytes."""

    kind: str
    version: str
    size: int
    digest: bytes


def bill_words(bill: Bill) -> str:
    """Return the text that a package carries; any SUIT reader can show it, and sha256sum can check it."""
    return f"{bill.kind} {bill.version}, {bill.size} bytes, sha-256 {bill.digest.hex()}"


def parse_words(text: str) -> Bill | None:
    """Read what `bill_words` writes; None for any other text, which is somebody else's."""
    match = _WORDS.fullmatch(text)
    if match is None or _VERSION.fullmatch(match[2]) is None:
        return None
    return Bill(match[1], match[2], int(match[3]), bytes.fromhex(match[4]))


def read_bill(data: bytes, name: str) -> Bill:
    """Recognise a bill of materials by its content; InputError with the place where it is none."""
    document = Document(InputError, _HINT, name)
    if len(data) > SBOM_BYTES:
        document.refuse((), "this bill of materials is too large", f"at most {SBOM_BYTES} bytes", f"{len(data)} bytes")
    kind, version = _says(document.parse(data, "bill of materials", "utf-8-sig"), document)
    if not isinstance(version, str) or _VERSION.fullmatch(version) is None:
        key = "specVersion" if kind == CYCLONEDX else "spdxVersion"
        message = "this bill of materials does not say its version"
        document.refuse((key,), message, "a version such as 1.6", shown(version))
    return Bill(kind, version, len(data), hashlib.sha256(data).digest())


def _says(tree: object, document: Document) -> tuple[str, object]:
    """Return the format, and what the document says of the format's version."""
    members = tree if isinstance(tree, dict) else {}
    if members.get("bomFormat") == CYCLONEDX:
        return CYCLONEDX, members.get("specVersion")
    said, context, graph = (members.get(key) for key in ("spdxVersion", "@context", "@graph"))
    if isinstance(said, str) and said.startswith("SPDX-"):
        return SPDX, said.removeprefix("SPDX-")
    if isinstance(context, str) and context.startswith("https://spdx.org/rdf/") and isinstance(graph, list):
        return SPDX, context.removeprefix("https://spdx.org/rdf/").split("/")[0]
    found = f"JSON with the keys {shown(', '.join(members)) if members else 'none'}"
    document.refuse(
        (), "this is no bill of materials", _EXPECTED, found if tree is members else "JSON that is no object"
    )
