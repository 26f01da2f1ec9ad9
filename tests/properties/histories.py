"""Random histories of one device: builds, updates, failed trials, revocations and power cuts, against a second model.

The model (tests/rehearse/paper_model.py) follows docs/format alone and shares no code. After each event both have to say
the same: what runs, which release is settled, every counter, what has failed before, how a trial stands.

    python tests/properties/histories.py --count 5000 --seed 1
"""

import argparse
import copy
import functools
import random
import sys
import time
from collections import Counter
from pathlib import Path
from typing import ClassVar

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "rehearse"))

from changes import OtherSignature
from paper_model import Image, Kind, Package, Paper, Version
from stages import text_of
from workshop import BUILD_TIME, signer, trust_of

from imgseal.demo.firmware import code, phrases
from imgseal.device_state.device import fresh
from imgseal.flow.release import FirmwareFile, Job, release
from imgseal.formats.install_record.record import DELIVERING, PHASES, SETTLED, encode, first_record
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product, Requirement
from imgseal.product.read_toml import read
from imgseal.rehearse.boot import SET, Started
from imgseal.rehearse.contents import Block
from imgseal.rehearse.counters import Counters, numbers_stored
from imgseal.rehearse.device import Facts, Judgements
from imgseal.rehearse.flash import Flash, PowerCutError
from imgseal.rehearse.install import DELIVERED, NOTHING_TO_DO
from imgseal.rehearse.life import Programs
from imgseal.rehearse.noise import Noise
from imgseal.rehearse.slots import statement_digest
from imgseal.versions import Version as RealVersion
from imgseal.window import ByteView

APP, RADIO, PHRASES = 1, 2, 3
KINDS = {APP: Kind(True, False, False), RADIO: Kind(False, True, True), PHRASES: Kind(False, False, False, code=False)}
NAMES = {APP: "app", RADIO: "radio", PHRASES: "phrases"}
IMAGE_KEYS, PACKAGE_KEYS = ("image A", "image B"), ("package A", "package B")
POOL = 72


class DisagreementError(Exception):
    """Device and paper say different things."""


@functools.cache
def product() -> Product:
    """Two run slots, a radio core that is staged and kept, data that is rewritten in place; two keys in each role."""
    text = text_of("two cores").replace('needs = { radio = ">=1.0.0" }\n', "")
    text += text_of("data in the NOR").split("[slot.phrases]")[1].join(("[slot.phrases]", ""))
    text = text.replace('keys = ["keys/images.pub.pem"]', f"keys = {list(IMAGE_KEYS)}".replace("'", '"'))
    text = text.replace('keys = ["keys/packages.pub.pem"]', f"keys = {list(PACKAGE_KEYS)}".replace("'", '"'))
    text += "\n[rules]\ntrial_attempts = 2\ntrial_power_ons = 3\n"
    return read(
        text.replace('[slot.phrases]\nmemory = "nor"\nat = 0x1000', '[slot.phrases]\nmemory = "nor"\nat = 0x2000'),
        name="x",
    )


class Made:
    """A package as bytes and on paper, and the images by the digests of their statements."""

    def __init__(self, data: bytes, paper: Package, digests: dict[bytes, Image]) -> None:
        self.data = ByteView(data)
        self.paper = paper
        self.digests = digests
        self.manifest = decode_envelope(data).digest.value


@functools.cache
def pool() -> tuple[Made, ...]:
    """Packages of many kinds; later ones mostly newer. Every sixth brings the images of the one before again."""
    return tuple(_make(number - 1, again=True) if number % 6 == 5 else _make(number) for number in range(POOL))


