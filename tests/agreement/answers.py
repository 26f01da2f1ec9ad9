"""What a package is answered, written from docs/format/package.md and the product files by hand; nothing of imgseal is asked.

`FACTS` says of each product what its components are and need, `CIRCUMSTANCES` what may be wrong with a package or a device,
and `answer` which finding comes first: those of envelope and manifest before those of the images, images in ascending order.
"""

from typing import NamedTuple

__all__ = ["ACCEPTED", "CIRCUMSTANCES", "FACTS", "Question", "answer", "subsets"]

ACCEPTED = "accepted"
BOOTLOADER = 0


class Part(NamedTuple):
    """A component: its number, what it needs beside it (others, or the bootloader), and whether it has two run slots.

    `needs_new`: the update needs the update of that component. `recovery`: its image starts where no set can.
    """

    number: int
    needs: tuple[int, ...] = ()
    two: bool = False
    needs_new: tuple[int, ...] = ()
    recovery: bool = False


class Facts(NamedTuple):
    parts: dict[str, Part]
    hazard: int = 1
    """The component that can hurt, where the product file says that something can."""
    battery: bool = False


def _alone(name: str, number: int, *, two: bool = False) -> Facts:
    return Facts({name: Part(number, two=two)}, hazard=number)


FACTS: dict[str, Facts] = {
    "demo": Facts(
        {"motor": Part(1, needs=(2, BOOTLOADER), two=True), "radio": Part(2), "phrases": Part(3), "recovery": Part(4, recovery=True)},
        battery=True,
    ),
    "two run slots": _alone("app", 1, two=True),
    "staged inside, kept": _alone("radio", 2),
    "staged outside, kept": _alone("radio", 2),
    "staged, no way back": _alone("radio", 2),
    "two cores": Facts({"app": Part(1, needs=(2,), two=True), "radio": Part(2)}),
    "data in the NOR": Facts({"app": Part(1, two=True), "phrases": Part(3)}),
    "recovery image": Facts({"app": Part(1, two=True), "rescue": Part(4, recovery=True)}),
    "detached, two run slots": _alone("app", 1, two=True),
    "detached, staged and kept": _alone("radio", 2),
    "eight components": Facts(
        {
            "pilot": Part(1, needs=(2,), two=True, needs_new=(2,)), "bus": Part(2, needs=(BOOTLOADER,)), "lamp": Part(3), "tones": Part(4),
            "sense": Part(5, needs=(4,), two=True), "heat": Part(6), "rescue": Part(7, recovery=True), "table": Part(8, needs=(6,)),
        },
        battery=True,
    ),
}  # fmt: skip

CIRCUMSTANCES = (
    "nothing wrong", "text taken out", "another counter above", "the same release again", "signed by a stranger", "signed at the desk",
    "one signer short", "one algorithm short", "package key revoked", "manifest changed", "payload added", "install taken out",
    "failed before", "another in trial", "sequence below", "sequence reused", "not authorised", "battery low", "one build only",
    "payload changed", "image key revoked", "other hardware", "bootloader older", "counter above", "counters are behind",
)  # fmt: skip

_SIGNED = {
    "signed by a stranger": "signature.wrong-key", "signed at the desk": "signature.wrong-key",
    "package key revoked": "trust.key-revoked", "manifest changed": "signature.manifest-digest",
    "payload added": "structure.unsigned-member", "install taken out": "structure.unsigned-member",
    "failed before": "rules.failed-before", "another in trial": "rules.trial-open", "sequence below": "rollback.sequence-too-low",
}  # fmt: skip
"""What is refused whatever the package brings."""


class Question(NamedTuple):
    """A package of these components, by number, and what is wrong with it or with the device.

    A first release is asked of a device as it leaves the factory, an update of one that runs the whole release before.
    `free` is the run slot that components with two would be installed to.
    """

    product: str
    parts: frozenset[int]
    update: bool
    several: bool
    second: bool
    hazard: bool
    circumstance: str
    free: int = 0


def subsets(product: str) -> list[frozenset[int]]:
    """Every non-empty set of its components."""
    numbers = [part.number for part in FACTS[product].parts.values()]
    return [
        frozenset(number for bit, number in enumerate(numbers) if mask >> bit & 1)
        for mask in range(1, 1 << len(numbers))
    ]


def answer(asked: Question) -> str:
    facts, wrong = FACTS[asked.product], asked.circumstance
    if wrong in _SIGNED:
        return _SIGNED[wrong]
    if (wrong == "one signer short" and asked.several) or (wrong == "one algorithm short" and asked.second):
        return "trust.too-few-signatures"
    if wrong == "sequence reused" and asked.update:
        return "rollback.sequence-reused"
    if wrong == "not authorised" and asked.hazard and facts.hazard in asked.parts:
        return "rules.not-authorised"
    if wrong == "battery low" and facts.battery:
        return "rules.battery-too-low"
    brought = sorted(
        (part for part in facts.parts.values() if part.number in asked.parts), key=lambda part: part.number
    )
    if wrong == "payload changed":
        return "digest.image"
    if wrong == "one build only" and asked.free == 1 and any(part.two for part in brought):
        return "placement.no-slot"
    for part in brought:
        if wrong == "image key revoked":
            return "trust.key-revoked"
        if wrong == "other hardware":
            return "identity.wrong-hardware"
        if not all(_met(need, part, asked) for need in part.needs):
            return "rules.requirement-not-met"
        if wrong == "counter above" and part.number == max(asked.parts):
            return "rollback.counter-too-low"
        # what runs is the floor where the storage has not taken its counters; a recovery image is in no set
        if wrong == "counters are behind" and asked.update and part.number == max(asked.parts) and not part.recovery:
            return "rollback.counter-too-low"
    return ACCEPTED


def _met(need: int, part: Part, asked: Question) -> bool:
    """The package brings it, or the device runs it and it is new enough."""
    if need == BOOTLOADER:
        return asked.circumstance != "bootloader older"
    return need in asked.parts or (asked.update and need not in part.needs_new)
