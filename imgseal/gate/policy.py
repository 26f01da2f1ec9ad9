"""What the gate judges by: the products and their variants, the devices, and what the release logs have."""

import os
from functools import partial

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import fresh
from imgseal.errors import Place, RefusedError, UsageError
from imgseal.flow.as_released import Released
from imgseal.flow.classes import classes_in
from imgseal.flow.contents import read_contents
from imgseal.gate.artefact import Policy, Target
from imgseal.gate.run import Excuse
from imgseal.workspace.channels import by_channel
from imgseal.workspace.fielded import fielded_now
from imgseal.workspace.judging import Judge, judge_of
from imgseal.workspace.line import Products
from imgseal.workspace.packages import load_package
from imgseal.workspace.project import Project
from imgseal.workspace.released import released_of


def make_policy(
    products: Products,
    day: str,
    *,
    device: str | None,
    previous: tuple[str, ...],
    no_devices: bool,
    archive: tuple[str, ...] = (),
) -> Policy:
    """Load everything that the judgements need; at most one of the others says what devices have.

    UsageError where nothing says what devices have: a fresh device would take what none in the field does.
    """
    projects = products.projects
    base = projects[0]
    given = sum((device is not None, bool(previous), no_devices))
    if given > 1:
        raise UsageError("--device, --previous and --fresh are three answers to one question", hint="give one of them")
    asked = partial(
        judge_of, device_file=device, development=False, as_of=day, none_fielded=no_devices, archive=archive
    )
    if device is not None:
        made = [Target(asked(products.one()[0]))]
    else:
        each_channel = tuple(each for project in projects for each in by_channel(project))
        made = [Target(each, no_devices or _is_logged(each)) for each in map(asked, each_channel)]
        if previous:
            made = _after(each_channel, [Target(each.judge, known=False) for each in made], previous)
    if not any(target.known for target in made):
        found, hint = "no release log", "say --fresh when there are no devices in the field yet"
        if base.log_path is not None:
            found = f"{base.log_path}, without a release of class {base.product.class_name}"
            hint += "; is it the right log, and the right product.class? imgseal doctor says more"
        raise UsageError(
            "nothing says what sequence and counters the devices have",
            place=Place(file=base.path, key="log"),
            expected="a release log with a release, or --previous PACKAGE, or --device FILE",
            found=found,
            hint=hint,
        )
    raw = [pattern for gate in (products.gate, *(each.product.gate for each in projects)) for pattern in gate.raw]
    return Policy(tuple(made), raw=tuple(dict.fromkeys(raw)))


def _is_logged(asked: Judge) -> bool:
    """Say whether the judge is for devices with the numbers of a release, and not for fresh ones."""
    return asked.context.state.manifest_digest is not None


def excuses_of(products: Products) -> tuple[Excuse, ...]:
    """Return the exceptions of the line and of every member, or of the one product."""
    stated = [(products.path, products.gate), *((each.path, each.product.gate) for each, *_ in products.members)]
    return tuple(Excuse(each, path, n) for path, gate in stated for n, each in enumerate(gate.exceptions, 1))


def read_logs(products: Products) -> dict[str, Released | None]:
    """Verify the release log of each product file, hold it against its pin, and return what it has; None for none."""
    by_log: dict[tuple[str | None, ...], Released | None] = {}
    logs: dict[str, Released | None] = {}
    for project, *_ in products.members:
        key = tuple(path and os.path.realpath(path) for path in (project.log_path, project.pin_path))
        if key not in by_log:
            by_log[key] = released_of(project)
        logs[project.path] = by_log[key]
    return logs


def _after(projects: tuple[Project, ...], made: list[Target], packages: tuple[str, ...]) -> list[Target]:
    """Make devices that have the numbers of earlier packages, each for the variant that takes it."""
    for path in packages:
        data = load_package(path)
        classes = classes_in(data)
        for_it = any(project.product.class_id in classes for project in projects)
        asked = [n for n, each in enumerate(projects) if not for_it or each.product.class_id in classes]
        codes = []
        for index in asked:
            target = made[index]
            product = target.product
            verdict = judge(data, path, Context(product, target.judge.context.trust, fresh(product), partial=True))
            if not verdict.accepted:
                codes.append(verdict.findings[0].code if verdict.findings else "no answer")
                continue
            contents = read_contents(bytes(data.read(0, data.size)), path, product)
            known = target.judge.context.state
            if not target.known:  # the numbers of the log are those of other devices
                known = known._replace(sequence=0, manifest_digest=None, counters={})
            counters = dict(known.counters)
            for image in contents.images.values():
                number = product.components[image.component].number
                counters[number] = max(counters.get(number, 0), image.statement.counter)
            fielded = fielded_now(projects[index], contents, development=False)
            known = known._replace(counters=counters, fielded=fielded)
            if contents.sequence >= known.sequence:
                known = known._replace(sequence=contents.sequence, manifest_digest=contents.manifest_digest)
            after = target.judge.with_state(**known._asdict())
            made[index] = Target(after._replace(device=f"devices that have taken {path}"))
        if len(codes) == len(asked):
            raise RefusedError(
                "the previous package is refused, so it says nothing of devices",
                place=Place(file=path),
                found=codes[0],
                hint="give a package that was released; imgseal check says what is wrong with this one",
            )
    return made
