"""A flat binary at a stated address."""

from typing import BinaryIO

from imgseal.errors import InputError, Place
from imgseal.formats.memory.builder import ImageBuilder
from imgseal.formats.memory.image import MemoryImage
from imgseal.formats.memory.store import ByteStore
from imgseal.limits import CHUNK


def read_raw(stream: BinaryIO, name: str, base: int, store: ByteStore | None = None) -> MemoryImage:
    """Read all bytes of a stream as data from address `base`; InputError for an empty file and past 2**32."""
    builder = ImageBuilder(store, name)
    address = base
    while chunk := stream.read(CHUNK):
        builder.add(address, chunk)
        address += len(chunk)
    if address == base:
        raise InputError("this file is empty", place=Place(file=name), hint="is it the right file?")
    return builder.finish()
