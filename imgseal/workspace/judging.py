"""Collects what a verdict depends on besides the artefact: product, trust anchors, device, day."""

from typing import TYPE_CHECKING, Any

from imgseal.check.context import Context
from imgseal.check.judge import judge, kind_of
from imgseal.errors import Place, UsageError
from imgseal.findings import Verdict
from imgseal.records import NamedTuple
from imgseal.window import Bytes, ByteView
from imgseal.workspace.clock import parse_day
from imgseal.workspace.device_file import device_trust, load_device
from imgseal.workspace.fielded import device_after, for_the_desk, logged_device
from imgseal.workspace.project import Project

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents


class Judge(NamedTuple):
    """Everything that a verdict depends on besides the artefact, and words for the device."""

    context: Context
    device: str

    def with_state(self, **changes: Any) -> "Judge":
        """Return the judge for a device whose state is another one in these values."""
        return self._replace(context=self.context._replace(state=self.context.state._replace(**changes)))

    def __call__(
        self,
        data: Bytes,
        name: str,
        *,
        slot: str | None = None,
        payload: ByteView | None = None,
        partial: bool = False,
    ) -> Verdict:
        """Judge an artefact; `slot` says that it is a dump of it, `payload` belongs to a detached header.

        `partial`: other packages bring what this one leaves out.
        """
        if (slot is not None or payload is not None) and kind_of(data) not in (None, "sealed image"):
            raise UsageError(
                "--slot and --payload belong to sealed images",
                place=Place(file=name),
                found=kind_of(data),
                hint="leave them out: a package and a trust anchor update need neither",
            )
        return judge(data, name, self.context._replace(slot=slot, partial=partial), self.device, payload)


def judge_of(
    project: Project,
    device_file: str | None,
    *,
    development: bool,
    as_of: str | None,
    before: "Contents | None" = None,
) -> Judge:
    """Return the judge for the device of a state file, else for one that has taken the package `before`.

    Without both it is for the last logged one, else for a fresh one.
    """
    state, contents = load_device(project, device_file)
    trust, anchors = device_trust(project, state, device_file, development=development)
    day = parse_day(as_of)
    device = device_file or "a fresh device"
    if device_file is None and before is not None:
        state, device = device_after(project, before, development=development)
    elif device_file is None and development:
        state = state._replace(fielded=for_the_desk(project))
    elif device_file is None:
        state, device = logged_device(project) or (state, device)
    if any(key.first or key.last for key in trust.keys):
        device += f" on {day}"
    context = Context(project.product, trust, state, contents, development=development, day=day, anchors=anchors)
    return Judge(context, device)
