"""`imgseal device-code`: what is written compiles, carries the product file's values, and holds no private key."""

from collections.abc import Callable
from pathlib import Path

import pytest
from workshop import Imgseal, private_key, public_key, tree

from imgseal.device_code.example_product import example_product
from imgseal.keys.pem import encode_public
from imgseal.product.starter import product_text


def test_sources_and_configuration(imgseal: Imgseal, project: Path, tool: Callable[[str], str]) -> None:
    import subprocess

    said = imgseal("device-code", "seal")
    assert said.status == 0, said.err
    names = sorted(path.name for path in (project / "seal").iterdir())
    assert names == [
        "guide.md", "licence.txt", "seal_adapters.h", "seal_bearssl.c", "seal_boot.c", "seal_boot.h", "seal_codes.h", "seal_config.h", "seal_delivery.c", "seal_delivery.h", "seal_delta.c", "seal_delta.h", "seal_image.c",
        "seal_image.h", "seal_inside.h", "seal_install.c", "seal_install.h", "seal_names.c", "seal_names.h", "seal_options.h", "seal_package.c",
        "seal_package.h", "seal_psa.c", "seal_record.h", "seal_show.c", "seal_show.h", "seal_store.c", "seal_store.h", "seal_trust.c", "seal_trust.h",
    ]  # fmt: skip
    made = ("seal_config.h", "seal_options.h")
    *written, note = said.out.splitlines()
    assert written == [f"seal/{name}" for name in (*made, *(n for n in names if n not in made))]
    assert note.startswith("note: phrases, recovery cannot be installed from a stream")
    (project / "use.c").write_text(
        '#include "seal_boot.h"\n#include "seal_config.h"\n'
        "unsigned use(void);\nunsigned use(void) { return seal_product.need + seal_package_anchors[0].development + SEAL_RECORD_BYTES; }\n"
    )
    for compiler in ("gcc", "clang"):
        tool(compiler)
        for source in (
            "use.c",
            "seal/seal_image.c",
            "seal/seal_boot.c",
            "seal/seal_package.c",
            "seal/seal_install.c",
            "seal/seal_trust.c",
        ):
            subprocess.run(
                [compiler, "-std=c99", "-Wall", "-Wextra", "-Wconversion", "-pedantic", "-Werror", "-Iseal", "-c", source, "-o", "x.o"],
                check=True,
            )  # fmt: skip
    header = (project / "seal" / "seal_config.h").read_text()
    key = public_key("keys/images")
    assert ", ".join(f"0x{byte:02X}" for byte in key.x) in header
    assert "keys-dev" not in header
    assert "ML_DSA" not in header + (project / "seal" / "seal_options.h").read_text()
    secret = private_key("keys/images").private_numbers().private_value.to_bytes(32)
    assert ", ".join(f"0x{byte:02X}" for byte in secret) not in header
    # the demo's motor: two run slots of 320 KiB at 0x20000 and 0x70000, judged at boot, a hazard, 1024 bytes of header,
    # 64 vectors, a counter of 64 steps
    assert "/* motor */ { 1, 1, 0, 2, 1, 0, 1, 0, 1024, 64, 256u, 64u, " in header
    assert "{ { 0x00020000u, 0x50000u, 1, 0xFF }, { 0x00070000u, 0x50000u, 1, 0xFF } }" in header


def test_the_set_that_devices_leave_the_factory_with(imgseal: Imgseal, project: Path) -> None:
    """For devices that compile it in: the bytes that `imgseal factory` writes, without their digest, and the slot."""
    from workshop import trust_of

    from imgseal.formats.trust_anchors.codec import encode_set
    from imgseal.keys.anchor_set import anchor_set
    from imgseal.product.read_toml import read

    assert imgseal("device-code", "seal").status == 0
    header = (project / "seal" / "seal_config.h").read_text()
    assert "static const struct seal_slot seal_anchors_slot = { 0x0000D000u, 0x2000u, 1, 0xFF };" in header
    of = read(product_text(), name="imgseal.toml")
    content = encode_set(anchor_set(trust_of(of), of))
    text = header[header.index("seal_factory_set[") :]
    values = text[text.index("{") + 1 : text.index("}")].replace("\n", " ").split(",")
    assert bytes(int(value, 16) for value in values if value.strip()) == content
    assert f"#define SEAL_FACTORY_SET_BYTES {len(content)}u" in header
    text = product_text()
    (project / "imgseal.toml").write_text(text.replace('holds = "anchors"', "", 1))
    assert imgseal("device-code", "seal").status == 0
    assert "ANCHORS_SLOT" not in (project / "seal" / "seal_config.h").read_text().upper()


