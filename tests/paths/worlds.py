"""Products with a history: releases that raise counters, need others, exchange keys, leave parts out, and a log of all."""

import random
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

from workshop import ALL, Imgseal, private_key, public_key

from imgseal.check.context import Context
from imgseal.device_state.device import DeviceState, fresh
from imgseal.keys.pem import encode_private, encode_public
from imgseal.product.write_toml import write_toml
from imgseal.rehearse.apply import apply
from imgseal.window import Bytes, ByteView
from imgseal.workspace.project import Project

MOTOR, RADIO, PHRASES = ALL[:2], ALL[2:3], ALL[3:]


class Made(NamedTuple):
    """A release: its sequence, its product file as it was then, its channel, and its package by variant."""

    sequence: int
    product_file: str
    channel: str | None
    packages: Mapping[str, str]


class Unit(NamedTuple):
    """A simulated device: by which product file it was made, for which channel and variant; what it has come to."""

    product_file: str
    channel: str | None
    variant: str
    state: DeviceState
    slots: Mapping[str, Bytes]

    def after(self, package: str) -> "Unit | str":
        """The device after a package, or the code of the first finding that it refuses it for."""
        project = _project(self.product_file, self.channel, self.variant)
        context = Context(project.product, project.trust(), self.state, self.slots)
        applied = apply(context, ByteView(Path(package).read_bytes()))
        if not applied.verdict.accepted:
            return applied.verdict.findings[0].code
        slots = {name: ByteView(content) for name, content in applied.slots.items()}
        return self._replace(state=applied.state, slots=slots)


def _project(product_file: str, channel: str | None, variant: str) -> Project:
    project = Project.load(product_file, (), variant or None)
    return project if channel is None else project.in_channel(channel)


def new_unit(made: Made, variant: str) -> Unit:
    """A device as it leaves the factory without firmware, when a release was made."""
    product = _project(made.product_file, made.channel, variant).product
    return Unit(
        made.product_file, made.channel, variant, fresh(product)._replace(hardware=product.hardware[0], fresh=False), {}
    )


def write_key(name: str) -> None:
    path = Path(f"{name}.pem")
    path.write_bytes(encode_private(private_key(name), None))
    path.chmod(0o600)
    path.with_suffix(".pub.pem").write_bytes(encode_public(public_key(name)))


CHANNELS = {
    "beta": {"packages": ["keys/packages.pub.pem", "keys/second.pub.pem"]},
    "production": {"packages": ["keys/packages.pub.pem"]},
}


