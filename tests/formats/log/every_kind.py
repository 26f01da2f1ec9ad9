"""A release log with every kind of entry, made by commands; one is kept beside, with its product file.

    python tests/formats/log/every_kind.py FOLDER

plays them in a new folder and leaves there what is kept: the log, the product file, and an export of the promotion.
"""

import os
import shutil
import sys
import tempfile
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from channel_product import make_channels
from workshop import ALL, BUILD_TIME, Imgseal, Said, private_key, public_key, write_project

from imgseal.demo.firmware import code, phrases
from imgseal.formats.source.intel_hex_writer import write_intel_hex
from imgseal.keys.pem import encode_private, encode_public

KINDS = ("release", "release", "promotion", "reservation", "reservation", "release", "surrender", "signature",
         "anchors", "withdrawal")  # fmt: skip
"""What the kept log has, which was made before there were deliveries."""
TODAY = (*KINDS[:-1], "delivery", KINDS[-1])
PROMOTED = 2
"""The entry that is exported."""
OWN_KEYS = ("keys/second", "keys/apex", "keys/contingency")


def write_line(folder: Path) -> None:
    """Write product files, keys and firmware: two channels, two signers, an apex trust anchor, keys that are elsewhere."""
    write_project(folder)
    make_channels(folder)
    path = folder / "imgseal.toml"
    text = path.read_text().replace('beta.pub.pem"]\n', 'beta.pub.pem", "keys/second.pub.pem"]\n')
    text = text.replace(
        'packages = ["keys/packages.pub.pem"]\n[', 'packages = ["keys/packages.pub.pem", "keys/second.pub.pem"]\n['
    )
    assert text.count("second.pub.pem") == 3
    apex = '[trust]\napex = "keys/apex.pub.pem"\ncontingency = "keys/contingency.pub.pem"\n\n[trust.images]'
    path.write_text(text.replace("[trust.images]", apex))
    for name in OWN_KEYS:
        (folder / f"{name}.pem").write_bytes(encode_private(private_key(name), None))
        (folder / f"{name}.pem").chmod(0o600)
        (folder / f"{name}.pub.pem").write_bytes(encode_public(public_key(name)))
    write_away(folder)
    for name, link in (("motor-a.hex", 0x20400), ("motor-b.hex", 0x70400), ("recovery.hex", 0x14400)):
        data = code(name, link=link, size=3000, vectors=64, stack=0x2002_0000)
        (folder / name).write_bytes(b"".join(write_intel_hex([(link, data)])))
    (folder / "radio.bin").write_bytes(code("radio", link=0xC0400, size=3001, vectors=48, stack=0x2002_0000))
    (folder / "phrases.bin").write_bytes(phrases("phrases", 4000))


def write_away(folder: Path) -> None:
    """Write the product file of a machine that has no release key."""
    text = (folder / "imgseal.toml").read_text()
    for role in ("images", "packages"):
        text = text.replace(f'{role} = "keys/{role}.pem"', f'{role} = "keys/{role}.pub.pem"')
    (folder / "away.toml").write_text(text)


def play(imgseal: Imgseal) -> None:
    """Every kind of entry, in the working folder, as TODAY has them."""

    def run(*arguments: str) -> Said:
        said = imgseal(*arguments)
        assert said.status == 0, (arguments, said.err)
        return said

    run("log", "new")
    release = ("--release", "--revision", "abcd")
    beta = run("build", *ALL, *release, "--channel", "beta", "--set", "release.version=2.5.0", "--out", "beta")
    own = ("--set", "release.version=1.0.0", "--out", "recovery")
    run("build", "recovery=recovery.hex", *release, "--channel", "production", *own)
    made = run("promote", beta.out.splitlines()[-1], "--to", "production", "--out", "promoted").out.splitlines()[-1]
    for version in ("2.6.0", "2.7.0"):
        later = ("--set", f"release.version={version}", "--out", version, "--sign-later", "--product", "away.toml")
        run("build", *ALL, *release, "--channel", "production", *later)
    finish(run, "2.6.0")
    run("log", "surrender", "4", "--why", "the holder is away")
    run("sign", made, "--key", "keys/second.pem", "--yes", "--out", "signed.suit")
    run("trust", "replace", "--key", "keys/apex.pem", "--running", made, "--channel", "production",
        "--out", "1.trust")  # fmt: skip
    run("deliver", "2.6.0/vent-drive-2.6.0-3.suit", "--from", made, "--channel", "production", "--out", "small.suit")
    run("log", "withdraw", "2.6.0", "--why", "it stops the vent half open")


def finish(run: Imgseal, version: str) -> None:
    """Sign and finish both requests of a release."""
    folder = Path(version)
    for what, key in (("images", "images"), ("package", "packages")):
        (request,) = folder.glob(f"*-{what}.request.json")
        run("sign", str(request), "--key", f"keys/{key}.pem", "--yes")
        sealed = sorted(folder.glob("*.sealed.bin"))
        given = [f"{path.name.split('.')[0].split('-')[0]}={path}" for path in sealed] if what == "package" else ALL
        response = str(request).replace(".request.json", ".response.json")
        run("finish", str(request), *given, "--response", response, "--out", version, "--channel", "production",
            "--set", f"release.version={version}", "--product", "away.toml")  # fmt: skip


def main() -> None:
    from imgseal.cli.app import run

    target = Path(sys.argv[1]).absolute()
    os.environ |= {"SOURCE_DATE_EPOCH": str(BUILD_TIME)}

    def imgseal(*arguments: str) -> Said:
        from contextlib import redirect_stderr, redirect_stdout
        from io import StringIO

        out, err = StringIO(), StringIO()
        with redirect_stdout(out), redirect_stderr(err):
            status = run(arguments)
        return Said(status, out.getvalue(), err.getvalue())

    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_CACHE_HOME"] = f"{folder}/cache"
        write_line(Path(folder))
        os.chdir(folder)
        play(imgseal)
        print(imgseal("log", "show").out)
        said = imgseal("log", "export", str(PROMOTED), "export", "--package", "promoted/vent-drive-2.5.0-2.suit")
        assert said.status == 0, said.err
        target.mkdir()
        for name in ("release.log", "imgseal.toml"):
            shutil.copy(name, target / name)
        shutil.copytree("export", target / "export")


if __name__ == "__main__":
    main()
