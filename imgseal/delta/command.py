"""`imgseal delta`: a look at the patch from one image to another, and the patch applied."""

from typing import TYPE_CHECKING

import click

from imgseal.errors import InputError, Place, UsageError
from imgseal.formats.delta.layout import IMAGE_BYTES, TABLE_ENTRIES

if TYPE_CHECKING:
    from imgseal.delta.look import Look
    from imgseal.formats.source.symbols import Symbol
    from imgseal.make.delta.encode import Patch
    from imgseal.make.delta.frame import Side


@click.command(
    "delta",
    epilog="""
\b
Examples:
  imgseal delta old/motor.img out/motor.img                sealed images
  imgseal delta old.elf new.elf --json                     firmware files; symbols say what made it large
  imgseal delta old.bin@0x20400 new.bin@0x70400 --symbols new.map
  imgseal delta old.img new.img --out motor.patch          keep it
  imgseal delta old.img --apply motor.patch --out new.img  and the image again
""",
)
@click.argument("old", metavar="OLD")
@click.argument("new", metavar="[NEW]", required=False)
@click.option("--out", metavar="FILE", help="Write the patch, or with --apply the new image.")
@click.option("--apply", "patch_file", metavar="PATCH", help="Apply a patch to OLD.")
@click.option("--symbols", metavar="FILE", help="ELF file or linker map of NEW; default NEW where it is an ELF file.")
@click.option(
    "--table",
    type=click.Choice([str(entries) for entries in TABLE_ENTRIES]),
    default="128",
    show_default=True,
    help="Entries that the device keeps of the shift table.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(
    old: str, new: str | None, out: str | None, patch_file: str | None, symbols: str | None, table: str, as_json: bool
) -> None:
    """Say how large a patch from OLD to NEW is, how long it takes, and what would make it smaller.

    OLD and NEW are sealed images, firmware files, or flat binaries as FILE@ADDRESS; without an address they are data.
    An OLD of "-" is none: then the patch is NEW, compressed. Nothing is verified: use check for that.
    """
    if (patch_file is None) == (new is None):
        raise UsageError(
            "give NEW, or a patch to apply",
            expected="imgseal delta OLD NEW, or imgseal delta OLD --apply PATCH --out NEW",
            found="both" if new else "neither",
            hint="see imgseal delta --help",
        )
    if new is None:
        assert patch_file is not None
        _apply(old, patch_file, out)
        return
    _make(old, new, out, symbols, int(table), as_json=as_json)


def _make(old: str, new: str, out: str | None, symbols: str | None, table: int, *, as_json: bool) -> None:
    from time import perf_counter

    from imgseal.delta.look import look
    from imgseal.make.delta.encode import encode
    from imgseal.make.delta.frame import Side, frame_of
    from imgseal.workspace.files import refuse_overlap, write_all
    from imgseal.workspace.staging import Output

    after = _side(new)
    before = Side(b"", after.base, after.code) if old == "-" else _side(old)
    if out:
        refuse_overlap([out], [_path(old), _path(new)])
        _refuse_other(out)
    began = perf_counter()
    patch = encode(before.data, after.data, frame_of(before, after), table)
    seconds = perf_counter() - began
    if out:
        write_all([Output(out, [patch.data])])
    seen = look(patch, after, _symbols(symbols, _path(new)))
    model = "data" if frame_of(before, after) is None else "code"
    if as_json:
        import json

        document = {
            "old": len(before.data),
            "new": len(after.data),
            "bytes": len(patch.data),
            "seconds": round(seconds, 3),
            "model": model,
            "table": patch.entries,
            "symbols": [{"name": name, "bytes": round(size, 1)} for name, size in seen.symbols],
            "advice": seen.advice,
        }
        click.echo(json.dumps(document, indent=2))
        return
    click.echo("\n".join(_lines(before, after, patch, seen, model, seconds)))


def _lines(before: "Side", after: "Side", patch: "Patch", seen: "Look", model: str, seconds: float) -> list[str]:
    from imgseal.delta.look import SHOWN
    from imgseal.errors import visible

    share = 100 * len(patch.data) / len(after.data)
    what = f"{len(patch.data)} bytes make {len(after.data)} of {len(before.data)} ({share:.1f} %), as {model}"
    lines = [
        f"{what}; {patch.entries} entries in the shift table; {seconds:.1f} s",
        f"  where   [{seen.picture}]",
    ]
    lines += [f"  {size:7.0f}  {visible(name)}" for name, size in seen.symbols[:SHOWN]]
    if len(seen.symbols) > SHOWN:
        lines.append(f"           and {len(seen.symbols) - SHOWN} more")
    return lines + [f"  smaller: {advice}" for advice in seen.advice]


