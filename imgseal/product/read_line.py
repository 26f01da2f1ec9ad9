"""Reads the file of a product line: which folders hold its members, and what the gate excuses between them."""

from imgseal.product.model import Gate
from imgseal.product.parse_toml import parse
from imgseal.product.path_pattern import wrong_with
from imgseal.product.read_toml import read_gate
from imgseal.product.table import Document, Table
from imgseal.records import NamedTuple

_HOLDS = ("format", "line", "gate")


class LineFile(NamedTuple):
    """The file of a product line: patterns of the members' folders, relative to its own, and its [gate]."""

    members: tuple[str, ...]
    gate: Gate
    document: Document

    def refuse(self, index: int, message: str, expected: str, found: str | None, hint: str) -> None:
        """Raise UsageError about one of the patterns."""
        self.document.refuse(("line", "members", index), message, expected, found or self.members[index], hint)


def read_line(text: str, name: str) -> LineFile | None:
    """Read the file of a product line; None for a text without [line], which is for the reader of product files."""
    if "line" not in text or "line" not in (tree := parse(text, name)):
        return None
    document = Document(text, name)
    root = Table(document, tree, (), "")
    root.get("format")
    for key in tree:
        if key not in _HOLDS:
            document.refuse(
                (key,),
                "the file of a product line names its members, and is none itself",
                ", ".join(_HOLDS),
                key,
                "say it in the members' product files, or in a file that they include",
            )
    members = root.table("line", "line").get("members")
    for index, pattern in enumerate(members):
        wrong = wrong_with(pattern) or ("** is for the gate's patterns" if "**" in pattern else None)
        if wrong is not None:
            document.refuse(
                ("line", "members", index),
                "this is no pattern of folders",
                'a folder below this one, such as "pump" or "gate/*"',
                f"{pattern}: {wrong}",
                "members lie below the folder of the line's file; * and ? stand for parts of a folder's name",
            )
    return LineFile(members, read_gate(root.table("gate", "gate")), document)
