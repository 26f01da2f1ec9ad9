"""What a release is as files: their names, and release.json, which says what they are and what was there before."""

import hashlib
import os
from collections.abc import Iterable, Iterator

from imgseal import __version__
from imgseal.errors import InputError, UsageError
from imgseal.flow.release import Job, ReleaseResult
from imgseal.limits import PRODUCT_FILE_BYTES
from imgseal.make.seal import SealedImage
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.workspace.files import read_bounded
from imgseal.workspace.staging import Output, json_text

RELEASE_NAME = "release.json"
"""What every build writes into its folder; docs/cli.md."""


def package_file_name(product: Product, *, development: bool, unfinished: bool) -> str:
    """Return the name of a package's file: one that must not ship says so."""
    mark = ("-development" if development else "") + ("-unfinished" if unfinished else "")
    named = product.name if product.variant is None else f"{product.name}-{product.variant}"
    return f"{named}-{product.release.version}-{product.release.sequence}{mark}.suit"


def image_outputs(
    sealed: SealedImage, product: Product, folder: str, out: str | None = None, *, as_hex: bool = False
) -> list[Output]:
    """Return the files of a sealed image: one, or header and payload of a detached one; as hex at their addresses."""
    slot = sealed.placed.slot.name
    ending = "hex" if as_hex else "bin"
    if not sealed.statement.detached:
        name = out or os.path.join(folder, f"{slot}.sealed.{ending}")
        return [_output(name, placed_pieces(sealed, product), as_hex=as_hex)]
    if out is not None and not out.endswith(f".header.{ending}"):
        raise UsageError(
            "a detached image is two files",
            expected=f"a name that ends in .header.{ending}; the payload's name follows from it",
            found=out,
            hint="leave --out out, or give a name with that ending",
        )
    header = out or os.path.join(folder, f"{slot}.header.{ending}")
    payload = header[: -len(f".header.{ending}")] + f".payload.{ending}"
    pieces = placed_pieces(sealed, product)
    return [_output(header, [next(pieces)], as_hex=as_hex), _output(payload, pieces, as_hex=as_hex)]


def placed_pieces(sealed: SealedImage, product: Product) -> Iterator[tuple[int, bytes]]:
    """Yield the bytes of a sealed image, each piece with its address; the header block comes first."""
    placed = sealed.placed
    slot = placed.component.header[placed.slot_index] if sealed.statement.detached else placed.slot.name
    yield product.slot_base(slot), sealed.header_block
    address = placed.link_address
    for piece in sealed.payload.chunks():
        yield address, piece
        address += len(piece)


def release_outputs(result: ReleaseResult, job: Job, folder: str) -> list[Output]:
    """Name the files of a release: package, sealed images, and release.json, which says what they are."""
    product, development = job.product, job.options.development
    package_name = package_file_name(product, development=development, unfinished=job.unfinished)
    outputs = [Output(os.path.join(folder, package_name), result.package.pieces())]
    files: list[dict[str, object]] = [file_entry(package_name, result.package.pieces(), "update package")]
    for image in result.images:
        contents = [("detached header" if image.statement.detached else "sealed image", image.pieces())]
        if image.statement.detached:
            contents.append(("detached payload", image.payload.chunks()))
        for output, (what, pieces) in zip(image_outputs(image, product, folder), contents, strict=True):
            outputs.append(output)
            files.append(
                {
                    **file_entry(os.path.basename(output.path), pieces, what),
                    "component": image.placed.component.name,
                    "slot": image.placed.slot.name,
                    "version": str(image.statement.version),
                    "counter": image.statement.counter,
                    "payload_size": image.payload.size,
                }
            )
    document = {
        "format": 1,
        "imgseal": __version__,
        "product": product.name,
        "vendor": product.vendor,
        "vendor_id": product.vendor_id.hex(),
        "class": product.class_name,
        "class_id": product.class_id.hex(),
        "variant": product.variant,
        "channel": product.channel,
        "hardware": list(product.hardware),
        "version": str(product.release.version),
        "sequence": product.release.sequence,
        "development": development,
        "revision": job.options.source_revision.hex() or None,
        "signers": {
            "images": sorted({slot.key_id.hex() for each in result.images for slot in each.statement.signatures}),
            "packages": sorted(signer.public.key_id.hex() for signer in job.package_signers),
        },
        "sbom": None
        if job.bill is None
        else {
            "kind": job.bill.kind,
            "version": job.bill.version,
            "size": job.bill.size,
            "sha256": job.bill.digest.hex(),
        },
        "manifest_digest": result.package.digest.value.hex(),
        "files": files,
    }
    outputs.append(Output(os.path.join(folder, RELEASE_NAME), [json_text(document).encode()], last=True))
    return outputs


def file_entry(path: str, pieces: Iterable[bytes | memoryview], what: str) -> dict[str, object]:
    """Return what release.json and export.json say of a file."""
    state, size = hashlib.sha256(), 0
    for piece in pieces:
        state.update(piece)
        size += len(piece)
    return {"path": path, "what": what, "size": size, "sha256": state.hexdigest()}


def _output(name: str, pieces: Iterable[tuple[int, bytes]], *, as_hex: bool) -> Output:
    if not as_hex:
        return Output(name, (piece for _, piece in pieces))
    from imgseal.formats.source.intel_hex_writer import write_intel_hex

    return Output(name, write_intel_hex(pieces))


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
    import json

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
