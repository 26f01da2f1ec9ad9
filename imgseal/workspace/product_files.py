"""Finds the product file, and reads it and what it includes: it says whom to trust, so it matters whose it is."""

import os
from stat import S_ISVTX, S_IWOTH
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, UsageError
from imgseal.limits import PRODUCT_FILE_BYTES
from imgseal.workspace.files import PRODUCT_NAME, read_bounded
from imgseal.workspace.key_files import quoted

if TYPE_CHECKING:
    from imgseal.product.include import ReadFile

LOCAL_NAME = "imgseal.local.toml"


def find_product(start: str) -> str:
    """Return the path of the nearest product file as `nearest_product` does; UsageError where there is none."""
    found = nearest_product(start)
    if found is None:
        raise UsageError(
            f"no {PRODUCT_NAME} in this folder or any parent of it",
            place=Place(file=os.path.abspath(start)),
            hint="write one with imgseal init, or name it: --product FILE",
        )
    return found


def nearest_product(start: str) -> str | None:
    """Return the path of the nearest product file, in `start` or a parent of it; UsageError for one of someone else.

    It says whom to trust: where others can put a file above a working folder, they would say it (decision 021).
    """
    folder = os.path.abspath(start)
    while True:
        candidate = os.path.join(folder, PRODUCT_NAME)
        if os.path.isfile(candidate):
            refuse_foreign(candidate, hint=f"--product {quoted(os.path.relpath(candidate))}")
            return os.path.relpath(candidate)
        parent = os.path.dirname(folder)
        if parent == folder:
            return None
        folder = parent


def refuse_foreign(path: str, *, hint: str, says: str = "the nearest product file", owner: int | None = None) -> None:
    """UsageError unless the file, what it leads to and its folder belong to the user or to the system's owner.

    Nor may the folder be one where everybody puts files, as those beside the product file are taken with it. `owner` is
    that of a file which the user has named: what it leads to may be his as well, wherever it lies.
    """
    if not hasattr(os, "geteuid"):
        return
    user = os.geteuid()
    folder = os.stat(os.path.dirname(path) or ".")
    shown = os.path.relpath(path)
    for status in (os.lstat(path), os.stat(path), folder):
        if status.st_uid not in (0, user, owner):
            raise UsageError(
                f"{says} belongs to someone else, and says whom to trust",
                place=Place(file=shown),
                expected=f"a file and folder of user {user}, who runs this, or of user 0",
                found=f"of user {status.st_uid}",
                hint=f"if you know it, name it: {hint}",
            )
    if owner is None and folder.st_mode & S_IWOTH and (folder.st_mode & S_ISVTX or folder.st_uid != user):
        raise UsageError(
            f"everybody can put files beside {says}, which says whom to trust",
            place=Place(file=shown),
            expected=f"a folder that only user {user} fills, who runs this, or user 0",
            found=f"mode {folder.st_mode & 0o7777:04o}, of user {folder.st_uid}",
            hint=f"move it to a folder of its own; or, if you know all that is there: {hint}",
        )


def including(product_file: str, *, named: bool) -> "ReadFile":
    """Return what reads the files that a product file includes.

    They say whom to trust, too, so they have to belong to whom the product file may belong to; a file that was `named`
    may include those of its own owner.
    """

    def read(path: str, by: str) -> str:
        if not os.path.isfile(path):
            raise InputError(
                "the included file is not there",
                place=Place(file=path),
                hint=f"{by} names it as include: put it there, or take that line out",
            )
        owner = os.stat(product_file).st_uid if named else None
        refuse_foreign(path, hint=f"--product {quoted(product_file)}", says="the included file", owner=owner)
        return read_text(path, "included file", PRODUCT_FILE_BYTES)

    return read


def read_text(path: str, what: str, limit: int) -> str:
    """Read a UTF-8 text file; InputError names the first byte that is not."""
    data = read_bounded(path, what, limit)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(
            f"this {what} is not UTF-8 text",
            place=Place(file=path, offset=error.start),
            found=f"byte 0x{data[error.start]:02x}",
            hint="save it as UTF-8, or give the right file",
        ) from None
