"""The product file as values; docs/format/product-file.md says what each key means.

Sizes in bytes, addresses absolute.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from imgseal.errors import Place
from imgseal.limits import DELIVERY_STEPS
from imgseal.product.algorithms import ALGORITHMS
from imgseal.product.identifiers import class_identifier
from imgseal.product.trust_table import Channel, TrustTable
from imgseal.records import NamedTuple
from imgseal.versions import Version

if TYPE_CHECKING:
    from imgseal.product.table import Document

STEPS = 256
"""What step storage is taken to hold where nothing is stated: 32 bytes of one-way bits. Common practice, no source."""


class Release(NamedTuple):
    """What names a set: its version, and the manifest sequence number that only ever rises.

    `next` says that the product file leaves the number to the release log: it is the next one there.
    """

    version: Version
    sequence: int
    next: bool


class SigningKeys(NamedTuple):
    """Key references as the product file writes them, relative to its folder; one for each algorithm, or none."""

    images: tuple[str, ...]
    packages: tuple[str, ...]
    deliveries: tuple[str, ...] = ()


class Memory(NamedTuple):
    """A memory of the device. `write_unit` is the smallest programmable piece, `page` the most programmed at once.

    `erased` is what a byte reads as that nobody has programmed since the erase; None: anything, or an error.
    `trusted` is False for external parts. `erase_ms` is the typical and the longest time to erase a block, `program_us`
    the same for a page, `endurance` how often a block may be erased; None where the product file does not say.
    `behaves` are the ways in which it is worse than other flash, by name.
    """

    name: str
    base: int
    size: int
    kind: str
    erase_block: int
    write_unit: int
    program_once: bool
    page: int
    erased: int | None
    trusted: bool
    erase_ms: tuple[float, float] | None
    program_us: tuple[float, float] | None
    endurance: int | None
    behaves: tuple[str, ...] = ()

    @property
    def once(self) -> bool:
        """Whether a unit is programmed once between two erases."""
        return self.program_once or "second-program-faults" in self.behaves

    @property
    def faults(self) -> bool:
        """Whether reading what is unreliable may be an error."""
        return self.program_once or "ecc-faults" in self.behaves

    @property
    def pieces(self) -> int:
        """How many pieces of an erase block are erased one after the other."""
        return 4 if "uneven-blocks" in self.behaves and self.erase_block % (4 * self.write_unit) == 0 else 1

    @property
    def fill(self) -> int:
        """What fills the last write unit of what is programmed: as erased, where that can be read."""
        return 0xFF if self.erased is None else self.erased


class Slot(NamedTuple):
    """A range of a memory, `at` bytes from its base; `holds` names a purpose of its own.

    Bootloader, records, recovery, anchors, boot-mark. `write_protected` is "until-reset" where the maker says that
    nothing can write the slot from before hand-over until the next reset.
    """

    name: str
    memory: str
    at: int
    size: int
    holds: str | None
    write_protected: str | None = None


class Requirement(NamedTuple):
    """`least` <= version of the named component, and < `below` where given; component 0 is the bootloader."""

    component: int
    name: str
    least: Version
    below: Version | None


class OutsideRange(NamedTuple):
    """A range of addresses outside the run slots that a firmware file may hold: dropped, or carried to a component."""

    at: int
    size: int
    carry: str | None


class AllowedKey(NamedTuple):
    """A private key that belongs in the firmware: the SHA-256 of its bytes in hex, and why."""

    sha256: str
    reason: str


class Component(NamedTuple):
    """A component: one image of a set. Slots by name.

    `header` lists header slots for detached images, one a run slot. `recovery` marks the image that starts when no
    set can: it runs from the slot that holds "recovery" and belongs to no set. `counter_storage` is "steps" where the
    device takes one step at a time, "value" where it stores a number; `counter_jump` is the most that one update may
    raise the counter by, None for no such limit. `same` says that the product file leaves the counter as the release
    log has it. `ram` names the RAMs that its stack may lie in; none named: all.
    """

    name: str
    number: int
    kind: str
    version: Version
    counter: int
    counter_steps: int | None
    core: str
    vectors: int
    run: tuple[str, ...]
    staging: str | None
    keep: str | None
    way_back: str
    header: tuple[str, ...]
    header_block: int
    hazard: str | None
    needs: tuple[Requirement, ...]
    judged: str
    outside: tuple[OutsideRange, ...]
    allowed_keys: tuple[AllowedKey, ...]
    description: str | None
    recovery: bool
    counter_storage: str = "steps"
    counter_jump: int | None = None
    same: bool = False
    ram: tuple[str, ...] = ()

    @property
    def counter_most(self) -> int:
        """The highest counter that the device's storage can hold; STEPS of them where the product file does not say."""
        if self.counter_steps is not None:
            return self.counter_steps
        return STEPS if self.counter_storage == "steps" else 0xFFFF_FFFF

    @property
    def payload_offset(self) -> int:
        """Where the payload begins in a run slot: behind the header block, if that is not in a slot of its own."""
        return 0 if self.header else self.header_block

    @property
    def returns(self) -> bool:
        """Whether the image before an update can be started again: a second run slot, or a keep slot."""
        return len(self.run) > 1 or self.keep is not None


class Bootloader(NamedTuple):
    """The bootloader that devices leave the factory with; component 0 of requirements.

    `hash_rate` in bytes a second and `verify_ms` for one signature are what it takes to judge; None where not stated.
    """

    version: Version
    hash_rate: int | None
    verify_ms: float | None


class LayoutRevision(NamedTuple):
    """Which layout of its devices a product file is about: 0 is the first. `bootloader` is the first that has it."""

    revision: int = 0
    bootloader: Version | None = None


