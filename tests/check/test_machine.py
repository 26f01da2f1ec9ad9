"""The abstract machine, rule by rule; SUIT manifest draft -37, sections 6.4 to 6.7 and 8.4."""

import hashlib
from itertools import zip_longest

import pytest

from imgseal.check.machine.executor import Machine
from imgseal.formats.suit import labels as l
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch
from imgseal.formats.suit.digest import SuitDigest
from imgseal.limits import COMMANDS_RUN

VENDOR, CLASS, DEVICE = b"V" * 16, b"C" * 16, b"D" * 16


class Device:
    """Three components, of which the first holds b"old"; slot 1 is free."""

    def __init__(self) -> None:
        self.contents: dict[int, memoryview] = {0: memoryview(b"old")}
        self.invoked: list[int] = []
        self.charge: int | None = 100
        self.agrees = True
        self.versions: dict[int, tuple[int, ...]] = {0: (1, 2, 3, -1, 4)}

    def identity(self, index: int, kind: int) -> bytes:
        return {1: VENDOR, 2: CLASS, 24: DEVICE}[kind]

    def slot(self, index: int) -> int:
        return 1

    def content(self, index: int) -> memoryview | None:
        return self.contents.get(index)

    def store(self, index: int, data: memoryview) -> None:
        self.contents[index] = data

    def holds(self, index: int) -> bool:
        return False

    def payload(self, uri: str) -> memoryview | None:
        return memoryview(b"new") if uri == "#new" else None

    def battery(self) -> int | None:
        return self.charge

    def authorised(self, priority: int) -> bool:
        return self.agrees and priority < 5

    def version(self, index: int) -> tuple[int, ...] | None:
        return self.versions.get(index)

    def invoke(self, index: int) -> None:
        self.invoked.append(index)


def pairs(*items: object) -> Sequence:
    """Commands from a flat list, as the encoding has them."""
    return tuple(Command(code, argument) for code, argument in zip(items[::2], items[1::2], strict=True))  # type: ignore[arg-type]


def run(sequence: Sequence, device: Device | None = None, components: int = 3, shared: Sequence = ()) -> str:
    """The code of the failure and its place, or `done`."""
    failure = Machine(components, device or Device()).run([("s", sequence)], shared)
    return "done" if failure is None else f"{failure.code} {failure.where}"


FIRST = (l.SET_COMPONENT_INDEX, 0)
FAIL = (l.CONDITION_ABORT, 0)


def digest(data: bytes) -> SuitDigest:
    return SuitDigest(-16, hashlib.sha256(data).digest())


@pytest.mark.parametrize(
    ("parameters", "condition", "expected"),
    [
        ({l.VENDOR_ID: VENDOR}, 1, "done"),
        ({l.VENDOR_ID: CLASS}, 1, "identity.wrong-vendor s[2]"),
        ({}, 1, "rules.condition-failed s[2]"),
        ({l.CLASS_ID: CLASS}, 2, "done"),
        ({l.CLASS_ID: VENDOR}, 2, "identity.wrong-class s[2]"),
        ({l.DEVICE_ID: DEVICE}, 24, "done"),
        ({l.DEVICE_ID: VENDOR}, 24, "identity.wrong-device s[2]"),
        ({l.IMAGE_DIGEST: digest(b"old")}, 3, "done"),
        ({l.IMAGE_DIGEST: digest(b"old"), l.IMAGE_SIZE: 3}, 3, "done"),
        ({l.IMAGE_DIGEST: digest(b"old"), l.IMAGE_SIZE: 4}, 3, "digest.image s[2]"),
        ({l.IMAGE_DIGEST: digest(b"odd")}, 3, "digest.image s[2]"),
        ({l.IMAGE_DIGEST: SuitDigest(-44, hashlib.sha512(b"old").digest())}, 3, "done"),
        ({l.IMAGE_DIGEST: SuitDigest(-18, bytes(32))}, 3, "rules.command-unsupported s[2]"),
        ({l.SLOT: 1}, 5, "done"),
        ({l.SLOT: 0}, 5, "placement.no-slot s[2]"),
        ({l.CONTENT: b"old"}, 6, "done"),
        ({l.CONTENT: b"odd"}, 6, "rules.condition-failed s[2]"),
        ({l.CONTENT: b"older"}, 6, "rules.condition-failed s[2]"),
        ({l.MINIMUM_BATTERY: 100}, 26, "done"),
        ({l.MINIMUM_BATTERY: 101}, 26, "rules.battery-too-low s[2]"),
        ({l.UPDATE_PRIORITY: 4}, 27, "done"),
        ({l.UPDATE_PRIORITY: 5}, 27, "rules.not-authorised s[2]"),
        ({l.VERSION: VersionMatch(3, (1, 2, 3, -1, 4))}, 28, "done"),
        ({l.VERSION: VersionMatch(3, (1, 2, 3))}, 28, "identity.layers-disagree s[2]"),
        ({l.VERSION: VersionMatch(5, (1, 2, 3))}, 28, "identity.layers-disagree s[2]"),
        ({l.VERSION: VersionMatch(5, (1, 2, 4))}, 28, "done"),
        ({l.VERSION: VersionMatch(1, (1, 2, 3))}, 28, "identity.layers-disagree s[2]"),
        ({l.VERSION: VersionMatch(1, (1, 2))}, 28, "identity.layers-disagree s[2]"),
        ({l.VERSION: VersionMatch(1, (1, 1))}, 28, "done"),
        ({l.VERSION: VersionMatch(4, (1, 2, 3, -1, 4))}, 28, "done"),
        ({l.VERSION: VersionMatch(2, (1, 2, 3, -1, 5))}, 28, "identity.layers-disagree s[2]"),
        ({l.VERSION: VersionMatch(2, (1, 2, 3, -2, 9))}, 28, "done"),
        ({}, 14, "rules.condition-failed s[2]"),
        ({}, 4, "rules.command-unsupported s[2]"),
        ({}, 7, "rules.command-unsupported s[2]"),
        ({}, 25, "rules.command-unsupported s[2]"),
    ],
)
def test_conditions(parameters: dict[int, object], condition: int, expected: str) -> None:
    """Section 8.4.9: a condition whose parameter is missing fails, an unknown one fails."""
    given = parameters or {l.URI: "#x"}
    assert run(pairs(*FIRST, l.OVERRIDE_PARAMETERS, given, condition, 0)) == expected


