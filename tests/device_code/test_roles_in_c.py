"""The roles of keys in a trust anchor set: who may sign a delivery, a release, an image and the next set.

Every subset of the roles as a set, and every signer of everything under each set that a device can hold. A table that
knows nothing of the code says what has to come out; judge and compiled code are held against it.
"""

import functools
import itertools
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from anchor_cases import anchor, following, signed
from c_boot import BYTES, U32
from c_build import SOURCES
from c_delivery import CHECKED, DeliveryLibrary
from c_trust import Device, Slots, TrustLibrary
from changes import before, files_of, package, product_of
from delivered import TWO, context, made, trust_with_deliveries
from kit_base import text_of
from long_runs import every_fifth
from run_python import product_of as kit_product
from run_python import verdict_of
from spoilt import APP, Offer, around
from spoilt import signed as wrapped
from test_deliveries_in_c import in_c, in_python
from test_planted_in_c import planted
from workshop import BUILD_TIME, public_key, repacked, signer, trust_of

from imgseal.check.context import Context
from imgseal.flow.release import Job, release
from imgseal.formats.trust_anchors.codec import DELIVERIES, IMAGES, PACKAGES, Anchor, AnchorSet, encode_set
from imgseal.keys.anchor_set import trust_of as trust_of_set
from imgseal.make.seal import SealOptions
from imgseal.rehearse.oracle import ViolationError

KIT = "kit-apex"


class Held(NamedTuple):
    """A set that a device holds: who has which role, how many sign packages, and whom it has revoked."""

    packages: tuple[str, ...] = ("keys/packages",)
    deliveries: tuple[str, ...] = ()
    need: int = 1
    revoked: tuple[str, ...] = ()

    @property
    def anchors(self) -> tuple[Anchor, ...]:
        rows = ((IMAGES, ("keys/images",)), (PACKAGES, self.packages), (DELIVERIES, self.deliveries))
        return tuple(sorted(anchor(role, name) for role, names in rows for name in names))

    def as_set(self, base: AnchorSet) -> AnchorSet:
        gone = tuple(sorted(public_key(name).key_id for name in self.revoked))
        return base._replace(anchors=self.anchors, need_packages=self.need, revoked=gone)


ONE, OTHER, BESIDE = "keys/deliveries", "keys/other-deliveries", "keys/second-packages"
HELD = {
    "no key for deliveries": Held(),
    "one": Held(deliveries=(ONE,)),
    "two": Held(deliveries=(ONE, OTHER)),
    "the other, the first revoked": Held(deliveries=(OTHER,), revoked=(ONE,)),
    "none left, the first revoked": Held(revoked=(ONE,)),
    "none, two sign packages": Held(("keys/packages", BESIDE), need=2),
    "one, two sign packages": Held(("keys/packages", BESIDE), (ONE,), 2),
}
SIGNERS = (ONE, OTHER, "keys/packages", BESIDE, "keys/images", "keys/apex", "stranger")
THINGS = ("a delivery", "the release in it", "a package", "an image", "a set")


def wanted(thing: str, by: str, held: Held) -> str:
    """The table."""
    if thing == "a delivery":
        return "accepted" if by in (held.deliveries or held.packages) else "signature.wrong-key"
    if thing in ("the release in it", "a package"):
        if by not in held.packages:
            return "signature.wrong-key"
        return "accepted" if held.need == 1 else "trust.too-few-signatures"
    if thing == "an image":
        return "accepted" if by == "keys/images" else "trust.unknown-key"
    return "accepted" if by == "keys/apex" else "trust.not-by-apex"


# -- a device that holds the set ------------------------------------------------------------------------------------------


def holding(held: Held) -> tuple[Context, bytes]:
    """A device that runs the first release and holds the set, and the set; the product file has a key for deliveries."""
    here = context(TWO)
    blank = AnchorSet(3, here.product.vendor_id, here.product.class_id, 1, 1, bytes(64), bytes(32), (), ())
    anchors = held.as_set(blank)
    trust = trust_of_set(anchors, here.product, trust_with_deliveries(TWO))
    return here._replace(trust=trust, anchors=anchors), encode_set(anchors)


@functools.cache
def sealed_by(by: str) -> bytes:
    """The release with its images signed by another key."""
    of = product_of(TWO, APP.changed, newer=True)
    trust = trust_of(of)
    keys = tuple(
        key._replace(public=public_key(by), key_id=public_key(by).key_id) if key.role == "images" else key
        for key in trust.keys
    )
    marks = {name: "two" if name in APP.changed else "one" for name in of.components}
    options = SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20)))
    files = files_of(of, TWO, marks)
    made_of = release(Job(files, of, options, (signer(by),), (signer("keys/packages"),), trust._replace(keys=keys)))
    return b"".join(made_of.package.pieces())


def offered(thing: str, by: str, held: Held) -> bytes:
    """The thing by this signer; everything else about it is signed as it should be."""
    wraps, author = (held.deliveries or held.packages)[0], held.packages[: held.need]
    if thing == "an image":
        return repacked(sealed_by(by), by=author)
    if thing == "a package":
        return repacked(package(APP), by=(by,))
    whole = repacked(package(APP), by=author if thing == "a delivery" else (by,))
    return wrapped(around(made(APP).data, whole), by=(by if thing == "a delivery" else wraps,))


