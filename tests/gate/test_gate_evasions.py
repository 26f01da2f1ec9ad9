"""Nothing passes beside what is good, and nothing keeps the gate busy: keys and firmware beside firmware, wrong addresses, swapped files.

Source of truth: docs/gate.md; forms of records as in tests/source.
"""

import hashlib
import json
import os
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from gate_tree import PEM, SLOTS, as_elf, as_hex, as_srec, as_tar, as_zip, payload, sealed, shop
from test_gate_rules import GOOD, NO_LOG, SPARE, detached, leaking, out, outcomes, put
from workshop import Imgseal, detached_radio, product

from imgseal.formats.sealed_image.layout import field
from imgseal.gate.discover import Task, discover

__all__ = ["out"]  # a fixture

MOTOR = payload("motor-a", 1)
IMAGE = sealed("motor-a", MOTOR)
DROP = '\n[[component.motor.outside]]\nat = 0x10001000\nsize = "4 KiB"\ndrop = true\n'
DIGEST = hashlib.sha256(PEM.rstrip()).hexdigest()
ALLOW = f'\n[[component.motor.allowed_key]]\nsha256 = "{DIGEST}"\nreason = "of the test bench"\n'


def rules(out: Path, more: str) -> None:
    (out.parent / "imgseal.toml").write_text(NO_LOG + more)


def codes(imgseal: Imgseal) -> dict[str, list[str]]:
    """Refused artefact -> codes of its findings."""
    document = json.loads(imgseal("gate", "out", "--fresh", "--format", "json").out)
    return {
        each["artefact"].removeprefix("out/"): [finding["code"] for finding in each["findings"]]
        for each in document["artefacts"]
        if each["outcome"] == "refused"
    }


def joined(*pieces: tuple[int, bytes]) -> bytes:
    """HEX of several pieces."""
    first = [as_hex(*each).removesuffix(b":00000001FF\n") for each in pieces[:-1]]
    return b"".join([*first, as_hex(*pieces[-1])])


def s0(data: bytes, each: int = 200) -> bytes:
    lines = []
    for at in range(0, len(data), each):
        raw = bytes([len(data[at : at + each]) + 3, 0, 0]) + data[at : at + each]
        lines.append(b"S0" + (raw + bytes([~sum(raw) & 0xFF])).hex().upper().encode() + b"\n")
    return b"".join(lines)


# -- private keys beside what is sealed ----------------------------------------------------------------------------


def test_a_key_in_a_dropped_range_is_no_part_of_a_source(imgseal: Imgseal, out: Path) -> None:
    rules(out, DROP)
    put(out, a=IMAGE, app__hex=joined((SLOTS["motor-a"], MOTOR), (0x1000_1000, b"settings")))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "app.hex": "source"}
    put(out, app__hex=joined((SLOTS["motor-a"], MOTOR), (0x1000_1000, PEM)))
    assert codes(imgseal) == {"app.hex": ["leak.private-key"]}
    assert "address 0x10001000" in imgseal("gate", "out", "--fresh").out
    put(out, app__hex=joined((SLOTS["motor-a"], MOTOR), (0x1000_1000, bytes(30) + PEM)))
    assert "address 0x1000101e" in imgseal("gate", "out", "--fresh").out


def test_a_component_allows_keys_in_its_image_only(imgseal: Imgseal, out: Path) -> None:
    """The same key in what is dropped is nobody's; nor do sixteen allowed ones hide it."""
    rules(out, DROP + ALLOW)
    body = leaking() + PEM * 20
    put(out, a=sealed("motor-a", body), app__hex=joined((SLOTS["motor-a"], body), (0x1000_1000, b"settings")))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "app.hex": "source"}
    put(out, app__hex=joined((SLOTS["motor-a"], body), (0x1000_1000, PEM)))
    assert codes(imgseal) == {"app.hex": ["leak.private-key"]}
    put(out, app__hex=as_hex(SLOTS["motor-a"], body), app__elf=as_elf(SLOTS["motor-a"], body))
    assert codes(imgseal) == {}


