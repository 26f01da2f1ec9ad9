"""Asks for every release of the log who of its devices can take a package, and what that costs them."""

import hashlib
from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.errors import ImgsealError, InputError, Place, in_file
from imgseal.findings import FAILED, CheckResult, Finding, Verdict
from imgseal.flow.as_released import release_in
from imgseal.flow.contents import Image, read_contents
from imgseal.formats.log.entry import Line
from imgseal.formats.log.floors import of_recovery
from imgseal.formats.log.layout_differences import layout_differences
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.manifest import decode_manifest
from imgseal.paths.fit import Maker, context_of, slots_of
from imgseal.paths.history import Device, History, Made, Release
from imgseal.paths.ways import DIRECT, NOBODY, THROUGH, Answer, Target, Ways
from imgseal.records import NamedTuple
from imgseal.rehearse.apply import come_to
from imgseal.rehearse.play import Rehearsal, rehearse, undisturbed
from imgseal.rehearse.stage import set_up
from imgseal.window import Bytes, ByteView
from imgseal.workspace.log_entries import layout_of

if TYPE_CHECKING:
    from imgseal.formats.log.layout import Layout
    from imgseal.product.model import Product
    from imgseal.rehearse.estimate import Estimate

_DEVICE = "a device of the log"


class Package(NamedTuple):
    """The package that is asked about: its bytes, name, and what it is for.

    `wraps`: it is a delivery of that, which devices take by what they run.
    """

    data: Bytes
    name: str
    target: Target
    wraps: bool = False


class Store(NamedTuple):
    """Where packages of earlier releases are: whether one is there, its bytes, and its name, by manifest digest."""

    has: Callable[[bytes], bool]
    load: Callable[[bytes], Bytes]
    name: Callable[[bytes], str]


NOWHERE = Store(lambda _: False, lambda _: ByteView(b""), lambda _: "")
"""Without an archive no package is there."""


class Cost(NamedTuple):
    """What the way costs: bytes to send, erases, seconds (typical and longest), all packages on it together.

    None where that is not known, and then `unknown` says why; `rehearsals` are those that were asked for. `delivered`
    are the bytes to send where devices take deliveries in place of packages; None where there is none for them.
    """

    size: int
    erases: int | None = None
    seconds: tuple[float, float] | None = None
    unknown: str | None = None
    rehearsals: tuple[tuple[str, Rehearsal], ...] = ()
    delivered: int | None = None


class Row(NamedTuple):
    """The devices of a release that get one answer; `whole` says that these are all of its devices.

    A release that was withdrawn has devices still, and these need a way most.
    """

    release: Release
    withdrawn: bool
    devices: tuple[Device, ...]
    whole: bool
    answer: Answer
    cost: Cost | None


class Survey(NamedTuple):
    """What was asked and answered: a row for each release and answer."""

    package: str
    rows: tuple[Row, ...]


def asked_about(data: Bytes, name: str, product: "Product", history: History) -> Package:
    """Return what is asked about, and what it is for: what the log says of it, else the product it was taken for."""
    with in_file(name):
        wrapped = release_in(decode_envelope(data.read(0, data.size)))
    if wrapped is None:
        contents = read_contents(data.read(0, data.size), name, product)
        manifest, sequence = contents.manifest_digest, contents.sequence
        ranges = [image.statement.hardware for image in contents.images.values()]
    else:
        with in_file(name):
            manifest, sequence = wrapped.digest.value, decode_manifest(wrapped.manifest).sequence_number
        laid = (each.made.layout for each in history.releases if each.manifest == manifest)
        ranges = [layout.hardware for layout in laid if layout is not None and layout.hardware is not None]
    hardware = (max(least for least, _ in ranges), min(most for _, most in ranges)) if ranges else None
    line = next((each.line for each in history.releases if each.manifest == manifest), None)
    target = Target(manifest, sequence, line or (product.class_id, product.variant or ""), hardware)
    return Package(data, name, target, wraps=wrapped is not None)


