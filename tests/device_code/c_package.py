"""The C reader of packages, called from Python; the flow is package_flow.h's."""

import ctypes as c
from typing import Any

from fuzz import NAMES, CaseState, Fuzzer

from imgseal.formats.cbor.strict import encode


class PackageState(c.Structure):
    _fields_ = (
        *((name, c.c_uint32) for name in (
            "fresh", "sequence", "has_digest", "battery", "authorised", "trial_open", "refused_count", "revoked_count", "development", "es256", "need",
        )),
        ("digest", c.c_uint8 * 32), ("refused", (c.c_uint8 * 32) * 4), ("revoked", (c.c_uint8 * 16) * 4), ("free_slot", c.c_uint8 * 32),
    )  # fmt: skip


def state_of(case: dict[str, Any], values: dict[str, Any]) -> PackageState:
    device = case.get("device") or {"authorised": True}
    state = PackageState()
    state.fresh = case.get("device") is None
    state.sequence = device.get("sequence", 0)
    if device.get("manifest_digest"):
        state.has_digest, state.digest[:] = 1, bytes.fromhex(device["manifest_digest"])
    state.battery = 0xFFFFFFFF if device.get("battery_mwh") is None else device["battery_mwh"]
    state.authorised = device.get("authorised", False)
    trial = device.get("trial")
    state.trial_open = trial is not None and trial["way_back"]
    for index, digest in enumerate(device.get("refused", [])):
        state.refused[index][:], state.refused_count = bytes.fromhex(digest), index + 1
    for index, key in enumerate(device.get("revoked", [])):
        state.revoked[index][:], state.revoked_count = bytes.fromhex(key), index + 1
    state.development = case.get("development", False)
    listed = {"ES256", "ESP256"}.intersection(values["package_algorithms"])
    state.es256 = 2 if len(listed) == 2 else "ES256" in listed
    state.need = values["need"]["packages"]
    for index, component in enumerate(values["components"]):
        runs = device.get("current", {}).get(str(component["number"]))
        state.free_slot[index] = 1 - runs["slot"] if runs is not None and len(component["run"]) > 1 else 0
    return state


def _states(
    fuzzer: Fuzzer, case: dict[str, Any], held: dict[str, bytes], *, other: bool
) -> tuple[PackageState, CaseState]:
    state = state_of(case, fuzzer.values)
    for index, component in enumerate(fuzzer.values["components"]):
        state.free_slot[index] ^= other and len(component["run"]) > 1
    device = case.get("device")
    running = fuzzer.state(device, held, None, development=case.get("development", False))
    running.whole_set = True
    return state, running


def judge_package(
    fuzzer: Fuzzer, raw: bytes, case: dict[str, Any], held: dict[str, bytes], *, other: bool = False, then: bytes | None = None,
    reads: int = 0,
) -> str:  # fmt: skip
    """The first code, as an installer in C finds it; `other` asks for the slot that is not free.

    After `reads` reads the package is `then`, of the same size.
    """
    assert then is None or len(then) == len(raw)
    state, running = _states(fuzzer, case, held, other=other)
    fuzzer.library.fuzz_package.restype = c.c_uint32
    code = fuzzer.library.fuzz_package(
        c.byref(state), c.byref(running), c.byref(fuzzer.crypto), raw, len(raw), then, reads
    )
    return NAMES.get(code, hex(code))


def manifest_read(fuzzer: Fuzzer, size: int) -> bytes:
    """The manifest that the last package was judged by: it stands in the buffer with its head."""
    fuzzer.library.fuzz_manifest.restype = c.c_void_p
    head = encode(bytes(size))[:-size]
    said = c.string_at(fuzzer.library.fuzz_manifest(), len(head) + size)
    assert said.startswith(head)
    return said.removeprefix(head)


def pack_package(fuzzer: Fuzzer, raw: bytes, case: dict[str, Any], held: dict[str, bytes]) -> bytes:
    """A case for package_main.c."""
    state, running = _states(fuzzer, case, held, other=False)
    return bytes(state) + bytes(running) + len(raw).to_bytes(4, "little") + raw
