"""What the gate judges by: the product and its variants, trust anchors, the devices, and what the release log has."""

import os

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.console.options import ChosenProduct
from imgseal.device_state.device import DeviceState, fresh
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.flow.contents import read_contents
from imgseal.formats.log.entry import Floor
from imgseal.gate.artefact import Identity, Policy, Target
from imgseal.workspace.device_file import device_trust, load_device
from imgseal.workspace.fielded import first_devices, logged_floors, logged_state, needed_by
from imgseal.workspace.log_file import LogFile
from imgseal.workspace.packages import load_package
from imgseal.workspace.project import Project


def make_policy(
    chosen: ChosenProduct, day: str, *, device: str | None, previous: tuple[str, ...], no_devices: bool
) -> tuple[Project, Policy]:
    """Load everything that the judgements need; at most one of the others says what devices have.

    UsageError where nothing says what devices have: a fresh device would take what none in the field does.
    """
    base = chosen.load()
    projects = [base]
    if chosen.variant is None:
        projects += [chosen._replace(variant=name).load() for name in base.product.variants]
    given = sum((device is not None, bool(previous), no_devices))
    if given > 1:
        raise UsageError("--device, --previous and --fresh are three answers to one question", hint="give one of them")
    floors = None if given else logged_floors(base)
    if no_devices:
        words = "there are no devices in the field yet (--fresh)"  # so that their bootloader is the product file's
        new = ((each, fresh(each.product)._replace(fielded=first_devices(each.product, words))) for each in projects)
        made = [_target(project, state, "a fresh device") for project, state in new]
    elif device is not None:
        made = [_given(base, device), *(_target(project) for project in projects[1:])]
    elif previous:
        made = _after(projects, previous)
    elif floors:
        made = [_logged_target(project, floors) for project in projects]
    else:
        raise UsageError(
            "nothing says what sequence and counters the devices have",
            place=Place(file=base.path, key="log"),
            expected="a release log with a release, or --previous PACKAGE, or --device FILE",
            found="no release log"
            if base.log_path is None
            else f"a release log {'that is missing' if floors is None else 'without a release'}",
            hint="say --fresh when there are no devices in the field yet",
        )
    return base, Policy(tuple(made), day)


def _target(project: Project, state: DeviceState | None = None, device: str = "no device") -> Target:
    return Target(project.product, project.trust(), state, {}, device)


def _given(project: Project, path: str) -> Target:
    state, contents = load_device(project, path)
    trust, anchors = device_trust(project, state, path)
    return Target(project.product, trust, state, contents, f"the device of {path}", anchors)


def read_log(project: Project) -> frozenset[Identity] | None:
    """Verify the release log from its first line, and return what it has; None where none is kept."""
    path = project.log_path
    if path is None:
        return None
    logged: set[Identity] = set()
    if os.path.lexists(path):
        for step in LogFile(path).walk():
            for package in step.entry.packages:
                logged.add(("manifest", package.manifest))
                logged.update(("statement", image.statement) for image in package.images)
    return frozenset(logged)


def _logged_target(project: Project, floors: tuple[Floor, ...]) -> Target:
    state = logged_state(project, floors)
    if state is None:
        return _target(project)
    return _target(project, state, f"devices with the numbers of {project.log_path} (sequence {state.sequence})")


def _after(projects: list[Project], packages: tuple[str, ...]) -> list[Target]:
    """Make devices that have the numbers of earlier packages, each for the variant that takes it."""
    made = [_target(project) for project in projects]
    for path in packages:
        data = load_package(path)
        codes = []
        for index, target in enumerate(made):
            product = target.product
            verdict = judge(data, path, Context(product, target.trust, fresh(product), partial=True))
            if not verdict.accepted:
                codes.append(verdict.findings[0].code if verdict.findings else "no answer")
                continue
            contents = read_contents(bytes(data.read(0, data.size)), path, product)
            known = target.state or fresh(product)
            counters = dict(known.counters)
            for image in contents.images.values():
                number = product.components[image.component].number
                counters[number] = max(counters.get(number, 0), image.statement.counter)
            state = known._replace(counters=counters, fielded=needed_by(contents) or known.fielded)
            if contents.sequence >= state.sequence:
                state = state._replace(sequence=contents.sequence, manifest_digest=contents.manifest_digest)
            made[index] = target._replace(state=state, device=f"devices that have taken {path}")
        if len(codes) == len(made):
            raise RefusedError(
                "the previous package is refused, so it says nothing of devices",
                place=Place(file=path),
                found=codes[0],
                hint="give a package that was released; imgseal check says what is wrong with this one",
            )
    return made
