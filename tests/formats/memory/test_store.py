"""A store gives back what was appended, in memory and in a file, whatever happens in between."""

import tempfile
from collections.abc import Iterator

import pytest

from imgseal.formats.memory.store import ByteStore


@pytest.fixture(params=["memory", "file"])
def store(request: pytest.FixtureRequest) -> Iterator[ByteStore]:
    with tempfile.TemporaryFile() as file:
        yield ByteStore() if request.param == "memory" else ByteStore(file)


def test_appends_reads_and_writes_may_alternate(store: ByteStore) -> None:
    assert store.append(b"abcd") == 0
    assert store.append(b"efgh") == 4
    assert store.read(2, 4) == b"cdef"
    assert store.append(b"ij") == 8
    store.write(1, b"XY")
    assert store.append(b"k") == 10
    assert store.size == 11
    assert store.read(0, 11) == b"aXYdefghijk"
