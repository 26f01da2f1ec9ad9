"""Channels and promotion: what is signed, logged and taken. Sources: docs/format/product-file.md "Channels", docs/format/release-log.md."""

import json
import os
import re
import tomllib
from pathlib import Path

import pytest
from channel_product import LOG, build, make_channels, promote
from workshop import ALL, Imgseal, Said, detached_radio, tree

import imgseal as imgseal_api


@pytest.fixture
def product(project: Path, imgseal: Imgseal) -> Path:
    make_channels(project)
    assert imgseal("log", "new").status == 0
    return project


def entries(project: Path) -> list[dict[str, object]]:
    return [json.loads(line)["entry"] for line in (project / "release.log").read_text().splitlines()]


def sealed(folder: Path) -> dict[str, bytes]:
    return {name: data for name, data in tree(folder).items() if name.endswith(".bin")}


def test_a_promotion_signs_the_same_sealed_images_with_the_next_number(product: Path, imgseal: Imgseal) -> None:
    package = build(imgseal, "2.5.0")
    said = promote(imgseal, package)
    assert said.status == 0, said.err
    made = said.out.splitlines()[-1]
    assert made == "promoted/vent-drive-2.5.0-2.suit"
    assert sealed(product / "promoted") == sealed(product / "out-2.5.0")
    release, promotion = entries(product)
    assert (release["kind"], release["channel"], release["sequence"]) == ("release", "beta", 1)
    assert (promotion["kind"], promotion["channel"], promotion["sequence"]) == ("promotion", "production", 2)
    assert (promotion["from"], promotion["version"], promotion["revision"]) == (0, "2.5.0", "abcd")
    assert json.loads((product / "promoted" / "release.json").read_text())["channel"] == "production"
    assert imgseal("log", "verify").status == 0
    shown = [line.split(maxsplit=1)[1] for line in imgseal("log", "show").out.splitlines()]
    assert shown == [
        "vent-drive 2.5.0  sequence 1  2025-11-25T12:00:00Z  channel beta",
        "promotion of vent-drive 2.5.0  sequence 2  2025-11-25T12:00:00Z  channel production",
    ]


def test_nothing_of_a_promotion_is_replaced(product: Path, imgseal: Imgseal) -> None:
    said = promote(imgseal, build(imgseal, "2.5.0"), "--set", "release.version=2.6.0")
    assert (said.status, "No such option" in said.err) == (2, True), said.err


def test_promoted_again_it_is_the_same_bytes_and_no_new_entry(product: Path, imgseal: Imgseal) -> None:
    package = build(imgseal, "2.5.0")
    assert promote(imgseal, package).status == 0
    before = tree(product)
    said = promote(imgseal, package)
    assert said.status == 0, said.err
    assert "entry 1 of release.log already; nothing was added" in said.err
    assert tree(product) == before
    build(imgseal, "2.6.0")  # and so it is when the log has gone on
    assert promote(imgseal, package).status == 0
    assert (product / "promoted" / "vent-drive-2.5.0-2.suit").read_bytes() == before["promoted/vent-drive-2.5.0-2.suit"]
    assert len(entries(product)) == 3


def test_a_production_device_refuses_what_beta_takes(product: Path, imgseal: Imgseal) -> None:
    beta = build(imgseal, "2.5.0")
    assert promote(imgseal, beta).status == 0
    made = "promoted/vent-drive-2.5.0-2.suit"
    for command in ("check", "gate"):
        of_beta = (command, beta) if command == "check" else (command, "out-2.5.0", "--fresh")
        of_both = (command, made) if command == "check" else (command, "promoted", "--fresh")
        assert imgseal(*of_both, "--channel", "production").status == 0
        assert imgseal(*of_both, "--channel", "beta").status == 0
        said = imgseal(*of_beta, "--channel", "production")
        assert said.status == 1
        assert "signature.wrong-key" in said.out, said.out
    assert imgseal("rehearse", beta, "--channel", "production", "--pairs", "0").status == 1
    assert imgseal("rehearse", beta).status == 2


