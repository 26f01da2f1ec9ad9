"""Firmware files -> memory images: Intel HEX, Motorola S-records, ELF, flat binary."""

from typing import BinaryIO

from imgseal.errors import Place, UsageError
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.store import ByteStore
from imgseal.formats.source.detect import BINARY, ELF, HEAD_BYTES, INTEL_HEX, KINDS, S_RECORD, detect


def read(
    stream: BinaryIO,
    *,
    name: str,
    kind: str | None = None,
    base: int | None = None,
    store: ByteStore | None = None,
    aside: bytearray | None = None,
    after_end: str = "refuse",
) -> MemoryImage:
    """Read a firmware file from a stream that can be positioned.

    The kind is detected from the bytes unless `kind` says it: one of KINDS. `base` is the address of a flat binary and
    wrong for the others, which have their own. `store` is where the data goes, memory by default. Raises InputError for
    what cannot be read, UsageError for an address that is missing or too much, and for an unknown `kind`.

    With `aside` a file has to be firmware and nothing else: what S0 records say is added to it, and anything behind the
    end of the firmware is refused, where blanks and zeros are nothing. `after_end` "ignore" leaves records behind the
    end record of Intel HEX out, with a note: some tools append symbols there.
    """
    if kind is None:
        head = stream.read(HEAD_BYTES)
        stream.seek(0)
        kind = detect(head, name)
    _refuse_misfit(kind, base, name)
    # each reader is imported when it is needed: start-up time is a feature
    if kind == INTEL_HEX:
        from imgseal.formats.source.intel_hex import read_intel_hex  # noqa: PLC0415

        return read_intel_hex(stream, name, store, aside, after_end=after_end)
    if kind == S_RECORD:
        from imgseal.formats.source.s_record import read_s_records  # noqa: PLC0415

        return read_s_records(stream, name, store, aside)
    if kind == ELF:
        from imgseal.formats.source.elf import read_elf  # noqa: PLC0415

        return read_elf(stream, name, store, alone=aside is not None)
    from imgseal.formats.source.raw import read_raw  # noqa: PLC0415

    assert base is not None
    return read_raw(stream, name, base, store)


def _refuse_misfit(kind: str, base: int | None, name: str) -> None:
    """Refuse a kind that there is not, and an address that is missing or too much."""
    if kind not in KINDS:
        raise UsageError(
            "no such kind of firmware file",
            expected=", ".join(KINDS),
            found=kind,
            hint="leave the kind out: it is detected from the bytes",
        )
    if kind == BINARY and base is None:
        raise UsageError(
            "a flat binary does not say where it belongs",
            place=Place(file=name),
            expected="an address behind the file name: FILE@ADDRESS",
            found="no address",
            hint=f"give it on the command line, for example {name}@0x60000; HEX, S-record and ELF files have their own",
        )
    if kind != BINARY and base is not None:
        raise UsageError(
            "this file has its own addresses",
            place=Place(file=name),
            expected="no address behind the name",
            found=f"@0x{base:x}, and a file of kind {kind}",
            hint="leave the address out; to move firmware, link it again",
        )