def test_a_dropped_range_in_the_middle_of_an_image(imgseal: Imgseal, out: Path) -> None:
    """The image has blanks there, the file a key."""
    at = SLOTS["motor-a"] + len(MOTOR) + 16
    rules(out, f"\n[[component.motor.outside]]\nat = {at}\nsize = 512\ndrop = true\n")
    gap = b"\xff" * (512 + 16)
    put(out, a=sealed("motor-a", MOTOR + gap + b"behind"))
    put(out, app__hex=joined((SLOTS["motor-a"], MOTOR), (at + 512, b"behind")))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "app.hex": "source"}
    put(out, app__hex=joined((SLOTS["motor-a"], MOTOR), (at, PEM), (at + 512, b"behind")))
    assert codes(imgseal) == {"app.hex": ["leak.private-key"]}


ASIDE = {
    "sealed.hex": as_hex(0x6008_0000, GOOD) + PEM,
    "source.hex": as_hex(SLOTS["motor-a"], MOTOR) + PEM,
    "source.elf": as_elf(SLOTS["motor-a"], MOTOR) + PEM,
}


@pytest.mark.parametrize("name", ASIDE)
def test_keys_behind_firmware(name: str, imgseal: Imgseal, out: Path) -> None:
    put(out, a=IMAGE, **{name.replace(".", "__"): ASIDE[name]})
    assert codes(imgseal) == {name: ["gate.unreadable", "leak.private-key"]}
    assert f"offset {len(ASIDE[name]) - len(PEM)}" in imgseal("gate", "out", "--fresh").out


@pytest.mark.parametrize("firmware", [as_srec(0x6008_0000, GOOD), as_srec(SLOTS["motor-a"], MOTOR)])
def test_keys_in_header_records(firmware: bytes, imgseal: Imgseal, out: Path) -> None:
    put(out, a=IMAGE, x__srec=s0(b"motor.srec") + firmware)
    assert codes(imgseal) == {}
    put(out, x__srec=s0(PEM, 100) + firmware)
    assert codes(imgseal) == {"x.srec": ["leak.private-key"]}


def test_a_detached_header_in_text_with_a_key_beside_it(imgseal: Imgseal, out: Path) -> None:
    text, _, header, body = detached()
    (out.parent / "imgseal.toml").write_text(text)
    at = header_address()
    put(out, a__zip=as_zip({"h.srec": s0(b"x") + as_srec(at, header), "p": body}))
    assert codes(imgseal) == {}
    put(out, a__zip=as_zip({"h.srec": s0(PEM) + as_srec(at, header), "p": body}))
    assert codes(imgseal) == {"a.zip/h.srec": ["leak.private-key"], "a.zip/p": ["gate.not-sealed"]}


def header_address() -> int:
    of = product(detached_radio)
    return of.slot_base(of.components["radio"].header[0])


def test_keys_in_sections_that_are_not_loaded(imgseal: Imgseal, out: Path) -> None:
    put(out, a=IMAGE, x__elf=with_section(SLOTS["motor-a"], MOTOR, b"notes"))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "x.elf": "source"}
    put(out, x__elf=with_section(SLOTS["motor-a"], MOTOR, PEM))
    assert codes(imgseal) == {"x.elf": ["leak.private-key"]}


def with_section(address: int, body: bytes, note: bytes) -> bytes:
    """An executable with a section of text and one that is not loaded; System V ABI, chapters 4 and 5."""
    tables = 84 + len(body) + len(note)
    head = b"\x7fELF\x01\x01\x01" + bytes(9)
    head += struct.pack("<HHIIIIIHHHHHH", 2, 40, 1, address, 52, tables, 0, 52, 32, 1, 40, 3, 0)
    head += struct.pack("<IIIIIIII", 1, 84, address, address, len(body), len(body), 5, 4)
    text = struct.pack("<10I", 0, 1, 2, address, 84, len(body), 0, 0, 1, 0)
    other = struct.pack("<10I", 0, 1, 0, 0, 84 + len(body), len(note), 0, 0, 1, 0)
    return head + body + note + bytes(40) + text + other


# -- firmware behind firmware --------------------------------------------------------------------------------------