def offers(*names: str) -> Iterator[tuple[str, Offer, bytes]]:
    for name in names or HELD:
        to, content = holding(HELD[name])
        for thing, by in itertools.product(THINGS[:-1], SIGNERS):
            row = f"{name}: {thing} by {by}"
            yield row, Offer(row, offered(thing, by, HELD[name]), to, wanted(thing, by, HELD[name])), content


class SetLibrary(DeliveryLibrary):
    """Its keys are those of a set that it holds; the product file's are compiled in, and asked for nothing."""

    beside: tuple[str, ...] = (*DeliveryLibrary.beside, "seal_trust.c")
    held = b""

    def declare(self) -> None:
        super().declare()
        self.library.shim_trust.argtypes, self.library.shim_trust.restype = (BYTES, U32), U32

    def begin(self, device: Any) -> None:
        super().begin(device)
        raw = (BYTES._type_ * len(self.held)).from_buffer_copy(self.held)
        self.library.shim_trust(raw, len(self.held))


def library(folder: Path, sources: Path = SOURCES) -> SetLibrary:
    return SetLibrary(TWO, before(TWO)[0].product, folder, sources, (*CHECKED, "-DTRUST_SET"))


def disagreements(compiled: SetLibrary, *names: str) -> Iterator[str]:
    for row, offer, content in offers(*names):
        compiled.held = content
        try:
            said, changed = in_c(offer, compiled)
        except ViolationError as error:
            said, changed = str(error), True
        if said != offer.code or (said != "accepted" and changed):
            yield f"{row}: {said}, wanted {offer.code}, changed {changed}"


def test_the_judge_by_the_table() -> None:
    rows = [(row, in_python(offer), offer.code) for row, offer, _ in offers()]
    assert len(rows) == len(HELD) * 4 * len(SIGNERS)
    assert [row for row in rows if row[1] != row[2]] == []
    assert {code for _, _, code in rows} == {
        "accepted", "signature.wrong-key", "trust.too-few-signatures", "trust.unknown-key",
    }  # fmt: skip


