"""The threats of RFC 9124 section 4.2 that a packaging tool can show, played on a device; NIST SP 800-193 sections 4.2 and 4.4 likewise.

Not shown here, because nothing of a package or device state tells: 4.2.2 (devices that were offline: no expiry), 4.2.6 (no remote
payloads), 4.2.10 (no differential updates), 4.2.12 and 4.2.14 (nothing is encrypted), 4.2.13 (no second author), 4.2.17 (before
signing). docs/threats.md says so to users.
"""

from typing import NamedTuple

import pytest
from stages import Pair, files, newer, pair, small
from workshop import make, repacked, resealed, signer

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState
from imgseal.rehearse.boot import RECOVERY, SET, WAITING, Bootloader, Started
from imgseal.rehearse.contents import Block
from imgseal.rehearse.counters import Counters, numbers_stored
from imgseal.rehearse.device import Device, Judgements
from imgseal.rehearse.flash import Flash, Operation
from imgseal.rehearse.install import DELIVERED, Installer
from imgseal.rehearse.journal import Journal
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import set_up
from imgseal.window import ByteView


class Bench(NamedTuple):
    """A device on the bench: every operation on its flash is noted."""

    device: Device
    operations: list[Operation]
    starts: list[Started]

    def boot(self) -> Journal:
        journal = Journal(self.device.flash, self.device.product)
        self.starts.append(Bootloader(self.device, journal).boot(power_on=True))
        return journal

    def install(self, package: bytes) -> str:
        """Boot, and hand the package to what runs then."""
        self.device.source = ByteView(package)
        return Installer(self.device, self.boot()).install()

    @property
    def said(self) -> str:
        return "\n".join(self.device.events)


def bench(update: Pair, slots: dict[str, bytes] | None = None, state: DeviceState | None = None) -> Bench:
    """The device of an update before it, with other contents in some slots."""
    contents = {**update.contents, **{name: ByteView(data) for name, data in (slots or {}).items()}}
    stage = set_up(Context(update.product, update.first.trust, state or update.state, contents), update.package)
    moment = stage.moment
    noise = Noise("bench")
    flash = Flash(update.product, dict(moment.blocks), noise)
    counters = Counters(moment.counters, frozenset(), noise, numbers_stored(update.product))
    device = Device(stage.facts, flash, counters, None, Judgements())
    operations: list[Operation] = []

    def note(operation: Operation) -> bool:
        operations.append(operation)
        return False

    flash.watch = note
    return Bench(device, operations, [])


def content(update: Pair, slot: str) -> bytes:
    return bytes(update.contents[slot].read(0, 1 << 20))


TWO_CORES = pair("two cores")
DATA = pair("data in the NOR")
RESCUE = pair("recovery image")


def test_4_2_1_expired_image() -> None:
    """THREAT.IMG.EXPIRED: an old release is refused; an old image written into the run slot does not start."""
    later = bench(TWO_CORES)
    assert later.install(TWO_CORES.second.package) == DELIVERED
    Installer(later.device, later.boot()).report_healthy()
    assert dict(later.device.counters.firm) == {1: 4, 2: 20250101}  # steps, and a number
    assert later.install(TWO_CORES.first.package) == "rollback.sequence-too-low"
    # as an attacker with a debugger would: the old image, the old record, but counters only rise
    behind = TWO_CORES.state._replace(counters={1: 4, 2: 3})
    old = bench(TWO_CORES, state=behind)
    old.boot()
    assert old.starts[-1].what == WAITING
    assert "app: rollback.counter-too-low" in old.said


def test_4_2_1_a_planned_return_is_a_new_release() -> None:
    """REQ.SEC.SEQUENCE (4.3.1): the number is no version, so that an older version can come back under a new number."""
    back = small("two cores", release__version="0.9.0", release__sequence="9", component__app__version="0.9.0")
    package = make(back, files=files(back, "older", only=("app",))).package
    device = bench(TWO_CORES)
    assert device.install(package) == DELIVERED
    Installer(device.device, device.boot()).report_healthy()
    record = Journal(device.device.flash, TWO_CORES.product).open()
    assert record is not None
    assert record.sequence == 9


def test_4_2_3_incompatible_image() -> None:
    """THREAT.IMG.INCOMPATIBLE: an image of another class, signed by the same keys."""
    other = resealed(content(TWO_CORES, "app-a"), lambda s: s._replace(class_id=bytes(16)))
    device = bench(TWO_CORES, {"app-a": other})
    device.boot()
    assert device.starts[-1].what == WAITING
    other_class = small("two cores")._replace(class_name="small-2", class_id=bytes(range(16)))
    package = make(other_class, files=files(other_class, "x")).package
    assert device.install(package) == "identity.wrong-class"
    assert device.operations == []


