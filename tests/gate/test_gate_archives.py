"""The gate and archives that are hostile, damaged or closed: bounded, never unpacked to disk, never passed over.

Sources: the bounds of limits.py; zip as CPython's zipfile writes it, APPNOTE 6.3 for the fields that are spoiled.
"""

import gzip
import io
import os
import struct
import tracemalloc
import zipfile
from pathlib import Path

import pytest
from gate_tree import as_elf, as_hex, as_tar, as_targz, as_zip, sealed, settings
from workshop import Imgseal, Said, tree, write_project

from imgseal.formats.archives.unpack import leads_out
from imgseal.product.starter import product_text

SPARE = as_hex(0x20400, bytes(range(200)))


@pytest.fixture
def out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder beside a product file without a log."""
    write_project(tmp_path, settings(product_text()).replace('[log]\npath = "release.log"\n', ""))
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "out"
    folder.mkdir()
    return folder


@pytest.fixture
def gate(imgseal: Imgseal, out: Path) -> "Gate":
    return Gate(imgseal, out)


class Gate:
    def __init__(self, imgseal: Imgseal, out: Path) -> None:
        self._imgseal = imgseal
        self.out = out

    def said(self, **files: bytes) -> Said:
        for name, data in files.items():
            (self.out / name.replace("__", ".")).write_bytes(data)
        before = tree(self.out.parent)
        said = self._imgseal("gate", "out", "--fresh", "--jobs", "1")
        assert tree(self.out.parent) == before
        return said

    def codes(self, **files: bytes) -> dict[str, list[str]]:
        """Refused artefact -> codes."""
        import json

        self.said(**files)
        document = json.loads(self._imgseal("gate", "out", "--fresh", "--jobs", "1", "--format", "json").out)
        return {
            each["artefact"].removeprefix("out/"): [finding["code"] for finding in each["findings"]]
            for each in document["artefacts"]
            if each["outcome"] == "refused"
        }


NESTED = {
    "zip": as_zip({"x/spare.hex": SPARE}),
    "tar": as_tar({"x/spare.hex": SPARE}),
    "tar.gz": as_targz({"x/spare.hex": SPARE}),
    "zip in tar.gz": as_targz({"x": as_zip({"spare.hex": SPARE})}),
    "tar.gz in zip": as_zip({"x": as_targz({"spare.hex": SPARE})}),
    "zip in zip": as_zip({"x": as_zip({"spare.hex": SPARE})}),
    "gz in zip": as_zip({"x/spare.hex": gzip.compress(SPARE)}),
    "zip in gz": gzip.compress(as_zip({"x/spare.hex": SPARE})),
    "gz in gz in tar": as_tar({"x/spare.hex": gzip.compress(gzip.compress(SPARE))}),
}


@pytest.mark.parametrize("case", list(NESTED))
def test_firmware_is_found_however_it_is_wrapped(case: str, gate: Gate) -> None:
    """The archive's own name says nothing: content does."""
    assert gate.codes(notes__txt=NESTED[case]) == {"notes.txt/x/spare.hex": ["gate.not-sealed"]}


def test_gzip_alone(gate: Gate) -> None:
    assert gate.codes(spare=gzip.compress(SPARE)) == {"spare": ["gate.not-sealed"]}


def test_good_images_in_archives_are_good(gate: Gate) -> None:
    said = gate.said(a=as_targz({"m.bin": sealed("phrases", b"words")}), b=as_zip({"m.raw": b"words"}))
    assert said.status == 0
    assert "1 good, 1 source, " in said.out


@pytest.mark.parametrize("wrap", [as_zip, as_tar])
@pytest.mark.parametrize(
    "name", ["../../etc/x.hex", "/etc/x.hex", "a/../x.hex", "..\\x.hex", "C:x.hex", "a\nb.hex", "\\\\host\\x.hex"]
)
def test_names_that_lead_out(name: str, wrap: object, gate: Gate) -> None:
    """Refused by name; nothing is read or written there, and the rest is looked at."""
    assert callable(wrap)
    codes = gate.codes(a=wrap({name: SPARE, "b.hex": SPARE}))
    assert codes.pop("a/b.hex") == ["gate.not-sealed"]
    assert list(codes.values()) == [["gate.archive-path"]]
    assert not any("\n" in key for key in codes)


