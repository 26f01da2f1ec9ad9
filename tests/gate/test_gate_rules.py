"""What the gate asks for and what it excuses: devices, the log, exceptions, links, sources, detached headers, variants.

Source of truth: docs/gate.md; the artefacts are made by the maker's code, which tests/kit and tests/outside check.
"""

import hashlib
import json
import os
import zipfile
from io import BytesIO
from pathlib import Path

import pytest
from gate_tree import PEM, SLOTS, as_hex, as_tar, as_zip, log_line_for, payload, sealed, settings, shop
from workshop import ALL, Imgseal, Workshop, detached_radio, make, product, write_project

from imgseal.formats.log.lines import EMPTY
from imgseal.formats.sealed_image.layout import STATEMENT_BYTES, field
from imgseal.formats.suit.envelope import decode_envelope
from imgseal.gate.artefact import _read_header
from imgseal.product.starter import product_text

NO_LOG = settings(product_text()).replace('[log]\npath = "release.log"\n', "")


@pytest.fixture
def out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder beside a product file without a log."""
    write_project(tmp_path, NO_LOG)
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "out"
    folder.mkdir()
    return folder


def outcomes(imgseal: Imgseal, *arguments: str) -> dict[str, str]:
    """Artefact -> outcome, or its first finding where it is refused; `run` -> findings about the run."""
    said = imgseal("gate", "out", *arguments, "--format", "json")
    assert said.status in (0, 1), said.err
    document = json.loads(said.out)
    assert said.status == (0 if document["gate"] == "passed" else 1)
    found = {
        each["artefact"].removeprefix("out/"): each["findings"][0]["code"]
        if each["outcome"] == "refused"
        else each["outcome"]
        for each in document["artefacts"]
    }
    if document["findings"]:
        found["run"] = ", ".join(finding["code"] for finding in document["findings"])
    return found


def put(out: Path, **files: bytes) -> None:
    for name, data in files.items():
        (out / name.replace("__", ".")).write_bytes(data)


GOOD = sealed("phrases", b"words")


# -- devices -------------------------------------------------------------------------------------------------------


def test_a_fresh_device_has_to_be_said(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    said = imgseal("gate", "out")
    assert (said.status, said.out) == (2, "")
    assert "nothing says what sequence and counters the devices have" in said.err
    assert "--fresh" in said.err
    assert outcomes(imgseal, "--fresh") == {"a": "good"}
    assert imgseal("gate", "out", "--fresh").out.startswith("passed, for a fresh device on 20")


@pytest.mark.parametrize("log", [b"", b'{"at":0'])
def test_a_log_without_a_release_is_no_answer(log: bytes, imgseal: Imgseal, out: Path) -> None:
    (out.parent / "imgseal.toml").write_text(settings(product_text()))
    (out.parent / "release.log").write_bytes(log)
    put(out, a=GOOD)
    assert imgseal("gate", "out").status == 2
    assert outcomes(imgseal, "--fresh") == {"a": "gate.not-logged"}


def test_a_log_that_does_not_hold_ends_the_run(imgseal: Imgseal, out: Path) -> None:
    """The last line is whole, the first one is changed."""
    (out.parent / "imgseal.toml").write_text(settings(product_text()))
    line, tip = log_line_for(EMPTY, 1, {"phrases": GOOD}, bytes(32))
    next_line, _ = log_line_for(tip, 2, {"phrases": GOOD}, bytes(32))
    good = line + b"\n" + next_line + b"\n"
    (out.parent / "release.log").write_bytes(good)
    put(out, a=GOOD)
    assert outcomes(imgseal) == {"a": "good"}
    (out.parent / "release.log").write_bytes(good.replace(b'"phrases"', b'"phrased"', 1))
    for jobs in ("1", "2"):
        said = imgseal("gate", "out", "--jobs", jobs)
        assert (said.status, said.out) == (1, "")
        assert "release.log:1" in said.err


def test_a_package_has_to_be_logged_too(imgseal: Imgseal, out: Path) -> None:
    (out.parent / "imgseal.toml").write_text(settings(product_text()))
    images = {slot: shop().images[slot] for slot in SLOTS}
    line, tip = log_line_for(EMPTY, 999, images, bytes(32))
    (out.parent / "release.log").write_bytes(line + b"\n")
    put(out, a__suit=shop().package)
    assert outcomes(imgseal) == {"a.suit": "gate.not-logged"}
    line2, _ = log_line_for(tip, 1000, images, decode_envelope(shop().package).digest.value)
    (out.parent / "release.log").write_bytes(line + b"\n" + line2 + b"\n")
    assert outcomes(imgseal) == {"a.suit": "good"}


def test_what_is_not_logged_makes_no_source_good(imgseal: Imgseal, out: Path) -> None:
    (out.parent / "imgseal.toml").write_text(settings(product_text()))
    body = payload("motor-a", 1)
    image = sealed("motor-a", body)
    put(out, a=image, a__hex=as_hex(SLOTS["motor-a"], body))
    line, tip = log_line_for(EMPTY, 1, {"phrases": GOOD}, bytes(32))
    (out.parent / "release.log").write_bytes(line + b"\n")
    assert outcomes(imgseal) == {"a": "gate.not-logged", "a.hex": "gate.not-sealed"}
    next_line, _ = log_line_for(tip, 2, {"motor-a": image}, bytes(32))
    (out.parent / "release.log").write_bytes(line + b"\n" + next_line + b"\n")
    assert outcomes(imgseal) == {"a": "good", "a.hex": "source"}


def test_previous_package(imgseal: Imgseal, out: Path) -> None:
    """Its counters are the least, and so is its sequence; of several the highest count."""
    put(out, older=sealed("motor-a", payload("motor-a", 1), counter=5), same=sealed("motor-a", payload("motor-a", 2)))
    (out.parent / "previous.suit").write_bytes(shop().package)
    assert outcomes(imgseal, "--previous", "previous.suit") == {"older": "rollback.counter-too-low", "same": "good"}
    put(out, older=shop().package, same=make(product()).package)
    wanted = {"older": "good", "same": "rollback.sequence-too-low"}
    assert outcomes(imgseal, "--previous", "previous.suit") == wanted
    (out.parent / "first.suit").write_bytes(make(product()).package)
    both = ("--previous", "first.suit", "--previous", "previous.suit")
    assert outcomes(imgseal, *both) == outcomes(imgseal, *both[2:], *both[:2]) == wanted


def test_a_previous_package_has_to_be_good_itself(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    (out.parent / "previous.suit").write_bytes(make(product(), development=True).package)
    said = imgseal("gate", "out", "--previous", "previous.suit")
    assert (said.status, "the previous package is refused" in said.err) == (1, True)
    assert imgseal("gate", "out", "--previous", "missing.suit").status == 3


STATE: dict[str, object] = {
    "format": 1, "hardware": 5, "sequence": 0, "manifest_digest": None, "counters": {"3": 2}, "current": {}, "trial": None,
    "refused": [], "slots": {}, "bootloader": None, "battery_mwh": None, "authorised": True, "revoked": [], "anchors": None,
}  # fmt: skip


def test_a_device(imgseal: Imgseal, out: Path) -> None:
    (out.parent / "unit.json").write_text(json.dumps(STATE))
    put(out, a=GOOD)
    assert outcomes(imgseal, "--device", "unit.json") == {"a": "identity.wrong-hardware"}
    (out.parent / "unit.json").write_text(json.dumps({**STATE, "hardware": 3}))
    assert outcomes(imgseal, "--device", "unit.json") == {"a": "rollback.counter-too-low"}
    (out.parent / "unit.json").write_text(json.dumps({**STATE, "hardware": 3, "counters": {}}))
    assert outcomes(imgseal, "--device", "unit.json", "--jobs", "2") == {"a": "good"}


def test_one_answer_only(imgseal: Imgseal, out: Path) -> None:
    assert imgseal("gate", "out", "--fresh", "--previous", "x.suit").status == 2
    assert imgseal("gate", "out", "--fresh", "--device", "x.json").status == 2
    assert imgseal("gate", "out", "--fresh", "--jobs", "2", "--workers", "tcp://x:1").status == 2
    assert imgseal("gate", "out", "--fresh", "--jobs", "0").status == 2
    assert imgseal("gate", "out", "--fresh", "--as-of", "tomorrow").status == 2
    assert imgseal("gate").status == 2


# -- exceptions ----------------------------------------------------------------------------------------------------

EXCEPTION = '\n[[gate.exception]]\npath = "{}"\nreason = "the radio maker seals nothing"\nuntil = {}\n'


def excuse(out: Path, *exceptions: tuple[str, str]) -> None:
    text = NO_LOG + "".join(EXCEPTION.format(path, until) for path, until in exceptions)
    (out.parent / "imgseal.toml").write_text(text)


SPARE = as_hex(0x20400, bytes(range(200)))


def test_an_exception_excuses_until_its_last_day(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD, boot__hex=SPARE)
    excuse(out, ("boot.hex", "2030-06-30"))
    assert outcomes(imgseal, "--fresh", "--as-of", "2030-06-30") == {"a": "good", "boot.hex": "excused"}
    said = imgseal("gate", "out", "--fresh", "--as-of", "2030-06-30")
    assert said.status == 0
    assert (
        "excused: out/boot.hex (Intel HEX): gate.not-sealed: the radio maker seals nothing (until 2030-06-30)"
        in said.out
    )
    late = outcomes(imgseal, "--fresh", "--as-of", "2030-07-01")
    assert late == {"a": "good", "boot.hex": "gate.not-sealed", "run": "gate.exception-expired"}


def test_an_expired_exception_fails_by_itself(imgseal: Imgseal, out: Path) -> None:
    """There is nothing left that it would excuse."""
    put(out, a=GOOD)
    excuse(out, ("boot.hex", "2020-01-01"))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "run": "gate.exception-expired"}
    said = imgseal("gate", "out", "--fresh")
    assert "imgseal.toml, gate.exception[1].until" in said.out


def test_an_exception_for_nothing_is_said(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    excuse(out, ("boot.hex", "2999-01-01"), ("a", "2999-01-01"))
    said = imgseal("gate", "out", "--fresh")
    assert said.status == 0
    assert "note: gate.exception[1] (boot.hex) matches nothing" in said.out
    assert "note: gate.exception[2] (a) excuses nothing that it matches" in said.out


def test_an_exception_is_spoken_of_before_it_ends(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD, boot__hex=SPARE)
    excuse(out, ("boot.hex", "2030-06-30"))
    for day, words in (
        ("2030-05-31", None),
        ("2030-06-01", "ends in 29 days, with 2030-06-30"),
        ("2030-06-29", "ends tomorrow, with 2030-06-30"),
        ("2030-06-30", "ends today, with 2030-06-30"),
    ):
        said = imgseal("gate", "out", "--fresh", "--as-of", day)
        assert said.status == 0
        assert ("note: gate.exception[1] (boot.hex) ends" in said.out) == (words is not None), day
        assert words is None or words in said.out


def test_exceptions_match_the_whole_path(imgseal: Imgseal, out: Path) -> None:
    (out / "third").mkdir()
    put(out, boot__hex=SPARE, a__zip=as_zip({"third/x.hex": SPARE}))
    (out / "third" / "y.hex").write_bytes(SPARE)
    excuse(out, ("third/*", "2999-01-01"))
    assert outcomes(imgseal, "--fresh") == {
        "a.zip/third/x.hex": "gate.not-sealed",
        "boot.hex": "gate.not-sealed",
        "third/y.hex": "excused",
    }
    excuse(out, ("**/third/**", "2999-01-01"), ("*.hex", "2999-01-01"))
    assert set(outcomes(imgseal, "--fresh").values()) == {"excused"}


# -- what is found -------------------------------------------------------------------------------------------------


def test_nothing_found_is_no_pass(imgseal: Imgseal, out: Path) -> None:
    assert outcomes(imgseal, "--fresh") == {"run": "gate.nothing-found"}
    put(out, notes__txt=b"no firmware", app__o=b"\x7fELF" + bytes(60))
    assert outcomes(imgseal, "--fresh") == {"run": "gate.nothing-found"}
    said = imgseal("gate", "elsewhere", "--fresh")
    assert (said.status, "elsewhere" in said.err) == (3, True)


def test_files_can_be_named_one_by_one(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD, b__hex=SPARE)
    assert imgseal("gate", "out/a", "--fresh").status == 0
    assert imgseal("gate", "out/a", "out/b.hex", "--fresh").status == 1
    assert "refused: out/b.hex" in imgseal("gate", "out/b.hex", "out/a", "--fresh").out


def test_firmware_that_cannot_be_read_is_refused(imgseal: Imgseal, out: Path) -> None:
    put(
        out,
        cut=SPARE[:-20],
        digit=SPARE.replace(b"0", b"g", 1),
        front=b"made on Monday\n" + SPARE,
        wide=SPARE.decode().encode("utf-16"),
        elf=b"\x7fELF\x01\x01\x01" + bytes(9) + b"\x02\x00\x28\x00" + bytes(40),
        package=shop().package[:400],
        image=GOOD[:700],
        tag=b"\xd8\x6b",
    )
    found = outcomes(imgseal, "--fresh")
    assert found == {
        "cut": "gate.unreadable",
        "digit": "gate.unreadable",
        "elf": "gate.unreadable",
        "front": "gate.unreadable",
        "image": "structure.truncated",
        "package": "structure.envelope",
        "tag": "structure.envelope",
        "wide": "gate.unreadable",
    }


def test_a_sealed_image_in_hex(imgseal: Imgseal, out: Path) -> None:
    put(out, good=as_hex(0x6008_0000, GOOD), bad=as_hex(0x6008_0000, GOOD[:-1] + b"!"))
    assert outcomes(imgseal, "--fresh") == {"bad": "digest.payload", "good": "good"}


def test_an_image_made_of_others(imgseal: Imgseal, out: Path) -> None:
    """A merged file holds what nobody has sealed beside what is sealed: it needs an exception."""
    merged = b"".join([*as_hex(0, b"bootloader").splitlines(keepends=True)[:-1], as_hex(0x6008_0000, GOOD)])
    put(out, a=GOOD, merged=merged)
    assert outcomes(imgseal, "--fresh") == {"a": "good", "merged": "gate.not-sealed"}


def test_a_source_needs_a_good_image(imgseal: Imgseal, out: Path) -> None:
    """Of a refused image it is no source; nor at another address, nor with a byte more."""
    body = payload("motor-a", 5)
    put(out, a=sealed("motor-a", body), a__hex=as_hex(SLOTS["motor-a"], body), b__hex=as_hex(SLOTS["motor-b"], body))
    put(out, c__hex=as_hex(SLOTS["motor-a"], body + b"!"))
    wanted = {"a": "good", "a.hex": "source", "b.hex": "gate.not-sealed", "c.hex": "gate.not-sealed"}
    assert outcomes(imgseal, "--fresh") == wanted
    put(out, a=sealed("motor-a", body, by=("foreign",)))
    refused = {name: code.replace("source", "gate.not-sealed") for name, code in wanted.items()}
    assert outcomes(imgseal, "--fresh") == {**refused, "a": "trust.unknown-key"}
    excuse(out, ("a", "2999-01-01"))
    assert outcomes(imgseal, "--fresh") == {**refused, "a": "excused"}


def test_gaps_are_filled_as_the_maker_fills_them(imgseal: Imgseal, out: Path) -> None:
    body = payload("motor-a", 5) + b"\xff" * 100 + b"behind a gap"
    split = len(payload("motor-a", 5))
    lines = [
        *as_hex(SLOTS["motor-a"], body[:split]).splitlines(keepends=True)[:-1],
        as_hex(SLOTS["motor-a"] + split + 100, body[split + 100 :]),
    ]
    put(out, a=sealed("motor-a", body), a__hex=b"".join(lines))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "a.hex": "source"}


def test_what_a_file_carries_for_another_component_has_to_be_sealed_too(imgseal: Imgseal, out: Path) -> None:
    rule = '\n[[component.motor.outside]]\nat = 0x60080400\nsize = "4 KiB"\ncarry = "phrases"\n'
    (out.parent / "imgseal.toml").write_text(NO_LOG + rule)
    motor, words = payload("motor-a", 5), b"carried words"
    lines = [*as_hex(SLOTS["motor-a"], motor).splitlines(keepends=True)[:-1], as_hex(SLOTS["phrases"], words)]
    put(out, a=sealed("motor-a", motor), app__hex=b"".join(lines))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "app.hex": "gate.not-sealed"}
    put(out, b=sealed("phrases", words))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "app.hex": "source", "b": "good"}


def test_a_package_speaks_for_the_sources_of_its_images(imgseal: Imgseal, out: Path) -> None:
    body = shop().images["motor-a"][1024:]
    put(out, all__suit=shop().package, motor__hex=as_hex(SLOTS["motor-a"], body))
    assert outcomes(imgseal, "--fresh") == {"all.suit": "good", "motor.hex": "source"}


# -- private keys --------------------------------------------------------------------------------------------------


def leaking(at: int = 400) -> bytes:
    body = bytearray(payload("motor-a", 1000))
    body[at : at + len(PEM)] = PEM
    return bytes(body)


def test_a_key_is_named_with_its_address(imgseal: Imgseal, out: Path) -> None:
    put(out, a=sealed("motor-a", leaking()))
    said = imgseal("gate", "out", "--fresh")
    assert "leak.private-key" in said.out
    assert "where:    offset 1424, address 0x00020590" in said.out


def test_an_allowed_key_is_allowed_in_its_component_only(imgseal: Imgseal, out: Path) -> None:
    put(out, a=sealed("motor-a", leaking()), b=sealed("phrases", PEM))
    digest = hashlib.sha256(PEM.rstrip()).hexdigest()
    rule = f'\n[[component.motor.allowed_key]]\nsha256 = "{digest}"\nreason = "of the test bench"\n'
    (out.parent / "imgseal.toml").write_text(NO_LOG + rule)
    assert outcomes(imgseal, "--fresh") == {"a": "good", "b": "leak.private-key"}


def test_keys_in_packages_and_in_what_is_not_sealed(imgseal: Imgseal, out: Path) -> None:
    """A package whose image holds a key, built before anybody looked; firmware and flat binaries with one."""
    image = sealed("motor-a", leaking())
    package = shop().package
    assert package.count(PEM) == 0
    put(out, a__hex=as_hex(SLOTS["motor-a"], leaking()), b__raw=leaking())
    document = json.loads(imgseal("gate", "out", "--fresh", "--format", "json").out)
    assert [[f["code"] for f in each["findings"]] for each in document["artefacts"]] == [
        ["gate.not-sealed", "leak.private-key"]
    ] * 2
    put(out, a__suit=_with_image(image))
    (package_alone,) = [
        each
        for each in json.loads(imgseal("gate", "out", "--fresh", "--format", "json").out)["artefacts"]
        if each["artefact"] == "out/a.suit"
    ]
    assert "leak.private-key" in [finding["code"] for finding in package_alone["findings"]]


def _with_image(image: bytes) -> bytes:
    """A package of one image, made without the search for keys."""
    from workshop import any_signer

    from imgseal.make.adopt import adopt
    from imgseal.make.pack import pack
    from imgseal.window import ByteView

    of = shop().product
    made = adopt(ByteView(image), of, "image")
    return b"".join(pack((made,), of, (any_signer("keys/packages"),), development=False).pieces())


# -- detached headers ----------------------------------------------------------------------------------------------


def detached() -> tuple[str, Workshop, bytes, bytes]:
    """A product file with detached headers for the radio, and header and payload of a radio image."""
    text = detached_radio(product_text())
    of = product(detached_radio)
    from workshop import firmware

    from imgseal.demo.firmware import code
    from imgseal.flow.release import FirmwareFile
    from imgseal.formats.memory.image import MemoryImage

    body = code("radio", link=0xC0000, size=3001, vectors=48, stack=0x2002_0000)
    files = [file for file in firmware() if file.component != "radio"]
    files.append(FirmwareFile("radio", "radio.hex", MemoryImage.from_bytes(0xC0000, body)))
    made = make(of, files=files)
    return text, made, made.images["radio"], body


def test_detached_headers_find_their_payloads(imgseal: Imgseal, out: Path) -> None:
    text, made, header, body = detached()
    (out.parent / "imgseal.toml").write_text(text)
    header = header[: len(header) - len(body)] if header.endswith(body) else header
    put(out, radio__header__bin=header)
    assert outcomes(imgseal, "--fresh") == {"radio.header.bin": "structure.payload-missing"}
    put(out, radio__payload__bin=body)
    assert outcomes(imgseal, "--fresh") == {"radio.header.bin": "good", "radio.payload.bin": "source"}
    (out / "radio.payload.bin").rename(out / "whatever")
    assert outcomes(imgseal, "--fresh") == {"radio.header.bin": "good", "whatever": "source"}
    put(out, whatever=body[:-1] + b"!")
    wanted = {"radio.header.bin": "structure.payload-missing", "whatever": "gate.not-sealed"}
    assert outcomes(imgseal, "--fresh") == wanted
    put(out, whatever=body, radio__hex=as_hex(0xC0000, body), all__suit=made.package)
    wanted = {"all.suit": "good", "radio.header.bin": "good", "radio.hex": "source", "whatever": "source"}
    assert outcomes(imgseal, "--fresh") == wanted


@pytest.mark.parametrize("wrap", [as_zip, as_tar])
def test_and_in_archives(wrap: object, imgseal: Imgseal, out: Path) -> None:
    """Whichever comes first; a payload of the same size beside it is not mistaken."""
    assert callable(wrap)
    text, _, header, body = detached()
    header = header[: len(header) - len(body)] if header.endswith(body) else header
    (out.parent / "imgseal.toml").write_text(text)
    put(
        out,
        a=wrap({"r.header.bin": header, "x": bytes(len(body)), "r.payload.bin": body}),
        b=wrap({"r.payload.bin": body, "r.header.bin": header, "r.hex": as_hex(0xC0000, body)}),
        c=wrap({"r.header.bin": header, "x": bytes(len(body))}),
        d=wrap({"inner": wrap({"p": body, "h": header}), "h": header}),
    )
    assert outcomes(imgseal, "--fresh") == {
        "a/r.header.bin": "good",
        "a/r.payload.bin": "source",
        "b/r.header.bin": "good",
        "b/r.payload.bin": "source",
        "b/r.hex": "source",
        "c/r.header.bin": "structure.payload-missing",
        "d/inner/h": "good",
        "d/inner/p": "source",
        "d/h": "structure.payload-missing",
    }


def test_a_comment_is_no_payload(imgseal: Imgseal, out: Path) -> None:
    """It becomes no file when the archive is unpacked: a header beside it has nothing to speak for."""
    text, _, header, body = detached()
    header = header[: len(header) - len(body)] if header.endswith(body) else header
    (out.parent / "imgseal.toml").write_text(text)
    made = BytesIO(as_zip({"h": header}))
    with zipfile.ZipFile(made, "a") as archive:
        archive.comment = body
    put(out, a=made.getvalue())
    assert outcomes(imgseal, "--fresh") == {"a/h": "structure.payload-missing", "a/(comment)": "gate.not-sealed"}


# -- links, and files that will not be read -----------------------------------------------------------------------


def test_links(imgseal: Imgseal, out: Path) -> None:
    (out / "deep").mkdir()
    put(out, a=GOOD)
    (out / "inside").symlink_to("a")
    (out / "deep" / "up").symlink_to("..")
    (out / "deep" / "self").symlink_to("self")
    (out / "nowhere").symlink_to("missing")
    assert outcomes(imgseal, "--fresh") == {"a": "good"}
    (out / "etc").symlink_to("../imgseal.toml")
    (out / "folder").symlink_to("..")
    (out / "deep" / "sibling").symlink_to("../../out-other")
    (out.parent / "out-other").mkdir()
    wanted = dict.fromkeys(("deep/sibling", "etc", "folder"), "gate.link-outside")
    assert outcomes(imgseal, "--fresh") == {"a": "good", **wanted}
    (out.parent / "out-other" / "link").symlink_to(out)
    assert imgseal("gate", "out-other/link/a", "--fresh").status == 0


def test_special_files_are_not_opened(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    os.mkfifo(out / "pipe")
    assert outcomes(imgseal, "--fresh") == {"a": "good"}
    assert imgseal("gate", "out/pipe", "--fresh").status == 3


def test_what_cannot_be_opened_is_refused(imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As root every file can be read, so the system's answer is played."""
    (out / "closed").mkdir()
    put(out, a=GOOD, b=GOOD)
    scandir = os.scandir

    def refuse(path: str) -> object:
        if str(path).endswith("closed"):
            raise PermissionError(13, "Permission denied")
        return scandir(path)

    def refuse_open(path: str, what: str, limit: int, *, regular: bool) -> object:
        from imgseal.workspace.files import open_input

        return open_input("/nonexistent" if path.endswith("b") else path, what, limit, regular=regular)

    monkeypatch.setattr("os.scandir", refuse)
    monkeypatch.setattr("imgseal.gate.scan.open_input", refuse_open)
    wanted = {"a": "good", "b": "gate.unreadable", "closed": "gate.unreadable"}
    assert outcomes(imgseal, "--fresh", "--jobs", "1") == wanted


