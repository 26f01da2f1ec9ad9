"""Makes signing requests for keys that are held elsewhere, and puts the signatures in when they have come.

Sealed images come first, because the manifest names their digests: where both keys are elsewhere there are two
requests. What is asked for has passed the judge already, with signatures of keys that lived for that moment.
"""

import hashlib
from collections.abc import Iterator

from imgseal.errors import Place, SigningKeyError, UsageError
from imgseal.flow.release import FirmwareFile, Job, ReleaseResult, release, seal
from imgseal.formats.sealed_image.codec import decode_statement, encode_statement
from imgseal.formats.suit.shape import Shape
from imgseal.keys.pem import generate
from imgseal.keys.remote_signer import LaterSigner, SuppliedSigner
from imgseal.keys.signer import Signer, file_signer
from imgseal.keys.trusted_keys import IMAGES, PACKAGES, UNCOUNTED, TrustedKey
from imgseal.make.pack import draft as draft_package
from imgseal.make.place import Placed, place_all
from imgseal.make.seal import SealedImage, SealOptions, draft
from imgseal.offline.asked_numbers import refuse_other_numbers
from imgseal.offline.profile import outside
from imgseal.offline.request import Asked, Item, Request
from imgseal.offline.response import Response
from imgseal.product.algorithms import KEY_NAMES
from imgseal.product.model import Product
from imgseal.records import NamedTuple


class Asking(NamedTuple):
    """A request, and the images that are sealed already: the package is asked for in their name.

    `rehearsed` is the release as it would be, with signatures of keys that nobody has: for looking at its numbers.
    """

    request: Request
    images: tuple[SealedImage, ...]
    notes: tuple[str, ...]
    rehearsed: ReleaseResult


def ask(job: Job, *, with_firmware: bool = False) -> Asking:
    """Make the request for the signatures that cannot be made here.

    Raises as `release` does for anything that the judge would refuse, SigningKeyError for a key that devices would not
    count, UsageError when every key is here.
    """
    rehearsed = release(_with_stand_ins(job))
    unsealed = [file for file in job.firmware if not isinstance(file.content, SealedImage)]
    later = _held_elsewhere(job.image_signers)
    about = f"{job.product.name} {job.product.release.version} (sequence {job.product.release.sequence})"
    if unsealed and later:
        keys = tuple(Asked(KEY_NAMES[signer.public.kind], signer.public.key_id) for signer in later)
        items = tuple(
            Item(
                encode_statement(draft(placed, job.product, job.options, job.image_signers)),
                keys,
                payload=placed.payload.read(0, placed.payload.size) if with_firmware else None,
            )
            for placed in _placed(unsealed, job.product)
        )
        return Asking(Request(about, items), (), rehearsed.notes, rehearsed)
    later = _held_elsewhere(job.package_signers)
    if not later:
        raise UsageError(
            "every key is here: there is nothing to ask for",
            place=job.product.place("signing"),
            expected="the public half of a key that is held elsewhere",
            found=", ".join(signer.name for signer in (*job.image_signers, *job.package_signers)),
            hint="leave --sign-later out, or name the public file as the signing key",
        )
    package = draft_package(
        rehearsed.images, job.product, development=job.options.development, bill=job.bill, witness=job.witness
    )
    keys = tuple(Asked(job.product.rules.signs_with(s.public.kind), s.public.key_id) for s in later)
    left = outside(package.manifest, package.severed, Shape.of(job.product.components.values()))
    verifier = None if left is None else job.product.rules.verifier
    request = Request(about, (Item(package.manifest_bytes, keys, package.severed, verifier=verifier),))
    return Asking(request, rehearsed.images, rehearsed.notes, rehearsed)


def options_of(request: Request, images: list[SealedImage], name: str) -> SealOptions:
    """Return the options that a request was made with: its statements say them, or the images of its package.

    UsageError when they differ among themselves.
    """
    statements = [decode_statement(item.content) for item in request.items if item.is_statement]
    said = {SealOptions(s.build_time, s.development, s.source_revision) for s in statements}
    if not statements:
        said = {SealOptions(0, image.statement.development) for image in images}
    if len(said) != 1:
        raise UsageError(
            "these are not the images of one build",
            place=Place(file=name),
            expected="one build time, source revision and kind of image" if statements else "sealed images of one kind",
            found=f"{len(said)} different" if said else "no sealed image",
            hint="finish each build's request by itself"
            if statements
            else "a package is finished with the sealed images that it was asked for with",
        )
    return said.pop()