@pytest.mark.parametrize(
    ("path", "link", "out"),
    [
        ("a", False, False),
        ("a/b..c", False, False),
        ("./a", False, False),
        ("a/../b", False, True),
        ("a/../b", True, False),
        ("a/../../b", True, True),
        ("", False, True),
        ("/", False, True),
        ("d:", False, True),
        ("..", True, True),
    ],
)
def test_what_leads_out(path: str, link: bool, out: bool) -> None:
    assert leads_out(path, link=link) is out


def linked(target: str, kind: bytes) -> bytes:
    import tarfile

    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w") as archive:
        info = tarfile.TarInfo("folder/link.hex")
        info.type, info.linkname = kind, target
        archive.addfile(info)
    return stream.getvalue()


def zip_link(target: str, name: str = "folder/link.hex") -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        info = zipfile.ZipInfo(name)
        info.external_attr = 0o120777 << 16
        archive.writestr(info, target)
    return stream.getvalue()


@pytest.mark.parametrize("target", ["../../spare.hex", "/etc/passwd"])
def test_links_in_archives(target: str, gate: Gate) -> None:
    codes = gate.codes(s=linked(target, b"2"), h=linked(target, b"1"), z=zip_link(target))
    names = ("h/folder/link.hex", "s/folder/link.hex", "z/folder/link.hex")
    assert codes == {name: ["gate.archive-path"] for name in names}


def test_links_that_stay_inside_hold_nothing(gate: Gate) -> None:
    codes = gate.codes(s=linked("../spare.hex", b"2"), h=linked("folder/x", b"1"), z=zip_link("../b"))
    assert codes == {}


def test_the_target_of_a_link_is_no_flat_binary_whatever_its_name(gate: Gate) -> None:
    target = "../" + "b" * 64
    assert gate.codes(z=zip_link(target, "folder/link.raw")) == {}
    assert gate.codes(z=as_zip({"folder/link.raw": target.encode()})) == {"z/folder/link.raw": ["gate.not-sealed"]}


def test_a_folder_is_no_flat_binary_whatever_its_name(gate: Gate) -> None:
    """Zip archives have members for folders: a name that ends with a slash, and no bytes. With bytes it is a file to some."""
    assert gate.codes(z=as_zip({"folder.raw/": b""})) == {}
    assert gate.codes(z=as_zip({"folder.raw/": b"words"})) == {"z/folder.raw": ["gate.not-sealed"]}