def make_world(imgseal: Imgseal, seed: int, count: int, kind: str) -> list[Made]:
    """Release so many times, each time with something changed; what the product file states goes into the log.

    `kind` says what else there is: variants; channels, where a release is for one of them, or is one of beta that goes
    to production; layouts, where the radio's staging slot moves, with a bootloader that knows it; or the last release
    is unlogged, and asks for the newest bootloader, which no release of a log may do while older ones are in the field.
    """
    variants, channels = kind == "variants", kind == "channels"
    chance = random.Random(seed)
    for name in ("keys/second", "keys/third"):
        write_key(name)
    tree: dict[str, Any] = tomllib.loads(Path("imgseal.toml").read_text())
    tree["log"] = {"path": "release.log"}
    Path("release.log").touch()
    if variants:
        tree["variant"] = {"early": {"hardware": "2..3"}, "late": {"hardware": 4}}
    part = tree["component"]
    part["motor"]["needs"] = {"bootloader": ">=1.1.0"}
    keys = ["keys/packages", "keys/second", "keys/third"]
    made: list[Made] = []
    radio = boot = moved = 0
    for number in range(count):
        files = [*MOTOR, *RADIO, *PHRASES]
        if number:
            changes = ["counter", "needs", "boot", "need-boot", "part", "radio", *([] if channels else ["keys"])]
            changes += ["layout"] if kind == "layouts" else []
            for change in chance.sample(changes, 2):
                if change == "counter":
                    part["motor"]["counter"] += 1
                elif change == "radio":
                    radio += 1
                    part["radio"]["counter"] += chance.randrange(2)
                elif change == "needs":
                    part["motor"]["needs"]["radio"] = f">=1.3.{2 + max(0, radio - chance.randrange(2))}"
                elif change == "boot":
                    boot += 1
                elif change == "layout":
                    boot, moved = boot + 1, moved + 1
                    tree["slot"]["radio-staging"]["at"] = 0x2_0000 * (moved % 4)
                    tree["layout"] = {"revision": moved, "bootloader": f"1.{1 + boot}.0"}
                    for name in ("motor", "radio"):
                        part[name].setdefault("needs", {})["bootloader"] = f">=1.{1 + boot}.0"
                elif change == "need-boot":
                    least = boot if moved else max(0, boot - chance.randrange(2))
                    part["motor"]["needs"]["bootloader"] = f">=1.{1 + least}.0"
                elif change == "keys":
                    keys = [*keys[1:], keys[0]]
                else:
                    files = chance.choice(([*MOTOR, *PHRASES], [*RADIO], [*MOTOR, *RADIO]))
        if number == count // 2:
            radio, files = radio + 1, [*MOTOR, *RADIO, *PHRASES]
        if number == count - 1 and kind in (
            "plain",
            "channels",
            "variants",
        ):  # earlier devices have to take another one
            part["motor"]["needs"]["radio"] = f">=1.3.{2 + radio}"
            files = [*MOTOR, *PHRASES]
        if kind == "unlogged" and number == count - 1:
            part["motor"]["needs"]["bootloader"] = f">=1.{1 + boot}.0"
            tree["log"] = {"path": "other.log"}
            Path("other.log").touch()
            files = [*MOTOR, *RADIO, *PHRASES]
        trusted = [keys[0], keys[1]] if channels or chance.randrange(3) else [keys[0]]
        part["radio"]["version"] = f"1.3.{2 + radio}"
        tree["bootloader"]["version"] = f"1.{1 + boot}.0"
        tree["trust"]["packages"]["keys"] = [f"{name}.pub.pem" for name in sorted(trusted)]
        tree["signing"]["release"]["packages"] = f"{keys[0]}.pem"
        if channels:
            tree["channel"] = CHANNELS
            tree["signing"]["beta"] = {"packages": "keys/second.pem"}
        tree["release"] |= {"version": f"2.4.{number}", "sequence": 16 + number}
        path = f"product-{number}.toml"
        Path(path).write_text(write_toml(tree))
        channel = chance.choice(list(CHANNELS)) if channels else None
        arguments = ["--product", path, "--out", f"out/{number}", *(["--variant", "all"] if variants else [])]
        if channels and made and made[-1].channel == "beta" and chance.randrange(2):
            channel = "production"
            said = imgseal("promote", made[-1].packages[""], "--to", channel, *arguments)
        else:
            arguments += ["--release", "--revision", "ab" * 20, *(["--channel", channel] if channel else [])]
            # as logs of before have it: no release was held against whom earlier devices trust
            with mock.patch("imgseal.workspace.release_job.refuse_untrusted"):
                said = imgseal("build", *files, *arguments)
        if said.status == 0:
            packages = {v: _package(number, v) for v in (("early", "late") if variants else ("",))}
            sequence = int(Path(*packages.values()).stem.rpartition("-")[2]) if len(packages) == 1 else 16 + number
            made.append(Made(sequence, path, channel, packages))
    tree["log"] = {"path": "release.log"}
    # what asks keeps all keys: those of earlier devices are needed to verify what these take
    if not channels:
        tree["trust"]["packages"]["keys"] = [f"{name}.pub.pem" for name in sorted(keys)]
    Path("imgseal.toml").write_text(write_toml(tree))
    return made


def _package(number: int, variant: str) -> str:
    (package,) = Path("out", str(number), variant).glob("*.suit")
    return str(package)
