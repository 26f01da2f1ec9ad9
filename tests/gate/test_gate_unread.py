"""One firmware image in every form that the installed srec_cat and objcopy write, and the gate's answer to each.

The forms are asked of the tools: every option of libsrecord that makes srec_cat write a file, every target that `objcopy --info` lists. What passes
is listed here, each with the argument that docs/gate.md has; everything else is refused.
"""

import random
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from test_gate_rules import NO_LOG, out, outcomes
from workshop import Imgseal

from imgseal.formats.source.recognise import firmware_kind

__all__ = ["NO_LOG", "out"]

SOURCE_TEXT = "source text: a compiler has to make firmware of it first"
LISTING = "a listing for people, which no programmer reads"
FLAT = "bytes without a mark or a check sum: a flat binary, for which [gate] raw is there"
NUMBERS = "a column of numbers: without its header it is no file of this form"
OBJECT = "not linked: object files lie in every build"
DESKTOP = "PE and COFF, programs of other computers"
PASSES = {
    "-ASseMbler": SOURCE_TEXT, "-BAsic": SOURCE_TEXT, "-C_Array": SOURCE_TEXT, "-VHdl": SOURCE_TEXT,
    "-DISable=HEAder-MEM": NUMBERS, "-DISable=HEAder-Lattice_Memory_Initialization_Format": NUMBERS,
    "-HEXadecimal_Dump": LISTING, "-BINary": FLAT, "-RAw": FLAT, "-TRS80": FLAT,
}  # fmt: skip
LOOKS = {
    "-Prom_Pogrammer_heXadecimal": "PPX", "-Prom_Pogrammer_Binary": "PPB", "-SIGnetics": "Signetics hex", "-SPAsm": "SPASM", "-SPEctrum": "ASCII hex",
    "-VMem": "Verilog hex, VMEM or TI text", "-Texas_Instruments_TeXT": "Verilog hex, VMEM or TI text", "-Tektronix": "Tektronix hex",
    "-Tektronix_EXtended": "extended Tektronix hex", "-Memory_Initialization_File": "memory initialization file", "-WILson": "Wilson",
    "-Four_Packed_Code": "four packed code", "-Fast_Load": "LSI Logic Fast Load", "-MOS_Technologies": "MOS Technology hex", "-MsBin": "Windows CE image",
    "-Dec_Binary": "DEC binary", "-Absolute_Object_Module_Format": "Intel absolute object module", "-FAIrchild": "Fairchild Fairbug",
}  # fmt: skip
"""What some are called; the other names are nobody's business but the reader's."""


def srec_cat(tool: Callable[[str], str], path: Path, body: Path, name: str, *ways: str) -> bool:
    """Write a file in a form; what is no form, or cannot hold this image, leaves none."""
    command = [tool("srec_cat"), str(body), "-binary", *ways, "-o", str(path), name]
    done = subprocess.run(command, capture_output=True, check=False, stdin=subprocess.DEVNULL)
    return there(path, done)


def there(path: Path, done: "subprocess.CompletedProcess[bytes]") -> bool:
    if done.returncode or not path.is_file() or not path.stat().st_size:
        path.unlink(missing_ok=True)
        return False
    return True


def srec_cat_forms(tool: Callable[[str], str]) -> list[str]:
    linked = subprocess.run([tool("ldd"), tool("srec_cat")], capture_output=True, check=True, text=True).stdout
    library = re.search(r"libsrecord\.so\S* => (\S+)", linked)
    assert library
    return sorted({name.decode() for name in re.findall(rb"\0(-[A-Za-z]\w+)(?=\0)", Path(library[1]).read_bytes())})


def is_refused(path: str, said: dict[str, str]) -> bool:
    return said.get(path, "passed over") in ("gate.unreadable", "gate.not-sealed", "gate.archive-unreadable")