def test_4_2_4_wrong_format() -> None:
    """THREAT.IMG.FORMAT: data where code belongs."""
    data = resealed(content(TWO_CORES, "app-a"), lambda s: s._replace(kind=2, entry_offset=0))
    state = TWO_CORES.state._replace(current={n: m._replace(statement=b"") for n, m in TWO_CORES.state.current.items()})
    device = bench(TWO_CORES, {"app-a": data}, state)
    device.boot()
    assert device.starts[-1].what == WAITING
    assert "app: identity.wrong-kind" in device.said


def test_4_2_5_wrong_location() -> None:
    """THREAT.IMG.LOCATION: the build for the other slot, where this device starts from."""
    other = TWO_CORES.first.images["app-b"]
    state = TWO_CORES.state._replace(current={n: m._replace(statement=b"") for n, m in TWO_CORES.state.current.items()})
    device = bench(TWO_CORES, {"app-a": other}, state)
    device.boot()
    assert device.starts[-1].what == WAITING
    assert "app: placement.wrong-slot" in device.said


@pytest.mark.parametrize("at", [3, 40, 200, -700, -5])
def test_4_2_7_altered_on_the_path(at: int) -> None:
    """THREAT.NET.ONPATH, and SP 800-193 section 4.2.1: nothing takes effect before it is authenticated."""
    raw = bytearray(TWO_CORES.second.package)
    raw[at] ^= 0x10
    device = bench(TWO_CORES)
    assert device.install(bytes(raw)) not in (DELIVERED, "nothing to do")
    assert device.operations == []


def test_4_2_8_replaced_after_verification() -> None:
    """THREAT.IMG.REPLACE: staged in flash that a clip can write, exchanged after delivery; found before the run slot is touched.

    Exchanged even between check and use: test_planted_faults.py, "no check after a copy".
    """
    device = bench(TWO_CORES)
    assert device.install(TWO_CORES.second.package) == DELIVERED
    block = device.device.flash.blocks["nor", 0]
    raw = bytearray(block.data)
    raw[700] ^= 1
    device.device.flash.blocks["nor", 0] = Block(bytes(raw), block.done, 0, False)
    device.device.source = None
    device.operations.clear()
    device.boot()
    assert device.starts[-1] == Started(SET, TWO_CORES.state.current, trial=False)
    radio = range(0x4000, 0x5000)
    assert not any(operation.at in radio for operation in device.operations if operation.memory == "internal")


def test_4_2_8_data_in_external_flash_at_rest() -> None:
    """What is judged at installation only is not seen at boot: the choice is the maker's, and the documents say what it costs."""
    raw = bytearray(content(DATA, "phrases"))
    raw[-1] ^= 1
    device = bench(DATA, {"phrases": bytes(raw)})
    device.boot()
    assert device.starts[-1].what == SET  # judged = "install"
    at_boot = DATA.product.components["phrases"]._replace(judged="boot")
    strict = DATA._replace(product=DATA.product._replace(components={**DATA.product.components, "phrases": at_boot}))
    device = bench(strict, {"phrases": bytes(raw)})
    device.boot()
    assert device.starts[-1].what == WAITING
    raw = bytearray(content(DATA, "phrases"))
    raw[100] ^= 1  # in the header: seen at every boot
    device = bench(DATA, {"phrases": bytes(raw)})
    device.boot()
    assert device.starts[-1].what == WAITING


def test_4_2_9_not_authenticated() -> None:
    """THREAT.IMG.NON_AUTH: sealed by somebody else, written into the slot with a clip or a debugger."""
    foreign = resealed(content(TWO_CORES, "app-a"), by=("somebody else",))
    state = TWO_CORES.state._replace(current={n: m._replace(statement=b"") for n, m in TWO_CORES.state.current.items()})
    device = bench(TWO_CORES, {"app-a": foreign}, state)
    device.boot()
    assert device.starts[-1].what == WAITING
    assert "app: trust.unknown-key" in device.said