def _apply(old: str, patch_file: str, out: str | None) -> None:
    from imgseal.check.patch import apply_patch, image_size
    from imgseal.workspace.files import read_bounded, refuse_overlap, write_all
    from imgseal.workspace.staging import Output

    if out is None:
        raise UsageError(
            "where does the new image go?", expected="--out FILE", found="none", hint="name the file with --out"
        )
    refuse_overlap([out], [_path(old), patch_file])
    patch = read_bounded(patch_file, "patch", 2 * IMAGE_BYTES)
    made = apply_patch(patch, b"" if old == "-" else _side(old).data, image_size(patch))
    if not isinstance(made, bytes):
        raise InputError(
            "this is no patch for that image",
            place=Place(file=patch_file, offset=made.offset),
            expected="a patch that imgseal delta made from the very image that it is applied to",
            found=f"{made.why}, after {made.image_offset} bytes of the new image",
            hint="give the image that the patch was made from; copy the patch again",
        )
    write_all([Output(out, [made])])


def _refuse_other(out: str) -> None:
    """UsageError where a patch would replace what is none, nor empty."""
    import os

    from imgseal.formats.delta.layout import PREAMBLE
    from imgseal.workspace.files import existing, open_input

    if os.path.isfile(out):
        with open_input(out, "patch", 2 * IMAGE_BYTES) as stream:
            head = stream.read(1)
        if head and head[0] not in PREAMBLE:
            raise existing(out)


def _path(argument: str) -> str:
    from imgseal.workspace.firmware import split_address

    return split_address(argument)[0]


def _symbols(path: str | None, new: str) -> "list[Symbol]":
    from imgseal.formats.source.symbols import read_symbols
    from imgseal.limits import FIRMWARE_BYTES
    from imgseal.workspace.files import open_input

    with open_input(path or new, "symbols", FIRMWARE_BYTES) as stream:
        if path is None and stream.read(4) != b"\x7fELF":
            return []
        stream.seek(0)
        return read_symbols(stream, path or new)


def _side(argument: str) -> "Side":
    """Read one of the two images."""
    from imgseal.check.judge import kind_of
    from imgseal.formats.sealed_image.codec import SealedFormatError, decode_header_block
    from imgseal.formats.sealed_image.layout import CODE, MAGIC
    from imgseal.limits import FIRMWARE_BYTES
    from imgseal.make.delta.frame import Side
    from imgseal.window import ByteView
    from imgseal.workspace.files import open_input
    from imgseal.workspace.firmware import load_image, split_address

    path, base = split_address(argument)
    with open_input(path, "image", FIRMWARE_BYTES) as stream:
        head = stream.read(8192)
        kind = kind_of(ByteView(head)) if base is None else None
        if kind not in (None, "sealed image"):
            raise InputError(
                "patches are made of images, one by one",
                place=Place(file=path),
                expected="a sealed image, a firmware file, or a flat binary",
                found=kind,
                hint="give the .sealed.bin files beside it; for all of a package: imgseal deliver",
            )
        if base is None and (head.startswith(MAGIC) or not _is_firmware(head, path)):
            side = Side(head + stream.read(IMAGE_BYTES + 1), None, code=False)
            if head.startswith(MAGIC):
                try:
                    statement = decode_header_block(head).statement
                except SealedFormatError:
                    return _bounded(side, path)
                attached = len(side.data) > statement.header_block
                base = statement.link_address - statement.header_block if attached else None
                side = Side(side.data, base, statement.kind == CODE)
            return _bounded(side, path)
    with load_image(path, base) as image:
        if image.end - image.lowest > IMAGE_BYTES:
            raise _too_large(path, image.end - image.lowest)
        return Side(b"".join(image.filled(image.lowest, image.end)), image.lowest, code=True)


def _is_firmware(head: bytes, path: str) -> bool:
    from imgseal.formats.source.detect import BINARY, detect

    return detect(head[:4096], path) != BINARY


def _bounded(side: "Side", path: str) -> "Side":
    if len(side.data) > IMAGE_BYTES:
        raise _too_large(path, len(side.data))
    return side


def _too_large(path: str, size: int) -> InputError:
    return InputError(
        "this image is larger than patches are made of",
        place=Place(file=path),
        expected=f"at most {IMAGE_BYTES} bytes",
        found=f"{size} bytes or more",
        hint="a HEX file with parts far apart counts from the first to the last byte; give the parts one by one",
    )