def test_every_form_of_srec_cat(imgseal: Imgseal, out: Path, tool: Callable[[str], str]) -> None:
    files: dict[str, str] = {}
    names = srec_cat_forms(tool)
    body = out.parent / "body.bin"
    for size, address in ((704, 0x400), (9000, 0), (64, 0x20000)):
        body.write_bytes(random.Random(size).randbytes(size))
        for name in names:
            for way in ("", "-DISable=HEAder", "-CRLF"):
                path = out / f"{size}{way}{name}"
                if srec_cat(tool, path, body, name, "-offset", hex(address), *filter(None, [way])):
                    files[path.name] = name
    said = outcomes(imgseal, "--fresh")
    passed = {path for path in files if not is_refused(path, said)}
    print(
        f"{len(set(files.values()))} forms, {len(files)} files: {len(files) - len(passed)} refused, {len(passed)} passed over"
    )
    assert len(set(files.values())) >= 60
    assert (
        sorted(passed ^ {path for path, name in files.items() if name in PASSES or path.lstrip("0123456789") in PASSES})
        == []
    )
    for name, look in LOOKS.items():
        assert look in {firmware_kind((out / path).read_bytes()[:4096]) for path in files if files[path] == name}, name


TARGETS = ("objcopy", "arm-none-eabi-objcopy")


@pytest.mark.parametrize("program", TARGETS)
def test_every_target_of_objcopy(program: str, imgseal: Imgseal, out: Path, tool: Callable[[str], str]) -> None:
    """From a flat binary, and from a linked program for a Cortex-M."""
    info = subprocess.run([tool(program), "--info"], capture_output=True, check=True, text=True).stdout
    targets = re.findall(r"^(\S+)\n \(header", info, re.MULTILINE)
    source = out.parent / "a.c"
    source.write_text("const unsigned vectors[64] = {0x20002000, 0x20441};\nint main(void) { return vectors[1]; }\n")
    linked = out.parent / "a.elf"
    compiler = [
        tool("arm-none-eabi-gcc"),
        "-mcpu=cortex-m4",
        "-mthumb",
        "-nostdlib",
        "-Wl,-Ttext=0x20400",
        "-Wl,-emain",
        "-Wl,--build-id=none",
    ]
    subprocess.run([*compiler, source, "-o", linked], check=True)
    body = out.parent / "body.bin"
    body.write_bytes(random.Random(1).randbytes(704))
    expected = {}
    for target in targets:
        for form, given in (("binary", body), ("elf32-little", linked)):
            for width in ("1", "2", "4", "8") if target == "verilog" and program == TARGETS[1] else ("1",):
                name = f"{target}-{form}-{width}"
                command = [
                    tool(program),
                    "-I",
                    form,
                    "-O",
                    target,
                    "--change-addresses",
                    "0x20000",
                    f"--verilog-data-width={width}",
                ]
                if target != "verilog":
                    command.pop()
                done = subprocess.run([*command, given, out / name], capture_output=True, check=False)
                if there(out / name, done):
                    expected[name] = why(target, form)
    said = outcomes(imgseal, "--fresh")
    passed = {name for name in expected if not is_refused(name, said)}
    print(
        f"{len(expected)} files of {len(targets)} targets: {len(expected) - len(passed)} refused, {len(passed)} passed over"
    )
    assert passed == {name for name, reason in expected.items() if reason}
    assert {"srec-binary-1", "symbolsrec-binary-1", "verilog-binary-1", "tekhex-binary-1", "ihex-binary-1"} <= set(
        expected
    )
    assert {"elf32-little-elf32-little-1", "verilog-elf32-little-1"} <= set(expected)


def why(target: str, form: str) -> str:
    """The argument for what passes; none for what is refused."""
    if target == "binary":
        return FLAT
    if target.startswith("pe"):
        return DESKTOP
    return OBJECT if target.startswith("elf") and form == "binary" else ""


def test_a_form_is_found_behind_any_comment(imgseal: Imgseal, out: Path, tool: Callable[[str], str]) -> None:
    """As comments of the form or not: what reads such a file looks for the next address."""
    body = out.parent / "body.bin"
    body.write_bytes(random.Random(2).randbytes(300))
    for name in (
        "-VMem",
        "-Tektronix",
        "-Tektronix_EXtended",
        "-Texas_Instruments_TeXT",
        "-MOS_Technologies",
        "-Intel",
        "-Motorola",
    ):
        path = out.parent / "x"
        assert srec_cat(tool, path, body, name)
        for size in (5_000, 3_000_000):
            (out / f"{size}{name}").write_bytes(b"// made on Monday, by hand\n" * (size // 27) + path.read_bytes())
    said = outcomes(imgseal, "--fresh")
    assert {path.name for path in out.iterdir() if said.get(path.name) != "gate.unreadable"} == set()
