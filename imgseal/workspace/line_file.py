"""Finds the product line that a folder belongs to, and the product files of its members."""

import os
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, UsageError, meant
from imgseal.limits import LINE_MEMBERS, PRODUCT_FILE_BYTES
from imgseal.product.model import Gate
from imgseal.records import NamedTuple
from imgseal.workspace.files import PRODUCT_NAME
from imgseal.workspace.key_files import quoted
from imgseal.workspace.product_files import find_product, nearest_product, read_text, refuse_foreign

if TYPE_CHECKING:
    from imgseal.product.read_line import LineFile

_MENTIONS_LINE = re.compile(r"""(?m)^[ \t]*\[?[ \t]*["']?line["']?[ \t]*[\].=]""")


class Line(NamedTuple):
    """A product line: its file, the product files of its members, and what the gate excuses between them."""

    path: str
    members: tuple[str, ...]
    gate: Gate


def find_line(product_file: str | None) -> Line | None:
    """Return the product line whose file is named or nearest; None where that is a product's."""
    if product_file is None:
        path = find_product(".")
    elif os.path.isfile(product_file):
        path = product_file
    else:
        return None
    text = read_text(path, "product file", PRODUCT_FILE_BYTES)
    if _MENTIONS_LINE.search(text) is None:
        return None
    from imgseal.product.read_line import read_line

    file = read_line(text, path)
    if file is None:
        return None
    owner = os.stat(path).st_uid if product_file is not None else None
    return Line(path, tuple(_members(path, file, owner)), file.gate)


def member_named(name: str) -> str | None:
    """Return the product file of the member with that name in the nearest line; None where no line is near.

    Of the others nothing is read but their names: a mistake in one of them is none of this one.
    """
    near = nearest_product(".")
    line = None if near is None else find_line(None)
    if line is None:
        return None
    from imgseal.product.parse_toml import parse

    names: dict[object, str] = {}
    for path in line.members:
        product = parse(read_text(path, "product file", PRODUCT_FILE_BYTES), path).get("product")
        own = product.get("name") if isinstance(product, dict) else None
        if own == name and name in names:
            raise UsageError(
                "two products of the line have one name",
                place=Place(file=path, key="product.name"),
                found=f"{name}, as in {names[name]}",
                hint="give one of them another name",
            )
        names[own] = path
    if name not in names:
        known = [str(each) for each in names]
        raise UsageError(
            "the product line has no such product",
            place=Place(file=line.path),
            expected=", ".join(known),
            found=name,
            hint=meant(name, known, "name a product of the line, or a product file"),
        )
    return names[name]


def _members(path: str, file: "LineFile", owner: int | None) -> Iterator[str]:
    """Yield the product files of the members, each once; UsageError for a pattern that names none."""
    seen: set[str] = set()
    for index, pattern in enumerate(file.members):
        found = [os.path.join(folder, PRODUCT_NAME) for folder in _folders(os.path.dirname(path), pattern.split("/"))]
        there = [each for each in found if os.path.isfile(each)]
        if not there:
            file.refuse(
                index,
                "no product file lies there",
                f"a folder with {PRODUCT_NAME}",
                None,
                f"imgseal init writes one; or take {pattern!r} out of line.members",
            )
        for each in there:
            if each in seen:
                continue
            seen.add(each)
            if len(seen) > LINE_MEMBERS:
                file.refuse(
                    index, "the line has more members than imgseal reads", f"at most {LINE_MEMBERS}", None,
                    "make two lines of it",
                )  # fmt: skip
            refuse_foreign(each, hint=f"--product {quoted(each)}", says="the product file of a member", owner=owner)
            yield each


def _folders(folder: str, parts: list[str]) -> list[str]:
    """Return the folders below one that a pattern names, by name; links are followed, as who owns them is looked at."""
    if not parts:
        return [folder]
    from imgseal.product.path_pattern import matches

    if "*" not in parts[0] and "?" not in parts[0]:
        return _folders(os.path.join(folder, parts[0]), parts[1:])
    try:
        names = sorted(entry.name for entry in os.scandir(folder or ".") if entry.is_dir())
    except OSError as error:
        raise InputError(
            "cannot look for the members of the product line",
            place=Place(file=folder or "."),
            found=error.strerror,
            hint="line.members of the line's file names a folder there: is it readable?",
        ) from None
    fitting = [name for name in names if matches(parts[0], name)]
    return [each for name in fitting for each in _folders(os.path.join(folder, name), parts[1:])]