def test_check_and_gate_find_the_channel(product: Path, imgseal: Imgseal) -> None:
    beta = build(imgseal, "2.5.0")
    assert "imgseal.toml, channel beta" in imgseal("check", beta).out
    assert imgseal("gate", "out-2.5.0").status == 0
    assert promote(imgseal, beta).status == 0
    said = imgseal("check", "promoted/vent-drive-2.5.0-2.suit", "--json")
    found = json.loads(said.out)["verdicts"][0]
    assert (found["verdict"], found["channel"]) == ("accepted", "production")
    assert imgseal("gate", "promoted").status == 0


def test_a_later_beta_does_not_make_production_old(product: Path, imgseal: Imgseal) -> None:
    """Devices of production have the number of their last release, whatever the beta that came after it has."""
    beta = build(imgseal, "2.5.0")
    assert promote(imgseal, beta).status == 0
    build(imgseal, "2.6.0")
    made = "promoted/vent-drive-2.5.0-2.suit"
    assert imgseal("check", made).status == 0, imgseal("check", made).out
    assert imgseal("gate", "promoted").status == 0
    said = imgseal("check", made, "--channel", "beta")
    assert (said.status, "rollback.sequence" in said.out) == (1, True), said.out


def test_releases_from_before_the_channels_count_for_all_of_them(project: Path, imgseal: Imgseal) -> None:
    """Devices that took them trust what the product file had then; here that is the key of production."""
    path = project / "imgseal.toml"
    path.write_text(path.read_text().replace("sequence = 17", 'sequence = "next"') + LOG)
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    make_channels(project, log=False)
    build(imgseal, "2.5.0")
    old = "out/vent-drive-2.4.1-1.suit"
    assert imgseal("check", old, "--channel", "production").status == 0
    assert imgseal("gate", "out").status == 0
    said = imgseal("check", old, "--channel", "beta")
    assert (said.status, "rollback.sequence" in said.out) == (1, True)


REFUSED = {
    "pre-release": ("2.5.0-beta.3", (), "this is a pre-release, and what is sealed in it stays one"),
    "unknown channel": ("2.5.0", ("--to", "gamma"), "the product file has no such channel"),
    "its own channel": ("2.5.0", ("--to", "beta"), "this release is of channel beta already"),
    "a bill of its own": (
        "2.5.0",
        ("--sbom", "bom.json"),
        "a promotion names the bill of materials that its release has",
    ),
}


def test_from_is_the_release_that_sealed_the_images(product: Path, imgseal: Imgseal) -> None:
    """However many promotions lie between; and back in its own channel it is the release that it was."""
    package = build(imgseal, "2.5.0")
    there = promote(imgseal, package).out.strip()
    said = promote(imgseal, there, to="beta")
    assert (said.status, said.out.strip()) == (0, "promoted/vent-drive-2.5.0-1.suit"), said.err
    assert (product / said.out.strip()).read_bytes() == (product / package).read_bytes()
    assert promote(imgseal, there, "--again", "a lost folder", to="beta").status == 0
    assert [each.get("from") for each in entries(product)] == [None, 0, 0]


