"""`--sbom` where packages are made, and what demands it. Source: docs/decisions/013-sbom.md."""

import hashlib
import json
from pathlib import Path

import pytest
from test_sign_later import away
from workshop import ALL, Imgseal, repacked

from imgseal.formats.suit.envelope import decode_envelope
from imgseal.formats.suit.labels import TEXT
from imgseal.formats.suit.named_bill import bill_of

SEALED = ("out/motor-a.sealed.bin", "out/motor-b.sealed.bin", "out/radio.sealed.bin", "out/phrases.sealed.bin")
NAME = "vent-drive-2.4.1-17"
OF = {"type": "firmware", "name": "vent-drive", "version": "2.4.1"}
PARTS = [{"type": "library", "name": "tiny-stack", "version": "3.1"}]


def cyclonedx(of: object = OF, parts: object = PARTS) -> str:
    return json.dumps(
        {"bomFormat": "CycloneDX", "specVersion": "1.6", "metadata": {"component": of}, "components": parts}
    )


BOM = cyclonedx() + "\n"
REQUIRED = ("[rules]\n", '[rules]\nsbom = "required"\n')


@pytest.fixture
def with_bill(project: Path) -> Path:
    (project / "bom.json").write_text(BOM)
    return project


def demand(project: Path) -> None:
    path = project / "imgseal.toml"
    path.write_text(path.read_text().replace(*REQUIRED))
    assert REQUIRED[1] in path.read_text()


def without_text(package: bytes) -> bytes:
    return repacked(package, severed=lambda members: {k: v for k, v in members.items() if k != TEXT})


def test_the_package_names_it(imgseal: Imgseal, with_bill: Path) -> None:
    assert imgseal("build", *ALL, "--release").status == 0
    without = (with_bill / f"out/{NAME}.suit").read_bytes()
    said = imgseal("build", *ALL, "--release", "--sbom", "bom.json")
    assert said.status == 0, said.err
    package = (with_bill / f"out/{NAME}.suit").read_bytes()
    bill = bill_of(decode_envelope(package))
    assert bill is not None
    assert (bill.kind, bill.size, bill.digest) == ("CycloneDX", len(BOM), hashlib.sha256(BOM.encode()).digest())
    assert bill_of(decode_envelope(without)) is None
    assert b"sha-256" not in without
    digest = bill.digest.hex()
    said = imgseal("check", f"out/{NAME}.suit")
    assert said.status == 0
    assert f"  sbom      CycloneDX 1.6, {len(BOM)} bytes, sha-256 {digest}" in said.out
    assert f"bill of materials: CycloneDX 1.6, {len(BOM)} bytes, sha-256 {digest}" in imgseal("show", f"out/{NAME}.suit").out  # fmt: skip


def test_it_is_signed(imgseal: Imgseal, with_bill: Path) -> None:
    """Another digest in the text is not the text that the manifest names."""
    assert imgseal("build", *ALL, "--release", "--sbom", "bom.json").status == 0
    path = with_bill / f"out/{NAME}.suit"
    digest = hashlib.sha256(BOM.encode()).hexdigest().encode()
    path.write_bytes(path.read_bytes().replace(digest, b"0" * 64))
    said = imgseal("check", f"out/{NAME}.suit", "--json")
    assert json.loads(said.out)["verdicts"][0]["first_finding"] == "signature.severed-member"


