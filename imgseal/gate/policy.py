"""What the gate judges by: the product and its variants, trust anchors, the devices, and what the release log has."""

import os
import re

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import DeviceState, fresh
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.flow.classes import classes_in
from imgseal.flow.contents import read_contents
from imgseal.formats.log.entry import Floor
from imgseal.gate.artefact import Identity, Policy, Target
from imgseal.gate.run import Excuse, Logged
from imgseal.workspace.channels import by_channel
from imgseal.workspace.device_file import device_trust, load_device
from imgseal.workspace.fielded import first_devices, logged_floors, logged_state, needed_by, without_withdrawn
from imgseal.workspace.layouts import fielded_project
from imgseal.workspace.line import Products
from imgseal.workspace.packages import load_package
from imgseal.workspace.project import Project
from imgseal.workspace.verified_log import open_log

# of verified lines, which have one encoding; texts in them have no bare quotes. Older formats have releases alone
_KIND = re.compile(rb'"entry":\{"format":3,"kind":"(\w+)"')
_RELEASES = (b"release", b"promotion")
_DIGESTS = re.compile(rb'"manifest":"([0-9a-f]{64})","keys"|"statement":"([0-9a-f]{64})"')


def make_policy(
    products: Products, day: str, *, device: str | None, previous: tuple[str, ...], no_devices: bool
) -> Policy:
    """Load everything that the judgements need; at most one of the others says what devices have.

    UsageError where nothing says what devices have: a fresh device would take what none in the field does.
    """
    projects = products.projects
    base = projects[0]
    given = sum((device is not None, bool(previous), no_devices))
    if given > 1:
        raise UsageError("--device, --previous and --fresh are three answers to one question", hint="give one of them")
    floors = {} if given else _floors(products)
    each_channel = tuple(each for project in projects for each in by_channel(project))
    if no_devices:
        made = [_target(project, _new(project), "a fresh device") for project in each_channel]
    elif device is not None:
        base = products.one()[0]
        made = [_given(base, device), *(_target(project) for project in projects[1:])]
    elif previous:
        made = _after(each_channel, previous)
    elif any(floors.values()):
        made = [_logged_target(project, floors[project.path] or ()) for project in each_channel]
    else:
        raise UsageError(
            "nothing says what sequence and counters the devices have",
            place=Place(file=base.path, key="log"),
            expected="a release log with a release, or --previous PACKAGE, or --device FILE",
            found="no release log"
            if base.log_path is None
            else f"a release log {'that is missing' if floors[base.path] is None else 'without a release'}",
            hint="say --fresh when there are no devices in the field yet",
        )
    raw = [pattern for gate in (products.gate, *(each.product.gate for each in projects)) for pattern in gate.raw]
    return Policy(tuple(made), day, raw=tuple(dict.fromkeys(raw)))


def _floors(products: Products) -> dict[str, tuple[Floor, ...] | None]:
    """Return what the release log of each product file says; members of a line may share one, which is read once."""
    by_log: dict[str | None, tuple[Floor, ...] | None] = {}
    floors = {}
    for project, *_ in products.members:
        if project.log_path not in by_log:
            by_log[project.log_path] = logged_floors(project)
        floors[project.path] = by_log[project.log_path]
    return floors


def excuses_of(products: Products) -> tuple[Excuse, ...]:
    """Return the exceptions of the line and of every member, or of the one product."""
    stated = [(products.path, products.gate), *((each.path, each.product.gate) for each, *_ in products.members)]
    return tuple(Excuse(each, path, n) for path, gate in stated for n, each in enumerate(gate.exceptions, 1))


def _target(project: Project, state: DeviceState | None = None, device: str = "no device") -> Target:
    return Target(project.product, project.trust(), state, {}, device)


def _new(project: Project) -> DeviceState:
    """Return a fresh device where nothing is in the field yet: its bootloader is the product file's."""
    product = project.product
    state = fresh(product)._replace(fielded=first_devices(product, "there are no devices in the field yet (--fresh)"))
    return without_withdrawn(project, state)