def test_a_promotion_is_made_again_with_the_time_of_its_release(
    product: Path, imgseal: Imgseal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The hints name a time that works: that of the release which sealed the images, and no other."""
    sealed_at = int(os.environ["SOURCE_DATE_EPOCH"])
    package = build(imgseal, "2.5.0")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", str(sealed_at + 1000))
    assert promote(imgseal, package).status == 0
    kept = (product / "promoted" / "vent-drive-2.5.0-2.suit").read_bytes()
    numbers = ("--revision", "abcd", "--set", "release.version=2.5.0")
    again = ("build", *ALL, "--release", *numbers, "--channel", "production", "--out", "again")
    for more in ((), ("--entry", "1")):
        said = imgseal(*again, *more)
        assert said.status == 2
        (named,) = re.findall(r"SOURCE_DATE_EPOCH=(\d+)", said.err)
        assert "or promote the package of entry 0 again: imgseal promote PACKAGE --to production" in said.err
        with monkeypatch.context() as then:
            then.setenv("SOURCE_DATE_EPOCH", named)
            said = imgseal(*again, *more)
        assert said.status == 0, said.err
        assert (product / "again" / "vent-drive-2.5.0-2.suit").read_bytes() == kept
    shown = imgseal("log", "show", "1").out
    assert re.findall(r"SOURCE_DATE_EPOCH=(\d+)", shown) == [str(sealed_at)]
    assert f"from       entry 0, sealed 2025-11-25T12:00:00Z (SOURCE_DATE_EPOCH={sealed_at})" in shown


def test_a_version_below_the_last_is_that_of_the_package(product: Path, imgseal: Imgseal) -> None:
    """And nothing in the product file makes it higher."""
    packages = [build(imgseal, version) for version in ("2.5.0", "2.6.0")]
    assert promote(imgseal, packages[1]).status == 0
    said = promote(imgseal, packages[0])
    assert said.status == 2
    assert "this version is lower than the last that was released" in said.err
    assert "release.log, entry 0: " in said.err
    assert "promote a later release; or say why this is right" in said.err
    assert "release.version" not in said.err


@pytest.mark.parametrize("later", [(), ("--sign-later",)])
def test_a_beta_with_counters_that_are_too_low(product: Path, imgseal: Imgseal, later: tuple[str, ...]) -> None:
    """What helps is another release: no key of the product file changes what is sealed."""
    package = build(imgseal, "2.5.0")
    build(imgseal, "2.4.0", "production", "--set", "component.motor.counter=9")
    if later:
        path = product / "imgseal.toml"
        public = 'packages = "keys/packages.pub.pem"'
        path.write_text(path.read_text().replace('packages = "keys/packages.pem"', public))
    before = tree(product)
    said = promote(imgseal, package, *later)
    assert said.status == 2
    assert "imgseal: release.log, entry 0: an anti-rollback counter goes down" in said.err
    assert (
        "a promotion changes nothing that is sealed: build a release with component.motor.counter = 9, or higher "
        "when older code must never run again; and promote that"
    ) in said.err
    assert tree(product) == before


def test_promote_has_one_option_for_the_channel(imgseal: Imgseal) -> None:
    """What would always be refused is not offered."""
    said = imgseal("promote", "--help")
    assert (said.status, "--to CHANNEL" in said.out, "--channel" in said.out) == (0, True, False)


def test_a_withdrawal_names_the_entries_that_ship_the_same_images(product: Path, imgseal: Imgseal) -> None:
    """And withdraws none of them by itself; a version that several entries have is no name."""
    package = build(imgseal, "2.5.0")
    assert promote(imgseal, package).status == 0
    build(imgseal, "2.6.0")
    both = imgseal("log", "withdraw", "2.5.0", "--why", "a test")
    assert (both.status, "expected: an entry number: 0, 1" in both.err) == (2, True), both.err
    first = imgseal("log", "withdraw", "0", "--why", "a test")
    assert (first.status, first.err) == (0, "imgseal: entry 1 ships the same images and is not withdrawn\n")
    assert imgseal("check", "promoted/vent-drive-2.5.0-2.suit").status == 0
    assert imgseal("check", package).status == 1
    second = imgseal("log", "withdraw", "1", "--why", "a test")
    assert (second.status, second.err) == (0, "")
    assert imgseal("check", "promoted/vent-drive-2.5.0-2.suit").status == 1


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_not_promoted_leaves_nothing(product: Path, imgseal: Imgseal, case: str) -> None:
    version, more, message = REFUSED[case]
    (product / "bom.json").write_text('{"bomFormat": "CycloneDX", "specVersion": "1.6", "components": [{"name": "x"}]}')
    package = build(imgseal, version)
    before = tree(product)
    said = promote(imgseal, package, *more)
    assert said.status in (1, 2), said.err
    assert message in said.err
    assert "hint" in said.err or "did you" in said.err
    assert tree(product) == before


def test_a_pre_release_keeps_its_version_where_that_is_said(product: Path, imgseal: Imgseal) -> None:
    package = build(imgseal, "2.5.0-beta.3")
    said = promote(imgseal, package, "--keep-version")
    assert said.status == 0, said.err
    assert said.out.splitlines()[-1] == "promoted/vent-drive-2.5.0-beta.3-2.suit"


def test_a_withdrawn_release_is_not_promoted(product: Path, imgseal: Imgseal) -> None:
    package = build(imgseal, "2.5.0")
    assert imgseal("log", "withdraw", "2.5.0", "--why", "the vent stops half open").status == 0
    before = tree(product)
    for said in (promote(imgseal, package), pack(imgseal, product)):
        assert said.status == 2
        assert "this release is withdrawn, and goes to nobody else" in said.err
        assert tree(product) == before


def pack(imgseal: Imgseal, project: Path, *more: str) -> Said:
    images = sorted(str(path.relative_to(project)) for path in (project / "out-2.5.0").glob("*.bin"))
    return imgseal(
        "pack",
        *images,
        "--release",
        "--channel",
        "production",
        "--set",
        "release.version=2.5.0",
        "--out",
        "packed",
        *more,
    )


def test_packing_the_images_for_another_channel_is_the_same_promotion(product: Path, imgseal: Imgseal) -> None:
    package = build(imgseal, "2.5.0")
    assert pack(imgseal, product).status == 0
    assert [(each["kind"], each.get("from")) for each in entries(product)] == [("release", None), ("promotion", 0)]
    assert promote(imgseal, package).status == 0
    name = "vent-drive-2.5.0-2.suit"
    assert (product / "packed" / name).read_bytes() == (product / "promoted" / name).read_bytes()
    assert len(entries(product)) == 2


@pytest.mark.parametrize("of", ["vent-drive-2", "another-class"])
def test_a_package_that_the_log_does_not_hold_is_not_promoted(product: Path, imgseal: Imgseal, of: str) -> None:
    package = build(imgseal, "2.5.0")
    (product / "release.log").unlink()
    path = product / "imgseal.toml"
    path.write_text(path.read_text().replace('"vent-drive-2"', f'"{of}"'))
    assert imgseal("log", "new").status == 0
    before = tree(product)
    said = promote(imgseal, package)
    assert (said.status, "the release log does not hold this package" in said.err) == (2, True)
    assert tree(product) == before


@pytest.mark.parametrize("images", ["motor-a", "motor-b"])
def test_a_package_that_holds_other_images_than_the_log_says_is_not_promoted(
    product: Path, imgseal: Imgseal, images: str
) -> None:
    """Whoever swaps an image for an older one that is sealed well gets no signature for it."""
    package = product / build(imgseal, "2.5.0")
    build(imgseal, "2.6.0")
    data = package.read_bytes()
    old, new = ((product / f"out-{version}" / f"{images}.sealed.bin").read_bytes() for version in ("2.5.0", "2.6.0"))
    assert len(old) == len(new)
    assert data.count(old) == 1
    package.write_bytes(data.replace(old, new))
    before = tree(product)
    said = promote(imgseal, str(package.relative_to(product)))
    assert said.status in (1, 2)
    assert "this package holds other images than the release log says" in said.err
    assert tree(product) == before


def test_with_channels_a_release_says_its_own(product: Path, imgseal: Imgseal) -> None:
    before = tree(product)
    for words, *command in (
        ("this is released for", "build", *ALL, "--release", "--revision", "abcd"),
        ("these devices are of", "factory", "x.suit"),
        ("these devices are of", "device-code", "seal"),
        ("the devices that take the set are of",
         "trust", "replace", "--key", "k.pem", "--nothing-runs", "--out", "1.trust"),
    ):  # fmt: skip
        said = imgseal(*command)
        assert said.status == 2, said.err
        assert f"the product has channels, and nothing says which one {words}\n" in said.err
        assert "hint: name it: --channel NAME\n" in said.err  # a name that is copied from here ships to its devices
    assert tree(product) == before
    assert imgseal("build", *ALL).status == 0  # at a desk nobody asks


def test_without_channels_nothing_can_be_promoted(project: Path, imgseal: Imgseal) -> None:
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    said = promote(imgseal, "out/vent-drive-2.4.1-17.suit")
    assert (said.status, "the product file has no such channel" in said.err) == (2, True)


def test_the_key_may_be_in_another_room(product: Path, imgseal: Imgseal) -> None:
    """The request reserves the number; finished, it is the promotion that it would have been here."""
    package = build(imgseal, "2.5.0")
    here = product / "keys" / "packages.pem"
    safe = product / "safe.pem"
    here.rename(safe)
    path = product / "imgseal.toml"
    path.write_text(path.read_text().replace('packages = "keys/packages.pem"', 'packages = "keys/packages.pub.pem"'))
    said = promote(imgseal, package, "--sign-later")
    assert said.status == 0, said.err
    request = said.out.strip()
    assert request == "promoted/vent-drive-2.5.0-2-package.request.json"
    assert "reserved as entry 1 of release.log" in said.err
    assert imgseal("sign", request, "--key", "safe.pem", "--out", "answer.json", "--yes").status == 0
    build(imgseal, "2.6.0")  # another release goes on meanwhile
    images = [
        f"{name}=promoted/{file}.sealed.bin"
        for name, file in (("motor", "motor-a"), ("motor", "motor-b"), ("radio", "radio"), ("phrases", "phrases"))
    ]
    more = ("--response", "answer.json", "--channel", "production", "--set", "release.version=2.5.0", "--out", "done")
    said = imgseal("finish", request, *images, *more)
    assert said.status == 0, said.err
    *_, last = entries(product)
    assert (last["kind"], last["from"], last["reserved"], last["sequence"]) == ("promotion", 0, 1, 2)
    assert imgseal("log", "verify").status == 0
    assert imgseal("check", "done/vent-drive-2.5.0-2.suit", "--channel", "production").status == 0


def test_no_later_signature_takes_a_beta_to_production(product: Path, imgseal: Imgseal) -> None:
    package = build(imgseal, "2.5.0")
    before = tree(product)
    said = imgseal("sign", package, "--key", "keys/packages.pem", "--out", "both.suit", "--yes")
    assert said.status == 4, said.err
    assert "devices of channel production would take this package of channel beta" in said.err
    assert tree(product) == before


def test_an_entry_of_another_channel_is_not_made_again_for_this_one(product: Path, imgseal: Imgseal) -> None:
    """Its manifest would be the same, and the signature on it that of production."""
    build(imgseal, "2.5.0")
    before = tree(product)
    more = ("--set", "release.version=2.5.0", "--revision", "abcd", "--entry", "0")
    said = imgseal("build", *ALL, "--release", "--channel", "production", *more)
    assert (said.status, "this entry is a release of another channel" in said.err) == (2, True), said.err
    assert tree(product) == before
    assert imgseal("build", *ALL, "--release", "--channel", "beta", *more).status == 0


def test_a_report_finds_the_channel_and_python_has_it_too(product: Path, imgseal: Imgseal) -> None:
    firmware = {
        "motor": ["motor-a.hex", "motor-b.hex"],
        "radio": "radio.bin@0xC0400",
        "phrases": "phrases.bin@0x60080400",
    }
    made = imgseal_api.release(firmware, channel="beta", settings={"release.version": "2.5.0"}, revision="abcd")
    assert imgseal("report", made.package, "--out", "beta.html").status == 0
    assert imgseal("report", made.package, "--out", "not.html", "--channel", "production").status == 1
    assert imgseal_api.judge(made.package).accepted
    assert imgseal_api.judge(made.package, channel="beta").accepted
    assert not imgseal_api.judge(made.package, channel="production").accepted


def test_an_export_is_judged_as_its_channel_does(product: Path, imgseal: Imgseal) -> None:
    package = build(imgseal, "2.5.0")
    assert promote(imgseal, package).status == 0
    for number, path in ((0, package), (1, "promoted/vent-drive-2.5.0-2.suit")):
        said = imgseal("log", "export", str(number), f"export-{number}", "--package", path)
        assert said.status == 0, said.err
        folder = product / f"export-{number}"
        name = Path(path).name
        said = imgseal("check", f"export-{number}/{name}", "--product", f"export-{number}/imgseal.toml")
        assert said.status == 0, said.out
        text = (folder / "imgseal.toml").read_text()
        assert "channel" not in text
        packages = tomllib.loads(text)["trust"]["packages"]["keys"]
        assert len(packages) == (2 if number == 0 else 1)


def test_a_promotion_names_the_bill_that_its_release_has(product: Path, imgseal: Imgseal) -> None:
    """Without being told, but where the product file demands one: there the bill itself has to be at hand."""
    of = {"component": {"name": "vent-drive", "version": "2.5.0"}}
    parts = [{"name": "libc", "version": "2"}]
    bill = {"bomFormat": "CycloneDX", "specVersion": "1.6", "metadata": of, "components": parts}
    (product / "bom.json").write_text(json.dumps(bill))
    package = build(imgseal, "2.5.0", "beta", "--sbom", "bom.json")
    assert promote(imgseal, package).status == 0
    made = product / "promoted" / "vent-drive-2.5.0-2.suit"
    document = json.loads((product / "promoted" / "release.json").read_text())
    assert document["sbom"] == json.loads((product / "out-2.5.0" / "release.json").read_text())["sbom"] is not None
    kept = made.read_bytes()
    path = product / "imgseal.toml"
    path.write_text(path.read_text().replace("[rules]\n", '[rules]\nsbom = "required"\n'))
    said = promote(imgseal, package)
    assert (said.status, "name that file: --sbom FILE" in said.err) == (2, True), said.err
    assert promote(imgseal, package, "--sbom", "bom.json").status == 0
    assert made.read_bytes() == kept
    assert len(entries(product)) == 2


def test_headers_that_lie_apart_are_promoted(project: Path, imgseal: Imgseal) -> None:
    path = project / "imgseal.toml"
    path.write_text(detached_radio(path.read_text()))
    make_channels(project)
    assert imgseal("log", "new").status == 0
    package = build(imgseal, "2.5.0", firmware=(*ALL[:2], "radio=radio.bin@0xC0000", ALL[3]))
    said = promote(imgseal, package)
    assert said.status == 0, said.err
    assert "radio.header.bin" in sealed(project / "promoted")
    assert sealed(project / "promoted") == sealed(project / "out-2.5.0")


def test_a_variants_package_is_promoted_for_its_variant(project: Path, imgseal: Imgseal) -> None:
    """Also where two variants have one class: the log says which one it is of."""
    path = project / "imgseal.toml"
    path.write_text(path.read_text() + '[variant.north]\nhardware = "1..2"\n[variant.south]\nhardware = "3..4"\n')
    make_channels(project)
    assert imgseal("log", "new").status == 0
    build(imgseal, "2.5.0", "beta", "--variant", "south")
    said = promote(imgseal, "out-2.5.0/vent-drive-south-2.5.0-1.suit")
    assert (said.status, said.out.strip()) == (0, "promoted/vent-drive-south-2.5.0-2.suit"), said.err
    *_, last = entries(project)
    assert [each["variant"] for each in last["packages"]] == ["south"]  # type: ignore[attr-defined]
