"""Executes command sequences on a device behind a `Host`; SUIT manifest draft -37, sections 6.4 to 6.7 and 8.4.

Strictly in order, which is always conforming. Unknown commands and parameters fail. Two points that the draft leaves
open are decided: parameters that a failed branch of try-each has set stay set, and the component index is restored
behind try-each and run-sequence.
"""

import hashlib
from collections.abc import Iterable, Mapping
from types import SimpleNamespace
from typing import NoReturn, Protocol, TypeVar

from imgseal.formats.suit import labels
from imgseal.formats.suit.commands import Command, Sequence, VersionMatch
from imgseal.formats.suit.digest import SuitDigest
from imgseal.limits import CHUNK, COMMANDS_RUN, HASHED_BYTES
from imgseal.records import NamedTuple

_HASHES = {-16: "sha256", -43: "sha384", -44: "sha512"}
_IN_SHARED = (labels.SET_COMPONENT_INDEX, labels.RUN_SEQUENCE, labels.TRY_EACH, labels.OVERRIDE_PARAMETERS)
_PARAMETERS = frozenset(
    {1, 2, 3, 5, 12, 13, 14, 18, 21, 22, 23, 24, 25, labels.MINIMUM_BATTERY, labels.UPDATE_PRIORITY, labels.VERSION}
)
_Value = TypeVar("_Value")
_NO_SLOT = "placement.no-slot"
_CANNOT = "rules.directive-failed"
_FAILED_CODES = {
    labels.CONDITION_VENDOR: "identity.wrong-vendor",
    labels.CONDITION_CLASS: "identity.wrong-class",
    labels.CONDITION_DEVICE: "identity.wrong-device",
    labels.CONDITION_IMAGE_MATCH: "digest.image",
    labels.CONDITION_SLOT: _NO_SLOT,
    labels.CONDITION_MINIMUM_BATTERY: "rules.battery-too-low",
    labels.CONDITION_UPDATE_AUTHORISED: "rules.not-authorised",
    labels.CONDITION_VERSION: "identity.layers-disagree",
}


class Host(Protocol):
    """The device that a manifest is executed on; components by their index in the manifest."""

    def identity(self, index: int, kind: int) -> bytes:
        """The vendor (1), class (2) or device (24) identifier of a component's processor."""

    def slot(self, index: int) -> int:
        """The slot that the component would be installed to, or started from."""

    def content(self, index: int) -> memoryview | None:
        """What the component holds now."""

    def store(self, index: int, data: memoryview) -> None:
        """Replace what the component holds."""

    def payload(self, uri: str) -> memoryview | None:
        """The integrated payload of that key."""

    def holds(self, index: int) -> bool:
        """Whether the component holds already what is to be fetched: the draft lets a fetch be left out then."""

    def battery(self) -> int | None:
        """Charge in mWh; None for enough."""

    def authorised(self, priority: int) -> bool:
        """Whether the application agrees to an update of this priority."""

    def version(self, index: int) -> tuple[int, ...] | None:
        """The version of what the component holds, as SUIT numbers."""

    def invoke(self, index: int) -> None:
        """Start the component; nothing runs after it."""


class Failure(NamedTuple):
    """Why execution stopped: finding code, message, where in the manifest, what was expected and found.

    `stated` is the identifier that the manifest asks for, where another one is the cause.
    """

    code: str
    message: str
    where: str
    expected: str | None = None
    found: str | None = None
    stated: object = None


class _Stop(Exception):  # noqa: N818 - control flow inside this module, never seen outside
    def __init__(self, failure: Failure, *, condition: bool) -> None:
        super().__init__(failure.message)
        self.failure = failure
        self.condition = condition


class _Frame(SimpleNamespace):
    """What is scoped to one sequence: whether a condition may fail softly, whether it is nested, and in shared."""

    soft: bool
    nested: bool
    shared: bool