def test_every_way_of_packing_makes_the_same(imgseal: Imgseal, with_bill: Path) -> None:
    assert imgseal("build", *ALL, "--release", "--sbom", "bom.json").status == 0
    built = (with_bill / f"out/{NAME}.suit").read_bytes()
    said = imgseal("pack", *SEALED, "--release", "--sbom", "bom.json", "--out", "packed")
    assert said.status == 0, said.err
    assert (with_bill / f"packed/{NAME}.suit").read_bytes() == built
    away(with_bill, "packages")
    assert imgseal("build", *ALL, "--release", "--sbom", "bom.json", "--sign-later", "--out", "later").status == 0
    request = f"later/{NAME}-package.request.json"
    assert imgseal("sign", request, "--key", "vault/packages.pem", "--yes").status == 0
    firmware = [f"{name}=later/{slot}.sealed.bin" for name, slot in
                (("motor", "motor-a"), ("motor", "motor-b"), ("radio", "radio"), ("phrases", "phrases"))]  # fmt: skip
    response = next(path for path in with_bill.rglob("*.response.json")).relative_to(with_bill)
    finish = ("finish", request, *firmware, "--response", str(response), "--out", "later")
    said = imgseal(*finish)
    assert said.status != 0  # the package that is made now names no bill of materials: nobody has signed that
    said = imgseal(*finish, "--sbom", "bom.json")
    assert said.status == 0, said.err
    assert (with_bill / f"later/{NAME}.suit").read_bytes() == built


def test_a_product_may_demand_it(imgseal: Imgseal, with_bill: Path) -> None:
    assert imgseal("build", *ALL, "--release").status == 0
    for path in (with_bill / "out").glob("*.suit"):
        path.unlink()
    demand(with_bill)
    for arguments in (
        ("build", *ALL, "--release", "--out", "new"),
        ("pack", *SEALED, "--release", "--out", "new"),
        ("build", *ALL, "--release", "--sign-later", "--out", "new"),
    ):
        said = imgseal(*arguments)
        assert said.status == 2, said.err
        assert "rules.sbom" in said.err
        assert "--sbom FILE" in said.err
        assert not (with_bill / "new").exists()
    assert imgseal("build", *ALL, "--out", "desk").status == 0  # development builds are free of it
    assert imgseal("build", *ALL, "--release", "--sbom", "bom.json", "--out", "new").status == 0


@pytest.mark.parametrize(
    ("bill", "message", "found"),
    [
        (cyclonedx(parts=[]), "lists no components", "none"),
        (cyclonedx(parts=None), "lists no components", "none"),
        (cyclonedx(of=None), "does not say which product it is of", "none"),
        (cyclonedx(of={"version": "2.4.1"}), "does not say which product it is of", "none"),
        (cyclonedx(of={**OF, "name": "pump"}), "is of another product", '"pump 2.4.1"'),
        (cyclonedx(of={**OF, "version": "2.4.0"}), "is of another version", '"vent-drive 2.4.0"'),
        (cyclonedx(of={"name": "vent-drive"}), "is of another version", '"vent-drive"'),
        (cyclonedx(of={**OF, "version": "2.4.1-rc.1"}), "is of another version", '"vent-drive 2.4.1-rc.1"'),
    ],
)
def test_another_bill_is_refused_where_one_is_demanded(
    bill: str, message: str, found: str, imgseal: Imgseal, with_bill: Path
) -> None:
    (with_bill / "bom.json").write_text(bill)
    assert imgseal("build", *ALL, "--release", "--sbom", "bom.json").status == 0
    for path in (with_bill / "out").glob("*.suit"):
        path.unlink()
    demand(with_bill)
    for command in (("build", *ALL), ("pack", *SEALED), ("build", *ALL, "--sign-later")):
        said = imgseal(*command, "--release", "--sbom", "bom.json", "--out", "new")
        assert said.status == 2, said.err
        assert f"this bill of materials {message}" in said.err
        assert f"found: {found}\n" in said.err
        assert "rules.sbom" in said.err
        assert not (with_bill / "new").exists()
    assert imgseal("build", *ALL, "--sbom", "bom.json", "--out", "desk").status == 0


def test_the_bill_s_words_for_the_product(imgseal: Imgseal, with_bill: Path) -> None:
    """The product's name or its class, in any case; a version as tags write it."""
    demand(with_bill)
    text = (with_bill / "imgseal.toml").read_text()
    kind = text.split('class = "', 1)[1].split('"', 1)[0]
    for name in ("Vent-Drive", kind, kind.upper()):
        (with_bill / "bom.json").write_text(cyclonedx(of={"name": name, "version": "v2.4.1"}))
        said = imgseal("build", *ALL, "--release", "--sbom", "bom.json")
        assert said.status == 0, said.err


