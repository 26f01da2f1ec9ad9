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
from gate_tree import as_hex, as_tar, as_targz, as_zip, sealed, settings
from workshop import Imgseal, Said, tree, write_project

from imgseal.cli.unpack import leads_out
from imgseal.demo.scenario import product_text

SPARE = as_hex(0x20400, bytes(range(200)))


@pytest.fixture
def out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder beside a product file without a log."""
    write_project(tmp_path, settings(product_text()).replace('[ledger]\npath = "release.log"\n', ""))
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


def zip_link(target: str) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        info = zipfile.ZipInfo("folder/link.hex")
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


def test_a_bomb_stops_at_its_bound(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """200 MiB of erased flash in 200 KB, with firmware in front of it; memory stays small."""
    monkeypatch.setattr("imgseal.cli.unpack.ARCHIVE_BYTES", 8 << 20)
    monkeypatch.setattr("imgseal.cli.unpack.ARCHIVE_RATIO", 2)
    bomb = as_targz({"a.hex": SPARE, "big": b"\xff" * (200 << 20), "z.hex": SPARE})
    (gate.out / "bomb").write_bytes(bomb)
    del bomb
    tracemalloc.start()
    codes = gate.codes()
    assert tracemalloc.get_traced_memory()[1] < 32 << 20
    tracemalloc.stop()
    assert codes == {"bomb/a.hex": ["gate.not-sealed"], "bomb": ["gate.archive-limits"]}


def test_a_bomb_of_many_members(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgseal.cli.unpack.ARCHIVE_MEMBERS", 20)
    many = as_zip({f"{n}": b"x" for n in range(15)})
    codes = gate.codes(once=many, twice=as_tar({"a": many, "b": many}))
    assert codes == {"twice": ["gate.archive-limits"]}


def test_a_bomb_of_one_member_many_times(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    """Entries of a zip that share their bytes: each is paid for when it is read."""
    monkeypatch.setattr("imgseal.cli.unpack.ARCHIVE_BYTES", 1 << 20)
    monkeypatch.setattr("imgseal.cli.unpack.ARCHIVE_RATIO", 1)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("0.hex", as_hex(0x20400, bytes(150_000)))
        first = archive.infolist()[0]
        for _ in range(50):
            archive.filelist.append(first)
    assert gate.codes(a=stream.getvalue())["a"] == ["gate.archive-limits"]


@pytest.mark.parametrize("wrap", [lambda d: as_zip({"x": d}), gzip.compress, lambda d: as_tar({"x": d})])
def test_nesting_ends_somewhere(wrap: object, gate: Gate) -> None:
    assert callable(wrap)
    data = as_zip({"spare.hex": SPARE})
    for _ in range(3):
        data = wrap(data)
    assert list(gate.codes(a=data).values()) == [["gate.not-sealed"]]
    assert gate.codes(a=wrap(data)) == {"a": ["gate.archive-limits"]}


def test_a_directory_of_gigabytes_is_not_read(gate: Gate) -> None:
    """The end record says 2 GiB; zip64 says the same in its own record."""
    data = bytearray(as_zip({"a": b"a"}))
    at = data.rfind(b"PK\x05\x06")
    data[at + 12 : at + 16] = struct.pack("<I", 1 << 31)
    assert gate.codes(a=bytes(data)) == {"a": ["gate.archive-limits"]}
    end64 = struct.pack("<4sQHHIIQQQQ", b"PK\x06\x06", 44, 45, 45, 0, 0, 1, 1, 1 << 31, 0)
    locator = struct.pack("<4sIQI", b"PK\x06\x07", 0, at, 1)
    data[at + 12 : at + 16] = b"\xff" * 4
    assert gate.codes(a=bytes(data[:at]) + end64 + locator + bytes(data[at:])) == {"a": ["gate.archive-limits"]}


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


def test_encrypted_members_are_not_passed_over(gate: Gate) -> None:
    data = bytearray(as_zip({"a.hex": SPARE}))
    data[6] |= 1
    data[data.rfind(b"PK\x01\x02") + 8] |= 1
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
