"""The simulated device: what survives a reset, and the judgements that bootloader and installer share."""

from collections.abc import Callable, Iterable, Iterator, Mapping

from imgseal.check.context import Context, component_numbered
from imgseal.check.delivery import examine
from imgseal.check.held import leaves_out
from imgseal.check.image import ImageSubject
from imgseal.check.order import IMAGE_ORDER
from imgseal.check.package_subject import PackageSubject
from imgseal.check.runner import Check, run
from imgseal.device_state.device import DeviceState, recorded_state
from imgseal.findings import FAILED, NOT_RUN, Verdict
from imgseal.formats.install_record.record import Member, Record
from imgseal.keys.trusted_keys import Trust
from imgseal.limits import HEADER_BLOCK_MAX
from imgseal.product.model import Component, Product
from imgseal.records import NamedTuple
from imgseal.rehearse.counters import Counters
from imgseal.rehearse.flash import Flash, FlashReadError
from imgseal.rehearse.slots import Remembered, Sealed, Slots, statement_digest
from imgseal.versions import Version
from imgseal.window import Bytes, ByteView, Window

_HEADER_ONLY = IMAGE_ORDER[: [check.name for check in IMAGE_ORDER].index("payload")]


def _marked(order: tuple[Check[ImageSubject], ...]) -> tuple[Check[ImageSubject], ...]:
    """Leave signatures out: what needs them goes on as if they had been verified, which is what the mark says."""
    return tuple(c._replace(look=lambda _subject, _context: []) if c.name == "signature" else c for c in order)


_ORDERS = {
    (whole, marked): _marked(order) if marked else order
    for whole, order in ((True, IMAGE_ORDER), (False, _HEADER_ONLY))
    for marked in (True, False)
}


class Facts(NamedTuple):
    """What does not change while a device is rehearsed: product, anchors, and what its state file says of it.

    Of `state` counts what no installation changes: hardware, bootloader, battery, consent and revoked keys.
    `worn` are the blocks that take no programming any more, by memory and number; `full` is the highest counter that
    storage takes, of the components where it does not take them all.
    """

    product: Product
    trust: Trust
    development: bool
    state: DeviceState
    worn: frozenset[tuple[str, int]] = frozenset()
    full: Mapping[int, int] = {}


class Judgements:
    """Verdicts that were given before on the same bytes, for one product and one set of facts.

    What is torn is judged anew each time.
    """

    def __init__(self) -> None:
        self.images: dict[object, tuple[str, bytes]] = {}
        self.known = Remembered()
        self.packages: dict[object, tuple[Verdict, PackageSubject]] = {}
        self.thin: dict[Bytes, bool] = {}

    def __reduce__(self) -> tuple[type["Judgements"], tuple[()]]:
        """Travel to another machine empty: judging again is quicker than sending."""
        return Judgements, ()


def _lying(product: Product, images: Mapping[tuple[int, int], Sealed]) -> Iterator[tuple[str, Bytes]]:
    """Yield what slots hold in which these images lie."""
    for (number, index), image in images.items():
        component = component_numbered(product, number)
        if component is None:
            continue
        if component.header:
            yield component.header[index], ByteView(image.header)
            yield component.run[index], ByteView(image.payload)
        else:
            yield component.run[index], ByteView(image.header + image.payload)


