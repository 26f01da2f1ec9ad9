"""Exports one release: everything that is needed to judge it again in years to come, judged before it is written."""

import hashlib
import os

from imgseal import __version__
from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import fresh
from imgseal.errors import Place, UsageError
from imgseal.flow.contents import read_contents
from imgseal.flow.refusal import refuse_unless_accepted
from imgseal.formats.log.entry import RECOVERY, Entry, LoggedPackage
from imgseal.formats.log.proof import encode_proof, prove_inclusion
from imgseal.formats.sbom.bill import bill_words
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.named_bill import bill_of
from imgseal.keys.pem import encode_public
from imgseal.keys.trusted_keys import resolve
from imgseal.limits import PRODUCT_FILE_BYTES, SBOM_BYTES
from imgseal.product.channels import in_channel
from imgseal.product.model import Product
from imgseal.product.read_toml import read, resolved
from imgseal.product.trust_table import TrustEntry
from imgseal.product.write_toml import write_toml
from imgseal.records import NamedTuple
from imgseal.window import ByteView
from imgseal.workspace.artefacts import open_artefact
from imgseal.workspace.clock import day_of
from imgseal.workspace.files import read_bounded, write_all
from imgseal.workspace.key_files import public_key
from imgseal.workspace.log_file import LogFile
from imgseal.workspace.outputs import file_entry
from imgseal.workspace.product_files import including, read_text
from imgseal.workspace.staging import Output, json_text
from imgseal.workspace.verdict_json import verdicts_document

FORMAT = 1
_README = """\
Release {product} {version}, sequence {sequence}: what is needed to judge it again. Exported by imgseal {tool}.

  {package}
      the update package, as it was released
  imgseal.toml, keys/
      the product file with the numbers of this release, and the public keys that it trusts
  verdict.json
      what imgseal {tool} said of the package, for a fresh device and the day of the release
  proof.json
      the entry of the release log, and the proof (RFC 9162) that it is in the log with the head
      {head}
      Compare the head with one that came another way: release notes, a signed tag, a time stamp.
  export.json
      every file with its size and SHA-256
{sbom}
To check all of it with imgseal, in this folder:

  imgseal check {package} --as-of {day}
  imgseal log verify --proof proof.json --against HEAD

The formats are described in docs/format/ of imgseal: without imgseal, any CBOR, COSE and SHA-256 library will do.
"""


class ExportFiles(NamedTuple):
    """The files that the caller names: product file, package and bill of materials; None takes the usual place."""

    product_file: str
    package: str | None
    sbom: str | None


def export_release(log: LogFile, entry: Entry, folder: str, files: ExportFiles, variant: str | None) -> list[str]:
    """Write the export of a release into a new folder and return the paths; the log has been read to its end.

    UsageError where package or product file are not those of the release, RefusedError where the package is refused.
    """
    if os.path.lexists(folder):
        raise UsageError(
            "an export wants a new folder, and this one exists",
            place=Place(file=folder),
            hint="name another one, or remove it yourself",
        )
    logged = _package_of(entry, variant)
    text, keys, product = _resolved(files.product_file, entry, logged)
    name = f"{entry.product}-{entry.version}-{entry.sequence}.suit"
    path = files.package or _usual_place(entry, logged)
    data = open_artefact(path)
    _refuse_other_package(data, path, product, logged)
    day = day_of(entry.built)
    # for the keys that were in force on the day that it was built
    context = Context(product, resolve(product, keys.get), fresh(product), partial=True, day=day)
    verdict = judge(data, name, context)
    refuse_unless_accepted(verdict, "the package is refused with this product file", hint=_OTHER_FILE)
    beside = "imgseal.toml"  # the resolved one, in which variant and channel are the product
    written = verdicts_document([(verdict, (beside, None, None))], __version__, beside)
    proof = prove_inclusion(entry, log.leaves)
    contents: list[tuple[str, str, bytes | memoryview]] = [
        (name, "update package", data.read(0, data.size)),
        ("imgseal.toml", "product file, resolved", text.encode()),
        *((key, "public key", content) for key, content in sorted(keys.items())),
        ("verdict.json", "verdict", json_text(written).encode()),
        ("proof.json", "entry of the release log and proof of inclusion", encode_proof(proof)),
    ]
    sbom = ""
    if files.sbom is not None:
        ending = os.path.splitext(files.sbom)[1].lower()
        named = "sbom" + (ending if ending[1:].isalnum() else "")
        bill = read_bounded(files.sbom, "bill of materials", SBOM_BYTES)
        signed = _refuse_other_bill(data, bill, files.sbom)
        contents.append((named, "bill of materials", bill))
        words = "that the package names by digest" if signed else "; nothing in the package says that it is this one's"
        sbom = f"  {named}\n      the bill of materials{' ' if signed else ''}{words}\n"
    elif (bill_named := bill_of(decode_envelope(data.read(0, data.size)))) is not None:
        if product.rules.sbom == "required":
            raise UsageError(
                "the package names a bill of materials, and the export is to hold it",
                place=Place(key="--sbom"),
                expected=bill_words(bill_named),
                found="no file",
                hint="give the file that the release was built with: --sbom FILE",
            )
        sbom = f"  The package names a bill of materials that is not here: {bill_words(bill_named)}\n"
    readme = _README.format(
        product=entry.product, version=entry.version, sequence=entry.sequence, tool=__version__, package=name,
        head=proof.head, sbom=sbom, day=day,
    )  # fmt: skip
    contents.append(("README.txt", "what is what", readme.encode()))
    contents.append(("export.json", "", _document(entry, logged, str(proof.head), contents)))
    outputs = [
        Output(os.path.join(folder, path), [content], replace=False, last=path == "export.json")
        for path, _, content in contents
    ]
    write_all(outputs, [path, log.path, files.product_file, files.sbom])
    return [output.path for output in outputs]


