"""The demo's product with two channels: a key for each, and devices of beta trust both."""

from pathlib import Path
from typing import NamedTuple

from workshop import ALL, Imgseal, Said, private_key, public_key

from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import DeviceState, fresh
from imgseal.flow.contents import read_contents
from imgseal.keys.pem import encode_private, encode_public
from imgseal.versions import Version
from imgseal.window import ByteView
from imgseal.workspace.project import Project

KEYS = 'keys = ["keys/packages.pub.pem"]'
BOTH = 'keys = ["keys/packages.pub.pem", "keys/beta.pub.pem"]'
SIGNING = '[signing.beta]\npackages = "keys/beta.pem"\n'
TABLES = """
[channel.beta]
packages = ["keys/packages.pub.pem", "keys/beta.pub.pem"]
[channel.production]
packages = ["keys/packages.pub.pem"]
"""
CHANNELS = TABLES + SIGNING
LOG = '[log]\npath = "release.log"\n'


def with_channels(text: str, channels: str = CHANNELS, keys: str = BOTH) -> str:
    """A product file with channels."""
    assert KEYS in text
    return text.replace(KEYS, keys) + channels


def make_channels(project: Path, channels: str = CHANNELS, *, log: bool = True) -> None:
    """Give the product of a folder channels, the key of beta, and numbers that its release log has."""
    path = project / "imgseal.toml"
    path.write_text(with_channels(path.read_text(), channels))
    if log:
        path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    made = project / "keys" / "beta.pem"
    made.write_bytes(encode_private(private_key("keys/beta"), None))
    made.chmod(0o600)
    made.with_suffix(".pub.pem").write_bytes(encode_public(public_key("keys/beta")))


def build(imgseal: Imgseal, version: str, channel: str = "beta", *more: str, firmware: tuple[str, ...] = ALL) -> str:
    """Release a version in a channel; returns the package."""
    said = imgseal(
        "build", *firmware, "--release", "--channel", channel, "--set", f"release.version={version}",
        "--revision", "abcd", "--out", f"out-{version}", *more,
    )  # fmt: skip
    assert said.status == 0, said.err
    return said.out.splitlines()[-1]


def promote(imgseal: Imgseal, package: str, *more: str, to: str = "production") -> Said:
    return imgseal("promote", package, "--to", to, "--out", "promoted", *more)


class Release(NamedTuple):
    """A release as the model has it; `images` is the release that sealed them."""

    channel: str
    version: Version
    sequence: int
    package: str
    images: int
    command: tuple[str, ...]


def taken(project: Path, made: list[Release], channel: str) -> list[int]:
    """The sequences that a device of a channel takes, one after the other."""
    mine = Project.load(str(project / "imgseal.toml")).in_channel(channel)
    product, trust = mine.product, mine.trust()
    state: DeviceState = fresh(product)
    out = []
    for each in made:
        data = (project / each.package).read_bytes()
        verdict = judge(ByteView(data), each.package, Context(product, trust, state, partial=True))
        if verdict.accepted:
            contents = read_contents(data, each.package, product)
            state = state._replace(sequence=contents.sequence, manifest_digest=contents.manifest_digest)
            out.append(each.sequence)
        else:
            assert [finding.code for finding in verdict.findings] == ["signature.wrong-key"], each
    return out