def test_what_is_no_bill_is_refused(imgseal: Imgseal, with_bill: Path) -> None:
    (with_bill / "bom.json").write_text("{}")
    said = imgseal("build", *ALL, "--release", "--sbom", "bom.json")
    assert said.status == 3
    assert "bom.json: this is no bill of materials" in said.err
    assert imgseal("build", *ALL, "--release", "--sbom", "nothing.json").status == 3
    assert not (with_bill / "out").exists()


def test_taken_out_by_an_intermediary(imgseal: Imgseal, with_bill: Path) -> None:
    """Text is severable: the package stays good, and nothing is named any more."""
    assert imgseal("build", *ALL, "--release", "--sbom", "bom.json").status == 0
    cut = without_text((with_bill / f"out/{NAME}.suit").read_bytes())
    (with_bill / "cut.suit").write_bytes(cut)
    said = imgseal("check", "cut.suit")
    assert said.status == 0
    assert "sbom" not in said.out
    assert bill_of(decode_envelope(cut)) is None


def test_the_export_holds_the_one_that_is_named(imgseal: Imgseal, with_bill: Path) -> None:
    path = with_bill / "imgseal.toml"
    path.write_text(path.read_text() + '\n[log]\npath = "release.log"\n')
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", "--sbom", "bom.json").status == 0
    (with_bill / "other.json").write_text(BOM + " ")
    said = imgseal("log", "export", "2.4.1", "audit", "--sbom", "other.json")
    assert said.status == 2
    assert "not the bill of materials that the package names" in said.err
    assert not (with_bill / "audit").exists()
    assert imgseal("log", "export", "2.4.1", "audit", "--sbom", "bom.json").status == 0
    assert "the bill of materials that the package names by digest" in (with_bill / "audit/README.txt").read_text()
    assert imgseal("log", "export", "2.4.1", "bare").status == 0
    digest = hashlib.sha256(BOM.encode()).hexdigest()
    bare = (with_bill / "bare/README.txt").read_text()
    assert f"names a bill of materials that is not here: CycloneDX 1.6, {len(BOM)} bytes, sha-256 {digest}" in bare
    demand(with_bill)
    said = imgseal("log", "export", "2.4.1", "needs")
    assert (said.status, "the export is to hold it" in said.err, "--sbom FILE" in said.err) == (2, True, True)
    assert not (with_bill / "needs").exists()
    assert imgseal("log", "export", "2.4.1", "needs", "--sbom", "bom.json").status == 0


def test_the_gate_refuses_a_release_without_one_where_it_is_demanded(imgseal: Imgseal, with_bill: Path) -> None:
    """A package that was built before the demand, one with a bill, and one whose text was taken out on the way."""
    assert imgseal("build", *ALL, "--release").status == 0
    assert imgseal("gate", "out", "--fresh").status == 0
    demand(with_bill)
    said = imgseal("gate", "out", "--fresh")
    assert said.status == 1
    assert f"out/{NAME}.suit" in said.out
    assert said.out.count("gate.no-sbom") == 1
    assert imgseal("build", *ALL, "--release", "--sbom", "bom.json", "--out", "with").status == 0
    assert imgseal("gate", "with", "--fresh").status == 0
    path = with_bill / f"with/{NAME}.suit"
    path.write_bytes(without_text(path.read_bytes()))
    said = imgseal("check", str(path))
    assert (said.status, said.out.count("gate.no-sbom")) == (1, 1)
    assert imgseal("device", "new", "unit.json").status == 0  # devices take it: text is never a basis for a decision
    assert imgseal("device", "apply", "unit.json", str(path), "--out", "a.json").status == 0
    assert "gate.no-sbom" in imgseal("gate", "with", "--fresh").out
