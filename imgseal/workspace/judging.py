"""Collects what a verdict depends on besides the artefact: product, trust anchors, device, day."""

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from imgseal.check.context import Context
from imgseal.check.judge import judge, kind_of
from imgseal.errors import Place, UsageError
from imgseal.findings import FAILED, PASSED, CheckResult, Finding, Verdict
from imgseal.flow.as_released import Released, envelope_of, identity_of, refused_by_log, without_bill
from imgseal.flow.classes import classes_in, is_of_recovery
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView
from imgseal.workspace.channels import by_channel
from imgseal.workspace.clock import parse_day
from imgseal.workspace.device_file import device_trust, load_device
from imgseal.workspace.fielded import (
    device_after,
    first_devices,
    for_the_desk,
    logged_device,
    logged_floors,
    without_withdrawn,
)
from imgseal.workspace.layouts import fielded_project
from imgseal.workspace.line import Products
from imgseal.workspace.project import Project
from imgseal.workspace.released import released_of

if TYPE_CHECKING:
    from imgseal.device_state.device import DeviceState
    from imgseal.flow.contents import Contents

Who = TypeVar("Who")


class Judge(NamedTuple):
    """Everything that a verdict depends on besides the artefact, and words for the device.

    `recovery`: the device that packages of recovery images alone are judged for, where it is another one. `archive`
    are packages that devices may run, for deliveries where no device is named.
    """

    context: Context
    device: str
    recovery: "tuple[DeviceState, str] | None" = None
    archive: tuple[str, ...] = ()

    def meant_for(self, data: Bytes) -> "Judge":
        """Return the judge for what an artefact is: recovery images have numbers of their own in the release log."""
        if self.recovery is None or not is_of_recovery(data, self.context.product):
            return self
        state, device = self.recovery
        return self._replace(device=device, recovery=None).with_state(**state._asdict())

    def with_state(self, **changes: Any) -> "Judge":
        """Return the judge for a device whose state is another one in these values."""
        return self._replace(context=self.context._replace(state=self.context.state._replace(**changes)))

    def holding(self, state: "DeviceState", contents: "Mapping[str, Bytes]") -> "Judge":
        """Return the judge for what a device runs and holds, with the numbers that this one goes by."""
        of_one = self._replace(context=self.context._replace(contents=contents, every=False))
        return of_one.with_state(current=state.current, slots=state.slots, fresh=False)

    def __call__(
        self,
        data: Bytes,
        name: str,
        *,
        slot: str | None = None,
        payload: Bytes | None = None,
        partial: bool | None = None,
    ) -> Verdict:
        """Judge an artefact; `slot` says that it is a dump of it, `payload` belongs to a detached header.

        `partial`: other packages bring what this one leaves out. Where nobody says so it may be there on a device of
        which nothing is known but numbers.
        """
        if (slot is not None or payload is not None) and kind_of(data) not in (None, "sealed image"):
            raise UsageError(
                "--slot and --payload belong to sealed images",
                place=Place(file=name),
                found=kind_of(data),
                hint="leave them out: a package and a trust anchor update need neither",
            )
        if partial is None:
            partial = self.context.state.fresh
        context, device = self.meant_for(data)[:2]
        verdict = judge(data, name, context._replace(slot=slot, partial=partial), device, payload)
        return verdict if verdict.kind != "delivery" else self.by_archive(verdict, data)[0]

    def by_archive(self, verdict: Verdict, data: Bytes) -> "tuple[Verdict, Context | None]":
        """Return the verdict on a delivery that was judged without what devices run, and the device it is for then.

        None where it is for the same as before.
        """
        if not self.archive or verdict.accepted or verdict.findings:
            return verdict, None
        from imgseal.workspace.bases import judged_by_bases

        return judged_by_bases(verdict, data, self.meant_for(data).context, self.archive)


def judge_of(
    project: Project,
    device_file: str | None,
    *,
    development: bool,
    as_of: str | None,
    before: "Contents | None" = None,
    new: bool = False,
    none_fielded: bool = False,
    archive: tuple[str, ...] = (),
) -> Judge:
    """Return the judge for the device of a state file, else for one that has taken the package `before`.

    Without both it is for the last logged one, else for a fresh one; so it is where there are none in the field.
    Devices are laid out as the release log says, and all of them are meant where none is named; `new` ones are made by
    the product file, as the first ones are.
    """
    by_file = development or new or none_fielded
    floors = None if development else logged_floors(project)  # once: with a pin all of the log is hashed
    project, layout = (project, None) if by_file else fielded_project(project, floors, device_file)
    state, contents = load_device(project, device_file)
    trust, anchors = device_trust(project, state, device_file, development=development)
    day = parse_day(as_of)
    device = device_file or "a fresh device"
    recovery = None
    if device_file is None and not development and not new:
        recovery = logged_device(project, floors, recovery=True) or (state, device)
    if device_file is None and before is not None:
        state, device = device_after(project, before, development=development)
    elif device_file is None and development:
        state = state._replace(fielded=for_the_desk(project))
    elif device_file is None and none_fielded:
        words = "there are no devices in the field yet (--fresh)"
        state = state._replace(fielded=first_devices(project.product, words))
    elif device_file is None:
        state, device = logged_device(project, floors) or (state, device)
    if not development:
        state = without_withdrawn(project, floors, state)
    if any(key.first or key.last for key in trust.keys):
        device += f" on {day}"
        recovery = recovery and (recovery[0], f"{recovery[1]} on {day}")
    every = device_file is None and not development and not new
    context = Context(
        project.product, trust, state, contents, development, day=day, anchors=anchors, every=every, layout=layout
    )
    return Judge(context, device, recovery, archive)