def test_a_bomb_stops_at_its_bound(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """200 MiB of erased flash in 200 KB, with firmware in front of it; memory stays small."""
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_BYTES", 8 << 20)
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_RATIO", 2)
    bomb = as_targz({"a.hex": SPARE, "big": b"\xff" * (200 << 20), "z.hex": SPARE})
    (gate.out / "bomb").write_bytes(bomb)
    del bomb
    tracemalloc.start()
    codes = gate.codes()
    assert tracemalloc.get_traced_memory()[1] < 32 << 20
    tracemalloc.stop()
    assert codes == {"bomb/a.hex": ["gate.not-sealed"], "bomb": ["gate.archive-limits"]}


def test_a_bomb_of_many_members(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_MEMBERS", 20)
    many = as_zip({f"{n}": b"x" for n in range(15)})
    codes = gate.codes(once=many, twice=as_tar({"a": many, "b": many}))
    assert codes == {"twice": ["gate.archive-limits"]}


def test_a_bomb_of_one_member_many_times(gate: Gate) -> None:
    """Entries of a zip that share their bytes."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("0.txt", bytes(150_000))
        first = archive.infolist()[0]
        for _ in range(50):
            archive.filelist.append(first)
    assert gate.codes(a=stream.getvalue()) == {"a": ["gate.archive-unreadable"]}


@pytest.mark.parametrize("wrap", [lambda d: as_zip({"x": d}), gzip.compress, lambda d: as_tar({"x": d})])
def test_nesting_ends_somewhere(wrap: object, gate: Gate) -> None:
    assert callable(wrap)
    data = as_zip({"spare.hex": SPARE})
    for _ in range(3):
        data = wrap(data)
    assert list(gate.codes(a=data).values()) == [["gate.not-sealed"]]
    assert gate.codes(a=wrap(data)) == {"a": ["gate.archive-limits"]}


def test_a_directory_is_bounded_in_bytes_and_members(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before anything is made of it; what the end record says of the number does not matter."""
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_DIRECTORY", 10_000)
    many = as_zip({f"{n:010}": b"" for n in range(200)})
    assert gate.codes(a=many) == {"a": ["gate.archive-limits"]}
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_DIRECTORY", 1 << 20)
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_MEMBERS", 100)
    assert gate.codes(a=many) == {"a": ["gate.archive-limits"]}
    assert gate.codes(a=many[:-14] + b"\1\0\1\0" + many[-10:]) == {"a": ["gate.archive-limits"]}


ZIP, TARGZ = as_zip({"a.hex": SPARE, "b.hex": SPARE}), as_targz({"a.hex": SPARE, "b.hex": SPARE})


@pytest.mark.parametrize("data", [ZIP, TARGZ, as_tar({"a.hex": SPARE, "b.hex": SPARE})])
def test_whatever_is_cut_off_is_refused(data: bytes, gate: Gate) -> None:
    """At every twentieth byte, up to the zeros at the end of a tar archive, of which two blocks have to be there."""
    for size in range(600, len(data.rstrip(b"\0")) + 500, max(1, len(data) // 20)):
        if size >= len(data):
            break
        codes = gate.codes(a=data[:size])
        assert "gate.archive-unreadable" in [code for each in codes.values() for code in each], size


def test_random_damage_never_ends_the_run(gate: Gate) -> None:
    import random

    rng = random.Random(4)
    for data in (ZIP, TARGZ, as_targz({"x": ZIP})):
        for _ in range(60):
            spoiled = bytearray(data)
            for _ in range(3):
                spoiled[rng.randrange(len(spoiled))] = rng.randrange(256)
            said = gate.said(a=bytes(spoiled), good=sealed("phrases", b"words"))
            assert said.status in (0, 1), said.err


@pytest.mark.parametrize("flag", [1 << 0, 1 << 6, 1 << 13], ids=["encrypted", "strongly", "with its header"])
def test_encrypted_members_are_not_passed_over(gate: Gate, flag: int) -> None:
    """Any of the three bits that say so, alone: APPNOTE.TXT 4.4.4."""
    data = bytearray(as_zip({"a.hex": SPARE}))
    for at in (6, data.rfind(b"PK\x01\x02") + 8):
        struct.pack_into("<H", data, at, struct.unpack_from("<H", data, at)[0] | flag)
    said = gate.said(a=bytes(data))
    assert "refused: out/a/a.hex (archive member)\n  gate.archive-unreadable" in said.out
    assert "it is encrypted" in said.out


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_members_in_other_compressions(method: int, gate: Gate) -> None:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        archive.writestr("a.hex", SPARE)
    assert gate.codes(a=stream.getvalue()) == {"a/a.hex": ["gate.archive-unsupported"]}


def test_archives_that_are_not_opened_are_refused(gate: Gate) -> None:
    import bz2
    import lzma

    codes = gate.codes(
        a__xz=lzma.compress(SPARE),
        b__bz2=bz2.compress(SPARE),
        c__zst=b"\x28\xb5\x2f\xfd" + bytes(20),
        d__7z=b"7z\xbc\xaf\x27\x1c" + bytes(20),
        e__zip=as_zip({"inner.xz": lzma.compress(SPARE)}),
    )
    assert set(codes) == {"a.xz", "b.bz2", "c.zst", "d.7z", "e.zip/inner.xz"}
    assert {code for each in codes.values() for code in each} == {"gate.archive-unsupported"}


def test_names_in_no_encoding(gate: Gate) -> None:
    """A name of bytes that are no text, on disk and in a tar archive."""
    (gate.out / os.fsdecode(b"\xff\xfe.hex")).write_bytes(SPARE)
    codes = gate.codes(a=as_tar({os.fsdecode(b"x\xff.hex"): SPARE}))
    assert codes == {"\\xff\\xfe.hex": ["gate.not-sealed"], "a/x\\xff.hex": ["gate.not-sealed"]}


# -- what is said twice, and what lies where few readers look --------------------------------------------------------


def zipped(name: str, data: bytes, *, method: int = zipfile.ZIP_DEFLATED, mode: int = 0, comment: bytes = b"") -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        info = zipfile.ZipInfo(name)
        info.compress_type = method
        info.external_attr = mode << 16
        info.comment = comment
        archive.writestr(info, data)
    return stream.getvalue()


def cut(data: bytes, at: int, value: bytes) -> bytes:
    return data[:at] + value + data[at + len(value) :]


NOTE = as_zip({"note.txt": b"hello"})
HIDDEN = as_zip({"spare.hex": SPARE})
CENTRAL = HIDDEN.rfind(b"PK\x01\x02")

TWO_MEANINGS = {
    "size and CRC 0 in the directory": (
        cut(cut(HIDDEN, CENTRAL + 16, bytes(4)), CENTRAL + 24, bytes(4)),
        {"a/spare.hex": ["gate.archive-unreadable"]},
    ),
    "two archives": (HIDDEN + NOTE, {"a": ["gate.archive-unreadable"]}),
    "a member that the directory does not have": (HIDDEN[:CENTRAL] + NOTE, {"a": ["gate.archive-unreadable"]}),
    "behind the end": (NOTE + SPARE, {"a": ["gate.archive-unreadable"]}),
    "in the comment": (NOTE[:-2] + struct.pack("<H", len(SPARE)) + SPARE, {"a/(comment)": ["gate.not-sealed"]}),
    "in a member's comment": (zipped("a", b"", comment=SPARE), {"a/(comment 1)": ["gate.not-sealed"]}),
    "a folder with content": (
        HIDDEN.replace(b"spare.hex", b"spare.he/"),
        {"a/spare.he": ["gate.not-sealed"]},
    ),
    "a long link": (zipped("a", b" " * 4096 + SPARE, mode=0o120777), {"a/a": ["gate.archive-unreadable"]}),
    "a link that some unpack as a file": (
        zipped("a", b"S30900020400DEADBEEFB8", mode=0o120777),
        {"a/a": ["gate.unreadable"]},
    ),
    "behind a script": (b"#!/bin/sh\n" + zipped("s.hex", SPARE), {"a/s.hex": ["gate.not-sealed"]}),
    "behind four bytes": (b"PK00" + zipped("s.hex", SPARE), {"a/s.hex": ["gate.not-sealed"]}),
    "behind a program": (
        as_elf(0x400000, b"x" * 600, machine=62) + zipped("s.hex", SPARE),
        {"a/s.hex": ["gate.not-sealed"]},
    ),
    "behind a script in an archive": (
        as_targz({"x": b"#!/bin/sh\n" + zipped("s.hex", SPARE)}),
        {"a/x/s.hex": ["gate.not-sealed"]},
    ),
    "behind much in an archive": (
        as_targz({"x": b"x" * (9 << 20) + zipped("s.hex", SPARE)}),
        {"a/x": ["gate.archive-unsupported"]},
    ),
}


@pytest.mark.parametrize("case", list(TWO_MEANINGS))
def test_archives_with_two_meanings(case: str, gate: Gate) -> None:
    data, codes = TWO_MEANINGS[case]
    assert gate.codes(a=data) == codes


def test_plain_comments_and_programs_are_no_reason_to_refuse(gate: Gate) -> None:
    comment = b"made on a Monday"
    codes = gate.codes(
        good=sealed("phrases", b"words"),
        a=NOTE[:-2] + struct.pack("<H", len(comment)) + comment,
        b=b"#!/bin/sh\n" + NOTE,
        c=as_elf(0x400000, b"x" * 600, machine=62),
        d=zipped("folder/", b""),
    )
    assert codes == {}


def tarred(name: str, data: bytes = b"", kind: bytes = b"0") -> bytes:
    """One member whose name the standard library would not write so."""
    import tarfile

    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w") as archive:
        info = tarfile.TarInfo("n" * len(name))
        info.type, info.size = kind, len(data)
        archive.addfile(info, io.BytesIO(data))
    block = bytearray(stream.getvalue()[:512])
    block[: len(name)] = name.encode()
    block[len(name)] = 0
    block[148:156] = b" " * 8
    block[148:156] = b"%06o\0 " % sum(block)
    return bytes(block) + stream.getvalue()[512:]


def test_a_folder_of_a_tar_archive_is_empty(gate: Gate) -> None:
    codes = gate.codes(a=tarred("spare.hex/", SPARE), b=tarred("spare.hex/"))
    assert codes == {"a/spare.hex": ["gate.not-sealed"]}


@pytest.mark.parametrize(
    "data",
    [
        zipped("../../evil/", b""),
        tarred("../../evil", kind=b"5"),
        tarred("/etc/x", kind=b"6"),
        tarred("/dev/x", kind=b"3"),
        gzip.compress(tarred("../../evil/", kind=b"5")),
    ],
    ids=["zip", "folder", "pipe", "device", "tar.gz"],
)
def test_names_of_folders_and_devices_that_lead_out(data: bytes, gate: Gate) -> None:
    assert list(gate.codes(a=data).values()) == [["gate.archive-path"]]


def test_names_that_only_some_readers_see(gate: Gate) -> None:
    """Info-ZIP's field for names in Unicode."""
    field = struct.pack("<HHBL", 0x7075, 5 + 8, 1, 0xE8B7BE43) + b"../../ev"
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        info = zipfile.ZipInfo("a")
        info.extra = field
        archive.writestr(info, b"")
    assert list(gate.codes(a=stream.getvalue()).values()) == [["gate.archive-path"]]


# -- damage behind the first bytes -------------------------------------------------------------------------------------

WORDS = b"words " * 20_000
SPOILED = bytearray(as_zip({"n.txt": WORDS}))
SPOILED[9000] ^= 1


@pytest.mark.parametrize(
    ("data", "name"),
    [
        (gzip.compress(WORDS)[:-9], "a"),
        (gzip.compress(WORDS) + SPARE, "a"),
        (gzip.compress(WORDS) + b"\0" + SPARE, "a"),
        (bytes(SPOILED), "a/n.txt"),
        (as_zip({"n.gz": gzip.compress(WORDS)[:-9]}), "a/n.gz"),
        (cut(as_targz({"n.hex": SPARE}), 20, b"\0\0"), "a"),
        (cut(gzip.compress(as_tar({"n.hex": WORDS + SPARE}), 0), 20, b"x"), "a"),
    ],
)
def test_what_is_no_firmware_is_read_to_its_end(data: bytes, name: str, gate: Gate) -> None:
    """Text in front of the damage: what lies behind it cannot be known."""
    assert gate.codes(a=data, good=sealed("phrases", b"words")) == {name: ["gate.archive-unreadable"]}


def test_damage_says_where_and_what_to_do(gate: Gate) -> None:
    said = gate.said(a=NOTE + b"x")
    assert f"where:    offset {len(NOTE) + 1}" in said.out
    assert "no end record that fits" in said.out
    assert "hint:     make the archive again" in said.out


# -- limits --------------------------------------------------------------------------------------------------------


def test_bytes_are_paid_for_once(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a compressed tar archive holds comes out of gzip once, and is not paid for again as members."""
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_BYTES", 5 << 20)
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_RATIO", 1)
    for size, names in ((2 << 20, ["a/x.raw", "a/y.raw"]), (3 << 20, ["a/x.raw", "a"])):
        assert list(gate.codes(a=as_targz({"x.raw": bytes(size), "y.raw": bytes(size)}))) == names


def test_skipped_bytes_are_paid_for(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of holes is no larger for it than it is on disk."""
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_BYTES", 1 << 20)
    data = as_tar({"a.raw": bytes(100 << 20)})
    with (gate.out / "a").open("wb") as file:
        file.write(data[:512])
        file.truncate(len(data))
    if (gate.out / "a").stat().st_blocks * 512 * 100 > len(data):
        pytest.skip("this file system has no holes")
    assert gate.codes() == {"a": ["gate.archive-limits"]}


def test_headers_of_members_count(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """Long names are members of their own; so are the parts of a gzip file, whatever they hold."""
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_MEMBERS", 20)
    names = {"d" * 120 + f"{n}": b"" for n in range(11)}
    assert gate.codes(
        a=as_tar(names), b=gzip.compress(b"") * 30, c=tarred("d", kind=b"5")[:512] * 30 + bytes(1024)
    ) == {
        "a": ["gate.archive-limits"],
        "b": ["gate.archive-limits"],
        "c": ["gate.archive-limits"],
    }


def header_for(size: int, digest: bytes) -> bytes:
    """A detached header that nobody has signed, for a payload of this size."""
    from imgseal.formats.sealed_image.layout import FLAG_DETACHED, field

    header = bytearray(sealed("phrases", b"words", flags=FLAG_DETACHED)[:-5])
    for name, value in (
        ("payload_size", size.to_bytes(field("payload_size").size, "little")),
        ("payload_digest", digest),
    ):
        at = field(name).offset
        header[at : at + len(value)] = value
    return bytes(header)


def test_what_a_header_claims_is_not_held(gate: Gate) -> None:
    """Members of the right size are hashed in pieces."""
    from imgseal.formats.sealed_image.codec import decode_header_block

    size = 64 << 20
    header = header_for(size, bytes(32))
    assert decode_header_block(header).statement.detached
    data = as_targz({"h": header, "p": bytes(size)})
    tracemalloc.start()
    codes = gate.codes(a=data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert list(codes) == ["a/h"]
    assert peak < 48 << 20


def test_payloads_are_paid_for_once_a_header(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many headers that name one payload would have it judged as often."""
    import hashlib

    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_BYTES", 4 << 20)
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_RATIO", 1)
    payload = bytes(1 << 20)
    header = header_for(len(payload), hashlib.sha256(payload).digest())
    files = {f"h{n}": header for n in range(8)}
    assert "a" not in gate.codes(a=as_targz({"p": payload, **dict(list(files.items())[:3])}))
    assert gate.codes(a=as_targz({"p": payload, **files}))["a"] == ["gate.archive-limits"]


def test_a_second_reading_has_a_budget_of_its_own(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_BYTES", 4 << 20)
    monkeypatch.setattr("imgseal.formats.archives.unpack.ARCHIVE_RATIO", 1)
    codes = gate.codes(a=as_targz({"h": header_for(7, bytes(32)), "p": bytes(3 << 20)}))
    assert list(codes) == ["a/h"]


def test_a_zip_behind_something_else_is_looked_into_up_to_a_size(gate: Gate) -> None:
    """docs/gate.md: inside another archive up to 8 MiB, above that it is refused."""
    packed = as_zip({"a.hex": SPARE})
    for size, code in ((8 << 20, "gate.not-sealed"), ((8 << 20) + 1, "gate.archive-unsupported")):
        found = gate.codes(a__tar=as_tar({"x": b"#" * (size - len(packed)) + packed}))
        assert list(found.values()) == [[code]], found


def test_a_flat_binary_in_gzip_is_one(gate: Gate) -> None:
    """The pattern names the file on disk: what is packed in it is not passed over."""
    codes = gate.codes(b__raw=gzip.compress(b"words" * 40))
    assert list(codes.values()) == [["gate.not-sealed"]]