def survey(
    package: Package,
    history: History,
    makers: Mapping[Line, Maker],
    store: Store = NOWHERE,
    *,
    pairs: int = -1,
) -> Survey:
    """Answer for every release for whose class and variant `makers` has a product.

    No way leads through a release that was withdrawn, but from one: its devices are in the field.
    With `pairs` from 0 on every way is played with power cuts, and so many second ones.
    """
    desk = _Desk(package, history, makers, store, pairs)
    ways = Ways(history, package.target, desk.asked, lambda release: store.has(release.manifest))
    rows: list[Row] = []
    asked = [each for each in history.releases if each.line in makers and not of_recovery(each.package.variant)]
    asked.sort(key=lambda each: each.sequence)
    fielded = [(each, ways.fielded(each)) for each in asked]
    for release, devices in reversed(fielded):
        rows += _rows(release, release.manifest in history.withdrawn, devices, ways, desk)
    rows.sort(key=lambda row: (row.release.channel, row.release.package.variant, row.release.sequence))
    return Survey(package.name, tuple(rows))


def _rows(release: Release, withdrawn: bool, devices: tuple[Device, ...], ways: Ways, desk: "_Desk") -> Iterator[Row]:
    if not devices:
        yield Row(release, withdrawn, (), True, Answer(NOBODY), None)
    answers: dict[Answer, list[Device]] = {}
    for device in devices:
        answers.setdefault(ways.with_anchors(device), []).append(device)
    for answer, found in answers.items():
        cost = desk.cost(found[-1], answer) if answer.word in (DIRECT, THROUGH) else None
        yield Row(release, withdrawn, tuple(found), len(answers) == 1, answer, cost)