def project_for(
    data: Bytes,
    name: str,
    products: Products,
    *,
    development: bool,
    as_of: str | None,
    archive: tuple[str, ...] = (),
) -> Project:
    """Return the product or variant that an artefact is for: that of its class, of several the one that `check` takes.

    For a delivery `archive` are packages that devices may run. UsageError where it is for no product of a line.
    """
    fitting = fitting_class(data, [each.product for each in products.projects])
    if len(fitting) > 1 or any(products.projects[index].product.channels for index in fitting):
        return Judges(products, None, development=development, as_of=as_of, archive=archive)(data, name)[1]
    return products.projects[fitting[0]] if fitting else products.one()[0]


def fitting_class(data: Bytes, products: Sequence[Product]) -> list[int]:
    """Return the numbers of the products and variants of the class that an artefact states; all of one."""
    if len(products) == 1:
        return [0]
    classes = classes_in(data)
    return [n for n, each in enumerate(products) if each.class_id in classes]


def first_to_accept(verdicts: Iterable[tuple[Verdict, Who]]) -> tuple[Verdict, Who]:
    """Return the first of several verdicts that accepts, else the one whose checks get furthest."""
    found = []
    for verdict, who in verdicts:
        found.append((verdict, who))
        if verdict.accepted:
            return verdict, who
    return max(found, key=lambda pair: sum(check.outcome == PASSED for check in pair[0].checks))


class Judges:
    """Judges each artefact by the product and variant that it is for, as its class says; the judge verifies that.

    Where nothing says for devices of which channel, it is by the first that takes it, those with the fewest keys first.
    """

    def __init__(
        self,
        products: Products,
        device_file: str | None,
        *,
        development: bool,
        as_of: str | None,
        archive: tuple[str, ...] = (),
    ) -> None:
        """Raise UsageError where a device state is given, which says of no product or variant that it is one's."""
        self._products = products
        self._projects = products.projects
        if device_file is not None:
            self._projects = products.one()[:1]
        elif not development:
            self._projects = tuple(each for project in self._projects for each in by_channel(project))
        self._judge_of = partial(
            judge_of, device_file=device_file, development=development, as_of=as_of, archive=archive
        )
        self._judges: dict[int, Judge] = {}
        self._development = development
        self._released: dict[tuple[str | None, str | None], Released | None] = {}

    @property
    def all_products(self) -> tuple[Product, ...]:
        """What artefacts may be for."""
        return tuple(project.product for project in self._projects)

    def __call__(
        self, data: Bytes, name: str, *, slot: str | None = None, payload: ByteView | None = None
    ) -> tuple[Verdict, Project]:
        """Return the verdict, and the product or variant that it is by.

        Of several that fit it is by the one which accepts, else by the one whose checks get furthest.
        """
        verdict, project = first_to_accept(
            (self._judge(index)(data, name, slot=slot, payload=payload), self._projects[index])
            for index in self._fitting(data, slot)
        )
        if not self._development and slot is None:
            verdict = self._as_released(verdict, data, project)
        return verdict, project

    def _judge(self, index: int) -> Judge:
        if index not in self._judges:
            self._judges[index] = self._judge_of(self._projects[index])
        return self._judges[index]

    def _as_released(self, verdict: Verdict, data: Bytes, project: Project) -> Verdict:
        """Ask of what a device takes what the gate asks of it as well; a log that does not hold ends everything."""
        log = project.log_path, project.pin_path
        if log not in self._released:
            self._released[log] = released_of(project)
        return as_released(verdict, data, project.product, self._released[log])

    def _fitting(self, data: Bytes, slot: str | None) -> list[int]:
        """Return the numbers of the products and variants to ask: those of the class, else the first, which says no."""
        fitting = fitting_class(data, self.all_products)
        if not fitting:
            if slot is not None:
                self._products.one()
            fitting = [0]
        if slot is not None:
            having = [n for n in fitting if slot in self._projects[n].product.slots]
            if not having:
                self._projects[fitting[0]].slot(slot)
            return having
        return fitting


def as_released(verdict: Verdict, data: Bytes, product: Product, released: Released | None) -> Verdict:
    """Ask of what a device takes what the maker asks of releases: that the log has it, and its bill of materials."""
    if not verdict.accepted:
        return verdict
    envelope, checks = envelope_of(data), []
    if released is not None and (identity := identity_of(data, envelope)) is not None:
        checks.append(_result("log", "rollback", refused_by_log(identity, released)))
    if product.rules.sbom == "required" and envelope is not None:
        checks.append(_result("bill", "rules", without_bill(envelope, product)))
    return verdict._replace(checks=(*verdict.checks, *checks))


def _result(name: str, group: str, finding: Finding | None) -> CheckResult:
    return CheckResult(name, group, "", PASSED if finding is None else FAILED, () if finding is None else (finding,))
