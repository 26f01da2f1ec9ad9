"""Refuses a release by a key that the product file names for development."""

from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, SigningKeyError
from imgseal.limits import KEY_FILE_BYTES
from imgseal.workspace.files import read_bounded

if TYPE_CHECKING:
    from collections.abc import Iterable

    from imgseal.keys.signer import Signer
    from imgseal.workspace.project import Project


def refuse_development_keys(project: "Project", signers: "Iterable[Signer]") -> None:
    """SigningKeyError when a key that is named for development is about to sign a release.

    The judge refuses images and packages by development keys; this finds the key that is named for both.
    """
    product = project.product
    named = product.signing.get("development")
    references = () if named is None else (*named.images, *named.packages)
    trusted = (*product.trust.development_images, *product.trust.development_packages)
    public = {path: key for path in [entry.key for entry in trusted] if (key := _key_id(project, path))}
    for reference in references:
        half = reference.removesuffix(".pem") + ".pub.pem"
        if key := _key_id(project, half):
            public[half] = key
    for signer in signers:
        for path, key in public.items():
            if signer.public.key_id == key:
                raise _development(signer.name, project.resolve(path))
        for reference in references:
            if _same_file(signer.name, project.resolve(reference)):
                raise _development(signer.name, project.resolve(reference))


def _same_file(one: str, other: str) -> bool:
    try:
        return read_bounded(one, "key", KEY_FILE_BYTES) == read_bounded(other, "key", KEY_FILE_BYTES)
    except InputError:
        return False


def _development(name: str, other: str) -> SigningKeyError:
    return SigningKeyError(
        "a development key cannot make a release",
        place=Place(file=name),
        expected="a key that is for releases only",
        found=f"the key of {other}, which the product file names for development",
        hint="make one for releases: imgseal key new FILE, and name it in [signing.release] and [trust]",
    )


def _key_id(project: "Project", reference: str) -> bytes | None:
    """Return the identifier of a public key file; None where there is none to read."""
    from imgseal.keys.pem import load_public

    try:
        return load_public(read_bounded(project.resolve(reference), "public key", KEY_FILE_BYTES), reference).key_id
    except (InputError, SigningKeyError):
        return None