def test_the_compiled_code_by_the_table(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    assert list(disagreements(library(tmp_path))) == []


# -- sets -----------------------------------------------------------------------------------------------------------------


class Subset(NamedTuple):
    """A set with keys of some roles, by one signer, for a device that holds another set."""

    name: str
    update: bytes
    held: AnchorSet
    code: str


def sets() -> Iterator[Subset]:
    """Every subset of the roles, the limits of each, and a set by every signer under each set that is held."""
    first = following()
    named = {IMAGES: ("keys/images",), PACKAGES: ("keys/packages", BESIDE), DELIVERIES: (ONE, OTHER)}
    for counts in itertools.product((0, 1), (0, 1, 2), (0, 1, 2)):
        keys = tuple(
            anchor(role, name)
            for (role, names), count in zip(named.items(), counts, strict=True)
            for name in sorted(names[:count], key=lambda each: public_key(each).key_id)
        )
        for need in (1, 2):
            good = counts[0] == 1 and counts[1] >= need
            new = first._replace(number=2, anchors=keys, need_packages=need)
            code = "accepted" if good else "structure.trust-set"
            yield Subset(f"{counts}, {need} needed", signed(new), first, code)
            for limited in {IMAGES, PACKAGES, DELIVERIES}:
                some = tuple(key._replace(components=1) if key.role == limited else key for key in keys)
                allowed = limited == IMAGES or some == keys
                code = "accepted" if good and allowed else "structure.trust-set"
                yield Subset(
                    f"{counts}, {need} needed, {limited} limited", signed(new._replace(anchors=some)), first, code
                )
    for name, held in HELD.items():
        there = held.as_set(first)
        for by in SIGNERS:
            code = wanted("a set", by, held)
            yield Subset(f"{name}: by {by}", signed(there._replace(number=2), by=by), there, code)
        next_one = there._replace(number=2)
        for key in there.anchors:
            for role in {0, 1, 2, 3, 4} - {key.role}:
                lone = tuple(each for each in there.anchors if each != key)
                if role in (0, 4):
                    moved = next_one._replace(anchors=(*lone, key._replace(role=role)))
                    yield Subset(f"{name}: role {role}", signed(moved), there, "structure.trust-set")
                    continue
                both = next_one._replace(anchors=(*there.anchors, key._replace(role=role)))
                yield Subset(f"{name}: {key.role} as {role} too", signed(both), there, "structure.trust-set")
            gone = next_one._replace(revoked=tuple(sorted((*there.revoked, key.key_id))))
            yield Subset(f"{name}: {key.role} is revoked", signed(gone), there, "structure.trust-set")
        for back_again in held.revoked:
            back = there._replace(number=2, revoked=(), anchors=(*there.anchors, anchor(DELIVERIES, back_again)))
            yield Subset(f"{name}: {back_again} back", signed(back), there, "rules.revocation-undone")


def of_the_kit() -> Any:
    return kit_product(KIT, text_of(KIT))


def test_sets_at_the_judge() -> None:
    of, found = of_the_kit(), []
    for each in sets():
        held = signed(each.held)
        verdict = verdict_of(
            of, each.update, payload=None, slot=None, device=None, held={}, development=False, anchors=held
        )
        said = "accepted" if verdict.accepted else verdict.findings[0].code
        found += [] if said == each.code else [(each.name, said, each.code)]
    assert found == []


def other_sets(folder: Path, *flags: str, sources: Path = SOURCES) -> list[tuple[str, str, str]]:
    """What the compiled code says otherwise of the sets."""
    compiled, found = TrustLibrary(of_the_kit(), folder, sources, ("-O1", *flags)), []
    for each in sets():
        compiled.start(Device(Slots(compiled.of, {})), 0, 0)
        compiled.hold(encode_set(each.held))
        compiled.running(b"\xff" * 6, settled=True)
        said = compiled.say("judge", each.update, len(each.update))
        found += [] if said == each.code else [(each.name, said, each.code)]
    return found


@pytest.mark.parametrize("flags", [(), ("-DSEAL_PATCHES",)], ids=["without deliveries", "with"])
def test_sets_in_the_compiled_code(flags: tuple[str, ...], tool: Callable[[str], str], tmp_path: Path) -> None:
    """A device that takes no deliveries reads the role all the same, and has no use for it."""
    tool("gcc")
    assert len(list(sets())) > 150
    assert other_sets(tmp_path, *flags) == []


# -- faults ---------------------------------------------------------------------------------------------------------------

OFFERS, SETS = "offers", "sets"
FAULTS = [
    ("a delivery key is a package key", "        if (key[K_ROLE] == ROLE_PACKAGES)\n            out", "        if (key[K_ROLE] != ROLE_IMAGES)\n            out", OFFERS),
    ("a delivery key is an image key", "        if (key[K_ROLE] == ROLE_IMAGES)\n            out", "        if (key[K_ROLE] != ROLE_PACKAGES)\n            out", OFFERS),
    ("package keys sign deliveries as well", "(uint8_t)(i - out->first_delivery);", "(uint8_t)(i - out->first_delivery);\n    out->first_delivery--;", OFFERS),
    ("only package keys sign deliveries", "    if (out->deliveries == 0) {", "    if (1) {", OFFERS),
    ("nobody signs deliveries", "    if (out->deliveries == 0) {", "    if (0) {", OFFERS),
    ("image keys sign deliveries", "        out->first_delivery = out->images;", "        out->first_delivery = 0;", OFFERS),
    ("the last delivery key is left out", "(uint8_t)(i - out->first_delivery);", "(uint8_t)(i - out->first_delivery > 1);", OFFERS),
    ("one package key signs deliveries", "        out->deliveries = out->packages;", "        out->deliveries = 1;", OFFERS),
    ("a fourth role", "role > ROLE_DELIVERIES", "role > ROLE_DELIVERIES + 1", SETS),
    ("the role is not known", "role > ROLE_DELIVERIES", "role > ROLE_PACKAGES", SETS),
    ("delivery keys limited", "(role != ROLE_IMAGES && components != EVERY)", "(role == ROLE_PACKAGES && components != EVERY)", SETS),
    ("delivery keys are counted for packages", "        packages += key_of(s, i)[K_ROLE] == ROLE_PACKAGES;", "        packages += key_of(s, i)[K_ROLE] != ROLE_IMAGES;", SETS),
    ("a delivery key in two roles", "           && !is_listed(key_of(s, 0) + K_ID, index, KEY_BYTES, key + K_ID);", "           && (role == ROLE_DELIVERIES || !is_listed(key_of(s, 0) + K_ID, index, KEY_BYTES, key + K_ID));", SETS),
    ("a revoked delivery key is trusted", "|| is_listed(key_of(s, 0) + K_ID, keys, KEY_BYTES, revoked))", "|| is_listed(key_of(s, 0) + K_ID, images + packages, KEY_BYTES, revoked))", SETS),
    ("a delivery key signs sets", "    if (is_zero(held + T_APEX, POINT_BYTES))\n        return SEAL_TRUST_NOT_BY_APEX;\n    if (", "    if (seal_differ(signer, key_of(held, get16(held + T_KEYS) - 1u) + K_POINT, POINT_BYTES) == 0)\n        return SEAL_ACCEPTED;\n    if (is_zero(held + T_APEX, POINT_BYTES))\n        return SEAL_TRUST_NOT_BY_APEX;\n    if (", SETS),
]  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "how"), every_fifth(FAULTS))
def test_planted_fault_is_found(
    name: str, old: str, new: str, how: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    sources = planted(tmp_path, "seal_trust.c", old, new)
    if how == SETS:
        assert other_sets(tmp_path, sources=sources) != [], name
        return
    assert next(disagreements(library(tmp_path, sources)), None) is not None, name
