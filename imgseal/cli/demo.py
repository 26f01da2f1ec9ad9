"""`imgseal demo`: the whole job on an invented product, by the same commands that a user types."""

import json
import os
from contextlib import chdir, redirect_stderr, redirect_stdout
from io import StringIO

import click

from imgseal.cli.app import run
from imgseal.errors import InternalError, UsageError
from imgseal.limits import ARTEFACT_BYTES
from imgseal.workspace.files import read_bounded, write_all
from imgseal.workspace.staging import Output

_WIDTH = 100
_KEYS = ("keys-dev/images", "keys-dev/packages", "keys/images", "keys/packages")
_SLOTS = ("motor-a", "motor-b", "radio", "phrases")
_PACKAGE, _BEFORE = "vent-drive-2.4.1-17.suit", "vent-drive-2.4.0-16.suit"
_OLD = (
    "motor=firmware-old/motor-a.hex",
    "motor=firmware-old/motor-b.hex",
    "radio=firmware-old/radio.hex",
    "phrases=firmware-old/phrases.bin@0x60080400",
)
_NEW = (
    "motor=firmware/motor-a.hex",
    "motor=firmware/motor-b.hex",
    "radio=firmware/radio.hex",
    "phrases=out-old/phrases.sealed.bin",  # unchanged components stay byte for byte
)


@click.command(
    "demo",
    epilog="""
\b
Examples:
  imgseal demo              in the new folder vent-drive-demo
  imgseal demo try          somewhere else
""",
)
@click.argument("folder", metavar="[DIR]", default="vent-drive-demo", required=False)
def command(folder: str) -> None:
    """Build two releases of an invented vent drive, check the newer, and see fifteen spoiled artefacts refused.

    Then the update is rehearsed with power cuts and sent as a delivery, and the factory image is made.

    Everything happens in a new folder, with fresh keys. Nothing is left out: the commands shown are the ones that ran.
    """
    from imgseal.demo.scenario import firmware_files
    from imgseal.product.starter import product_text

    if os.path.lexists(folder):
        raise UsageError(
            "the demo wants a new folder", found=f"{folder} exists", hint="name another one: imgseal demo DIR"
        )
    files = {"imgseal.toml": product_text().encode()}
    for release, version in (("firmware-old", "2.4.0"), ("firmware", "2.4.1")):
        files |= {f"{release}/{name}": data for name, data in firmware_files(version).items()}
    write_all([Output(os.path.join(folder, name), [data]) for name, data in files.items()])
    _say("A greenhouse vent drive, invented: motor core with two run slots, radio core, phrases in external flash.")
    with chdir(folder):
        for key in _KEYS:
            _quiet("key", "new", "--no-passphrase", f"{key}.pem")
        _say(f"Fresh keys in {folder}/keys and keys-dev, firmware for two releases beside them.", "")
        old = ("--set", "release.version=2.4.0", "--set", "release.sequence=16", "--set", "component.motor.counter=5")
        _run("build", *_OLD, "--release", *old, "--out", "out-old")
        new = ("--set", "component.radio.version=1.3.3")
        _run("build", *_NEW, "--release", *new, "--previous", f"out-old/{_BEFORE}")
        _run("check", f"out/{_PACKAGE}")
        _refusals()
        _say("", "Now the update on a simulated device, the power cut at every operation, once each and some twice:")
        previous = ("--previous", f"out-old/{_BEFORE}", "--pairs", "500")
        _run("rehearse", f"out/{_PACKAGE}", *previous)
        _delivery()
        recovery = ("--set", "release.version=1.0.0", "--set", "release.sequence=1", "--out", "out-recovery")
        _run("build", "recovery=firmware/recovery.hex", "--release", *recovery)
        _run("factory", f"out/{_PACKAGE}", "out-recovery/vent-drive-1.0.0-1.suit")
    _say(
        "The vent drive is invented, the danger is not: stop and secure a mechanism before it is updated and during",
        "its first start; an emergency stop must not depend on firmware; follow the maker's instructions and local",
        "codes, and let qualified staff do the work. See docs/safety.md.",
        "",
        f"Look around in {folder}: imgseal show out/{_PACKAGE}",
    )


def _say(*lines: str) -> None:
    click.echo("\n".join(lines))


def _run(*arguments: str) -> None:
    """Show a command, run it, and show what it says."""
    line = "$ imgseal"
    for argument in arguments:
        if len(line) + len(argument) > _WIDTH:
            click.echo(line + " \\")
            line = "   "
        line += " " + argument
    click.echo(line)
    status = run(arguments)
    if status:
        raise InternalError(f"imgseal {arguments[0]} ended with exit status {status} in the demo")
    click.echo("")


def _quiet(*arguments: str) -> str:
    """Run a command and return what it says on standard output."""
    said = StringIO()
    with redirect_stdout(said), redirect_stderr(StringIO()):
        run(arguments)
    return said.getvalue()


def _read(path: str) -> bytes:
    return read_bounded(path, "demo file", ARTEFACT_BYTES)


def _digest(folder: str) -> bytes:
    return bytes.fromhex(json.loads(_read(f"{folder}/release.json"))["manifest_digest"])


def _delivery() -> None:
    """Send the update as what differs from what a device runs, and install it there."""
    from imgseal.demo.scenario import device_after

    old = {slot: _read(f"out-old/{slot}.sealed.bin") for slot in _SLOTS}
    device = device_after(old, 3, _digest("out-old"), newer=False)
    write_all([Output("out-old/device.json", [device.encode()])])
    _say("What travels of the update to a device that runs 2.4.0 from motor-a, and its installation there:")
    _run("deliver", f"out/{_PACKAGE}", "--for", "out-old/device.json", "--out", "out/small.suit")
    _run("device", "apply", "out-old/device.json", "out/small.suit", "--out", "unit/device.json")
    package, small = (len(_read(f"out/{name}")) / 1000 for name in (_PACKAGE, "small.suit"))
    _say(f"The package has {package:.0f} KB, the delivery {small:.1f} KB.", "")


def _refusals() -> None:
    """Spoil the release in many ways and show the first finding on each."""
    from imgseal.demo.scenario import device_after, refusals
    from imgseal.workspace.project import Project

    new, old = ({slot: _read(f"{out}/{slot}.sealed.bin") for slot in _SLOTS} for out in ("out", "out-old"))
    signer = Project.load(None).signers("images", development=False)[0]
    spoiled = refusals(new, old, _read(f"out/{_PACKAGE}"), _read(f"out-old/{_BEFORE}"), signer)
    devices = {name: device_after(new, n, _digest("out")) for name, n in (("device.json", 3), ("device-r5.json", 5))}
    write_all([Output(f"out/{name}", [state.encode()]) for name, state in devices.items()])
    write_all([Output(f"spoiled/{case.name}", [case.data]) for case in spoiled])
    _say(f"Now {len(spoiled)} spoiled artefacts; the device is one that runs 2.4.1. What imgseal check says first:")
    for case in spoiled:
        device = ("--device", f"out/{case.device}") if case.device else ()
        verdict = json.loads(_quiet("check", f"spoiled/{case.name}", *device, "--json"))["verdicts"][0]
        if verdict["verdict"] != "refused" or verdict["first_finding"] != case.code:
            raise InternalError(f"the demo expected {case.code} for {case.name}, not {verdict['first_finding']}")
        _say(f"  {case.what:<32}{verdict['first_finding']}")
