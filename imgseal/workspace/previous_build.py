"""Reads release.json of the build that the next one replaces; for messages only, nothing is decided by it."""

import json
import os
from collections.abc import Iterator

from imgseal.errors import InputError
from imgseal.limits import PRODUCT_FILE_BYTES
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.workspace.files import read_bounded
from imgseal.workspace.staging import Output

RELEASE_NAME = "release.json"
"""What every build writes into its folder; docs/cli.md."""


class EarlierBuild(NamedTuple):
    """The build that lies in a folder: sizes of its payloads by slot in bytes, and its images' names.

    `release` holds version, sequence and variant of a released one, None of any other; `digest` is its manifest's.
    """

    sizes: dict[str, int]
    images: tuple[str, ...] = ()
    release: tuple[object, object, object] | None = None
    digest: str = ""

    def notes(self, outputs: list[Output], product: Product, digest: str) -> Iterator[str]:
        """Say what the next build leaves behind, and what it takes the place of."""
        written = {os.path.basename(output.path) for output in outputs}
        folder = os.path.dirname(outputs[0].path)
        for name in self.images:
            path = os.path.join(folder, name)
            if name not in written and name.isprintable() and os.path.exists(path):
                yield f"{path} is of an earlier build, and no part of this one; remove it"
        now = (str(product.release.version), product.release.sequence, product.variant)
        if self.release == now and self.digest != digest:
            yield (
                f"another release {now[0]} with sequence {now[1]} was in {folder or '.'} and has been replaced; "
                "a device that has taken it refuses this one"
            )


def read_build(folder: str) -> EarlierBuild:
    """Read a folder's release.json; an empty answer where there is none, or none that this version writes."""
    path = os.path.join(folder, RELEASE_NAME)
    try:
        document = json.loads(read_bounded(path, RELEASE_NAME, PRODUCT_FILE_BYTES))
        files = document["files"]
        sizes = {entry["slot"]: int(entry["payload_size"]) for entry in files if "payload_size" in entry}
        names = tuple(os.path.basename(entry["path"]) for entry in files if entry["what"] != "update package")
        numbers = (document["version"], document["sequence"], document["variant"])
        release = None if document["development"] else numbers
        return EarlierBuild(sizes, names, release, str(document["manifest_digest"]))
    except (InputError, ValueError, KeyError, TypeError, AttributeError):
        return EarlierBuild({})
