"""A promotion of the images that run: installed without writing a slot, by the simulation and the compiled installer.

Sources of truth: docs/format/install-record.md, "Delivery"; docs/decisions/059-promotions.md.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from c_install import InstallLibrary, programs_with_installer
from channel_product import with_channels
from stages import PRODUCTS, files, installed, pair, text_of
from workshop import BUILD_TIME, make, signer, trust_of

from imgseal.check.context import Context
from imgseal.flow.contents import read_contents
from imgseal.flow.release import FirmwareFile, Job, release
from imgseal.make.adopt import adopt
from imgseal.make.seal import SealOptions
from imgseal.product.channels import in_channel
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.rehearse.apply import apply
from imgseal.rehearse.device import Judgements
from imgseal.rehearse.explore import SCENARIOS
from imgseal.rehearse.flash import Operation
from imgseal.rehearse.life import Life, Programs, Stage
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.stage import read_slots, set_up
from imgseal.window import ByteView

PROMOTED = 7
"""The sequence of the promotion; that of the release which runs is 6."""


def promotion(name: str, *, from_second_slot: bool) -> tuple[Stage, ByteView]:
    """A device that runs a release, and the package that signs the same images again under a later sequence."""
    update = pair(name)
    of = update.product
    state, held, package = update.state, update.contents, ByteView(update.first.package)
    if from_second_slot:
        ran = apply(Context(of, update.first.trust, state, held), update.package)
        state, held, package = (
            ran.state,
            {slot: ByteView(content) for slot, content in ran.slots.items()},
            update.package,
        )
    whole = package.read(0, package.size)
    images = [
        adopt(ByteView(image.content), of, "it")
        if image.header is None
        else adopt(ByteView(image.header), of, "it", ByteView(image.content))
        for image in read_contents(whole, "it", of).images.values()
    ]
    next_one = of._replace(release=of.release._replace(sequence=PROMOTED))
    files = [FirmwareFile(image.placed.component.name, "it", image) for image in images]
    options = SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20)))
    job = Job(files, next_one, options, (signer("keys/images"),), (signer("keys/packages"),), update.first.trust)
    data = ByteView(b"".join(release(job).package.pieces()))
    return set_up(Context(of, update.first.trust, state, held), data), data


def written(stage: Stage, data: ByteView, programs: Programs) -> tuple[list[str], int]:
    """Which slots an undisturbed installation erases or programs, and the sequence that the device has then."""
    product = stage.facts.product
    touched: list[str] = []

    def log(operation: object, _moment: object) -> None:
        if isinstance(operation, Operation):
            touched.extend(
                slot.name for slot in product.slots.values()
                if slot.memory == operation.memory and slot.at <= operation.at < slot.at + slot.size
            )  # fmt: skip

    life = Life(stage, SCENARIOS[0], data, Judgements(), Noise("promotion"), programs)
    life.run(known=set(), log=log)
    record, _ = read_slots(product, life.moment())
    assert record is not None
    return sorted(set(touched)), record.sequence


@pytest.mark.parametrize("from_second_slot", [False, True])
@pytest.mark.parametrize("name", PRODUCTS)
def test_no_slot_is_written_for_images_that_run(
    name: str, from_second_slot: bool, tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool("gcc")
    stage, data = promotion(name, from_second_slot=from_second_slot)
    wanted = ["records"], PROMOTED
    assert written(stage, data, Programs()) == wanted
    library = InstallLibrary(pair(name).product, tmp_path, pieces=(512, 3))
    assert written(stage, data, programs_with_installer(library)) == wanted


def channel_of(name: str) -> Product:
    """A product with two run slots, for devices of a channel."""
    return in_channel(read(with_channels(text_of("two run slots")), name="imgseal.toml"), name)


def last_word(life: Life) -> str:
    """What the installer said at last."""
    return [event for event in life.device.events if event.startswith("install: ")][-1]


def package_of(of: Product, key: str, sequence: int) -> ByteView:
    """A release of a channel, by that package key."""
    later = of._replace(release=of.release._replace(sequence=sequence))
    options = SealOptions(BUILD_TIME, development=False, source_revision=bytes(range(20)))
    job = Job(files(of, str(sequence)), later, options, (signer("keys/images"),), (signer(key),), trust_of(of))
    return ByteView(b"".join(release(job).package.pieces()))


@pytest.mark.parametrize("channel", ["beta", "production"])
def test_production_refuses_a_beta_and_beta_takes_both(
    channel: str, tool: Callable[[str], str], tmp_path: Path
) -> None:
    """By the simulation and by the code that device-code exports for that channel."""
    tool("gcc")
    of = channel_of(channel)
    state, contents = installed(of, make(of, files=files(of, "one")))
    library = InstallLibrary(of, tmp_path, trust=trust_of(of))
    for key, whose, sequence in (("keys/beta", "beta", 6), ("keys/packages", "production", 7)):
        data = package_of(channel_of(whose), key, sequence)
        stage = set_up(Context(of, trust_of(of), state, contents), data)
        ends = []
        for programs in (Programs(), programs_with_installer(library)):
            life = Life(stage, SCENARIOS[0], data, Judgements(), Noise("channel"), programs)
            life.run(known=set())
            record, _ = read_slots(of, life.moment())
            assert record is not None
            ends.append((record.sequence, last_word(life)))
        if (channel, whose) == ("production", "beta"):
            assert stage.verdict.findings[0].code == "signature.wrong-key"
            assert ends == [(5, "install: refused: signature.wrong-key"), (5, "install: signature.wrong-key")]
        else:
            assert [reached for reached, _ in ends] == [sequence] * 2