def _make(number: int, *, again: bool = False) -> Made:
    """Make a package; `again` the next release of the same images, with other signatures."""
    rng = random.Random(f"pool {number}")
    of = product()
    brings = sorted(rng.sample((APP, RADIO, PHRASES), rng.choice((1, 2, 3, 3, 3))))
    age = number * 4 // POOL
    versions: dict[int, Version] = {c: (1, rng.randrange(age + 1), 0) for c in brings}
    counters = {c: max(0, rng.choice((age, age, age - 1, age + 1, 0))) for c in brings}
    needs: tuple[tuple[int, Version, Version | None], ...] = ()
    if APP in brings and rng.random() < 0.6:
        if RADIO in versions:
            needs = ((RADIO, versions[RADIO], (2, 0, 0)),)
        else:
            needs = (
                (RADIO, (1, rng.randrange(3), 0), rng.choice((None, (1, 2, 0) if rng.random() < 0.3 else (2, 0, 0)))),
            )
    needs = needs[:1] if not needs or needs[0][2] is None or needs[0][1] < needs[0][2] else ()
    sequence = max(1, number // 3 + rng.choice((0, 0, 1, -2))) + again
    image_key, package_key = rng.choice(IMAGE_KEYS), rng.choice(PACKAGE_KEYS)
    components = {
        name: component._replace(
            version=RealVersion(*versions.get(component.number, (1, 0, 0))),
            counter=counters.get(component.number, 0),
            needs=tuple(
                Requirement(c, NAMES[c], RealVersion(*least), None if below is None else RealVersion(*below))
                for c, least, below in (needs if component.number == APP else ())
            ),
        )
        for name, component in of.components.items()
    }
    changed = of._replace(components=components, release=of.release._replace(sequence=sequence))
    files, images = [], []
    for component in (c for c in components.values() if c.number in brings):
        mark = f"{component.name} {component.version} {component.counter} {image_key} {needs if component.number == APP else ''}"
        for index, slot in enumerate(component.run):
            link = of.slot_base(slot) + component.header_block
            data = (
                phrases(mark, 700)
                if component.kind == "data"
                else code(mark, link=link, size=600, vectors=16, stack=0x2000_4000)
            )
            files.append(FirmwareFile(component.name, slot, MemoryImage.from_bytes(link, data)))
            images.append(
                Image(f"{mark} {index}", component.number, index, versions[component.number], component.counter, image_key,
                      needs if component.number == APP else ())
            )  # fmt: skip
    made = release(Job(
        files, changed, SealOptions(BUILD_TIME, development=False, source_revision=b""),
        image_signers=(OtherSignature(image_key) if again else signer(image_key),), package_signers=(signer(package_key),), trust=trust_of(of),
    ))  # fmt: skip
    digests = {}
    for sealed in made.images:
        number_, slot_ = sealed.placed.component.number, sealed.placed.slot_index
        paper = next(i for i in images if (i.component, i.slot) == (number_, slot_))
        digests[statement_digest(sealed.header_block)] = paper
    name = made.package.digest.value.hex()
    return Made(b"".join(made.package.pieces()), Package(name, sequence, package_key, tuple(images)), digests)


@functools.cache
def known() -> dict[bytes, Image]:
    return {digest: image for made in pool() for digest, image in made.digests.items()}


class Real:
    """The simulated device, driven event by event; a cut ends what runs and is followed by a power-on."""

    judgements: ClassVar[dict[tuple[str, ...], Judgements]] = {}

    def __init__(self, seed: str, programs: Programs) -> None:
        of = product()
        self.programs = programs
        self.noise = Noise(seed)
        self.flash = Flash(of, {}, self.noise)
        slot = of.slot_holding("records")
        assert slot is not None
        data = encode(first_record({}, 0, None), of.numbers) * 3
        self.flash.blocks["internal", slot.at // 2048] = Block(
            data.ljust(2048, b"\xff"), (1 << len(data) // 8) - 1, 0, False
        )
        self.full: dict[int, int] = {}
        self.counters = Counters({}, frozenset(), self.noise, numbers_stored(of), self.full)
        self.facts = Facts(of, trust_of(of), False, fresh(of)._replace(hardware=1, bootloader=RealVersion(1, 0, 0)))
        self.source: ByteView | None = None
        self.operations = 0
        self.cut: int | None = None
        self.cuts = 0
        self.flash.watch = self.counters.watch = self._watch
        self.boot(power_on=True)

    def _watch(self, _what: object) -> bool:
        self.operations += 1
        return self.operations - 1 == self.cut

    def wear(self, component: int) -> None:
        if self.full.pop(component, None) is None:
            self.full[component] = self.counters.firm.get(component, 0)

    def revoke(self, key: str) -> None:
        state = self.facts.state
        revoked = *state.revoked, signer(key).public.key_id.hex()
        self.facts = self.facts._replace(state=state._replace(revoked=revoked))

    def boot(self, *, power_on: bool) -> None:
        """Reset, until a boot is not cut."""
        judgements = self.judgements.setdefault(self.facts.state.revoked, Judgements())
        while True:
            self.noise.reset()
            self.device = self.programs.device(self.facts, self.flash, self.counters, self.source, judgements)
            self.journal = self.programs.journal(self.flash, self.facts.product)
            try:
                self.started: Started = self.programs.bootloader(self.device, self.journal).boot(power_on=power_on)
            except PowerCutError:
                self.cuts += 1
                power_on = True
            else:
                return

    def install(self, made: Made) -> str:
        self.source = self.device.source = made.data
        try:
            said = self.programs.installer(self.device, self.journal).install()
            if said == DELIVERED:
                self.boot(power_on=False)
        except PowerCutError:
            self.cuts += 1
            said = "cut"
            self.boot(power_on=True)
        return said

    def healthy(self) -> None:
        try:
            self.programs.installer(self.device, self.journal).report_healthy()
        except PowerCutError:
            self.cuts += 1
            self.boot(power_on=True)


def compare(real: Real, paper: Paper, what: str) -> None:
    """Hold what both say against each other."""
    record = real.journal.record
    assert record is not None
    phase = PHASES[SETTLED if record.phase == DELIVERING else record.phase]
    seen: list[tuple[str, object, object]] = [
        ("what runs", _named(real), None if paper.running is None else {c: i.name for c, i in paper.running.items()}),
        ("phase", phase, paper.phase),
        ("counters", {c: real.counters.firm.get(c, 0) for c in KINDS}, paper.counters),
        ("torn counters", set(real.counters.loose), set()),
        ("counters behind", record.unraised, paper.unraised),
        ("sequence", record.sequence, paper.sequence),
        ("release", record.manifest_digest.hex() if record.manifest_digest else "", paper.manifest),
        ("failed before", [digest.hex() for digest in record.refused], paper.refused),
        ("starts", (record.attempts, record.power_ons), (paper.attempts, paper.power_ons)),
    ]
    for name, mine, theirs in seen:
        if mine != theirs:
            raise DisagreementError(f"{what}: {name}: device {mine}, paper {theirs}")


def _named(real: Real) -> dict[int, str] | None:
    if real.started.what != SET:
        return None
    return {c: known()[member.statement].name for c, member in real.started.members.items()}


def history(seed: str, programs: Programs | None = None) -> Counter[str]:
    """Play one history; return what it has reached. DisagreementError says where device and paper part."""
    rng, wear = random.Random(seed), random.Random(f"{seed} wear")
    real, paper = Real(seed, programs or Programs()), Paper(KINDS, 2, 3)
    reached: Counter[str] = Counter()
    at = 0
    for number in range(rng.randrange(5, 13)):
        what = f"{seed}, event {number}"
        event = rng.random()
        real.operations, real.cut = 0, None
        if wear.random() < 0.2:
            component = wear.choice(tuple(KINDS))
            real.wear(component)
            paper.wear(component)
        reached["counters behind"] += paper.unraised
        if event < 0.55:
            at = max(0, min(POOL - 1, at + rng.choice((-6, 0, 1, 2, 4, 7, 12))))
            _update(real, paper, pool()[at], rng, reached, what)
        elif event < 0.72:
            reached["settles"] += paper.phase != "settled" and paper.running is not None
            reached["counters"] += paper.phase != "settled" and paper.running is not None
            _healthy(real, paper, rng, reached, what)
        elif event < 0.94:
            for _ in range(rng.choice((1, 2, 3)) if paper.phase == "trial" else 1):
                power_on = rng.random() < 0.4
                before = paper.phase
                real.boot(power_on=power_on)
                paper.boot(power_on=power_on)
                reached["attempts"] += paper.phase == "trial"
                reached["way-back"] += before == "trial" and paper.phase == "settled"
                compare(real, paper, f"{what}: reset, power on {power_on}")
            if rng.random() < 0.3:
                real.operations, real.cut = 0, None
                _update(real, paper, pool()[at], rng, reached, f"{what}, the same again")
        else:
            key = rng.choice((*IMAGE_KEYS, *PACKAGE_KEYS))
            if len(paper.revoked) < 2:
                real.revoke(key)
                paper.revoke(key)
                reached["a key is revoked"] += 1
                real.boot(power_on=True)
                paper.boot(power_on=True)
                compare(real, paper, f"{what}: {key} revoked")
        reached["judged"] += paper.running is None and bool(paper.current)
        reached["one-set"] += paper.running is not None and len(paper.running) > 1
    return reached


def _update(real: Real, paper: Paper, made: Made, rng: random.Random, reached: Counter[str], what: str) -> None:
    reasons = paper.reasons(made.paper)
    reached["the set stays"] += not reasons and not paper.new_images(made.paper) and made.paper.name != paper.manifest
    cut = rng.random() < 0.5
    if reasons or not cut:
        said = real.install(made)
        told = paper.install(made.paper)
        expected = {"refused": "refused", "delivered": DELIVERED, "nothing to do": NOTHING_TO_DO}[told]
        reached["flash"] += told == "delivered"
        reached["attempts"] += paper.phase == "trial"
        for reason in reasons:
            reached[reason] += 1
        if reasons and said in (DELIVERED, NOTHING_TO_DO):
            raise DisagreementError(f"{what}: device {said}, paper refuses: {reasons}")
        if not reasons and said != expected:
            raise DisagreementError(f"{what}: device {said}, paper {told}")
        if len(reasons) == 1 and said not in reasons:
            raise DisagreementError(f"{what}: device {said}, paper {reasons}")
        compare(real, paper, f"{what}: update")
        return
    # the power fails inside, perhaps twice; the package stays, and is installed again until it is in
    reached["starts"] += 1
    real.cut = rng.randrange(110)
    untouched, real.cuts = copy.deepcopy(paper), 0
    said = real.install(made)
    if real.cuts == 0:  # it was over before
        paper.install(made.paper)
        compare(real, paper, f"{what}: update that a cut came too late for")
        return
    reached["ends"] += 1
    for again in range(4):
        real.operations, real.cut = 0, rng.randrange(60) if again == 0 and rng.random() < 0.4 else None
        record = real.journal.record
        assert record is not None
        if record.manifest_digest != untouched_manifest(untouched):
            raise DisagreementError(f"{what}: settled by a cut")
        if record.phase not in (SETTLED, DELIVERING) and record.target_digest == made.manifest:
            break
        said = real.install(made)
    paper.install(made.paper)
    record = real.journal.record
    assert record is not None
    if paper.phase == "trial":
        # which resets were power-ons, and which came between the count and the start, the paper cannot know
        starts = record.attempts + record.power_ons
        if PHASES[record.phase] == "trial" and not 1 <= starts <= 1 + real.cuts:
            raise DisagreementError(f"{what}: {starts} starts counted after {real.cuts} cuts")
        paper.attempts, paper.power_ons = record.attempts, record.power_ons
    compare(real, paper, f"{what}: update with {real.cuts} cuts")


def untouched_manifest(paper: Paper) -> bytes | None:
    return bytes.fromhex(paper.manifest) if paper.manifest else None


def _healthy(real: Real, paper: Paper, rng: random.Random, reached: Counter[str], what: str) -> None:
    real.cut, real.cuts = (rng.randrange(30), 0) if rng.random() < 0.5 else (None, 0)
    if paper.running is None:
        real.cut = None
    if real.started.what == SET:
        real.healthy()
    record = real.journal.record
    assert record is not None
    if real.cuts and paper.phase == "trial" and PHASES[record.phase] == "trial":
        reached["starts"] += 1
        paper.boot(power_on=True)  # the report was lost, and the power-on was counted
        if (record.attempts, record.power_ons) != (paper.attempts, paper.power_ons):
            raise DisagreementError(f"{what}: a cut in the report, and {record.power_ons} power-ons counted")
    elif real.cuts and paper.phase == "trial" and record.target_digest is None and paper.target is not None and (
        record.manifest_digest != bytes.fromhex(paper.target.name)
    ):  # fmt: skip
        paper.boot(power_on=True)  # the report was lost, and no start was left
        if paper.phase != "settled":
            raise DisagreementError(f"{what}: gone back with starts left")
    elif real.cuts and paper.phase == "unproven" and PHASES[record.phase] == "unproven":
        paper.boot(power_on=True)
        real.journal.tidy()  # a torn record of the report might read later, and the paper cannot know when
    else:
        paper.healthy()
        if real.cuts:
            paper.boot(power_on=True)
    compare(real, paper, f"{what}: healthy, {real.cuts} cuts")


def many(start: int, stop: int, seed: int, programs: Programs | None = None) -> Counter[str]:
    """Play histories; return in how many of them each thing was reached."""
    total: Counter[str] = Counter()
    for number in range(start, stop):
        total.update({name: 1 for name, count in history(f"{seed} {number}", programs).items() if count})
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    began = time.perf_counter()
    total = many(0, arguments.count, arguments.seed)
    print(
        f"{arguments.count} histories, seed {arguments.seed}: device and paper agree ({time.perf_counter() - began:.0f} s)"
    )
    for name, count in sorted(total.items()):
        print(f"  {name:<28}{count:>6} histories")


if __name__ == "__main__":
    main()
