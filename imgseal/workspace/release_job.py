"""The release job: what `build`, `pack`, `finish` and the Python API make a release from, and how it is written."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import TypeVar

from imgseal.errors import Place, UsageError
from imgseal.flow.contents import Contents, read_contents
from imgseal.flow.release import FirmwareFile, Job, ReleaseResult, release
from imgseal.formats.sbom.bill import Bill
from imgseal.make.seal import SealOptions
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.window import ByteView
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.clock import day_of
from imgseal.workspace.development_keys import refuse_development_keys
from imgseal.workspace.fielded import fielded_now
from imgseal.workspace.firmware import Firmware, load_image_or_sealed
from imgseal.workspace.layouts import refuse_other_layout
from imgseal.workspace.numbering import Numbered, NumberTakenError, Said, line_of, numbered
from imgseal.workspace.outputs import EarlierBuild, read_build, release_outputs
from imgseal.workspace.project import Project
from imgseal.workspace.release_log import LogPlan, Made, plan_entry, write_logged
from imgseal.workspace.release_numbers import compare_numbers
from imgseal.workspace.staging import Output
from imgseal.workspace.trusted_before import refuse_untrusted
from imgseal.workspace.verified_log import VerifiedLog


@contextmanager
def firmware_files(arguments: Iterable[Firmware | FirmwareFile], product: Product) -> Iterator[list[FirmwareFile]]:
    """Read the firmware; it is good inside the `with` block, where large files lie in temporary ones."""
    with ExitStack() as stack:
        yield [
            a
            if isinstance(a, FirmwareFile)
            else FirmwareFile(a.component, a.path, stack.enter_context(load_image_or_sealed(a.path, a.base, product)))
            for a in arguments
        ]


def release_job(
    project: Project,
    files: list[FirmwareFile],
    options: SealOptions,
    *,
    day: str | None = None,
    before: Contents | None = None,
    bill: Bill | None = None,
    unfinished: bool = False,
) -> Job:
    """Return the job for the product file's keys; SigningKeyError where one is missing, or is one of development.

    Where `files` is empty no key for images is asked for. Keys have to be in force on `day`, else on that of the
    options. `before` is the previous package: where no log says which bootloaders are in the field, it does.
    """
    development = options.development
    if not development:
        refuse_without_channel(project, "this is released for")
    image_signers = project.signers("images", development=development) if files else ()
    package_signers = project.signers("packages", development=development)
    if not development and project.log_path is not None:
        refuse_development_keys(project, (*image_signers, *package_signers))
    return Job(
        files,
        project.product,
        options,
        image_signers,
        package_signers,
        project.trust(development=development),
        day or day_of(options.build_time),
        unfinished,
        bill,
        fielded_now(project, before, development=development),
        every=not development,
    )


def number_job(project: Project, job: Job, log: VerifiedLog | None, said: Said) -> tuple[Project, Job, Numbered]:
    """Give a release its number and the head that it carries, as `numbered` does; nothing changes where no log is.

    UsageError as `held_against`, and where something is said for a log and none is kept.
    """
    if log is None:
        _refuse_unkept(said, job)
        return project, job, Numbered()
    return held_against(project, log, *numbered(job, log, said, project.product.channel or ""))


def held_against(project: Project, log: VerifiedLog, job: Job, found: Numbered) -> tuple[Project, Job, Numbered]:
    """Return the project, job and number of what is released; UsageError for what devices in the field cannot take.

    That are those that are laid out otherwise, and those that would not trust who signs it.
    """
    if found.entry is None:
        found = found._replace(notes=refuse_other_layout(job, line_of(job), log))
        refuse_untrusted(project, job, line_of(job), log)
    return project._replace(product=job.product), job, found


def _refuse_unkept(said: Said, job: Job) -> None:
    """UsageError where something is said that is for the release log, and there is none."""
    given = [f"--{name}" for name, value in said._asdict().items() if value not in ("", None)]
    if given:
        raise UsageError(
            f"no release log keeps this, so {given[0]} says nothing",
            place=job.product.place("log") if not job.options.development else Place(key=given[0]),
            expected="a release of a product file with [log]",
            found="a development build" if job.options.development else "a release without log",
            hint=f"leave it out: {', '.join(given)}",
        )


Result = TypeVar("Result")


def with_a_free_number(attempt: Callable[[], Result]) -> Result:
    """Try again where another release has taken the next number meanwhile: one of those that try always gets on."""
    while True:
        try:
            return attempt()
        except NumberTakenError:
            continue


def read_previous(data: ByteView | None, product: Product) -> Contents | None:
    """Read the package that devices have as one of this product; None where none is named."""
    if data is None:
        return None
    return read_contents(data.read(0, data.size), "the previous package", product)


class Built(NamedTuple):
    """A release as files: what was made, for whom, of whose keys, what it replaces, and what is to be said of it."""

    result: ReleaseResult
    made: Made
    outputs: list[Output]
    replaced: EarlierBuild
    notes: list[str]


def build_release(project: Project, job: Job, before: Contents | None, folder: str, numbered: Numbered) -> Built:
    """Make a release, hold its numbers against the package before, and name its files in the folder."""
    result = release(job)
    running_out = compare_numbers(result, before, project)
    outputs = release_outputs(result, job, folder)
    replaced = read_build(folder)
    left = replaced.notes(outputs, project.product, result.package.digest.value.hex())
    made = Made(project, result.package, job.package_signers, numbered)
    return Built(result, made, outputs, replaced, [*running_out, *result.notes, *left])


def write_release(
    outputs: list[Output],
    inputs: Iterable[str | None],
    project: Project,
    made: Sequence[Made],
    options: SealOptions,
    plan: LogPlan | None = None,
) -> list[str]:
    """Write all outputs, and add what was `made` to the log where one is kept and it is released; return notes.

    `plan` is what else is added: the reservation of a signing request.
    """
    if made and not options.development:
        plan = plan_entry(made, options.build_time, options.source_revision)
    return write_logged(outputs, [*inputs, *project.own_files()], plan)