def _variant(logged: LoggedPackage) -> str:
    """Return the variant as the product file names it."""
    return logged.variant.removesuffix(RECOVERY)


def _package_of(entry: Entry, variant: str | None) -> LoggedPackage:
    found = [each for each in entry.packages if variant is None or _variant(each) == variant]
    if len(found) == 1:
        return found[0]
    names = ", ".join(_variant(each) or "the product itself, without --variant" for each in entry.packages)
    raise UsageError(
        "this release has several packages" if variant is None else "this release has no package of this variant",
        place=Place(key="--variant"),
        expected=f"one of {names}",
        found=variant,
        hint="export them one by one: --variant NAME",
    )


def _resolved(path: str, entry: Entry, logged: LoggedPackage) -> tuple[str, dict[str, bytes], Product]:
    """Return the product file as text with the release's numbers in it, the public keys by file name, and the product.

    What is of no use away from the maker's machine is left out: signing and development keys, files for the factory,
    the log's place.
    """
    text = read_text(path, "product file", PRODUCT_FILE_BYTES)
    overrides = {"release.version": str(entry.version), "release.sequence": str(entry.sequence)}
    for image in logged.images:
        overrides[f"component.{image.name}.version"] = str(image.version)
        overrides[f"component.{image.name}.counter"] = str(image.counter)
    variant = _variant(logged) or None
    include = including(path, named=True)
    product = read(text, name=path, overrides=overrides, variant=variant, read_file=include)
    counters = dict(next(floor.counters for floor in entry.least if floor.line == logged.line))
    for name, part in product.components.items():
        if part.same:  # the package does not bring it, and the export has no log to ask
            overrides[f"component.{name}.counter"] = str(counters.get(part.number, part.counter))
    if product.class_id != logged.class_id:
        raise UsageError(
            "the product file is of another class than the release",
            place=Place(file=path, key="product.class"),
            expected=f"the class with the identifier {logged.class_id.hex()}",
            found=product.class_id.hex(),
            hint="use the product file of the release: --product FILE",
        )
    tree = resolved(text, name=path, overrides=overrides, variant=variant, read_file=include)
    for key in ("signing", "factory", "log", "channel"):
        tree.pop(key, None)
    keys: dict[str, bytes] = {}
    folder = os.path.dirname(path)
    trust = (in_channel(product, entry.channel) if entry.channel else product).trust
    kept: dict[str, object] = {
        role: {"keys": [_trusted(each, folder, keys) for each in entries], "need": need}
        for role, entries, need in (
            ("images", trust.images, trust.need_images),
            ("packages", trust.packages, trust.need_packages),
        )
    }
    if trust.uncounted:
        kept["uncounted"] = [_trusted(each, folder, keys) for each in trust.uncounted]
    tree["trust"] = kept
    head = (
        f"# The product file of {entry.product} {entry.version}, sequence {entry.sequence}, resolved for its export.\n"
    )
    written = head + write_toml(tree)
    return written, keys, read(written, name="imgseal.toml")