class Rules(NamedTuple):
    """Rules of the product; `minimum_battery` in mWh, `update_priority` as in SUIT (smaller is more urgent).

    `trial_attempts` and `trial_power_ons` bound the trial starts after any reset but power-on, and after power-on.
    Each of `must_verify` has to verify; the other `algorithms` may be there, and then have to hold. `sbom` says whether
    releases have to name a bill of materials: `required` or `optional`. Packages may carry signatures by `unverified`
    algorithms, which nothing here can verify: COSE's names of them. `verifier` names what judges packages on the
    devices where that is not the exported device code. `at_boot` is "signature" where each boot verifies signatures,
    "digest" where one does that has no mark of an earlier one.
    """

    algorithms: tuple[str, ...]
    must_verify: tuple[str, ...]
    example_keys: str
    external_code: str
    minimum_battery: int | None
    update_priority: int
    trial_attempts: int
    trial_power_ons: int
    sbom: str = "optional"
    unverified: tuple[str, ...] = ()
    verifier: str | None = None
    at_boot: str = "signature"

    @property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of keys that the algorithms are for, in their order."""
        return tuple(dict.fromkeys(ALGORITHMS[name] for name in self.algorithms))

    @property
    def required(self) -> tuple[str, ...]:
        """The kinds of keys that have to have signed, in the same order."""
        return tuple(ALGORITHMS[name] for name in self.must_verify)

    def signs_with(self, kind: str) -> str:
        """Return the algorithm that packages are signed with by a key of that kind: the first one it is for."""
        return next(name for name in self.algorithms if ALGORITHMS[name] == kind)


class Limits(NamedTuple):
    """What an update may take, in seconds; None where nothing is stated.

    `down_time` without a running product, `update_time` on the battery in all, `boot_time` from reset to start.
    """

    down_time: float | None
    update_time: float | None
    boot_time: float | None


class FactoryRange(NamedTuple):
    """A configuration range of the factory image: a file, its base address where it is a flat binary, a comment."""

    file: str
    at: int | None
    what: str


class Factory(NamedTuple):
    """What `imgseal factory` merges beside the sealed images: files by name, and first counters by component name."""

    bootloader: str | None
    ranges: tuple[FactoryRange, ...]
    counters: Mapping[str, int]


class GateException(NamedTuple):
    """Artefacts that the gate excuses: a path pattern, why, and the last day of it, YYYY-MM-DD in UTC."""

    path: str
    reason: str
    until: str


class Gate(NamedTuple):
    """What `imgseal gate` looks at: path patterns of flat binaries that are firmware, and what is excused."""

    raw: tuple[str, ...] = ()
    exceptions: tuple[GateException, ...] = ()


class Text(NamedTuple):
    """What packages say to people."""

    language: str
    description: str | None
    vendor_name: str | None
    model: str | None
    cautions: tuple[str, ...]


class Product(NamedTuple):
    """A whole product file, of one variant where it was asked for; `log` names the release log, if one is kept.

    `pin` names the file that a head of the log is kept in, beside the sources. `notes` is what its reader has to say of
    it: an old word that is still read. `document` is the text behind it, which knows where each key stands.
    `after_end`: whether records behind the end record of Intel HEX are refused or ignored. `channel` is the one of
    `channels` whose devices are meant: then `trust` is what these trust (product/channels.py).
    """

    document: "Document"
    name: str
    vendor: str
    class_name: str
    vendor_id: bytes
    class_id: bytes
    hardware: tuple[int, int]
    release: Release
    signing: Mapping[str, SigningKeys]
    memories: Mapping[str, Memory]
    slots: Mapping[str, Slot]
    components: Mapping[str, Component]
    bootloader: Bootloader | None
    trust: TrustTable
    rules: Rules
    limits: Limits
    factory: Factory
    text: Text
    variants: Mapping[str, str]
    variant: str | None
    log: str | None = None
    gate: Gate = Gate()
    pin: str | None = None
    notes: tuple[str, ...] = ()
    after_end: str = "refuse"
    channels: Mapping[str, "Channel"] = {}
    channel: str | None = None
    layout: LayoutRevision = LayoutRevision()
    delivery_slot: str | None = None
    delivery_steps: int = DELIVERY_STEPS

    @property
    def source(self) -> str:
        """The name of the product file."""
        return self.document.name

    @property
    def included(self) -> tuple[str, ...]:
        """The files that it includes."""
        return tuple(each.name for each in self.document.included)

    def place(self, key: str) -> Place:
        """Return where a key stands, for messages: file and line, of an included file or a variant where it is there.

        It is sought in the text: nothing for what goes well.
        """
        return self.document.place(tuple(key.split(".")))

    def variant_class_ids(self) -> dict[str, bytes]:
        """Return the class identifier of each variant by its name."""
        return {name: class_identifier(self.vendor_id, text) for name, text in self.variants.items()}

    @property
    def numbers(self) -> tuple[int, ...]:
        """The component numbers, ascending."""
        return tuple(sorted(component.number for component in self.components.values()))

    def component(self, number: int) -> Component | None:
        """Return the component of a number; None where there is none."""
        return next((component for component in self.components.values() if component.number == number), None)

    def run_slot_at(self, component: Component, address: int) -> Slot | None:
        """Return the run slot of a component whose first byte is at an address; None where there is none."""
        return next((self.slots[name] for name in component.run if self.slot_base(name) == address), None)

    def slot_holding(self, what: str) -> Slot | None:
        """Return the slot with this purpose of its own, such as "records"; None where there is none."""
        return next((slot for slot in self.slots.values() if slot.holds == what), None)

    def slot_base(self, name: str) -> int:
        """Return the absolute address of a slot's first byte."""
        slot = self.slots[name]
        return self.memories[slot.memory].base + slot.at
