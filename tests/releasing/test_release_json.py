"""`release.json` by its schema, docs/format/release.schema.json, and its values by the artefacts that it stands for."""

import hashlib
import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from workshop import ALL, Imgseal, detached_radio, public_key

SCHEMA = json.loads((Path(__file__).parents[2] / "docs/format/release.schema.json").read_text())
BOM = (
    b'{"bomFormat": "CycloneDX", "specVersion": "1.6", "version": 1, "components": [{"name": "a", "type": "library"}]}'
)
VARIANT = '\n[variant.south]\nhardware = "4..4"\nclass = "vent-drive-2-south"\n'
BUILDS: dict[str, tuple[str, ...]] = {
    "plain": ("--release",),
    "development": (),
    "said": ("--release", "--revision", "5e" * 20, "--sbom", "bom.json"),
    "variant": ("--release", "--variant", "south"),
    "detached": ("--release",),
}


@pytest.mark.parametrize("build", BUILDS)
def test_it_says_what_was_made(imgseal: Imgseal, project: Path, build: str) -> None:
    file = project / "imgseal.toml"
    text = file.read_text() + VARIANT
    firmware = list(ALL)
    if build == "detached":
        text = detached_radio(text)
        firmware[2] = "radio=radio.bin@0xC0000"
    file.write_text(text)
    (project / "bom.json").write_bytes(BOM)
    said = imgseal("build", *firmware, *BUILDS[build])
    assert said.status == 0, said
    document = json.loads((project / "out/release.json").read_text())
    Draft202012Validator(SCHEMA).validate(document)
    for entry in document["files"]:
        data = (project / "out" / entry["path"]).read_bytes()
        assert (entry["size"], entry["sha256"]) == (len(data), hashlib.sha256(data).hexdigest())
    folder = "keys-dev" if build == "development" else "keys"
    for role in ("images", "packages"):
        assert document["signers"][role] == [public_key(f"{folder}/{role}").key_id.hex()]
    assert document["hardware"] == ([4, 4] if build == "variant" else [2, 4])
    assert document["revision"] == ("5e" * 20 if build == "said" else None)
    shown = json.loads(imgseal("show", "out/motor-a.sealed.bin", "--json").out)
    assert (shown["vendor_id"], shown["class_id"]) == (document["vendor_id"], document["class_id"])
    if build == "said":
        kind = {"kind": "CycloneDX", "version": "1.6", "size": len(BOM)}
        assert document["sbom"] == {**kind, "sha256": hashlib.sha256(BOM).hexdigest()}
    else:
        assert document["sbom"] is None


def test_nothing_may_be_missing_or_more(imgseal: Imgseal, project: Path) -> None:
    assert imgseal("build", *ALL, "--release").status == 0
    document = json.loads((project / "out/release.json").read_text())
    checker = Draft202012Validator(SCHEMA)
    for key in document:
        assert not checker.is_valid({name: value for name, value in document.items() if name != key}), key
    assert not checker.is_valid({**document, "lane": "beta"})
