"""Authentication blocks: whose each is, and that none is there that counts for nothing.

Anyone can add blocks to a package that others have signed. A device passes over those that no key of its own made, up
to limits.BLOCKS in all; here they are refused, unless the product file knows of them.
"""

from collections.abc import Iterable, Iterator

from imgseal.check.context import Context
from imgseal.check.package_subject import PackageSubject
from imgseal.errors import Place
from imgseal.findings import Finding
from imgseal.formats.cose.labels import ALGORITHMS
from imgseal.formats.cose.sign1 import Sign1, to_be_signed
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.public_key import KINDS, AnyKey, verify
from imgseal.keys.trusted_keys import PACKAGES, TrustedKey


def algorithm_of(block: Sign1) -> str:
    """Return the name of a block's algorithm."""
    assert block.algorithm is not None
    return ALGORITHMS.get(block.algorithm, f"algorithm {block.algorithm}")


def kind_of_block(block: Sign1) -> str:
    """Return the kind of key that the block's algorithm is for; empty for one that nothing here verifies."""
    assert block.algorithm is not None
    return KINDS.get(block.algorithm, "")


def signer_of(block: Sign1, message: bytes, anchors: Iterable[TrustedKey]) -> TrustedKey | None:
    """Return the anchor whose key verifies a block; BadSignatureError when the value could be none of any key."""
    for anchor in anchors:
        if anchor.public.kind != kind_of_block(block):
            continue
        try:
            verify(anchor.public, to_be_signed(block.protected, message), block.signature)
        except BadSignatureError as error:
            if error.malformed:
                raise
        else:
            return anchor
    return None


def verifies(key: AnyKey, block: Sign1, message: bytes) -> bool:
    """Say whether a key of the algorithm's kind verifies a block; a key of another kind never does."""
    if key.kind != kind_of_block(block):
        return False
    try:
        verify(key, to_be_signed(block.protected, message), block.signature)
    except BadSignatureError:
        return False
    return True


def idle(subject: PackageSubject, context: Context) -> Iterator[Finding]:
    """No block is there that counts for nothing, but for those that the product file knows of.

    These are one block by each key of `trust.uncounted`, and of an algorithm of `rules.unverified` as many as signers
    are needed. Common practice, no source: the draft lets a recipient ignore blocks that it cannot verify.
    """
    known: set[bytes] = set()
    unverified: dict[str, int] = {}
    for number, block in sorted(subject.idle, key=lambda entry: entry[0]):
        name, message = algorithm_of(block), subject.envelope.digest_bytes
        if name in context.product.rules.unverified:
            unverified[name] = unverified.get(name, 0) + 1
            if unverified[name] <= context.product.trust.need_packages:
                subject.notes.append(f"block {number} is by {name}, which nothing here verifies (rules.unverified)")
                continue
        key = next((each for each in context.trust.uncounted if verifies(each.public, block, message)), None)
        if key is not None and key.key_id not in known:
            known.add(key.key_id)
            subject.notes.append(f"block {number} is by {key.source}, which counts for nothing (trust.uncounted)")
            continue
        yield _finding(number, block, subject, context)


_HINT = "get the package again from its source; if it belongs there, name its key in trust.uncounted"


def _finding(number: int, block: Sign1, subject: PackageSubject, context: Context) -> Finding:
    """Say of a block that counts for nothing what is known of it."""
    found, hint = f"one by {algorithm_of(block)}, {len(block.signature)} bytes, of nobody who is known", _HINT
    if not kind_of_block(block):
        hint = "get the package again from its source; if it belongs there, name its algorithm in rules.unverified"
    for key in (*context.trust.keys, *context.trust.uncounted):
        if verifies(key.public, block, subject.envelope.digest_bytes):
            found = f"one by {key.source}, which has signed already or is not for this"
            hint = "leave it out: each key of [trust.packages] signs once, with an algorithm of rules.algorithms"
            if key.role != PACKAGES or key.development:
                hint = "leave it out: a key of [trust] for something else signs no package"
    return Finding(
        "trust.idle-block",
        "an authentication block that counts for nothing",
        Place(key=f"authentication.block[{number}]"),
        expected="blocks by keys of [trust.packages] alone, each once",
        found=found,
        hint=hint,
    )