BEHIND = {
    "elf-zip": as_elf(SLOTS["motor-a"], MOTOR) + as_zip({"spare.hex": SPARE}),
    "elf-hex": as_elf(SLOTS["motor-a"], MOTOR) + b"\n" + SPARE,
    "hex-srec": as_hex(SLOTS["motor-a"], MOTOR) + as_srec(0x70400, b"x" * 300),
    "srec-hex": as_srec(SLOTS["motor-a"], MOTOR) + as_hex(0x70400, b"x" * 300),
    "sealed-srec": as_hex(0x6008_0000, GOOD) + as_srec(0x20400, bytes(range(200))),
    "hex-text": as_hex(SLOTS["motor-a"], MOTOR) + b"made on Monday\n",
}


@pytest.mark.parametrize("name", BEHIND)
def test_nothing_follows_firmware(name: str, imgseal: Imgseal, out: Path) -> None:
    put(out, a=IMAGE, x=BEHIND[name])
    assert outcomes(imgseal, "--fresh") == {"a": "good", "x": "gate.unreadable"}
    assert "follow" in imgseal("gate", "out", "--fresh").out


def test_blanks_and_zeros_are_nothing(imgseal: Imgseal, out: Path) -> None:
    body = as_hex(SLOTS["motor-a"], MOTOR)
    put(out, a=IMAGE, x=body + b"\n \r\n\x1a", y=as_elf(SLOTS["motor-a"], MOTOR) + bytes(13))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "x": "source", "y": "source"}


# -- where a sealed image in text lies -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slot", "address", "good"),
    [
        ("phrases", 0x6008_0000, True),
        ("phrases", 0, False),
        ("phrases", 0x6008_0400, False),
        ("motor-a", 0x2_0000, True),
        ("motor-a", 0x7_0000, False),  # that is motor-b, for which it is not linked
        ("motor-b", 0x7_0000, True),
        ("radio", 0xC_0000, True),
        ("radio", 0x2_0000, False),
    ],
)
def test_a_sealed_image_begins_where_its_slot_does(
    slot: str, address: int, good: bool, imgseal: Imgseal, out: Path
) -> None:
    image = GOOD if slot == "phrases" else sealed(slot, payload(slot, 1))
    put(out, x__hex=as_hex(address, image))
    (out.parent / "x.srec").write_bytes(as_srec(address, image))
    said = imgseal("check", "x.srec")
    if good:
        assert outcomes(imgseal, "--fresh") == {"x.hex": "good"}
        assert said.status == 0, said.out + said.err
        return
    assert codes(imgseal) == {"x.hex": ["gate.unreadable"]}
    of = shop().product
    for text in (imgseal("gate", "out", "--fresh").out, said.err):
        assert f"{slot} 0x{of.slot_base(slot):08x}" in text
        assert f"0x{address:08x}" in text.split("found:")[1].split("hint:")[0]
    assert said.status == 3
    assert imgseal("check", "x.srec", "--slot", slot).status in (0, 1)  # a dump says by itself where it is from


def test_staging_and_keep_slots_hold_images_too(imgseal: Imgseal, out: Path) -> None:
    of = shop().product
    radio = of.components["radio"]
    image = sealed("radio", payload("radio", 1))
    others = [name for name in (radio.staging, radio.keep) if name is not None]
    assert others
    for name in others:
        put(out, x__hex=as_hex(of.slot_base(name), image))
        assert outcomes(imgseal, "--fresh") == {"x.hex": "good"}


# -- what hides records --------------------------------------------------------------------------------------------

TEXT = SPARE.decode()
HIDDEN = {
    "cr": b"; made\r" + SPARE.replace(b"\n", b"\r"),
    "bom-blank": ("\r\n" + TEXT).encode("utf-16"),
    "bom-comment": ("; made\r\n" + TEXT).encode("utf-16"),
    "wide": TEXT.encode("utf-16-be"),
    "wide-blanks": ("\r\n" * 4000 + TEXT).encode("utf-16"),
    "small-s": as_srec(0x20400, bytes(99)).replace(b"S", b"s"),
    "tag-3": b"\xd9\x00\x6b" + shop().package[2:],
    "tag-5": b"\xda\x00\x00\x00\x6b" + shop().package[2:],
    "tag-55799": b"\xd9\xd9\xf7" + shop().package,
    "tags": b"\xda\x00\x00\xd9\xf7\xd9\x00\x6b" + shop().package[2:],
}