def finish(job: Job, request: Request, responses: list[Response]) -> ReleaseResult | Asking:
    """Derive again what was asked for, and put the supplied signatures in: a release, or the request for its package.

    Raises SigningKeyError where a signature does not hold or is for anything else, UsageError where one is missing or
    was asked for something that is not made now.
    """
    refuse_other_numbers(request, job.product)
    images = request.items[0].is_statement
    role_signers = job.image_signers if images else job.package_signers
    values = _values(request, responses)
    if not images:
        _refuse_too_few(job, values)
    supplied = {
        signer.public.key_id: SuppliedSigner(signer.public, signer.name, values.pop(signer.public.key_id, {}))
        for signer in _held_elsewhere(role_signers)
        if images or signer.public.key_id in values  # an image names all of its signers in what they sign
    }
    signers = tuple(
        supplied.get(signer.public.key_id, signer)
        for signer in role_signers
        if signer.public.key_id in supplied or not isinstance(signer, LaterSigner)
    )
    if values:
        raise SigningKeyError(
            "the request asks for a key that the product file does not name here",
            place=job.product.place("signing"),
            expected=", ".join(key.hex() for key in supplied) or "no key that is held elsewhere",
            found=", ".join(key.hex() for key in values),
            hint="use the product file that the request was made with",
        )
    done = _finish(job._replace(image_signers=signers) if images else job._replace(package_signers=signers))
    for signer in supplied.values():
        if signer.left:
            raise UsageError(
                "the request asks for something that is not made now",
                place=Place(file=signer.name),
                expected="the firmware files that the request was made with",
                found="nothing for SHA-256 " + " or ".join(digest.hex() for digest in signer.left),
                hint="name every firmware file of the build",
            )
    return done


def _finish(job: Job) -> ReleaseResult | Asking:
    """Seal; then pack where the package's key is here, and ask for its signature where not."""
    if not _held_elsewhere(job.package_signers):
        return release(job)
    sealed: list[FirmwareFile] = []
    for file in job.firmware:
        if isinstance(file.content, SealedImage):
            sealed.append(file)
            continue
        component = job.product.components[file.component]
        made = seal(
            file.content, job.product, component, file.name, job.options, job.image_signers, job.trust, day=job.day
        )
        sealed += [FirmwareFile(image.placed.component.name, file.name, image) for image in made]
    return ask(job._replace(firmware=sealed))


def _values(request: Request, responses: list[Response]) -> dict[bytes, dict[bytes, bytes]]:
    """Return key identifier -> SHA-256 of the message -> signature; UsageError where one of an image is missing."""
    given = {(signed.digest, signed.asked): signed.value for response in responses for signed in response.signatures}
    out: dict[bytes, dict[bytes, bytes]] = {}
    for item in request.items:
        for asked in item.keys:
            if (item.digest, asked) not in given:
                if not item.is_statement:
                    continue
                raise _missing(f"{asked.algorithm} by {asked.key_id.hex()} of {item.digest.hex()}")
            digest = hashlib.sha256(item.message(asked.algorithm)).digest()
            out.setdefault(asked.key_id, {})[digest] = given[item.digest, asked]
    return out


def _missing(expected: str) -> UsageError:
    return UsageError(
        "a signature is still missing",
        expected=expected,
        found="no response that holds it",
        hint="let the key's holder sign the request, and name each response: --response FILE",
    )


def _refuse_too_few(job: Job, values: dict[bytes, dict[bytes, bytes]]) -> None:
    """UsageError where fewer keys have signed a package than have to, of each algorithm; not of an unfinished one."""
    need = 1 if job.unfinished or job.options.development else job.product.trust.need_packages
    for kind in job.product.rules.required:
        mine = [signer for signer in job.package_signers if signer.public.kind == kind]
        absent = [signer for signer in _held_elsewhere(tuple(mine)) if signer.public.key_id not in values]
        if absent and len(mine) - len(absent) < min(need, len(mine)):
            by = " or ".join(signer.public.key_id.hex() for signer in absent)
            more = min(need, len(mine)) - len(mine) + len(absent)
            raise _missing(f"{more} more of {KEY_NAMES[kind]} by {by}")


def _held_elsewhere(signers: tuple[Signer, ...]) -> list[LaterSigner]:
    return [signer for signer in signers if isinstance(signer, LaterSigner)]


def _placed(files: list[FirmwareFile], product: Product) -> Iterator[Placed]:
    """Place firmware as `seal` does, with what it carries for other components."""
    for file in files:
        assert not isinstance(file.content, SealedImage)
        yield from place_all(file.content, product, product.components[file.component], file.name)


def _with_stand_ins(job: Job) -> Job:
    """Let a key made for this moment sign in the place of each one that is elsewhere, trusted for the same.

    Nothing that it signs leaves this process: it only lets the judge look before anybody is asked to sign.
    """
    anchors: list[TrustedKey] = []

    def stand_in(signer: Signer, role: str) -> Signer:
        if not isinstance(signer, LaterSigner):
            return signer
        known = job.trust.anchors(role, development=job.options.development)
        known += job.trust.uncounted if role == PACKAGES else ()
        mine = [key for key in known if key.public == signer.public]
        if not mine:
            raise SigningKeyError(
                "devices would not count this key",
                place=Place(file=signer.name),
                expected=f"a key of [trust.{role}]",
                found=signer.public.key_id.hex(),
                hint=f"add it to [trust.{role}] of {job.product.source}, or name another signing key",
            )
        made = file_signer(generate(signer.public.kind), signer.name)
        anchors.append(mine[0]._replace(public=made.public, key_id=made.public.key_id, published=None))
        return made

    images = tuple(stand_in(signer, IMAGES) for signer in job.image_signers)
    packages = tuple(stand_in(signer, PACKAGES) for signer in job.package_signers)
    trust = job.trust._replace(
        keys=(*job.trust.keys, *(anchor for anchor in anchors if anchor.role != UNCOUNTED)),
        uncounted=(*job.trust.uncounted, *(anchor for anchor in anchors if anchor.role == UNCOUNTED)),
    )
    return job._replace(image_signers=images, package_signers=packages, trust=trust)
