"""Release channels of a project: for which one something is made, and whose packages its devices must not take."""

from imgseal.errors import UsageError
from imgseal.product.channels import narrowest_first
from imgseal.workspace.project import Project


def by_channel(project: Project) -> tuple[Project, ...]:
    """Return the project for each channel that devices may be of, those with the fewest keys first."""
    if project.product.channel is not None or not project.product.channels:
        return (project,)
    return tuple(project.in_channel(name) for name in narrowest_first(project.product))


def refuse_without_channel(project: Project, what: str) -> None:
    """UsageError where the product has channels, and nothing says for which one something is made or judged."""
    channels = project.product.channels
    if channels and project.product.channel is None:
        raise UsageError(
            f"the product has channels, and nothing says which one {what}",
            place=project.product.place("channel"),
            expected=", ".join(channels),
            found="no channel",
            hint="name it: --channel NAME",
        )