def _trusted(entry: TrustEntry, folder: str, keys: dict[str, bytes]) -> str | dict[str, object]:
    """Read a trust anchor's key file, and return what stands in the exported product file for it."""
    public = public_key(os.path.join(folder, entry.key))
    name = f"keys/{public.key_id.hex()}.pub.pem"
    keys[name] = encode_public(public)
    from datetime import date

    days = (("from", entry.first), ("until", entry.last))
    limits: dict[str, object] = {"components": list(entry.components), "classes": list(entry.classes)}
    limits = {key: value for key, value in limits.items() if value}
    limits |= {key: date.fromisoformat(day) for key, day in days if day is not None}
    return {"key": name, **limits} if limits else name


def _usual_place(entry: Entry, logged: LoggedPackage) -> str:
    name = f"{entry.product}-{entry.version}-{entry.sequence}.suit"
    folders = ["out", os.path.join("out", entry.product)]
    if variant := _variant(logged):
        own = f"{entry.product}-{variant}-{entry.version}-{entry.sequence}.suit"
        # with its variant in its name, and as it was called before
        places = [os.path.join(folder, *part) for folder in folders for part in ((variant, own), (own,))]
        places += [os.path.join("out", variant, name), os.path.join("out", name)]
        name = own
    else:
        places = [os.path.join(folder, name) for folder in folders]
    for place in places:
        if os.path.exists(place):
            return place
    raise UsageError(
        "the release's package is not where builds put it",
        place=Place(file=places[0]),
        expected=f"{name}, with the manifest digest {logged.manifest.hex()}",
        hint="say where it is: --package FILE",
    )


def _refuse_other_package(data: ByteView, path: str, product: Product, logged: LoggedPackage) -> None:
    """UsageError unless manifest and statements are those of the log."""
    contents = read_contents(data.read(0, data.size), path, product)
    if contents.manifest_digest != logged.manifest:
        raise UsageError(
            "this package is not the one that was logged",
            place=Place(file=path),
            expected=f"the manifest digest {logged.manifest.hex()}",
            found=contents.manifest_digest.hex(),
            hint="name the package that was released: --package FILE",
        )
    statements = {
        slot: hashlib.sha256((image.header or image.content)[:STATEMENT_BYTES]).digest()
        for slot, image in contents.images.items()
    }
    if statements != {image.slot: image.statement for image in logged.images}:
        raise UsageError(
            "the images of this package are not those that were logged",
            place=Place(file=path),
            expected=", ".join(f"{image.slot} {image.statement.hex()}" for image in logged.images),
            found=", ".join(f"{slot} {digest.hex()}" for slot, digest in statements.items()),
            hint="name the package that was released (--package FILE) and its product file (--product FILE)",
        )


def _refuse_other_bill(data: ByteView, bill: bytes, path: str) -> bool:
    """UsageError where the package names another bill of materials; return whether it names this one."""
    named = bill_of(decode_envelope(data.read(0, data.size)))
    if named is None:
        return False
    found = hashlib.sha256(bill).digest()
    if found != named.digest:
        raise UsageError(
            "this is not the bill of materials that the package names",
            place=Place(file=path),
            expected=f"{named.size} bytes, sha-256 {named.digest.hex()}",
            found=f"{len(bill)} bytes, sha-256 {found.hex()}",
            hint="give the file that the release was built with: imgseal build --sbom",
        )
    return True


_OTHER_FILE = "export with the product file of the release (its source revision is in the log): --product FILE"


def _document(
    entry: Entry, logged: LoggedPackage, head: str, contents: list[tuple[str, str, bytes | memoryview]]
) -> bytes:
    files = [file_entry(path, [data], what) for path, what, data in contents]
    document = {
        "format": FORMAT,
        "imgseal": __version__,
        "product": entry.product,
        "variant": _variant(logged) or None,
        "version": str(entry.version),
        "sequence": entry.sequence,
        "entry": entry.number,
        "made_with": entry.tool,
        "head": head,
        "manifest_digest": logged.manifest.hex(),
        "files": files,
    }
    return json_text(document).encode()