def _given(project: Project, path: str) -> Target:
    project, _ = fielded_project(project, path)
    state, contents = load_device(project, path)
    trust, anchors = device_trust(project, state, path)
    state = without_withdrawn(project, state)
    return Target(project.product, trust, state, contents, f"the device of {path}", anchors)


def read_logs(products: Products) -> dict[str, Logged | None]:
    """Verify the release log of each product file, hold it against its pin, and return what it has; None for none."""
    by_log: dict[tuple[str | None, ...], Logged | None] = {}
    logs: dict[str, Logged | None] = {}
    for project, *_ in products.members:
        key = tuple(path and os.path.realpath(path) for path in (project.log_path, project.pin_path))
        if key not in by_log:
            by_log[key] = read_log(project)
        logs[project.path] = by_log[key]
    return logs


def read_log(project: Project) -> Logged | None:
    """Do the same for one product.

    Of lines that were verified before only the bytes are read: parsing 500 of them takes as long as hashing 150 images.
    """
    path = project.log_path
    if path is None:
        return None
    known: set[Identity] = set()
    releases: dict[Identity, set[Identity]] = {}  # of each statement, the packages that it is in
    gone: frozenset[Identity] = frozenset()
    if os.path.lexists(path):
        log = open_log(project)
        assert log is not None
        for line in log.data.split(b"\n"):
            kind = _KIND.search(line)
            if kind is None or kind[1] in _RELEASES:
                _add_digests(line, known, releases)
        gone = frozenset(("manifest", digest) for floor in log.tip.least for digest in floor.withdrawn)
    withdrawn = frozenset(statement for statement, packages in releases.items() if packages <= gone)
    return Logged(frozenset(known), withdrawn)


def _add_digests(line: bytes, known: set[Identity], releases: dict[Identity, set[Identity]]) -> None:
    """Add the manifests of a release, and its statements with the manifest of the package that each is in."""
    manifest: Identity = "manifest", b""
    for found in _DIGESTS.finditer(line):
        digest = bytes.fromhex(found[found.lastindex or 0].decode())
        if found.lastindex == 1:
            manifest = "manifest", digest
            known.add(manifest)
        else:
            known.add(("statement", digest))
            releases.setdefault(("statement", digest), set()).add(manifest)


def _logged_target(project: Project, floors: tuple[Floor, ...]) -> Target:
    project, _ = fielded_project(project)
    state = logged_state(project, floors)
    if state is None:
        return _target(project)
    return _target(project, state, f"devices with the numbers of {project.log_path} (sequence {state.sequence})")


def _after(projects: tuple[Project, ...], packages: tuple[str, ...]) -> list[Target]:
    """Make devices that have the numbers of earlier packages, each for the variant that takes it."""
    made = [_target(project) for project in projects]
    for path in packages:
        data = load_package(path)
        classes = classes_in(data)
        for_it = any(project.product.class_id in classes for project in projects)
        asked = [n for n, each in enumerate(projects) if not for_it or each.product.class_id in classes]
        codes = []
        for index in asked:
            target = made[index]
            product = target.product
            verdict = judge(data, path, Context(product, target.trust, fresh(product), partial=True))
            if not verdict.accepted:
                codes.append(verdict.findings[0].code if verdict.findings else "no answer")
                continue
            contents = read_contents(bytes(data.read(0, data.size)), path, product)
            known = target.state or without_withdrawn(projects[index], fresh(product))
            counters = dict(known.counters)
            for image in contents.images.values():
                number = product.components[image.component].number
                counters[number] = max(counters.get(number, 0), image.statement.counter)
            state = known._replace(counters=counters, fielded=needed_by(contents) or known.fielded)
            if contents.sequence >= state.sequence:
                state = state._replace(sequence=contents.sequence, manifest_digest=contents.manifest_digest)
            made[index] = target._replace(state=state, device=f"devices that have taken {path}")
        if len(codes) == len(asked):
            raise RefusedError(
                "the previous package is refused, so it says nothing of devices",
                place=Place(file=path),
                found=codes[0],
                hint="give a package that was released; imgseal check says what is wrong with this one",
            )
    return made