VERSIONS = [
    (0,),
    (1,),
    (1, 2),
    (1, 2, 0),
    (1, 2, 3),
    (1, 3),
    (1, 2, 3, -1, 4),
    (1, 2, 3, -3),
    (1, 2, 3, 0, 0, 1),
    (1, 2, 3, -1),
]


def order(a: tuple[int, ...], b: tuple[int, ...]) -> int:
    """-1, 0 or 1: number by number; what one of them lacks at its end is 0 (draft, section 8.4.9.10)."""
    for mine, theirs in zip_longest(a, b, fillvalue=0):
        if mine != theirs:
            return 1 if mine > theirs else -1
    return 0


@pytest.mark.parametrize("found", VERSIONS)
def test_versions_of_different_lengths(found: tuple[int, ...]) -> None:
    """A shorter one goes on with zeros, whichever side it stands on. Where the draft, which stops at the end of the
    manifest's list, and the whole version disagree, no condition holds that only one of them fulfils."""
    for wanted in VERSIONS:
        whole, draft = order(found, wanted), order(found[: len(wanted)], wanted)
        holds = {1: draft > 0, 2: whole >= 0, 3: whole == 0, 4: whole <= 0, 5: draft < 0}
        for comparison, expected in holds.items():
            device = Device()
            device.versions[0] = found
            said = run(
                pairs(*FIRST, l.OVERRIDE_PARAMETERS, {l.VERSION: VersionMatch(comparison, wanted)}, 28, 0), device
            )
            assert (said == "done") == expected, (found, comparison, wanted)


def test_directives() -> None:
    device = Device()
    fetch = pairs(l.SET_COMPONENT_INDEX, 1, l.OVERRIDE_PARAMETERS, {l.URI: "#new"}, l.FETCH, 0)
    assert run(fetch, device) == "done"
    assert bytes(device.contents[1]) == b"new"
    write = pairs(l.SET_COMPONENT_INDEX, 2, l.OVERRIDE_PARAMETERS, {l.CONTENT: b"text"}, l.WRITE, 0)
    assert run(write, device) == "done"
    assert bytes(device.contents[2]) == b"text"
    copy = pairs(l.SET_COMPONENT_INDEX, 2, l.OVERRIDE_PARAMETERS, {l.SOURCE_COMPONENT: 0}, l.COPY, 0)
    assert run(copy, device) == "done"
    assert bytes(device.contents[2]) == b"old"
    swap = pairs(l.SET_COMPONENT_INDEX, 2, l.OVERRIDE_PARAMETERS, {l.SOURCE_COMPONENT: 1}, l.SWAP, 0)
    assert run(swap, device) == "done"
    assert (bytes(device.contents[2]), bytes(device.contents[1])) == (b"new", b"old")