@pytest.mark.parametrize(("more", "outcome"), [(0, "gate.not-sealed"), (-1, "gate.unreadable")])
def test_firmware_files_have_a_largest_size(
    more: int, outcome: str, imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = as_hex(0x20400, bytes(range(200)))
    put(out, a__hex=data)
    monkeypatch.setattr("imgseal.gate.scan.FIRMWARE_BYTES", len(data) + more)
    assert outcomes(imgseal, "--fresh", "--jobs", "1") == {"a.hex": outcome}


@pytest.mark.parametrize(
    ("block", "start"), [(384, 384), (511, 384), (512, 512), (1024, 1024), (8192, 8192), (8193, 384), (65535, 384)]
)
def test_where_the_payload_of_an_image_begins(block: int, start: int) -> None:
    """docs/format/sealed-image.md: header blocks of 512 to 8,192 bytes; behind a header that lies, what follows the statement is looked at."""
    head = bytearray(GOOD[:STATEMENT_BYTES])
    at = field("header_block").offset
    head[at : at + field("header_block").size] = block.to_bytes(field("header_block").size, "little")
    said = _read_header(bytes(head))
    assert said is not None
    assert said.start == start


def test_a_file_that_changes_meanwhile_is_refused(imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from imgseal.gate.discover import Task, discover

    put(out, a=GOOD, b__zip=as_zip({"x": GOOD}))

    def walk_before(paths: tuple[str, ...]) -> object:
        for task in discover(paths):
            assert isinstance(task, Task)
            yield task._replace(size=task.size - 1)

    monkeypatch.setattr("imgseal.gate.command.discover", walk_before)
    said = imgseal("gate", "out", "--fresh", "--jobs", "1")
    assert said.status == 1
    assert said.out.count("gate.changed") == 2


# -- variants ------------------------------------------------------------------------------------------------------

VARIANTS = '\n[variant.north]\nclass = "vent-drive-2-north"\n[variant.south]\nhardware = "5..6"\n'


def test_every_variant_is_a_way_to_be_good(imgseal: Imgseal, out: Path) -> None:
    (out.parent / "imgseal.toml").write_text(NO_LOG + VARIANTS)
    north = make(product(lambda text: text + VARIANTS, variant="north"))
    south = make(product(lambda text: text + VARIANTS, variant="south"))
    other = make(product(lambda text: text.replace('"vent-drive-2"', '"vent-drive-3"')))
    put(out, base=GOOD, north=north.images["radio"], north__suit=north.package, south__suit=south.package)
    put(out, other=other.images["radio"], other__suit=other.package)
    wanted = {"base": "good", "north": "good", "north.suit": "good", "south.suit": "good"}
    refused = {"other": "identity.wrong-class", "other.suit": "identity.wrong-class"}
    assert outcomes(imgseal, "--fresh") == {**wanted, **refused}
    alone = outcomes(imgseal, "--fresh", "--variant", "north")
    assert {name for name, code in alone.items() if code == "good"} == {"north", "north.suit"}


def test_a_variant_that_nothing_is_known_of(imgseal: Imgseal, out: Path) -> None:
    """The previous package is the base's: what north devices have, it does not say."""
    (out.parent / "imgseal.toml").write_text(NO_LOG + VARIANTS)
    north = make(product(lambda text: text + VARIANTS, variant="north"))
    (out.parent / "previous.suit").write_bytes(shop().package)
    (out.parent / "north.suit").write_bytes(north.package)
    put(out, base=GOOD, north=north.images["radio"])
    assert outcomes(imgseal, "--previous", "previous.suit") == {"base": "good", "north": "gate.no-device"}
    both = ("--previous", "previous.suit", "--previous", "north.suit")
    assert outcomes(imgseal, *both) == {"base": "good", "north": "good"}


# -- output --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["text", "json", "junit", "sarif", "github", "gitlab"])
def test_reports_go_where_they_are_asked_to_go(form: str, imgseal: Imgseal, out: Path) -> None:
    """To standard output, or to a file, with the text for people beside it; the status says the same."""
    put(out, a=GOOD, b__hex=SPARE)
    plain = imgseal("gate", "out", "--fresh", "--format", form)
    said = imgseal("gate", "out", "--fresh", "--format", form, "--out", "reports/gate")
    assert plain.status == said.status == 1
    assert (out.parent / "reports" / "gate").read_text() == plain.out
    assert said.out == imgseal("gate", "out", "--fresh").out
    assert plain.err == said.err == ""


def test_a_report_never_replaces_what_was_looked_at(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    for target in ("out/a", "imgseal.toml"):
        said = imgseal("gate", "out/a", "--fresh", "--out", target)
        assert said.status == 2
    assert (out / "a").read_bytes() == GOOD


def test_progress_is_for_terminals(imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import io

    from imgseal.workspace.progress import counter

    put(out, a=GOOD)
    assert imgseal("gate", "out", "--fresh").err == ""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    times = iter([0.0, 0.5, 1.1, 1.2, 1.4])
    show = counter("files", lambda: next(times))
    for done in range(1, 6):
        show(done, 5)
    assert terminal.getvalue() == "\r2 of 5 files\r4 of 5 files\r\x1b[K"


def test_keys_have_to_be_in_force(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    text = NO_LOG.replace(
        'keys = ["keys/images.pub.pem"]', 'keys = [{ key = "keys/images.pub.pem", until = 2030-01-01 }]'
    )
    assert text != NO_LOG
    (out.parent / "imgseal.toml").write_text(text)
    assert outcomes(imgseal, "--fresh", "--as-of", "2030-01-01") == {"a": "good"}
    assert outcomes(imgseal, "--fresh", "--as-of", "2030-01-02") == {"a": "trust.key-not-in-force"}


def test_trust_anchor_updates(imgseal: Imgseal, out: Path) -> None:
    """Judged like the rest; where a device's slot is not known, there is no answer, and that is no pass."""
    from test_sign import add_key

    add_key(out.parent, "keys/apex")
    text = NO_LOG.replace("[trust.images]", '[trust]\napex = "keys/apex.pub.pem"\n\n[trust.images]')
    (out.parent / "imgseal.toml").write_text(text)
    said = imgseal("trust", "replace", "--key", "keys/apex.pem", "--nothing-runs", "--out", "out/1.trust")
    assert said.status == 0, said.err
    assert outcomes(imgseal, "--fresh") == {"1.trust": "good"}
    runs = {"1": {"slot": 0, "statement": None}}
    (out.parent / "unit.json").write_text(json.dumps({**STATE, "hardware": 3, "counters": {}, "current": runs}))
    assert outcomes(imgseal, "--device", "unit.json") == {"1.trust": "gate.not-judged"}
    assert "what slot motor-a holds is not known" in imgseal("gate", "out", "--device", "unit.json").out
    signed = (out / "1.trust").read_bytes()
    put(out, **{"1__trust": signed[:-1] + bytes((signed[-1] ^ 1,))})
    assert outcomes(imgseal, "--fresh") == {"1.trust": "signature.does-not-verify"}


KEYS_OF_THE_PROJECT = """
[[gate.exception]]
path = "keys*/*.pem"
reason = "the keys of the project itself, for a test"
until = 2099-12-31
"""


def test_what_a_release_writes_passes(imgseal: Imgseal, project: Path) -> None:
    """The demo's product from its firmware files to the gate, with a log; then something slips in."""
    text = (project / "imgseal.toml").read_text()
    (project / "imgseal.toml").write_text(text + '\n[log]\npath = "release.log"\n[gate]\nraw = ["radio.bin"]\n')
    assert imgseal("gate", ".").status == 2
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    said = imgseal("gate", ".")
    assert (said.status, said.out.count("(private key)")) == (1, 4), said.out
    (project / "imgseal.toml").write_text((project / "imgseal.toml").read_text() + KEYS_OF_THE_PROJECT)
    said = imgseal("gate", ".", "--every")
    assert said.status == 0, said.out
    assert said.out.startswith("passed, for a device with the numbers of release.log (sequence 17) on 20")
    assert "5 good, 3 source, 4 excused, 0 refused" in said.out
    assert "source: radio.bin (flat binary) of out/radio.sealed.bin" in said.out
    assert imgseal("build", *ALL).status == 0
    assert imgseal("gate", ".").status == 1
    later = ("--set", "release.sequence=18", "--set", "release.version=2.4.2", "--out", "next")
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", *later).status == 0
    assert imgseal("gate", "next").status == 0


@pytest.mark.parametrize("form", ["text", "json", "junit", "sarif", "github", "gitlab"])
def test_paths_of_the_command_line_are_text_in_every_report(imgseal: Imgseal, out: Path, form: str) -> None:
    """A product file whose name is no UTF-8 and an expired exception; a previous package named like an annotation."""
    put(out, a=GOOD)
    odd = os.fsdecode(b"pro\xffduct.toml")
    excuse(out, ("nothing.hex", "2020-01-01"))
    os.rename(out.parent / "imgseal.toml", out.parent / odd)
    (out.parent / "p\n::error::x\x1b[31m").write_bytes(shop().package)
    said = imgseal(
        "gate",
        "out",
        "--product",
        odd,
        "--previous",
        "p\n::error::x\x1b[31m",
        "--format",
        form,
        "--as-of",
        "2026-01-01",
    )
    assert (said.status, said.err) == (1, "")
    assert "\n::error::x" not in said.out
    assert "\x1b" not in said.out
    said.out.encode("utf-8")  # no surrogates
    assert said.out.replace("\\\\", "\\").replace("%5C", "\\").count("pro\\udcffduct.toml") > 0


def test_a_log_that_is_not_what_its_pin_says(imgseal: Imgseal, project: Path) -> None:
    """A log that was cut would hold what it should no longer hold; the gate says so and judges nothing."""
    text = (project / "imgseal.toml").read_text() + '\n[log]\npath = "release.log"\npin = "release.head"\n'
    (project / "imgseal.toml").write_text(text)
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    assert imgseal("log", "pin").status == 0
    assert imgseal("gate", "out").status == 0
    (project / "release.head").write_text(f"2:{'ab' * 32}\n")
    said = imgseal("gate", "out", "--fresh")
    assert (said.status, "the release log is shorter than it was" in said.err) == (1, True), said.err


def test_digests_of_the_log_are_those_of_its_releases(imgseal: Imgseal, project: Path) -> None:
    """As parsed entry by entry: every kind of line, also those that release nothing."""
    from imgseal.flow.as_released import Released
    from imgseal.workspace.log_file import LogFile
    from imgseal.workspace.project import Project
    from imgseal.workspace.released import released_of

    text = (project / "imgseal.toml").read_text() + '\n[log]\npath = "release.log"\n'
    (project / "imgseal.toml").write_text(text)
    assert imgseal("log", "new").status == 0
    assert imgseal("build", *ALL, "--release", "--revision", "abcd").status == 0
    later = ("--set", "release.sequence=18", "--set", "release.version=2.4.2", "--out", "next")
    assert imgseal("build", *ALL, "--release", "--revision", "abcd", *later).status == 0
    assert imgseal("log", "withdraw", "2.4.1", "--why", "it stops").status == 0
    log = LogFile(str(project / "release.log"))
    packages = [package for entry in log.releases() for package in entry.packages]
    found = released_of(Project.load(str(project / "imgseal.toml")))
    assert found is not None
    statements = [{("statement", image.statement) for image in package.images} for package in packages]
    withdrawn = statements[0] - statements[1]
    assert 0 < len(withdrawn) < len(statements[0])
    manifests = {("manifest", package.manifest) for package in packages}
    assert found == Released(frozenset(manifests.union(*statements)), frozenset(withdrawn))
