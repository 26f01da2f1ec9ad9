"""One series of numbers for three channels: generated orders of releases, promotions and rebuilds.

Sources of truth: docs/format/product-file.md, "Channels"; docs/format/release-log.md. What may follow what is decided here
by a model of its own, and the devices are judged as they take one release after the other.
"""

import json
import random
from collections.abc import Callable
from pathlib import Path

from channel_product import KEYS, LOG, Release, taken
from workshop import Imgseal, private_key, public_key, tree

from imgseal.keys.pem import encode_private, encode_public
from imgseal.versions import RELEASED, Version

TRUSTED = {
    "beta": ("beta", "candidate", "production"),
    "candidate": ("candidate", "production"),
    "production": ("production",),
}
"""Whose releases the devices of a channel take."""

STEPS = 12


def make_line(project: Path) -> None:
    """Three channels, each with a key of its own that those before it trust as well."""
    path = project / "imgseal.toml"
    every = ", ".join(f'"keys/{name}.pub.pem"' for name in TRUSTED)
    text = path.read_text().replace(KEYS, f"keys = [{every}]").replace("sequence = 17", 'sequence = "next"')
    for name, channels in TRUSTED.items():
        keys = ", ".join(f'"keys/{each}.pub.pem"' for each in channels)
        text += f'[channel.{name}]\npackages = [{keys}]\n[signing.{name}]\npackages = "keys/{name}.pem"\n'
        made = project / "keys" / f"{name}.pem"
        made.write_bytes(encode_private(private_key(f"keys/{name}"), None))
        made.chmod(0o600)
        made.with_suffix(".pub.pem").write_bytes(encode_public(public_key(f"keys/{name}")))
    path.write_text(text + LOG)


class Play:
    """What was released so far, by the tool and by the model."""

    def __init__(self, project: Path, imgseal: Imgseal, seed: int) -> None:
        self.project, self.imgseal = project, imgseal
        self.random = random.Random(seed)
        self.made: list[Release] = []
        self.asked = 0

    def last(self, channel: str) -> Version | None:
        """The last version of a channel."""
        return next((each.version for each in reversed(self.made) if each.channel == channel), None)

    def release(self) -> None:
        """A new version in any channel: above all there were, so that it may be promoted anywhere."""
        self.asked += 1
        channel = self.random.choice(list(TRUSTED))
        stage = self.random.choice(["", "-beta.1", "-rc.2"])
        version = f"2.{self.asked}.0{stage}"
        command = (
            "build", "motor=motor-a.hex", "motor=motor-b.hex", "--release", "--channel", channel,
            "--set", f"release.version={version}", "--revision", "abcd", "--out", f"out-{self.asked}",
        )  # fmt: skip
        self.done(channel, Version.parse(version), command, len(self.made), f"out-{self.asked}")

    def promote(self) -> None:
        """Any release to any channel: what the model has no objection to is made, all else changes nothing."""
        if not self.made:
            return
        self.asked += 1
        of, channel = self.random.choice(self.made), self.random.choice(list(TRUSTED))
        keep = self.random.random() < 0.7
        last = self.last(channel)
        more = ("--keep-version",) if keep else ()
        command = ("promote", of.package, "--to", channel, "--out", f"out-{self.asked}", *more)
        stays = of.version.stage == RELEASED or keep
        known = next((each for each in self.made if (each.channel, each.images) == (channel, of.images)), None)
        if of.channel == channel or not stays or (known is None and last is not None and last > of.version):
            before = tree(self.project)
            assert self.imgseal(*command).status == 2, command
            assert tree(self.project) == before
        elif known is not None:
            self.same(known, command, f"out-{self.asked}")
        else:
            self.done(channel, of.version, command, of.images, f"out-{self.asked}")

    def rebuild(self) -> None:
        """Any release once more, in a folder of its own."""
        if self.made:
            self.asked += 1
            of = self.random.choice(self.made)
            place = of.command.index("--out") + 1
            out = f"out-{self.asked}"
            self.same(of, (*of.command[:place], out, *of.command[place + 1 :]), out)

    def done(self, channel: str, version: Version, command: tuple[str, ...], images: int, out: str) -> None:
        said = self.imgseal(*command)
        assert said.status == 0, (command, said.err)
        sequence = len(self.made) + 1
        package = f"{out}/vent-drive-{version}-{sequence}.suit"
        assert said.out.splitlines()[-1] == package
        self.made.append(Release(channel, version, sequence, package, images, command))

    def same(self, of: Release, command: tuple[str, ...], out: str) -> None:
        before = (self.project / "release.log").read_bytes()
        said = self.imgseal(*command)
        assert said.status == 0, (command, said.err)
        assert (self.project / "release.log").read_bytes() == before
        again = self.project / out / Path(of.package).name
        assert again.read_bytes() == (self.project / of.package).read_bytes()


def test_numbers_rise_and_devices_take_what_is_theirs(
    project: Path, imgseal: Imgseal, tries: Callable[[int], int]
) -> None:
    make_line(project)
    for seed in range(tries(12)):
        (project / "release.log").unlink(missing_ok=True)
        for path in project.glob("out-*/*"):
            path.unlink()
        assert imgseal("log", "new").status == 0
        play = Play(project, imgseal, seed)
        for _ in range(STEPS):
            play.random.choice([play.release, play.promote, play.promote, play.rebuild])()
        entries = [json.loads(line)["entry"] for line in (project / "release.log").read_text().splitlines()]
        assert [entry["sequence"] for entry in entries] == [each.sequence for each in play.made]
        for number, (entry, each) in enumerate(zip(entries, play.made, strict=True)):
            promoted = each.images != number
            assert (entry["kind"], entry["channel"]) == ("promotion" if promoted else "release", each.channel)
            assert entry.get("from") == (each.images if promoted else None)
        for channel, whose in TRUSTED.items():
            versions = [each.version for each in play.made if each.channel == channel]
            assert versions == sorted(set(versions))
            assert taken(project, play.made, channel) == [e.sequence for e in play.made if e.channel in whose], (
                seed,
                channel,
            )
        assert imgseal("log", "verify").status == 0
