"""Observations of keys and algorithms."""

from imgseal.formats.cose.labels import ALGORITHMS
from imgseal.product.algorithms import ALGORITHMS as KINDS
from imgseal.product.algorithms import P256
from imgseal.report.grounds import FAILED, NOT_SHOWN, SHOWN, STATED, Answer, count, only_if
from imgseal.report.inputs import Material

_HASHES = {True: "over SHA-256", False: "which hashes by itself"}


def algorithms(m: Material) -> Answer:
    """The algorithms that must verify, where the signatures hold."""
    rules = m.product.rules
    kinds = ", ".join(dict.fromkeys(key.public.words for key in m.trust.keys if not key.development))
    must = " and ".join(f"{name} ({_HASHES[KINDS[name] == P256]})" for name in rules.must_verify)
    words = f"{must} must verify; content is named by SHA-256; trusted keys are for {kinds or 'nothing'}"
    why = m.unverified()
    return (SHOWN, words) if why is None else (NOT_SHOWN, f"{why}; {words}")


def agility(m: Material) -> Answer:
    """Whether signatures of other algorithms have room."""
    names = dict.fromkeys(
        ALGORITHMS.get(slot.algorithm, str(slot.algorithm))
        for image in (m.contents.images.values() if m.contents is not None and m.unverified() is None else ())
        for slot in image.statement.signatures
    )
    return STATED, (
        f"signatures name their algorithm by number ({', '.join(names) or 'none verified'}); images have room for "
        "three signatures, and the product file says which count"
    )


def anchors(m: Material) -> Answer:
    """The released keys of the product file."""
    keys = [key for key in m.trust.keys if not key.development]
    only_if(keys, "no released key could be read")
    weak = [key.source for key in keys if key.published is not None]
    if weak:
        return FAILED, f"the private half of {', '.join(weak)} is public"
    only_if(not m.by_development(), f"signed by development keys, not by one of {count(len(keys), 'released key')}")
    return STATED, (
        f"{count(len(keys), 'key')} in the product file; {m.trust.need_images} must sign an image and "
        f"{m.trust.need_packages} a package, for each algorithm that must verify"
    )


def exchange(m: Material) -> Answer:
    """Whether devices can be given other keys."""
    without = "no apex trust anchor in the product file: devices keep the keys they leave the factory with"
    only_if(m.trust.apex is not None, without)
    spare = " and a contingency key" if m.trust.contingency is not None else ""
    return STATED, (
        f"by the product file an apex trust anchor{spare} can replace and revoke keys, by signed sets that only rise"
    )


def several(m: Material) -> Answer:
    """Whether more than one key must have signed; two algorithms ask for two signatures, which one person may make."""
    rules, need = m.product.rules, m.trust.need_packages
    keys = [key for key in m.trust.keys if key.role == "packages" and not key.development]
    # two names of one kind ask for one signature
    asked_for = {KINDS[name]: name for name in reversed(rules.must_verify)}
    counts = [(name, sum(key.public.kind == kind for key in keys)) for kind, name in reversed(asked_for.items())]
    if need < 2:
        known = f", of any of {len(keys)} keys" if len(keys) > 1 else ""
        if len(counts) < 2:
            return NOT_SHOWN, f"one signature is enough{known}"
        each = f"one signature for each of {len(counts)} algorithms is enough"
        return NOT_SHOWN, f"{each}, which may be one person's{known}"
    only_if(not m.by_development(), "signed by development keys, of which one is enough")
    asked = ", and ".join(f"{need} of {count(known, 'key')} for {name}" for name, known in counts)
    words = f"{asked} must sign a package"
    if not m.signers or not m.passed("signature"):
        return NOT_SHOWN, f"{words}; whether they have is not verified"
    return SHOWN, f"{words}; {', '.join(key.source for key in m.signers)} have"
