"""Release channels of a project: for which one something is made, and whose packages its devices must not take."""

from collections.abc import Iterable

from imgseal.errors import SigningKeyError, UsageError
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
            f"the product has channels, and nothing says for which one {what}",
            place=project.product.place("channel"),
            expected=", ".join(channels),
            found="no channel",
            hint=f"name it: --channel {next(iter(channels))}",
        )


def refuse_for_others(project: Project, signed: Iterable[bytes], key: str) -> None:
    """SigningKeyError where what is signed would be taken by devices that do not trust all keys of the channel.

    `signed` are identifiers of the keys that sign it; `key` is the one of the product file that says whose.
    """
    channels, own = project.product.channels, project.product.channel
    signed = frozenset(signed)
    for name, channel in channels.items():
        if own is None or channel.takes(channels[own]):
            continue
        trusted = project.in_channel(name).trust().anchors("packages", development=False)
        names = [each.source for each in trusted if each.key_id in signed]
        if len(names) >= channel.need:
            raise SigningKeyError(
                f"devices of channel {name} would take this package of channel {own}",
                place=project.product.place(key),
                expected=f"a key that [channel.{name}] does not name",
                found=", ".join(names),
                hint=f"sign channel {own} with a key of its own: [signing.{own}] packages = FILE",
            )