@pytest.mark.parametrize("wrap", [None, as_tar])
def test_nothing_hides_firmware(wrap: Callable[[dict[str, bytes]], bytes] | None, imgseal: Imgseal, out: Path) -> None:
    files = {**HIDDEN, "blanks": b"\n" * 4096 + SPARE}
    put(out, good=GOOD, **(files if wrap is None else {"a": wrap(files)}))
    found = outcomes(imgseal, "--fresh")
    wanted = {**dict.fromkeys(HIDDEN, "gate.unreadable"), "blanks": "gate.not-sealed"}
    prefix = "" if wrap is None else "a/"
    assert found == {"good": "good", **{prefix + name: code for name, code in wanted.items()}}


def test_blanks_alone_are_nothing(imgseal: Imgseal, out: Path) -> None:
    put(
        out, good=GOOD, a=b"\n", b=b" " * 5000, c=bytes(3 << 20), d=b"\xff\xfe" + bytes(9000), e=b"\n" * 5000 + b"words"
    )
    put(out, f=b"\r\n" * 700_000 + SPARE)
    assert outcomes(imgseal, "--fresh") == {"good": "good", "f": "gate.not-sealed"}


def test_text_is_no_firmware(imgseal: Imgseal, out: Path) -> None:
    put(out, good=GOOD, a=b":feedback: yes please\n", b=b"S3cafebabe is a word\n", c=b":cafe12345 :-)\n:00\n")
    assert outcomes(imgseal, "--fresh") == {"good": "good"}


# -- payloads that look like something else ------------------------------------------------------------------------

LOOKS = [
    b"\xfd7zXZ\0" + bytes(90),
    b"BZh91AY",
    b"\x1f\x8b\x08\x00" + bytes(80),
    SPARE,
    as_elf(0, b"x"),
    b"PK\x03\x04" + bytes(99),
]


@pytest.mark.parametrize("body", LOOKS, ids=range(len(LOOKS)))
def test_a_payload_may_begin_as_it_likes(body: bytes, imgseal: Imgseal, out: Path) -> None:
    put(out, a=sealed("phrases", body), a__raw=body)
    assert outcomes(imgseal, "--fresh") == {"a": "good", "a.raw": "source"}
    put(out, a__zip=as_zip({"a.raw": body}))
    assert outcomes(imgseal, "--fresh") == {"a": "good", "a.raw": "source", "a.zip/a.raw": "source"}
    put(out, a=GOOD)
    assert outcomes(imgseal, "--fresh")["a.raw"] in ("gate.not-sealed", "gate.unreadable") or codes(imgseal)["a.raw"][
        0
    ].startswith("gate.archive-")
    put(out, a=sealed("phrases", body), a__other=body)
    assert outcomes(imgseal, "--fresh")["a.other"] != "source"


def test_what_is_good_stays_good(imgseal: Imgseal, out: Path) -> None:
    """A sealed image that a raw pattern matches is no source of another one."""
    put(out, a__raw=GOOD, b=sealed("phrases", GOOD))
    assert outcomes(imgseal, "--fresh") == {"a.raw": "good", "b": "good"}


# -- detached headers ----------------------------------------------------------------------------------------------


