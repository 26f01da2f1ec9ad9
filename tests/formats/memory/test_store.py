"""Both stores give back what was appended, whatever happens in between."""

import io

import pytest

from imgseal.formats.memory.store import ByteStore, FileStore, MemoryStore


@pytest.fixture(params=["memory", "file"])
def store(request: pytest.FixtureRequest) -> ByteStore:
    return MemoryStore() if request.param == "memory" else FileStore(io.BytesIO())


def test_appends_reads_and_writes_may_alternate(store: ByteStore) -> None:
    assert store.append(b"abcd") == 0
    assert store.append(b"efgh") == 4
    assert store.read(2, 4) == b"cdef"
    assert store.append(b"ij") == 8
    store.write(1, b"XY")
    assert store.append(b"k") == 10
    assert store.size == 11
    assert store.read(0, 11) == b"aXYdefghijk"
