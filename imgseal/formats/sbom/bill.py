"""A bill of materials as a release names it: what it is, its size and its digest; decision 013.

CycloneDX JSON and SPDX JSON are recognised by what they say of themselves (keys of CycloneDX by its schemas 1.4 to 1.7,
of SPDX 2 by what spdx-tools reads, of SPDX 3 from memory). Nothing else of them is looked at: whether a list of
components is right, no packaging tool can know.
"""

import hashlib
import re
from typing import NoReturn

from imgseal.errors import InputError, Place
from imgseal.limits import SBOM_BYTES
from imgseal.records import NamedTuple

CYCLONEDX, SPDX = "CycloneDX", "SPDX"
_VERSION = re.compile(r"[0-9]{1,3}(\.[0-9]{1,3}){1,2}")
_WORDS = re.compile(r"(CycloneDX|SPDX) ([0-9.]{3,11}), ([1-9][0-9]{0,9}) bytes, sha-256 ([0-9a-f]{64})")
_EXPECTED = 'CycloneDX JSON ("bomFormat": "CycloneDX") or SPDX JSON ("spdxVersion", or "@context" of SPDX 3)'


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
    if len(data) > SBOM_BYTES:
        _refuse(name, "this bill of materials is too large", f"at most {SBOM_BYTES} bytes", f"{len(data)} bytes")
    kind, version = _says(_parse(data, name), name)
    if not isinstance(version, str) or _VERSION.fullmatch(version) is None:
        _refuse(
            name,
            "this bill of materials does not say its version",
            "a version such as 1.6",
            _shown(version),
            key="specVersion" if kind == CYCLONEDX else "spdxVersion",
        )
    return Bill(kind, version, len(data), hashlib.sha256(data).digest())


def _parse(data: bytes, name: str) -> object:
    import json  # noqa: PLC0415 - judging a package that names one reads none

    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        _refuse(name, "this is not UTF-8 text", "JSON", f"byte 0x{data[error.start]:02x}", offset=error.start)
    try:
        return json.loads(text, object_pairs_hook=lambda pairs: _members(pairs, name))
    except json.JSONDecodeError as error:
        offset = len(text[: error.pos].encode())
        _refuse(
            name,
            f"this is not JSON: {error.msg[:1].lower()}{error.msg[1:]}",
            "CycloneDX or SPDX as JSON",
            None,
            error.lineno,
            offset,
        )
    except RecursionError:
        _refuse(name, "this JSON is nested too deeply to be a bill of materials", _EXPECTED, None)
    except ValueError as error:  # a number of thousands of digits
        _refuse(name, f"this is not JSON that can be read: {error}", _EXPECTED, None)


def _members(pairs: list[tuple[str, object]], name: str) -> dict[str, object]:
    members = dict(pairs)
    if len(members) != len(pairs):
        names = [key for key, _ in pairs]
        twice = next(key for key in names if names.count(key) > 1)
        _refuse(name, "a key stands twice in one object", "each key once", _shown(twice), key=_shown(twice))
    return members


def _says(tree: object, name: str) -> tuple[str, object]:
    """Return the format, and what the document says of the format's version."""
    if not isinstance(tree, dict):
        _refuse(name, "this is no bill of materials", _EXPECTED, "JSON that is no object")
    if tree.get("bomFormat") == CYCLONEDX:
        return CYCLONEDX, tree.get("specVersion")
    said = tree.get("spdxVersion")
    if isinstance(said, str) and said.startswith("SPDX-"):
        return SPDX, said.removeprefix("SPDX-")
    context, graph = tree.get("@context"), tree.get("@graph")
    if isinstance(context, str) and context.startswith("https://spdx.org/rdf/") and isinstance(graph, list):
        return SPDX, context.removeprefix("https://spdx.org/rdf/").split("/")[0]
    _refuse(name, "this is no bill of materials", _EXPECTED, f"JSON with the keys {_shown(', '.join(tree)) or 'none'}")


def _shown(value: object) -> str:
    text = "nothing" if value is None else str(value)
    return "".join(c if c.isprintable() else "?" for c in text[:80])


def _refuse(
    name: str,
    message: str,
    expected: str,
    found: str | None,
    line: int | None = None,
    offset: int | None = None,
    key: str | None = None,
) -> NoReturn:
    place = Place(file=name, line=line, offset=offset, key=key)
    hint = "give the file that the tool which lists your components wrote, as CycloneDX JSON or SPDX JSON"
    raise InputError(message, place=place, expected=expected, found=found, hint=hint)
