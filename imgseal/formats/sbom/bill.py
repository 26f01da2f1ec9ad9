"""A bill of materials as a release names it: what it is, its size and digest, and what it is a bill of; decision 013.

CycloneDX JSON and SPDX JSON are recognised by what they say of themselves (keys of CycloneDX by its schemas 1.4 to 1.7,
of SPDX 2 by what spdx-tools reads, of SPDX 3 from memory). Of the rest only the product, its version and the number of
components are read: whether a list of components is right, no packaging tool can know.
"""

import hashlib
import re

from imgseal.errors import InputError
from imgseal.limits import SBOM_BYTES
from imgseal.records import NamedTuple
from imgseal.values import Document, shown

CYCLONEDX, SPDX = "CycloneDX", "SPDX"
_Tree = dict[str, object]
_VERSION = re.compile(r"[0-9]{1,3}(\.[0-9]{1,3}){1,2}")
_WORDS = re.compile(r"(CycloneDX|SPDX) ([0-9.]{3,11}), ([1-9][0-9]{0,9}) bytes, sha-256 ([0-9a-f]{64})")
_EXPECTED = 'CycloneDX JSON ("bomFormat": "CycloneDX") or SPDX JSON ("spdxVersion", or "@context" of SPDX 3)'
_HINT = "give the file that the tool which lists your components wrote, as CycloneDX JSON or SPDX JSON"


class Listed(NamedTuple):
    """What a bill lists: the products that it says it is of, each a name and a version, "" where it says none.

    `parts` is the number of components, the products themselves not counted.
    """

    products: tuple[tuple[str, str], ...]
    parts: int


class Bill(NamedTuple):
    """What names a bill of materials: its format with the format's version, its size, the SHA-256 of its bytes.

    `listed` is known where the bill itself was read, and not of one that a package names.
    """

    kind: str
    version: str
    size: int
    digest: bytes
    listed: Listed | None = None


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
    tree = document.parse(data, "bill of materials", "utf-8-sig")
    kind, version = _says(tree, document)
    if not isinstance(version, str) or _VERSION.fullmatch(version) is None:
        key = "specVersion" if kind == CYCLONEDX else "spdxVersion"
        message = "this bill of materials does not say its version"
        document.refuse((key,), message, "a version such as 1.6", shown(version))
    assert isinstance(tree, dict)
    listed = _of_cyclonedx(tree) if kind == CYCLONEDX else _of_spdx_3(tree) if "@graph" in tree else _of_spdx_2(tree)
    return Bill(kind, version, len(data), hashlib.sha256(data).digest(), listed)


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


def _of_cyclonedx(tree: _Tree) -> Listed:
    """Read `metadata.component`, and count `components`."""
    about = _table(_table(tree.get("metadata")).get("component"))
    return Listed(_named([about], "version"), len(_tables(tree.get("components"))))


def _of_spdx_2(tree: _Tree) -> Listed:
    """Read the packages that the document describes, and count the others."""
    stated = tree.get("documentDescribes")
    described = {each for each in stated if isinstance(each, str)} if isinstance(stated, list) else set()
    for row in _tables(tree.get("relationships")):
        ends = row.get("spdxElementId"), row.get("relatedSpdxElement")
        first, last = ends if row.get("relationshipType") == "DESCRIBES" else ends[::-1]
        if row.get("relationshipType") in ("DESCRIBES", "DESCRIBED_BY") and first == "SPDXRef-DOCUMENT":
            described.add(str(last))
    packages = _tables(tree.get("packages"))
    about = [each for each in packages if each.get("SPDXID") in described]
    return Listed(_named(about, "versionInfo"), len(packages) - len(about))


def _of_spdx_3(tree: _Tree) -> Listed:
    """Read the root elements of the document, and of a bill that is one; count the other packages and files."""
    elements = _tables(tree.get("@graph"))
    roots: set[str] = set()
    for kind in ("SpdxDocument", "software_Sbom"):
        for each in elements:
            named = each.get("rootElement")
            if each.get("type") == kind and (kind == "SpdxDocument" or each.get("spdxId") in roots):
                roots.update(root for root in (named if isinstance(named, list) else [named]) if isinstance(root, str))
    parts = [each for each in elements if each.get("type") in ("software_Package", "software_File")]
    about = [each for each in parts if each.get("spdxId") in roots]
    return Listed(_named(about, "software_packageVersion"), len(parts) - len(about))


def _named(tables: list[_Tree], version: str) -> tuple[tuple[str, str], ...]:
    """Return names and versions of what has a name."""
    rows = ((each.get("name"), each.get(version)) for each in tables)
    return tuple((name, said if isinstance(said, str) else "") for name, said in rows if isinstance(name, str))


def _table(value: object) -> _Tree:
    return value if isinstance(value, dict) else {}


def _tables(value: object) -> list[_Tree]:
    return [each for each in value if isinstance(each, dict)] if isinstance(value, list) else []