class Machine:
    """The abstract machine for one manifest: parameters per component, the current index, and what has been spent."""

    def __init__(self, components: int, host: Host) -> None:
        self._host = host
        self._count = components
        self._parameters: list[dict[int, object]] = [{} for _ in range(components)]
        self._current: object = 0
        self._where = ""  # the command that is being carried out
        self._commands = 0
        self._hashed = 0
        self._invoked = False
        self._soft: Failure | None = None
        self.stored: set[int] = set()
        self.held: set[int] = set()
        self.matched: set[int] = set()
        self.identified: set[tuple[int, int]] = set()

    def run(self, sections: Iterable[tuple[str, Sequence]], shared: Sequence) -> Failure | None:
        """Run sections in order, the shared sequence before each; return why it stopped, or None."""
        try:
            for name, sequence in sections:
                self._current = 0
                if shared:
                    self._top("shared", shared, is_shared=True)
                self._current = 0
                self._top(name, sequence, is_shared=False)
                if self._invoked:
                    break
        except _Stop as stop:
            return stop.failure
        return None

    def run_shared(self, shared: Sequence) -> Failure | None:
        """Run the shared sequence alone; it reads no content."""
        try:
            self._top("shared", shared, is_shared=True)
        except _Stop as stop:
            return stop.failure
        return None

    def _top(self, name: str, sequence: Sequence, *, is_shared: bool) -> None:
        if self._count > 1 and (not sequence or sequence[0].code != labels.SET_COMPONENT_INDEX):
            self._where = f"{name}[0]"
            self._stop("a sequence for several components does not begin with set-component-index")
        if not self._sequence(sequence, name, _Frame(soft=False, nested=False, shared=is_shared)):
            self._where = name
            self._stop("the sequence stopped")

    def _sequence(self, sequence: Sequence, where: str, frame: _Frame) -> bool:
        """Run one sequence; False when a condition failed softly."""
        for number, command in enumerate(sequence):
            if self._invoked:
                return True
            try:
                self._command(command, f"{where}[{number}]", frame)
            except _Stop as stop:
                if stop.condition and frame.soft:
                    self._soft = stop.failure
                    return False
                stop.condition = False  # a condition that fails hard is a failure of every sequence around it
                raise
        return True

    def _command(self, command: Command, where: str, frame: _Frame) -> None:
        code, argument = command
        self._where = where
        if code == labels.SET_COMPONENT_INDEX:
            self._spend()
            self._set_index(argument)
            return
        if frame.shared and code not in labels.CONDITIONS and code not in _IN_SHARED:
            self._unsupported(f"{labels.COMMANDS.get(code, f'command {code}')} has no place in the shared sequence")
        before = self._current
        for index in self._targets():
            self._where = where  # a nested sequence has been elsewhere
            self._spend()
            if code == labels.OVERRIDE_PARAMETERS:
                assert isinstance(argument, dict)
                self._override(index, argument, frame)
            elif code in (labels.TRY_EACH, labels.RUN_SEQUENCE):
                assert isinstance(argument, tuple)
                self._current = index
                if code == labels.TRY_EACH:
                    self._try_each(argument, where, frame)
                else:
                    self._sequence(argument, f"{where}.run", _Frame(soft=False, nested=True, shared=frame.shared))
                self._current = before
            elif code in labels.CONDITIONS:
                self._condition(code, index)
            else:
                self._directive(code, index)

    def _targets(self) -> tuple[int, ...]:
        if self._current is True:
            return tuple(range(self._count))
        if isinstance(self._current, tuple):
            return self._current
        assert isinstance(self._current, int)
        return (self._current,)

    def _set_index(self, argument: object) -> None:
        wanted = (argument,) if isinstance(argument, int) and argument is not True else argument
        if isinstance(wanted, tuple) and any(index >= self._count for index in wanted):
            self._stop("there is no such component", f"an index below {self._count}", str(argument))
        if not self._count:
            self._stop("the manifest lists no component")
        self._current = argument

    def _override(self, index: int, parameters: Mapping[int, object], frame: _Frame) -> None:
        for label, value in parameters.items():
            if label not in _PARAMETERS:
                self._unsupported(f"parameter {labels.PARAMETERS.get(label, label)} is not supported")
            if label == labels.SOFT_FAILURE:
                if not frame.nested:
                    self._stop("soft failure is set outside try-each and run-sequence")
                frame.soft = bool(value)
            else:
                self._parameters[index][label] = value

    def _try_each(self, branches: tuple[Sequence | None, ...], where: str, frame: _Frame) -> None:
        index = self._current
        told: Failure | None = None
        for number, branch in enumerate(branches):
            self._current = index
            if branch is None:
                return
            place = f"{where}.branch[{number}]"
            if self._sequence(branch, place, _Frame(soft=True, nested=True, shared=frame.shared)):
                return
            # the branch for this device's slot says more than those for other slots
            if self._soft is not None and (told is None or told.code == _NO_SLOT):
                told = self._soft
        if told is None or told.code == _NO_SLOT:
            told = Failure(_NO_SLOT, "no branch of a try-each is for this device's slot", where)
        raise _Stop(told, condition=False)

    def _condition(self, code: int, index: int) -> None:
        host = self._host
        name = labels.CONDITIONS[code]
        if code in (labels.CONDITION_VENDOR, labels.CONDITION_CLASS, labels.CONDITION_DEVICE):
            identifier = self._need(index, code, name, object)
            found = host.identity(index, code)
            if identifier != found:
                self._no(code, f"the {name} is another one", found.hex(), _hex(identifier), identifier)
            self.identified.add((index, code))
        elif code == labels.CONDITION_IMAGE_MATCH:
            self._image_match(index)
        elif code == labels.CONDITION_SLOT:
            slot, free = self._need(index, labels.SLOT, name, int), host.slot(index)
            if slot != free:
                self._no(code, "the component's slot on this device is another one", str(free), str(slot))
        elif code == labels.CONDITION_CONTENT:
            wanted = self._need(index, labels.CONTENT, name, bytes)
            content = host.content(index)
            if content is None or len(content) != len(wanted) or bytes(content) != wanted:
                self._no(code, "the component holds something else", wanted.hex())
        elif code == labels.CONDITION_ABORT:
            self._no(code, "the manifest gives up here")
        elif code == labels.CONDITION_MINIMUM_BATTERY:
            least, charge = self._need(index, labels.MINIMUM_BATTERY, name, int), host.battery()
            if charge is not None and charge < least:
                self._no(code, "the battery holds too little", f"{least} mWh", f"{charge} mWh")
        elif code == labels.CONDITION_UPDATE_AUTHORISED:
            if not host.authorised(self._need(index, labels.UPDATE_PRIORITY, name, int)):
                self._no(code, "the device does not authorise the update")
        elif code == labels.CONDITION_VERSION:
            self._version(index)
        else:
            self._unsupported(f"the condition {name} is not supported")

    def _image_match(self, index: int) -> None:
        wanted = self._need(index, labels.IMAGE_DIGEST, "image match", SuitDigest)
        content = self._host.content(index)
        code = labels.CONDITION_IMAGE_MATCH
        if content is None:
            self._no(code, "the component is empty", wanted.value.hex(), "nothing")
        size = self._parameters[index].get(labels.IMAGE_SIZE)
        if size is not None and size != len(content):
            self._no(code, "the component's content has another size", f"{size} bytes", f"{len(content)} bytes")
        method = _HASHES.get(wanted.algorithm)
        if method is None:
            self._unsupported(f"digest algorithm {wanted.algorithm} is not supported")
        self._hashed += len(content)
        if self._hashed > HASHED_BYTES:
            self._stop(f"more than {HASHED_BYTES} bytes to hash", code="rules.limits")
        state = hashlib.new(method)
        for start in range(0, len(content), CHUNK):
            state.update(content[start : start + CHUNK])
        if state.digest() != wanted.value:
            self._no(code, "the component's content has another digest", wanted.value.hex(), state.hexdigest())
        self.matched.add(index)

    def _version(self, index: int) -> None:
        wanted = self._need(index, labels.VERSION, "version", VersionMatch)
        found = self._host.version(index)
        code = labels.CONDITION_VERSION
        if found is None:
            self._no(code, "the component has no version", _numbers(wanted.version), "none")
        if not _compares(found, wanted):
            expected = ("", ">", ">=", "=", "<=", "<")[wanted.comparison] + _numbers(wanted.version)
            self._no(code, "the component's version does not compare", expected, _numbers(found))

    def _directive(self, code: int, index: int) -> None:
        host = self._host
        if code == labels.FETCH:
            uri = self._need(index, labels.URI, "fetch", str)
            if host.holds(index):
                self.held.add(index)
                return
            data = host.payload(uri)
            if data is None:
                self._stop(
                    "only payloads inside the envelope can be fetched, and the component does not hold this already",
                    "the key of an integrated payload",
                    uri,
                )
            self._put(index, data)
        elif code == labels.WRITE:
            self._put(index, memoryview(self._need(index, labels.CONTENT, "write", bytes)))
        elif code in (labels.COPY, labels.SWAP):
            source = self._need(index, labels.SOURCE_COMPONENT, labels.COMMANDS[code], int)
            data = host.content(source) if source < self._count else None
            if data is None:
                self._stop("the source component is missing or empty", None, str(source))
            if code == labels.SWAP:
                mine = host.content(index)
                if mine is None:
                    self._stop("there is nothing to swap with")
                self._put(source, mine)
            self._put(index, data)
        elif code == labels.INVOKE:
            host.invoke(index)
            self._invoked = True
        else:
            self._unsupported(f"{labels.COMMANDS.get(code, f'command {code}')} is not supported")

    def _put(self, index: int, data: memoryview) -> None:
        self._host.store(index, data)
        self.stored.add(index)
        self.matched.discard(index)

    def _need(self, index: int, label: int, name: str, kind: type[_Value]) -> _Value:
        """Return a parameter of a component; the decoder has seen to its kind."""
        value = self._parameters[index].get(label)
        if value is None:
            message = f"{name} has no parameter {labels.PARAMETERS.get(label, label)}"
            raise _Stop(Failure("rules.condition-failed", message, self._where), condition=True)
        assert isinstance(value, kind)
        return value

    def _spend(self) -> None:
        self._commands += 1
        if self._commands > COMMANDS_RUN:
            self._stop(f"more than {COMMANDS_RUN} commands", code="rules.limits")

    def _no(
        self, code: int, message: str, expected: str | None = None, found: str | None = None, stated: object = None
    ) -> NoReturn:
        """Stop at a condition that does not hold."""
        kind = _FAILED_CODES.get(code, "rules.condition-failed")
        raise _Stop(Failure(kind, message, self._where, expected, found, stated), condition=True)

    def _stop(
        self, message: str, expected: str | None = None, found: str | None = None, *, code: str = _CANNOT
    ) -> NoReturn:
        """Stop at what cannot be carried out."""
        raise _Stop(Failure(code, message, self._where, expected, found), condition=False)

    def _unsupported(self, message: str) -> NoReturn:
        self._stop(message, code="rules.command-unsupported")


def _hex(value: object) -> str:
    return value.hex() if isinstance(value, bytes) else str(value)


def _compares(found: tuple[int, ...], wanted: VersionMatch) -> bool:
    """Hold a component's version against a condition; what either lacks at its end is 0.

    The draft stops where the manifest's list ends, so that a release candidate is equal to its release. Here a
    condition holds when it does so by the draft and for the whole version: devices may do either.
    """
    width = max(len(found), len(wanted.version))
    mine = found + (0,) * (width - len(found))
    theirs = wanted.version + (0,) * (width - len(wanted.version))
    short = mine[: len(wanted.version)]
    return {
        labels.VERSION_GREATER: short > wanted.version,
        labels.VERSION_GREATER_EQUAL: mine >= theirs,
        labels.VERSION_EQUAL: mine == theirs,
        labels.VERSION_LESS_EQUAL: mine <= theirs,
        labels.VERSION_LESS: short < wanted.version,
    }[wanted.comparison]


def _numbers(version: tuple[int, ...]) -> str:
    return ".".join(map(str, version))