class _Desk:
    """Judges and plays packages for devices of the log; `pairs` -1: without power cuts."""

    def __init__(
        self, package: Package, history: History, makers: Mapping[Line, Maker], store: Store, pairs: int
    ) -> None:
        self._package = package
        self._history = history
        self._makers = makers
        self._store = store
        self._pairs = pairs
        self._holding = {
            image.statement: each.manifest
            for each in history.releases
            if store.has(each.manifest)
            for image in each.package.images
        }
        self._images = lru_cache(maxsize=4)(self._read_images)
        self._laid: dict[tuple[Line, Made], Maker | None] = {}

    def asked(self, device: Device, release: Release | None) -> Verdict:
        """Judge the package of a release for a device; None for the one that is asked about."""
        data, name = self._data(release)
        maker = self._maker(device)
        meant = layout_of(self._makers[device.release.line].product) if release is None else release.made.layout
        elsewhere = _elsewhere(device, meant) if maker is not None else _UNKNOWN
        if elsewhere or maker is None:
            result = CheckResult("layout", "placement", "package", FAILED, elsewhere)
            return Verdict(name, "update package", _DEVICE, (result,))
        withdrawn = self._history.withdrawn if release is None else ()  # earlier ones were taken before
        held = self._held(maker, device) if release is None and self._package.wraps else None
        return judge(data, name, context_of(maker, device, withdrawn, held), _DEVICE)

    def _maker(self, device: Device) -> Maker | None:
        key = device.release.line, device.made
        if key not in self._laid:
            self._laid[key] = self._makers[device.release.line].laid_out_as(device)
        return self._laid[key]

    def _data(self, release: Release | None) -> tuple[Bytes, str]:
        if release is None:
            return self._package.data, self._package.name
        return self._store.load(release.manifest), self._store.name(release.manifest)

    def cost(self, device: Device, answer: Answer) -> Cost:
        """Play the way of a device, and return what it costs."""
        steps = (*answer.through, None)
        size = sum(self._data(step)[0].size for step in steps)
        maker = self._maker(device)
        if maker is None or maker.product.slot_holding("records") is None:
            return Cost(size, unknown="the product file has no slot for install records")
        held = self._held(maker, device)
        if held is None:
            return Cost(size, unknown="a package with what these devices run is not in the archive")
        try:
            return self._played(maker, device, steps, held, size)
        except ImgsealError as error:
            return Cost(size, unknown=error.message)

    def _held(self, maker: Maker, device: Device) -> Mapping[str, Bytes] | None:
        return slots_of(maker.product, device, lambda statement: self._image(statement, device))

    def _played(
        self, maker: Maker, device: Device, steps: tuple[Release | None, ...], held: Mapping[str, Bytes], size: int
    ) -> Cost:
        context = context_of(maker, device, contents=held)
        state = context.state._replace(hardware=context.product.hardware[0], fielded=None)
        context = context._replace(state=state, day=None)
        estimates, rehearsals, travels = [], [], 0
        for step in steps:
            data, name = self._data(step)
            travels += min([data.size, *self._deliveries(step, context)])
            stage = set_up(context, data)
            if not stage.verdict.accepted:
                codes = ", ".join(dict.fromkeys(finding.code for finding in stage.verdict.findings))
                return Cost(size, unknown=f"the simulated device refuses {name}: {codes or 'a check did not run'}")
            run = undisturbed(stage, data)
            estimates.append(run.estimate)
            if self._pairs != -1:
                rehearsals.append((name, rehearse(stage, data, pairs=self._pairs, seed="1")))
            if step is not None:
                after = come_to(stage, run.moment, run.events)
                slots = {slot: ByteView(content) for slot, content in after.slots.items()}
                context = context._replace(state=after.state, contents=slots)
        delivered = travels if travels < size else None
        return _sum(size, estimates)._replace(rehearsals=tuple(rehearsals), delivered=delivered)

    def _deliveries(self, release: Release | None, context: Context) -> Iterator[int]:
        """Yield the sizes of the logged deliveries of a release that a device takes, as far as the archive has them."""
        if release is None and self._package.wraps:
            return
        of = self._package.target.manifest if release is None else release.manifest
        for digest in self._history.deliveries.get(of, ()):
            if self._store.has(digest):
                data = self._store.load(digest)
                if judge(data, self._store.name(digest), context, _DEVICE).accepted:
                    yield data.size

    def _image(self, statement: bytes, device: Device) -> Image | None:
        manifest, maker = self._holding.get(statement), self._maker(device)
        if manifest is None or maker is None:
            return None
        return self._images(manifest, device.release.line, device.made).get(statement)

    def _read_images(self, manifest: bytes, line: Line, made: Made) -> Mapping[bytes, Image]:
        """Return the images of a package of the archive by their statements; none where it is for another layout."""
        data, maker = self._store.load(manifest), self._laid[line, made]
        assert maker is not None
        try:
            name = self._store.name(manifest)
            images = read_contents(data.read(0, data.size), name, maker.product).images.values()
        except InputError:
            return {}
        return {hashlib.sha256((image.header or image.content)[:STATEMENT_BYTES]).digest(): image for image in images}


_UNKNOWN = (
    Finding(
        "placement.wrong-address",
        "the product file does not know how these devices are laid out",
        expected="the memories and components that the release log has for them",
        hint="what they need is a release for their layout",
    ),
)


def _elsewhere(device: Device, meant: "Layout | None") -> tuple[Finding, ...]:
    """Return in what devices are laid out otherwise than what a package is meant for, as far as the log says it."""
    if device.made.layout is None or meant is None or meant == device.made.layout:
        return ()
    return tuple(
        Finding(
            "placement.wrong-address",
            f"{each.key} is another one on these devices",
            Place(key=each.key),
            each.expected,
            each.found,
            "no package changes that: what they need is a release for their layout",
        )
        for each in layout_differences(device.made.layout, meant)
    )


def _sum(size: int, estimates: "list[Estimate | None]") -> Cost:
    known = [each for each in estimates if each is not None]
    if len(known) < len(estimates):
        return Cost(size, unknown="the installation does not come to its end")
    erases = sum(use.erases for each in known for use in each.memories)
    times = [each.seconds for each in known]
    if None in times:
        return Cost(size, erases, unknown="the product file states no erase and program times")
    return Cost(size, erases, (sum(t[0] for t in times if t), sum(t[1] for t in times if t)))
