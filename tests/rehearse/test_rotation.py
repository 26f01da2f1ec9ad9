"""Keys are exchanged while a fleet is out: devices are offered sets and releases in any order, miss some, and get some twice.

What has to hold comes from docs/format/trust-anchors.md and docs/incident.md: a device never holds a set under which what it runs would not
start, its set's number never falls, what a revoked key signed is refused, and whoever is offered everything in order ends where it should.
"""

import functools
import random
from typing import NamedTuple

import pytest
from workshop import BUILD_TIME, firmware, product, signer, trust_of

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import DeviceState, fresh
from imgseal.flow.release import Job, release
from imgseal.formats.trust_anchors.codec import AnchorSet, decode_update
from imgseal.keys.anchor_set import anchor_set
from imgseal.keys.anchor_set import trust_of as trust_of_set
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product
from imgseal.rehearse.apply import apply
from imgseal.trust.update import update_trust
from imgseal.window import ByteView

APEX = '[trust]\napex = "keys/apex.pub.pem"\ncontingency = "keys/contingency.pub.pem"\n\n[trust.images]'


def of(images: str, packages: str, sequence: int, apex: str = "") -> Product:
    def edit(text: str) -> str:
        text = text.replace("[trust.images]", APEX).replace("sequence = 17", f"sequence = {sequence}")
        text = text.replace('"keys/apex.pub.pem"', f'"keys/apex{apex}.pub.pem"')
        text = text.replace('"keys/contingency.pub.pem"', f'"keys/contingency{apex}.pub.pem"')
        text = text.replace('keys = ["keys/images.pub.pem"]', f"keys = [{images}]")
        return text.replace('keys = ["keys/packages.pub.pem"]', f"keys = [{packages}]")

    return product(edit)


OLD, NEW = '"keys/images.pub.pem"', '"keys/images-2.pub.pem"'
OLD_PACKAGES, NEW_PACKAGES = '"keys/packages.pub.pem"', '"keys/packages-2.pub.pem"'


class Fleet(NamedTuple):
    """What can be offered to a device, by name; in the order in which it was made."""

    factory: AnchorSet
    offers: dict[str, bytes]


@functools.cache
def fleet() -> Fleet:
    """The first release, both keys, a release by the new one, the old one revoked, packages too, and a new apex."""

    def packed(this: Product, images: str, packages: str) -> bytes:
        made = release(Job(
            firmware(), this, SealOptions(BUILD_TIME, development=False), image_signers=(signer(images),), package_signers=(signer(packages),),
            trust=trust_of(this),
        ))  # fmt: skip
        return b"".join(made.package.pieces())

    first = of(OLD, OLD_PACKAGES, 17)
    both = of(f"{OLD}, {NEW}", OLD_PACKAGES, 18)
    factory = anchor_set(trust_of(first), first)
    offers = {"release 17": packed(first, "keys/images", "keys/packages")}
    set_1, offers["set 1"] = update_trust(both, trust_of(both), factory, signer("keys/apex"), ())
    offers["release 18"] = packed(both, "keys/images-2", "keys/packages")
    revoked = (signer("keys/images").public.key_id,)
    set_2, offers["set 2"] = update_trust(both, trust_of(both), set_1, signer("keys/apex"), (), revoke=revoked)
    third = of(NEW, NEW_PACKAGES, 19)
    gone = (signer("keys/packages").public.key_id,)
    set_3, offers["set 3"] = update_trust(third, trust_of(third), set_2, signer("keys/apex"), (), revoke=gone)
    offers["release 19"] = packed(third, "keys/images-2", "keys/packages-2")
    last = of(NEW, NEW_PACKAGES, 19, apex="-2")
    offers["set 4"] = update_trust(last, trust_of(last), set_3, signer("keys/contingency"), ())[1]
    return Fleet(factory, offers)


class Device:
    """A device in the field, played with the judge and the rehearsal's programs."""

    def __init__(self) -> None:
        self.product = of(OLD, OLD_PACKAGES, 17)
        self.held = fleet().factory
        self.state: DeviceState = fresh(self.product)._replace(fresh=False, hardware=3)
        self.slots: dict[str, ByteView] = {}

    def offer(self, name: str) -> str:
        """What the device says: `accepted`, or the first finding."""
        raw = fleet().offers[name]
        trust = trust_of_set(self.held, self.product, trust_of(self.product))
        if name.startswith("release"):
            applied = apply(Context(self.product, trust, self.state, self.slots), ByteView(raw))
            if applied.verdict.accepted:
                self.state = applied.state
                self.slots = {slot: ByteView(data) for slot, data in applied.slots.items()}
            return "accepted" if applied.verdict.accepted else applied.verdict.findings[0].code
        verdict = judge(ByteView(raw), name, Context(self.product, trust, self.state, self.slots, anchors=self.held))
        if verdict.accepted:
            self.held = decode_update(raw).anchors
        return "accepted" if verdict.accepted else verdict.findings[0].code

    def starts(self) -> bool:
        """Whether every image of its set is accepted under the set of trust anchors that it holds."""
        trust = trust_of_set(self.held, self.product, trust_of(self.product))
        for number, member in self.state.current.items():
            component = next(c for c in self.product.components.values() if c.number == number)
            slot = component.run[member.slot]
            verdict = judge(
                self.slots[slot], slot, Context(self.product, trust, self.state, self.slots, anchors=self.held)
            )
            if not verdict.accepted:
                return False
        return True


@pytest.mark.parametrize("seed", range(12))
def test_in_any_order(seed: int) -> None:
    rng = random.Random(seed)
    names = list(fleet().offers)
    device = Device()
    for _ in range(rng.randrange(4, 14)):
        number = device.held.number
        device.offer(rng.choice(names))
        assert device.held.number >= number
        assert device.starts()
    for name in names:  # in the end somebody brings everything, in order
        device.offer(name)
        assert device.starts()
    assert device.held.number == 1 << 24
    assert device.state.sequence == 19
    for late in ("release 17", "release 18", "set 1", "set 2"):
        assert device.offer(late) != "accepted"


def test_missed_steps() -> None:
    """Out of a drawer: the newest sets at once are refused while the old images rest on the old key, then it catches up."""
    device = Device()
    assert device.offer("release 17") == "accepted"
    assert device.offer("set 4") == "rules.trust-in-use"
    assert device.offer("set 3") == "rules.trust-in-use"
    assert device.offer("set 2") == "rules.trust-in-use"
    assert device.offer("release 18") == "trust.unknown-key"
    assert device.offer("set 1") == "accepted"
    assert device.offer("release 18") == "accepted"
    assert device.offer("set 3") == "accepted"  # set 2 was never there
    assert device.offer("set 2") == "rules.revocation-undone"
    assert device.offer("release 18") == "signature.wrong-key"
    assert device.offer("release 19") == "accepted"


def test_an_empty_device_takes_the_newest_at_once() -> None:
    device = Device()
    assert device.offer("set 3") == "accepted"
    assert device.offer("set 4") == "accepted"
    assert device.offer("release 17") == "signature.wrong-key"
    assert device.offer("release 19") == "accepted"


def test_a_lost_apex_key_is_final_without_the_contingency() -> None:
    """Nobody else can name a new one: not the old signing keys, not a key that a set names itself."""
    device = Device()
    for name in ("keys/images", "keys/packages", "keys/apex-2", "stranger"):
        last = of(NEW, NEW_PACKAGES, 19, apex="-2")
        with pytest.raises(Exception, match=r"trust\.not-by-apex"):
            update_trust(last, trust_of(last), device.held, signer(name), ())
