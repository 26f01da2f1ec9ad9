"""Adds an entry that is no release to the release log, alone or with the files that it speaks of."""

from imgseal.errors import in_file
from imgseal.formats.log.entry import Logged
from imgseal.formats.log.lines import EMPTY, Step, added, is_whole, resume
from imgseal.limits import LOG_BYTES, LOG_LINE_BYTES
from imgseal.workspace.append import Appended, append_line
from imgseal.workspace.files import write_all
from imgseal.workspace.project import Project
from imgseal.workspace.staging import Output


def append_entry(path: str, draft: Logged) -> tuple[Step, list[str]]:
    """Add an entry; return it as it stands, and notes on the end of the file that was found."""
    steps: list[Step] = []

    def next_line(last: bytes | None, at: int) -> bytes:
        line, step = added(EMPTY if last is None else resume(last, at), draft)
        steps.append(step)
        return line

    with in_file(path):
        found = append_line(path, LOG_LINE_BYTES, LOG_BYTES, next_line, is_whole)
    return steps[-1], on_the_end(path, found)


def write_with_entry(project: Project, outputs: list[Output], draft: Logged | None) -> list[str]:
    """Write files, and add an entry before they are moved into place; return notes. None adds nothing."""
    notes: list[str] = []

    def add() -> None:
        if draft is not None:
            step, found = append_entry(str(project.log_path), draft)
            notes.extend([*found, f"logged as entry {step.entry.number} of {project.log_path}"])

    write_all(outputs, before_moving=add)
    return notes


def on_the_end(path: str, found: Appended) -> list[str]:
    """Say what an earlier writer has left at the end of a log."""
    notes = []
    if found.finished:
        notes.append(f"{path}: the last line was complete but for its line feed, which was added")
    if found.dropped:
        notes.append(f"{path}: {found.dropped} bytes of a line that was cut while it was being written were dropped")
    return notes