@pytest.mark.parametrize(
    ("parameters", "directive", "code"),
    [
        ({l.URI: "#other"}, l.FETCH, "rules.directive-failed"),
        ({l.CONTENT: b""}, l.FETCH, "rules.condition-failed"),
        ({l.SOURCE_COMPONENT: 2}, l.COPY, "rules.directive-failed"),
        ({l.SOURCE_COMPONENT: 9}, l.COPY, "rules.directive-failed"),
        ({l.URI: "x"}, l.COPY, "rules.condition-failed"),
        ({l.SOURCE_COMPONENT: 0}, l.SWAP, "rules.directive-failed"),
        ({l.URI: "x"}, l.WAIT, "rules.command-unsupported"),
        ({l.URI: "x"}, l.PROCESS_DEPENDENCY, "rules.command-unsupported"),
        ({l.URI: "x"}, -300, "rules.command-unsupported"),
        ({l.URI: "x"}, 99, "rules.command-unsupported"),
        ({l.ENCRYPTION_INFO: b""}, l.FETCH, "rules.command-unsupported"),
        ({-300: 1}, l.FETCH, "rules.command-unsupported"),
    ],
)
def test_directives_that_fail(parameters: dict[int, object], directive: int, code: str) -> None:
    sequence = pairs(l.SET_COMPONENT_INDEX, 1, l.OVERRIDE_PARAMETERS, parameters, directive, 0)
    assert run(sequence).split()[0] == code


def test_invoke_ends_everything() -> None:
    device = Device()
    assert run(pairs(*FIRST, l.INVOKE, 0, *FAIL), device) == "done"
    assert device.invoked == [0]
    nested = pairs(*FIRST, l.RUN_SEQUENCE, pairs(l.INVOKE, 0, *FAIL), *FAIL)
    assert run(nested, device) == "done"


def test_several_components_begin_with_an_index() -> None:
    """Section 6.2: every command sequence must begin with set component index."""
    assert run(pairs(*FAIL)).startswith("rules.directive-failed")
    assert run(pairs(l.OVERRIDE_PARAMETERS, {l.SLOT: 1}, l.CONDITION_SLOT, 0), components=1) == "done"
    assert run(pairs(*FIRST, l.CONDITION_SLOT, 0), shared=pairs(l.OVERRIDE_PARAMETERS, {l.SLOT: 1})).startswith(
        "rules.directive"
    )
    assert run(pairs(l.SET_COMPONENT_INDEX, 3, *FAIL)).endswith("s[0]")
    policy = pairs(l.CONDITION_VENDOR, 15)
    assert [run(policy, components=count) == run(policy, components=3) for count in (1, 2)] == [False, True]
    assert run(pairs(l.SET_COMPONENT_INDEX, True), components=0).startswith("rules.directive-failed")


def test_shared_runs_before_each_section() -> None:
    """Section 8.4.6; parameters of the shared sequence hold in the section behind it."""
    shared = pairs(*FIRST, l.OVERRIDE_PARAMETERS, {l.SLOT: 1})
    assert run(pairs(*FIRST, l.CONDITION_SLOT, 0), shared=shared) == "done"
    for code in (l.FETCH, l.WRITE, l.COPY, l.SWAP, l.INVOKE, -300):
        assert run(pairs(*FIRST, *FAIL), shared=pairs(*FIRST, code, 0)) == "rules.command-unsupported shared[1]"


def test_true_and_arrays_run_once_for_each_component() -> None:
    """Section 6.5."""
    device = Device()
    every = pairs(l.SET_COMPONENT_INDEX, True, l.OVERRIDE_PARAMETERS, {l.CONTENT: b"x"}, l.WRITE, 0)
    assert run(every, device) == "done"
    assert {i: bytes(v) for i, v in device.contents.items()} == {0: b"x", 1: b"x", 2: b"x"}
    two = pairs(l.SET_COMPONENT_INDEX, (2, 0), l.OVERRIDE_PARAMETERS, {l.CONTENT: b"y"}, l.WRITE, 0)
    assert run(two, device) == "done"
    assert {i: bytes(v) for i, v in device.contents.items()} == {0: b"y", 1: b"x", 2: b"y"}
    nested = pairs(
        l.SET_COMPONENT_INDEX, True, l.RUN_SEQUENCE, pairs(l.OVERRIDE_PARAMETERS, {l.CONTENT: b"z"}, l.WRITE, 0)
    )
    assert run(nested, device) == "done"
    assert {bytes(v) for v in device.contents.values()} == {b"z"}
    assert run(pairs(l.SET_COMPONENT_INDEX, (0, 3), *FAIL)).startswith("rules.directive-failed")


def test_parameters_belong_to_their_component() -> None:
    sequence = pairs(*FIRST, l.OVERRIDE_PARAMETERS, {l.SLOT: 1}, l.SET_COMPONENT_INDEX, 1, l.CONDITION_SLOT, 0)
    assert run(sequence) == "rules.condition-failed s[3]"