def test_4_2_11_unapproved_update() -> None:
    """THREAT.UPD.UNAPPROVED: genuine firmware, and nobody has agreed to it now."""
    app = TWO_CORES.product.components["app"]._replace(hazard="The lid moves.")
    moving = TWO_CORES.product._replace(components={**TWO_CORES.product.components, "app": app})
    asks = small("two cores", **newer(moving))
    asks = asks._replace(
        components={**asks.components, "app": asks.components["app"]._replace(hazard="The lid moves.")}
    )
    package = make(asks, files=files(asks, "two")).package
    device = bench(TWO_CORES._replace(product=moving), state=TWO_CORES.state._replace(authorised=False))
    assert device.install(package) == "rules.not-authorised"
    assert device.operations == []


def test_4_2_15_extra_data() -> None:
    """THREAT.IMG.EXTRA: something behind the image in the same slot."""
    device = bench(TWO_CORES, {"app-a": content(TWO_CORES, "app-a") + b"\0"})
    device.boot()
    assert device.starts[-1].what == WAITING
    assert "app: content.rest-not-erased" in device.said


def test_4_2_16_exposed_key() -> None:
    """THREAT.KEY.EXPOSURE: once a device has revoked a key, nothing that it signed starts or is installed."""
    revoked = TWO_CORES.state._replace(revoked=(signer("keys/images").public.key_id.hex(),))
    device = bench(TWO_CORES, state=revoked)
    assert device.install(TWO_CORES.second.package) == "trust.key-revoked"
    assert device.starts[-1].what == WAITING
    assert device.operations == []


def test_4_2_18_manifest_changes_between_authentication_and_use() -> None:
    """THREAT.MFST.TOCTOU: the bootloader needs the package again, and finds another one, genuine as well."""
    device = bench(DATA)
    assert device.install(DATA.second.package) == DELIVERED
    third = small("data in the NOR", release__sequence="7", release__version="1.2.0")
    device.device.source = ByteView(make(third, files=files(third, "three")).package)
    device.boot()
    assert device.starts[-1] == Started(SET, DATA.state.current, trial=False)
    assert "what was delivered is not whole any more; nothing was changed" in device.said
    device.device.source = ByteView(repacked(DATA.second.package, by=("somebody else",)))
    assert Installer(device.device, device.boot()).install() == "signature.wrong-key"


def test_components_of_two_releases_do_not_start_together() -> None:
    """RFC 9019 section 3 on devices with several cores; ours: the record names every member of the set."""
    device = bench(TWO_CORES, {"radio": TWO_CORES.second.images["radio"]})
    device.boot()
    assert device.starts[-1].what == WAITING
    assert "radio: not the image that the record names" in device.said


def test_800_193_4_2_1_3_older_version_refused() -> None:
    """NIST SP 800-193 section 4.2.1.3: an older authentic version with a known weakness can be refused, by counter alone."""
    old_counter = small("two cores", release__sequence="8")
    package = make(old_counter, files=files(old_counter, "x")).package
    device = bench(TWO_CORES, state=TWO_CORES.state._replace(counters={1: 3, 2: 4}))
    assert device.install(package) == "rollback.counter-too-low"


def test_800_193_4_4_1_recovery_from_an_authenticated_copy() -> None:
    """NIST SP 800-193 section 4.4.1: the recovery image passes the same checks, has its own counter, and takes an update."""
    raw = bytearray(content(RESCUE, "app-a"))
    raw[600] ^= 1
    device = bench(RESCUE, {"app-a": bytes(raw)})
    device.boot()
    assert device.starts[-1].what == RECOVERY
    assert device.install(RESCUE.second.package) == DELIVERED
    device.boot()
    assert device.starts[-1].what == SET
    # rewriting what still runs is left out; the same package brings it once the set has started
    assert "install: wrote recovery" not in device.said
    assert device.install(RESCUE.second.package) == DELIVERED
    assert "install: wrote recovery" in device.said


def test_800_193_4_4_1_a_bad_recovery_image_does_not_start() -> None:
    broken = bytearray(content(RESCUE, "app-a"))
    broken[600] ^= 1
    for recovery, why in (
        (content(RESCUE, "recovery")[:-1] + b"?", "digest"),
        (resealed(content(RESCUE, "recovery"), by=("somebody else",)), "key"),
    ):
        device = bench(RESCUE, {"app-a": bytes(broken), "recovery": recovery})
        device.boot()
        assert device.starts[-1].what == WAITING, why
    device = bench(RESCUE, {"app-a": bytes(broken)}, RESCUE.state._replace(counters={1: 3, 4: 4}))
    device.boot()
    assert device.starts[-1].what == WAITING  # its own counter
