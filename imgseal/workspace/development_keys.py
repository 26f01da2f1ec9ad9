"""Refuses a release by a key that the product file names for development."""

from collections.abc import Iterable

from imgseal.errors import InputError, Place, SigningKeyError
from imgseal.keys.signer import Signer
from imgseal.limits import KEY_FILE_BYTES
from imgseal.workspace.files import read_bounded
from imgseal.workspace.key_files import public_key
from imgseal.workspace.project import Project


def refuse_development_keys(project: Project, signers: Iterable[Signer]) -> None:
    """SigningKeyError when a key that is named for development is about to sign a release.

    The judge refuses images and packages by development keys; this finds the key that is named for both.
    """
    product = project.product
    named = product.signing.get("development")
    references = () if named is None else (*named.images, *named.packages)
    trusted = (*product.trust.development_images, *product.trust.development_packages)
    halves = [reference.removesuffix(".pem") + ".pub.pem" for reference in references]
    public = {path: _key_id(project.resolve(path)) for path in (*(entry.key for entry in trusted), *halves)}
    for signer in signers:
        same = [path for path, key_id in public.items() if key_id == signer.public.key_id]
        same += [path for path in references if _same_file(signer.name, project.resolve(path))]
        if same:
            raise SigningKeyError(
                "a development key cannot make a release",
                place=Place(file=signer.name),
                expected="a key that is for releases only",
                found=f"the key of {project.resolve(same[0])}, which the product file names for development",
                hint="make one for releases: imgseal key new FILE, and name it in [signing.release] and [trust]",
            )


def _same_file(one: str, other: str) -> bool:
    try:
        return read_bounded(one, "key", KEY_FILE_BYTES) == read_bounded(other, "key", KEY_FILE_BYTES)
    except InputError:
        return False


def _key_id(path: str) -> bytes | None:
    """Return the identifier of a public key file; None where there is none to read."""
    try:
        return public_key(path).key_id
    except (InputError, SigningKeyError):
        return None