def tries(*branches: Sequence | None) -> Sequence:
    return pairs(*FIRST, l.TRY_EACH, branches)


GOOD = pairs(l.OVERRIDE_PARAMETERS, {l.SLOT: 1}, l.CONDITION_SLOT, 0)
OTHER_SLOT = pairs(l.OVERRIDE_PARAMETERS, {l.SLOT: 0}, l.CONDITION_SLOT, 0)


def test_try_each() -> None:
    """Section 8.4.10.2: the first branch that completes wins; none fails the directive, a last nil does not."""
    assert run(tries(GOOD, pairs(*FAIL))) == "done"
    assert run(tries(pairs(*FAIL), GOOD)) == "done"
    assert run(tries(OTHER_SLOT, OTHER_SLOT)) == "placement.no-slot s[1]"
    assert run(tries(OTHER_SLOT, OTHER_SLOT, None)) == "done"
    # a branch that is for this slot and fails says more than one for another slot
    bad = pairs(
        l.OVERRIDE_PARAMETERS,
        {l.SLOT: 1, l.IMAGE_DIGEST: digest(b"x")},
        l.CONDITION_SLOT,
        0,
        l.CONDITION_IMAGE_MATCH,
        0,
    )
    assert run(tries(bad, OTHER_SLOT)) == "digest.image s[1].branch[0][2]"
    assert run(tries(OTHER_SLOT, bad)) == "digest.image s[1].branch[1][2]"


def test_a_failed_directive_always_aborts() -> None:
    """Section 6.4: whatever soft failure says."""
    broken = pairs(l.OVERRIDE_PARAMETERS, {l.URI: "#gone"}, l.FETCH, 0)
    assert run(tries(broken, GOOD)).startswith("rules.directive-failed")
    soft = pairs(
        *FIRST, l.RUN_SEQUENCE, pairs(l.OVERRIDE_PARAMETERS, {l.SOFT_FAILURE: True, l.URI: "#gone"}, l.FETCH, 0)
    )
    assert run(soft).startswith("rules.directive-failed")


def test_soft_failure() -> None:
    """Section 8.4.8.15: true by default in try-each, false in run-sequence, forbidden outside both."""
    soft = pairs(l.OVERRIDE_PARAMETERS, {l.SOFT_FAILURE: True}, *FAIL)
    hard = pairs(l.OVERRIDE_PARAMETERS, {l.SOFT_FAILURE: False}, *FAIL)
    assert run(pairs(*FIRST, l.RUN_SEQUENCE, soft)) == "done"
    assert run(pairs(*FIRST, l.RUN_SEQUENCE, pairs(*FAIL))).startswith("rules.condition-failed")
    assert run(tries(hard, GOOD)).startswith("rules.condition-failed")
    assert run(pairs(*FIRST, *soft[0], *FAIL)).startswith("rules.directive-failed")
    # not inherited by nested sequences
    nested = pairs(l.OVERRIDE_PARAMETERS, {l.SOFT_FAILURE: True}, l.RUN_SEQUENCE, pairs(*FAIL))
    assert run(pairs(*FIRST, l.RUN_SEQUENCE, nested)).startswith("rules.condition-failed")


def test_index_is_as_before_behind_nested_sequences() -> None:
    """Decided here: docs/format/package.md."""
    device = Device()
    inner = pairs(l.SET_COMPONENT_INDEX, 2, l.OVERRIDE_PARAMETERS, {l.CONTENT: b"i"}, l.WRITE, 0)
    outer = pairs(*FIRST, l.RUN_SEQUENCE, inner, l.OVERRIDE_PARAMETERS, {l.CONTENT: b"o"}, l.WRITE, 0)
    assert run(outer, device) == "done"
    assert {i: bytes(v) for i, v in device.contents.items()} == {0: b"o", 2: b"i"}


def test_commands_are_counted() -> None:
    many = pairs(*FIRST, l.OVERRIDE_PARAMETERS, {l.SLOT: 1}, *[l.CONDITION_SLOT, 0] * (COMMANDS_RUN - 2))
    assert run(many) == "done"
    assert run(many + pairs(l.CONDITION_SLOT, 0)).startswith("rules.limits")


def test_hashed_bytes_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgseal.check.machine.executor.HASHED_BYTES", 6)
    match = (l.OVERRIDE_PARAMETERS, {l.IMAGE_DIGEST: digest(b"old")}, l.CONDITION_IMAGE_MATCH, 0)
    assert run(pairs(*FIRST, *match, *match)) == "done"
    assert run(pairs(*FIRST, *match, *match, *match)).startswith("rules.limits")