def test_a_payload_is_found_among_many_files_of_its_size(
    imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever its name; each file is read once to find it, however many headers ask."""
    from imgseal.workspace.files import open_input

    text, _, header, body = detached()
    (out.parent / "imgseal.toml").write_text(text)
    for number in range(70):
        (out / f"f{number:02}").write_bytes(bytes([body[0] ^ number + 1]) + body[1:])
    put(out, z=body, h1=header, h2=header, h3=header)
    opened: list[str] = []

    def count(path: str, what: str, limit: int, *, regular: bool) -> object:
        opened.append(os.path.basename(path))
        return open_input(path, what, limit, regular=regular)

    monkeypatch.setattr("imgseal.gate.payload.open_input", count)
    wanted = {**dict.fromkeys(("h1", "h2", "h3"), "good"), "z": "source"}
    assert outcomes(imgseal, "--fresh", "--jobs", "1") == wanted
    assert opened.count("f00") == opened.count("f69") == 1
    assert opened.count("z") == 4  # hashed once, and read by each header


@pytest.mark.parametrize("count", [40, 80])
def test_headers_without_payloads_read_their_folder_once(
    imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch, count: int
) -> None:
    """However many there are: thousands of files that look like headers do not cost the square of them."""
    text, _, header, _ = detached()
    (out.parent / "imgseal.toml").write_text(text)
    at = field("payload_size").offset
    for number in range(count):
        size = (4096 + number % 7).to_bytes(4, "little")
        (out / f"{number:03}.header.bin").write_bytes(header[:at] + size + header[at + 4 :])
    real, scanned = os.scandir, [0]

    def scandir(path: str) -> object:
        scanned[0] += 1
        return real(path)

    monkeypatch.setattr("imgseal.gate.payload.os.scandir", scandir)
    for run in (1, 2):  # a second run looks again
        assert len(outcomes(imgseal, "--fresh", "--jobs", "1")) == count
        assert scanned[0] == 2 * run  # to find the files, and to find payloads


# -- links, and files that are swapped -----------------------------------------------------------------------------


def test_a_link_that_leads_out_may_lead_somewhere_tomorrow(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    (out / "b").symlink_to("/nonexistent/app.hex")
    (out / "c").symlink_to("../not-yet")
    (out / "d").symlink_to("not-yet")
    assert outcomes(imgseal, "--fresh") == {"a": "good", "b": "gate.link-outside", "c": "gate.link-outside"}
    said = imgseal("gate", "out", "--fresh").out
    assert "found:    /nonexistent/app.hex" in said
    assert f"found:    {out.parent}/not-yet" in said


def test_a_link_that_is_given_is_followed(imgseal: Imgseal, out: Path) -> None:
    put(out, a=GOOD)
    (out.parent / "link").symlink_to("out/a")
    (out.parent / "folder").symlink_to("out")
    said = imgseal("gate", "link", "folder", "--fresh", "--every")
    assert said.status == 0
    assert "good: link " in said.out
    assert "good: folder/a " in said.out


SWAPS: dict[str, Callable[[Path], object]] = {
    "pipe": os.mkfifo,
    "link": lambda path: path.symlink_to("../other"),
    "folder": lambda path: path.mkdir(),
    "file": lambda path: path.write_bytes(GOOD),
}


@pytest.mark.parametrize("swap", SWAPS)
def test_a_file_that_is_swapped_is_refused(
    swap: str, imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without waiting for a pipe, and without following a link, even to a good image of the same size."""
    put(out, a=GOOD)
    (out.parent / "other").write_bytes(GOOD)

    def walk_before(paths: tuple[str, ...]) -> list[object]:
        tasks = list(discover(paths))
        (out / "a").rename(out.parent / "kept")  # so that the inode is not given away again
        SWAPS[swap](out / "a")
        return list(tasks)

    monkeypatch.setattr("imgseal.gate.command.discover", walk_before)
    assert outcomes(imgseal, "--fresh", "--jobs", "1") == {"a": "gate.changed"}


def test_a_file_that_is_written_again_is_refused(imgseal: Imgseal, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(out, a=GOOD)

    def walk_before(paths: tuple[str, ...]) -> list[object]:
        tasks = list(discover(paths))
        os.utime(out / "a", ns=(1, 1))
        return list(tasks)

    monkeypatch.setattr("imgseal.gate.command.discover", walk_before)
    assert outcomes(imgseal, "--fresh", "--jobs", "1") == {"a": "gate.changed"}


def test_other_machines_go_by_sizes(out: Path) -> None:
    from imgseal.gate.workers import _anywhere

    put(out, a=GOOD)
    (task,) = discover(("out",))
    assert isinstance(task, Task)
    assert task.seen is not None
    (sent,) = _anywhere((task,))
    assert sent == task._replace(path=str(out / "a"), seen=None)


# -- work without end ----------------------------------------------------------------------------------------------


def test_firmware_in_many_regions(imgseal: Imgseal, out: Path) -> None:
    """A walk over all of them for each would take minutes."""
    pieces = bytearray()
    for number in range(20_000):
        raw = bytes([1, (2 * number >> 8) & 0xFF, 2 * number & 0xFF, 0, 1])
        pieces += b":" + (raw + bytes([-sum(raw) & 0xFF])).hex().upper().encode() + b"\n"
    put(out, a__hex=bytes(pieces) + b":00000001FF\n", good=GOOD)
    assert outcomes(imgseal, "--fresh") == {"a.hex": "gate.not-sealed", "good": "good"}
