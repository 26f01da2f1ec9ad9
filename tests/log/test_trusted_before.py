"""A release is signed so that every device in the field takes it, or can be given a set of trust anchors that lets it."""

import itertools
from pathlib import Path

import pytest
from test_sign import add_key
from test_sign_later import replaced
from workshop import ALL, Imgseal, public_key, tree

ROLES = ("images", "packages")


@pytest.fixture
def line(project: Path, imgseal: Imgseal) -> Path:
    """A product with an apex trust anchor and one release; a second pair of keys lies there."""
    for name in ("apex", "images-2", "packages-2"):
        add_key(project, f"keys/{name}")
    replaced(project, "[trust.images]", '[trust]\napex = "keys/apex.pub.pem"\n\n[trust.images]')
    path = project / "imgseal.toml"
    path.write_text(path.read_text() + '\n[log]\npath = "release.log"\n')
    assert imgseal("log", "new").status == 0
    assert release(imgseal, "2.4.1", 17) == (0, "")
    return project


def release(imgseal: Imgseal, version: str, sequence: int) -> tuple[int, str]:
    numbers = ("--set", f"release.version={version}", "--set", f"release.sequence={sequence}", "--revision", "ab")
    said = imgseal("build", *ALL, "--release", *numbers, "--out", version)
    return said.status, "" if said.status == 0 else said.err


def trusted(line: Path, role: str, *names: str) -> None:
    """Let the product file trust these keys for a role."""
    listed = ", ".join(f'"keys/{name}.pub.pem"' for name in names)
    replaced(line, f'keys = ["keys/{role}.pub.pem"]', f"keys = [{listed}]")


def signing(line: Path, role: str, *names: str) -> None:
    listed = ", ".join(f'"keys/{name}.pem"' for name in names)
    replaced(line, f'{role} = "keys/{role}.pem"', f"{role} = [{listed}]" if len(names) > 1 else f"{role} = {listed}")


@pytest.mark.parametrize(("role", "old_too", "moved"), list(itertools.product(ROLES, (True, False), (True, False))))
def test_who_signs(imgseal: Imgseal, line: Path, role: str, old_too: bool, moved: bool) -> None:
    """A new key alone is refused, unless the log has a set that tells devices of it."""
    new, then = f"{role}-2", (line / "imgseal.toml").read_text()
    trusted(line, role, role, new)
    if moved:
        (line / "then.toml").write_text(then)
        more = ("--nothing-runs", "--previous", "then.toml", "--out", "1.trust")
        said = imgseal("trust", "replace", "--key", "keys/apex.pem", *more)
        assert said.status == 0, said.err
    signing(line, role, *((role, new) if old_too else (new,)))
    before = tree(line)
    status, err = release(imgseal, "2.4.2", 18)
    if moved or old_too:
        assert (status, err) == (0, "")
        return
    assert status == 2, err
    assert f", trust.{role}.keys: devices in the field do not trust who signs this release" in err
    assert f"1 of {public_key(f'keys/{role}').key_id.hex()}, as entry 0 of release.log has it" in err
    assert f"found: {public_key(f'keys/{new}').key_id.hex()}" in err
    assert tree(line) == before


def test_every_release_before_counts(imgseal: Imgseal, line: Path) -> None:
    """Devices of the first release trust one key alone, whatever the last one was signed with."""
    trusted(line, "packages", "packages", "packages-2")
    signing(line, "packages", "packages", "packages-2")
    assert release(imgseal, "2.4.2", 18) == (0, "")
    replaced(line, '["keys/packages.pem", "keys/packages-2.pem"]', '"keys/packages-2.pem"')
    status, err = release(imgseal, "2.4.3", 19)
    assert (status, "as entry 0 of release.log has it" in err) == (2, True), err