class Device:
    """Flash, counters, and the package that the installer can read, if any. A reset loses everything else.

    `verified` is told the digest of each statement whose signatures have been verified.
    `mark` is told where a program's own memory holds nothing but that place and what flash says, so that whoever
    watches can tell whether it has been there before.
    """

    def __init__(
        self, facts: Facts, flash: Flash, counters: Counters, source: Bytes | None, judgements: Judgements
    ) -> None:
        self.facts = facts
        self.product = facts.product
        self.flash = flash
        self.counters = counters
        self.source = source
        self.mark: Callable[[str], None] = lambda _where: None
        self.known = judgements.known
        self.slots = Slots(flash, facts.product, self.known)
        self.by_number = {c.number: c for c in facts.product.components.values()}
        self._judgements = judgements
        self._marked = False
        self.verified: Callable[[bytes], None] = lambda _statement: None
        self.events: list[str] = []

    def say(self, line: str) -> None:
        """Note what happens."""
        self.events.append(line)

    def components(self, numbers: Iterable[int]) -> list[Component]:
        """Return components by ascending number."""
        return [self.by_number[number] for number in sorted(numbers) if number in self.by_number]

    def bit(self, number: int) -> int:
        """Return the bit of a component in the masks of a record."""
        return 1 << self.product.numbers.index(number)

    @property
    def recovery(self) -> Component | None:
        """The recovery component."""
        return next((c for c in self.by_number.values() if c.recovery), None)

    # -- judgements -------------------------------------------------------------------------------------------------

    def judge_marked_set(self, members: Mapping[int, Member]) -> str | None:
        """Judge a set as `judge_set` does, but for the signatures: its mark says that they have been verified."""
        self._marked = True
        try:
            return self.judge_set(members)
        finally:
            self._marked = False

    def judge_set(self, members: Mapping[int, Member]) -> str | None:
        """Judge every image of a set as the bootloader does before it starts any; return why not, or None.

        Each image has to be the one that the record names, and requirements are judged on this set.
        """
        if not any(self.by_number[number].kind == "code" for number in members):
            return "the set is empty"
        versions = {} if self.facts.state.bootloader is None else {0: self.facts.state.bootloader}
        for number, member in members.items():
            if member.slot >= len(self.by_number[number].run):
                return f"{self.by_number[number].name}: no such run slot"
            header = self.slots.run_header(self.by_number[number], member.slot)
            if header is None:
                return f"{self.by_number[number].name}: no header"
            versions[number] = header.statement.version
        for number in sorted(members):
            why = self.judge_member(self.by_number[number], members[number], versions)
            if why is not None:
                return f"{self.by_number[number].name}: {why}"
        return None

    def judge_member(self, component: Component, member: Member, versions: Mapping[int, Version] | None) -> str | None:
        """Judge one image where it runs, and that it is this member; `versions` None leaves requirements open."""
        where = (component.header or component.run)[member.slot]
        try:
            head = self.slots.view(where).read(0, component.header_block)
        except FlashReadError as error:
            return str(error)
        if statement_digest(head) != member.statement:
            return "not the image that the record names"
        return self.judge_run_slot(component, member.slot, versions, whole=component.judged == "boot")

    def judge_run_slot(
        self, component: Component, index: int, versions: Mapping[int, Version] | None, *, whole: bool
    ) -> str | None:
        """Run the checks of a sealed image on a run slot; `whole` False leaves out what reads the payload."""
        run_name = component.run[index]
        header_name = component.header[index] if component.header else None
        state = self.state(None)
        if whole:
            read = [self.slots.blocks(name) for name in (run_name, header_name) if name is not None]
        else:
            read = [self.slots.blocks(header_name or run_name, HEADER_BLOCK_MAX)]
        firm = None not in read
        key = (
            run_name, whole, self._marked, tuple(read), state.counters[component.number],
            None if versions is None else tuple(sorted(versions.items())),
        )  # fmt: skip
        known = self._judgements.images.get(key) if firm else None
        if known is None:
            known = self._judge(component, run_name, header_name, versions, state, whole=whole)
            if firm:
                self._judgements.images[key] = known
        why, statement = known
        if not why and not self._marked:
            self.verified(statement)
        return why or None

    def judge_recovery(self, record: Record | None) -> str | None:
        """Judge the recovery image by itself; one whose rewriting was cut short does not count, however it reads."""
        recovery = self.recovery
        if recovery is None:
            return "there is none"
        if record is not None and record.recovery:
            return "it was being rewritten"
        return self.judge_run_slot(recovery, 0, None, whole=True)

    def _judge(
        self, component: Component, run_name: str, header_name: str | None, versions: Mapping[int, Version] | None,
        state: DeviceState, *, whole: bool,
    ) -> tuple[str, bytes]:  # fmt: skip
        """Return why not, empty for an image that passes, and the digest of its statement."""
        context = self._context(state, slot=run_name)._replace(versions=versions or {}, whole=versions is not None)
        try:
            payload = self.slots.view(run_name) if header_name else None
            subject = ImageSubject(self.slots.view(header_name or run_name), payload)
            results = run(_ORDERS[whole, self._marked], subject, context, run_name)
        except FlashReadError as error:
            return str(error), b""
        for result in results:
            if result.outcome == FAILED:
                return result.findings[0].code, b""
            if result.outcome == NOT_RUN and result.mandatory:
                return f"{result.name}: {result.because}", b""
        if subject.header is None or subject.statement.component != component.number:
            return "an image of another component", b""
        return "", statement_digest(subject.header.statement_bytes)

    def examine(self, source: Bytes, record: Record | None) -> tuple[Verdict, PackageSubject]:
        """Judge a package as this device; return also what it would install."""
        state = self.state(record)
        heads = []
        for component in self.components(state.current):
            header = self.slots.run_header(component, state.current[component.number].slot)
            heads.append(None if header is None else header.statement)
        thin = self._leaves_out(source)
        whole = self._whole(state, record) if thin else {}
        key = (
            source, state.sequence, state.manifest_digest, tuple(state.counters.items()), state.refused,
            state.trial is not None and state.trial.way_back, state.unraised, tuple(sorted(state.current.items())),
            tuple(heads), tuple((name, image.header) for name, image in whole.items()),
        )  # fmt: skip
        known = self._judgements.packages.get(key)
        if known is None:
            with self.flash.aside():  # who finds it known reads nothing of this
                contents = self._contents(whole, thin=thin)
                context = self._context(state, slot=None)._replace(contents=contents, whole=True)
                known = examine(source, "the package", context, "this device")
            self._judgements.packages[key] = known
        return known

    def _contents(self, whole: Mapping[tuple[int, int], Sealed], *, thin: bool) -> dict[str, Bytes]:
        """Return what a judgement may see of the slots.

        Where it goes by what runs, that is `whole`; of an image that is not, nothing counts but its header.
        """
        out: dict[str, Bytes] = {n: view for n in self.product.slots if (view := self._trimmed(n)) is not None}
        if thin:
            for component in self.by_number.values():
                for name in (*component.run, *component.header):
                    if name in out:
                        out[name] = ByteView(bytes(out[name].read(0, HEADER_BLOCK_MAX)))
            out.update(_lying(self.product, whole))
        return out

    def _leaves_out(self, source: Bytes) -> bool:
        """Say whether a package has fewer payloads than components: then it matters what lies in the slots."""
        if source not in self._judgements.thin:
            self._judgements.thin[source] = leaves_out(source)
        return self._judgements.thin[source]

    def _whole(self, state: DeviceState, record: Record | None) -> dict[tuple[int, int], Sealed]:
        """Return the images that run, by component and run slot, as far as they are whole.

        The recovery image is one of them while it starts: where its rewriting was cut short it counts for nothing.
        """
        out = {}
        members = {number: member for number, member in state.current.items() if number in self.by_number}
        starts = self.judge_recovery(record) is None
        if starts and self.recovery is not None and (header := self.slots.run_header(self.recovery, 0)) is not None:
            members[self.recovery.number] = Member(0, statement_digest(header.statement_bytes))
        for number, member in members.items():
            if member.slot >= len(self.by_number[number].run):
                continue
            image = self.slots.read_run(self.by_number[number], member.slot, member.statement)
            if image is not None:
                out[number, member.slot] = image
        return out

    def _trimmed(self, name: str) -> Window | None:
        """Return a slot as far as its image reaches; None where the memory notices that its start is torn."""
        header = self.slots.header(name)
        if header is None or header.statement.detached:
            view = self.slots.view(name)
            try:
                view.read(0, HEADER_BLOCK_MAX)
            except FlashReadError:
                return None
            return view
        said = header.statement
        return self.slots.view(name, said.header_block + said.payload_size)

    def _context(self, state: DeviceState, slot: str | None) -> Context:
        facts = self.facts
        return Context(facts.product, facts.trust, state, {}, development=facts.development, slot=slot)

    def state(self, record: Record | None) -> DeviceState:
        """Return what a judgement has to know of the device now; slot contents are read from the flash instead."""
        counters = {number: self.counters.read(number) for number in self.product.numbers}
        return recorded_state(self.facts.state, record, self.product, counters)