def test_development_keys_only_when_asked_for(imgseal: Imgseal, project: Path) -> None:
    assert imgseal("device-code", "desk", "--development").status == 0
    assert "keys-dev/images.pub.pem" in (project / "desk" / "seal_config.h").read_text()


def test_the_example_is_written_to_a_new_folder_or_not_at_all(
    imgseal: Imgseal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With keys of its own, a product file that they fit, and no word of the project it is called in."""
    monkeypatch.chdir(tmp_path)
    said = imgseal("device-code", "--example", "port")
    assert said.status == 0, said.err
    assert "not encrypted" in said.err
    written = sorted(str(path.relative_to(tmp_path)) for path in (tmp_path / "port").rglob("*") if path.is_file())
    assert sorted(said.out.split()) == written
    own = [line for line in said.out.split() if line.count("/") == 1]
    assert own == sorted(own)
    assert "port/imgseal.toml" in own
    assert {path.name: path.stat().st_mode & 0o777 for path in (tmp_path / "port" / "keys").glob("*[!b].pem")} == {
        "images.pem": 0o600,
        "packages.pem": 0o600,
    }
    before = tree(tmp_path)
    monkeypatch.chdir(tmp_path / "port")
    assert imgseal("device-code", "seal").status == 0  # as its Makefile does
    monkeypatch.chdir(tmp_path)
    assert tree(tmp_path) == before
    said = imgseal("device-code", "--example", "port")
    assert said.status == 2
    assert "port exists" in said.err
    for option in ("--development", "--product=port/imgseal.toml", "--variant=x", "--set=release.version=1.0.0"):
        said = imgseal("device-code", "--example", "other", option)
        assert said.status == 2, option
        assert "of its own" in said.err
    assert tree(tmp_path) == before


def test_the_product_of_the_example_is_that_of_the_demo_on_another_board() -> None:
    """Line by line: what the board has in place of what the demo has, and what it does not have."""
    demo, board = product_text().splitlines(), example_product().splitlines()
    gone = [line for line in demo if line not in board]
    assert gone == [
        "# A greenhouse vent drive, invented: two cores, 1 MiB of internal flash, 512 Mbit of external NOR.",
        'class = "vent-drive-2"', "[signing.development]", 'images = "keys-dev/images.pem"',
        'packages = "keys-dev/packages.pem"', "base = 0x0000_0000", "base = 0x6000_0000",
        'size = "512 Mbit"                # 64 MiB', 'size = "16 KiB"', 'size = "8 MiB"', "vectors = 64", "vectors = 64",
        'bootloader = "firmware/bootloader.hex"', 'file = "firmware/settings.bin"', "at = 0x0_F000",
        "[trust.development]", 'images = ["keys-dev/images.pub.pem"]', 'packages = ["keys-dev/packages.pub.pem"]',
    ]  # fmt: skip
    from imgseal.product.read_toml import read

    of = read(example_product(), name="imgseal.toml")
    assert (of.class_name, of.rules.at_boot, set(of.signing)) == ("vent-drive-emulated", "digest", {"release"})
    assert {name: memory.base for name, memory in of.memories.items()} == {
        "internal": 0x2100_0000, "nor": 0x2110_0000, "ram": 0x2000_0000,
    }  # fmt: skip
    mark = of.slot_holding("boot-mark")
    assert mark is not None
    assert (of.slot_base(mark.name), mark.size) == (0x2101_3000, 4096)


def test_more_keys_than_the_sources_count(imgseal: Imgseal, project: Path) -> None:
    """Package signers are told apart by a bit of a word; with a 33rd, one signer could count as two."""
    for number, status in ((32, 0), (33, 2)):
        names = [f"keys/packages-{n}" for n in range(1, number)]
        for name in names:
            (project / f"{name}.pub.pem").write_bytes(encode_public(public_key(name)))
        text = product_text()
        listed = ", ".join(f'"{name}.pub.pem"' for name in ("keys/packages", *names))
        assert '["keys/packages.pub.pem"]' in text
        (project / "imgseal.toml").write_text(text.replace('["keys/packages.pub.pem"]', f"[{listed}]"))
        said = imgseal("device-code", "seal")
        assert said.status == status, said.err
    assert "at most 32" in said.err
    assert "trust.packages.keys" in said.err


def test_a_trusted_key_that_everybody_has_is_refused(imgseal: Imgseal, project: Path) -> None:
    """A device made so would start what anybody signs."""
    from imgseal.keys.untrusted import published_signer

    (project / "keys" / "images.pub.pem").write_bytes(encode_public(published_signer().public))
    before = tree(project)
    said = imgseal("device-code", "seal")
    assert said.status == 4
    assert "everyone can sign with this key" in said.err
    assert tree(project) == before


@pytest.mark.parametrize("option", [(), ("--development",)], ids=["released", "development"])
def test_no_trusted_key_is_left_out_because_its_file_is_not_there(
    imgseal: Imgseal, project: Path, option: tuple[str, ...]
) -> None:
    """With two keys named and one file there the device would trust one; with none the header would not be C."""
    text = product_text().replace('["keys/images.pub.pem"]', '["keys/images.pub.pem", "keys/other.pub.pem"]')
    more = '[trust]\napex = "keys/apex.pub.pem"\ncontingency = "keys/contingency.pub.pem"\n\n[trust.images]'
    text = text.replace("[trust.images]", more, 1)
    (project / "imgseal.toml").write_text(text)
    named = {
        "keys/images": "trust.images.keys",
        "keys/other": "trust.images.keys",
        "keys/packages": "trust.packages.keys",
        "keys-dev/images": "trust.development.images",
        "keys-dev/packages": "trust.development.packages",
        "keys/apex": "trust.apex",
        "keys/contingency": "trust.contingency",
    }
    for name in named:
        (project / f"{name}.pub.pem").write_bytes(encode_public(public_key(name)))
    assert imgseal("device-code", "seal", *option).status == 0
    before = tree(project)
    for missing in [(name,) for name in named] + [("keys/images", "keys/other"), tuple(named)]:
        for name in missing:
            (project / f"{name}.pub.pem").unlink()
        said = imgseal("device-code", "seal", *option)
        assert said.status == 4, missing
        assert "cannot read a trusted public key" in said.err
        found = [name for name in missing if f"{name}.pub.pem" in said.err and named[name] in said.err]
        assert found, said.err
        for name in missing:
            (project / f"{name}.pub.pem").write_bytes(encode_public(public_key(name)))
        assert tree(project) == before


def test_a_slot_that_keeps_the_package(imgseal: Imgseal, project: Path) -> None:
    """Where it is, the sources know it, and nothing is asked for; it holds a block of the package and one of its log."""
    text = product_text()
    size = '[slot.package]\nmemory = "nor"\nat = 0x200_0000\nsize = "{}"\nholds = "package"\n'
    (project / "imgseal.toml").write_text(text + size.format("2 MiB"))
    said = imgseal("device-code", "seal")
    assert said.status == 0, said.err
    assert "note:" not in said.out
    header = (project / "seal" / "seal_config.h").read_text()
    assert "static const struct seal_slot seal_package_slot = { 0x62000000u, 0x200000u, 0, 0xFF };" in header
    (project / "imgseal.toml").write_text(text + size.format("64 KiB"))
    said = imgseal("device-code", "seal")
    assert said.status == 2
    assert "one for the log behind it" in said.err
