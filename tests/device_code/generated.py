"""Differential test from generated packages, not mutants: Python's judge and the compiled C reader of packages on whole packages from a grammar.

    python tests/device_code/generated.py --count 1000000 --seed 1 --jobs 2
    python tests/device_code/generated.py --seed 1 --case 4711 --keep case.suit     shows one case, and keeps the package

Sequences, manifest, authentication and envelope are put together from docs/format/package.md (gen_package.py) by an encoder of their own
(gen_cbor.py). Two of five packages stay as they are; the others get one to three twists (gen_twists.py): commands, parameters and whole sequences
from the grammar in any order, branches, odd keys, other members, blocks of others, mixed payloads. All are signed with the test's keys
behind most twists, so that they reach the inside. Each is asked of a device whose state is generated as well.

What one side refuses, both refuse, and no payload is accepted whose digest nothing signed names. Where both do, C's code is one of Python's findings: a device stops at the first, in an order of its
own, or both find the structure broken (`same_class`). Of two builds of a component the tool judges both, a device the one for its free
slot: C is asked for either slot, and one that refuses is enough where Python refuses.
"""

import argparse
import ctypes as c
import hashlib
import itertools
import multiprocessing
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

if __name__ == "__main__":
    for _folder in ("", "properties", "rehearse", "kit", "agreement"):
        sys.path.insert(0, str(Path(__file__).parents[1] / _folder))

import gen_commands
import gen_envelope
import gen_images
import gen_manifest
import packages
from c_boot import CODE, VERIFY, VERIFY_SECOND, Crypto, _holds, _second_holds
from c_build import SOURCES, bearssl, build_crypto, compiled, run, write_config
from fuzz import NAMES, any_fast_signer
from gen_package import COMPONENTS, VARIANTS, Block, Draft, draft, envelope, manifest, sequences, signed, wrapped
from gen_twists import OFTEN, TWISTS
from in_c import states
from packages import Device
from variants import product, signers

from imgseal.check import trusted_signers as of_images
from imgseal.check.context import Context
from imgseal.check.judge import judge
from imgseal.device_state.device import Trial, fresh
from imgseal.formats.install_record.record import Member
from imgseal.keys.p256 import BadSignatureError
from imgseal.keys.public_key import verify
from imgseal.versions import Version
from imgseal.window import ByteView

FULL = gen_images, gen_commands, gen_manifest, gen_envelope
"""What fills TWISTS when it is loaded."""
HERE = Path(__file__).parent
ACCEPTED = "accepted"
NO_SLOT = "placement.no-slot"
OUTSIDE = "rules.outside-profile"
NOTHING: Mapping[str, ByteView] = {}
STAGES = (("images", 2), ("parts", 1), ("sequences", 6), ("manifest", 3), ("wrapper", 2), ("envelope", 2), ("raw", 1))
BY_ANOTHER_NAME = {
    ("structure.manifest", "signature.severed-member"),
    ("structure.manifest", "identity.unknown-component"),  # the tool reads all of the manifest before it judges any
}
"""What the tool calls the first, and a device the second."""
WHOLE = frozenset(
    (
        OUTSIDE, "structure.envelope", "structure.manifest", "structure.unsigned-member", "signature.manifest-digest", "signature.severed-member",
        "signature.wrong-key", "identity.unknown-component", "rules.authorisation-missing", "rules.failed-before", "rules.trial-open",
        "rollback.sequence-too-low", "rollback.sequence-reused",
    )
)  # fmt: skip
"""What is found of a package whichever slot is free: no device accepts it."""
BEFORE_ITS_HEADER = "identity.layers-disagree", "rules.development-mixed"
"""What a device compares of an image with its package before it judges the image, whose header or signature may be broken."""
TEXT = "(a text that no device reads)"
IDLE = "(a block that counts for nothing)"
PASSED_OVER = TEXT, IDLE
"""What a desk refuses and a device does not look at."""


class Case(NamedTuple):
    variant: str
    raw: bytes
    twists: tuple[str, ...]
    device: Device
    free: dict[int, int]
    development: bool


class Answer(NamedTuple):
    """What Python finds, and what C says with the device's slots free, and with each other choice."""

    accepted: bool
    codes: tuple[str, ...]
    passed_over: str | None
    said: tuple[str, ...]
    unsigned: bool
    """Bytes of a payload that is accepted are named by nothing that was signed."""


def make(seed: int, number: int) -> Case:
    """The case with this number; it follows from seed and number alone."""
    rng = random.Random(f"{seed} {number}")
    name = rng.choice(("plain", "plain", "hazard", "hazard", "several", "second"))
    variant = VARIANTS[name]
    d = draft(variant, rng)
    d.blocks = [Block(by) for by in signers(variant, "packages")]
    chosen: dict[str, list[str]] = {}
    for _ in range(rng.choices((0, 1, 2, 3), (40, 42, 13, 5))[0]):
        stage = rng.choices([stage for stage, _ in STAGES], [weight for _, weight in STAGES])[0]
        chosen.setdefault(stage, []).extend(rng.choices(list(TWISTS[stage]), [OFTEN[one] for one in TWISTS[stage]]))

    def turn(stage: str) -> None:
        for one in chosen.get(stage, ()):
            d.twists.append(one)
            TWISTS[stage][one](d, rng)

    turn("images")
    turn("parts")
    sequences(d)
    turn("sequences")
    manifest(d)
    turn("manifest")
    wrapped(d)
    turn("wrapper")
    signed(d)
    turn("envelope")
    envelope(d)
    turn("raw")
    free, device = device_of(d, rng)
    return Case(name, d.raw, tuple(d.twists), device, free, rng.random() < 0.1)


def device_of(d: Draft, rng: random.Random) -> tuple[dict[int, int], Device]:
    """A device that has left the factory, or one that runs the release before; with other numbers in one of four."""
    of = product(d.variant, update=False)
    free = {number: rng.randrange(2) for number, one in COMPONENTS.items() if len(one.slots) == 2}
    if rng.random() < 0.3:
        free = dict.fromkeys(free, rng.randrange(2))
        state, contents, versions = fresh(of), NOTHING, dict[int, Version]()
    else:
        state, contents = packages.runs(d.variant)
        current = {**state.current, **{number: Member(1 - slot, b"") for number, slot in free.items()}}
        state = state._replace(current=current)
        versions = {c.number: c.version for c in of.components.values() if c.number in current}
    if rng.random() < 0.25:
        kind = rng.randrange(8)
        mine = d.signed_digest
        if kind == 0:
            sequence = rng.choice((0, 39, 40, 41, (1 << 32) - 1))
            digest = None if state.fresh else rng.choice((None, mine, bytes(32)))
            state = state._replace(sequence=sequence, manifest_digest=digest)
        elif kind == 1:
            state = state._replace(authorised=False)
        elif kind == 2:
            state = state._replace(battery_mwh=rng.choice((0, 299, 300, 500, 100_000)))
        elif kind == 3:
            state = state._replace(counters={number: rng.choice((0, 3, 4, 5, 9)) for number in COMPONENTS})
        elif kind == 4:
            key = rng.choice(("keys/packages", "keys/images", "keys/second-packages", "somebody/packages"))
            state = state._replace(revoked=(any_fast_signer(key).public.key_id.hex(),))
        elif kind == 5:
            state = state._replace(refused=rng.choice(((mine,), (bytes(32),), (bytes(32), mine))))
        elif kind == 6:
            trial = Trial(90, bytes(32), rng.random() < 0.8, 1, 1, {}, ())
            state = state._replace(trial=trial)
        else:
            state = state._replace(hardware=rng.choice((1, 2)), bootloader=rng.choice((Version(0, 9, 0), None)))
    if state.bootloader is not None:
        versions = {**versions, 0: state.bootloader}
    return free, Device(state, contents, versions, state.counters)


class InC:
    """The reader compiled as a library; hashes are BearSSL's, signatures Python's, which are remembered."""

    def __init__(self, folder: Path, variant: str, flags: tuple[str, ...], sources: Path) -> None:
        self.variant = VARIANTS[variant]
        of, trusted = product(self.variant, update=False), packages.trust(self.variant)
        crypto = build_crypto(folder / "crypto", "gcc", ("-O2", "-fPIC"), second=True)
        here = folder / variant
        write_config(of, here, trusted)
        target = here / "generated.so"
        compiler = ("gcc", "-std=c99", "-w", *flags, "-DSEAL_PIECE=1024u", "-fPIC")
        objects = (
            *(compiled(compiler, here, sources / name) for name in ("seal_image.c", "seal_package.c")),
            compiled(compiler, here, sources / "seal_bearssl.c", f"-I{bearssl() / 'inc'}"),
            compiled(compiler, here, HERE / "fuzz_record.c", f"-I{sources}"),
        )
        run([*compiler, "-shared", f"-I{here}", f"-I{sources}", HERE / "fuzz_shim.c", *objects, crypto, "-o", target])
        self.library = c.CDLL(str(target))
        self.library.fuzz_package.restype = c.c_uint32
        size = c.sizeof(Crypto) - (0 if self.variant.second else c.sizeof(c.c_void_p))
        own = Crypto()
        c.memmove(c.byref(own), c.addressof(c.c_char.in_dll(self.library, "seal_bearssl")), size)
        self._kept = VERIFY(self._verify), VERIFY_SECOND(self._verify_second)
        own.verify, own.verify_ml_dsa_44 = self._kept
        self.crypto = own

    def _verify(self, x: Any, y: Any, digest: Any, value: Any) -> int:
        good = _holds(c.string_at(x, 32), c.string_at(y, 32), c.string_at(digest, 32), c.string_at(value, 64))
        return CODE["verified"] if good else 0

    def _verify_second(self, key: Any, message: Any, length: int, value: Any) -> int:
        good = _second_holds(c.string_at(key, 1312), c.string_at(message, length), c.string_at(value, 2420))
        return CODE["verified"] if good else 0

    def judge(self, case: Case, free: dict[int, int]) -> str:
        """What an installer finds with these slots free."""
        of = product(self.variant, update=False)
        need = 2 if self.variant.several else 1
        state, running = states(of, need, case.device, free, development=case.development)
        code: int = self.library.fuzz_package(
            c.byref(state), c.byref(running), c.byref(self.crypto), case.raw, len(case.raw), None, 0
        )
        return NAMES.get(code, hex(code))


def remembered(verify: Callable[..., None]) -> Callable[..., None]:
    """The same function, asked once for the same arguments: sealed images are few here, and their signatures are not what is compared."""
    known: dict[tuple[object, ...], BadSignatureError | None] = {}

    def asked(*arguments: object) -> None:
        if arguments not in known:
            known[arguments] = None
            try:
                verify(*arguments)
            except BadSignatureError as error:
                known[arguments] = error
        found = known[arguments]
        if found is not None:
            raise found

    return asked


class Everybody:
    """Asks Python and C."""

    def __init__(self, folder: Path, flags: tuple[str, ...] = ("-O2",), sources: Path = SOURCES) -> None:
        vars(of_images)["verify"] = remembered(verify)
        self.in_c = {name: InC(folder, name, flags, sources) for name in VARIANTS}

    def ask(self, case: Case) -> Answer:
        variant = VARIANTS[case.variant]
        verdict = judge(
            ByteView(case.raw), "package", Context(
                product(variant, update=False), packages.trust(variant), case.device.state, case.device.contents,
                development=case.development,
            )
        )  # fmt: skip
        found = verdict.findings
        codes = tuple(dict.fromkeys(finding.code for finding in found))
        passed_over = None
        if found and all((finding.place.key or "").startswith("text") for finding in found):
            passed_over = TEXT
        elif "trust.idle-block" in codes:
            passed_over = IDLE
        free = case.free
        slots = itertools.product((0, 1), repeat=len(free))
        others = [choice for each in slots if (choice := dict(zip(free, each, strict=True))) != free]
        said = tuple(self.in_c[case.variant].judge(case, choice) for choice in (free, *others))
        unsigned = verdict.accepted and has_unsigned(case.raw)
        return Answer(verdict.accepted, codes, passed_over, said, unsigned)


def complaint(case: Case, answer: Answer) -> str | None:
    """What is wrong with two answers; None when they agree."""
    said = answer.said
    refusing = [code for code in said if code not in (ACCEPTED, NO_SLOT)]
    if answer.unsigned:
        return "unsigned bytes"
    if answer.passed_over is not None:
        return None
    if answer.accepted:
        if not case.device.state.fresh:
            return None if said[0] == ACCEPTED else "C refuses"
        return None if ACCEPTED in said and not refusing else "C refuses"  # one build may be enough
    if not answer.codes:
        return "Python refuses without a finding"
    if said[0] == ACCEPTED:  # the build for the other slot may be to blame, which only the tool looks at
        return None if refusing and WHOLE.isdisjoint(answer.codes) else "Python refuses"
    return None if any(same_class(code, answer.codes) for code in said if code != ACCEPTED) else "another code"


def same_class(said: str, codes: Iterable[str]) -> bool:
    """Whether C's code is one of Python's findings, or names what the tool has not come to, or both say that the shape is broken."""
    shape = said == OUTSIDE or said.startswith("structure.")
    groups = {code.split(".")[0] for code in codes}
    return (
        said in codes
        or any((code, said) in BY_ANOTHER_NAME for code in codes)
        or (shape and ("structure" in groups or OUTSIDE in codes))
        or (said == OUTSIDE and bool(groups & {"trust", "signature"}))  # the tool asks that of what is signed
        or (said in BEFORE_ITS_HEADER and bool(groups & {"structure", "trust", "signature"}))
    )


def has_unsigned(raw: bytes) -> bool:
    """Whether a payload's digest stands neither in the manifest nor in the install sequence, by another reader of CBOR."""
    import cbor2

    members = cbor2.loads(raw).value
    said = members[3] + members.get(20, b"")
    return any(hashlib.sha256(body).digest() not in said for key, body in members.items() if isinstance(key, str))


class Tally:
    """What a run has come to."""

    def __init__(self) -> None:
        self.codes: Counter[str] = Counter()
        self.twists: Counter[str] = Counter()
        self.wrong: dict[tuple[str, ...], list[int]] = {}

    def add(self, number: int, case: Case, answer: Answer) -> None:
        self.codes[answer.passed_over or answer.said[0]] += 1
        self.twists.update(case.twists)
        why = complaint(case, answer)
        if why is not None:
            kind = (why, " + ".join(case.twists), answer.codes[0] if answer.codes else ACCEPTED, *answer.said)
            self.wrong.setdefault(kind, []).append(number)

    def take(self, other: "Tally") -> None:
        self.codes.update(other.codes)
        self.twists.update(other.twists)
        for kind, numbers in other.wrong.items():
            self.wrong.setdefault(kind, []).extend(numbers)

    def __str__(self) -> str:
        lines = [f"  {code:<40}{count:>9}" for code, count in sorted(self.codes.items())]
        for kind, numbers in sorted(self.wrong.items(), key=lambda entry: min(entry[1])):
            lines.append(f"  DISAGREE {len(numbers):>6} first {min(numbers):>8}: {' | '.join(kind)}")
        return "\n".join(lines)


def many(everybody: Everybody, seed: int, numbers: Iterable[int]) -> Tally:
    tally = Tally()
    for number in numbers:
        case = make(seed, number)
        tally.add(number, case, everybody.ask(case))
    return tally


_EVERYBODY: Everybody | None = None


def _chunk(arguments: tuple[int, range]) -> Tally:
    assert _EVERYBODY is not None
    return many(_EVERYBODY, *arguments)


def main() -> int:
    global _EVERYBODY  # noqa: PLW0603 - each process has its own compiled code, loaded before it is forked
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--start", type=int, default=0, help="number of the first case")
    parser.add_argument("--case", type=int)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--sources", type=Path, default=SOURCES, help="C sources of another state")
    arguments = parser.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        _EVERYBODY = Everybody(Path(name), sources=arguments.sources)
        if arguments.case is not None:
            case = make(arguments.seed, arguments.case)
            show(case, _EVERYBODY)
            if arguments.keep is not None:
                arguments.keep.write_bytes(case.raw)
            return 0
        tally = Tally()
        step = 1000
        numbers = range(arguments.start, arguments.start + arguments.count)
        chunks = [(arguments.seed, numbers[at : at + step]) for at in range(0, len(numbers), step)]
        with ProcessPoolExecutor(arguments.jobs, multiprocessing.get_context("fork")) as pool:
            try:
                for done, part in enumerate(pool.map(_chunk, chunks), 1):
                    for kind in part.wrong.keys() - tally.wrong.keys():
                        print("DISAGREE", part.wrong[kind][0], *kind, sep=" | ", flush=True)
                    tally.take(part)
                    if done % 20 == 0:
                        print(f"{done * step} after {time.perf_counter() - began:.0f} s", flush=True)
            except Exception:
                print(f"ended early; of the cases before:\n{tally}")
                raise
    took = time.perf_counter() - began
    accepted = tally.codes[ACCEPTED] / max(1, tally.codes.total())
    print(f"{arguments.count} generated packages, seed {arguments.seed}: {accepted:.0%} accepted; {took:.0f} s")
    print(tally)
    return 1 if tally.wrong else 0


def show(case: Case, everybody: Everybody) -> None:
    from imgseal.formats.cbor.diagnose import diagnose
    from imgseal.formats.cbor.strict import decode

    answer = everybody.ask(case)
    print(case.variant, case.twists, "development" if case.development else "", "free", case.free)
    print(answer, complaint(case, answer))
    print(case.device.state)
    try:
        print(diagnose(decode(case.raw, "package", tags=frozenset({107, 18}))))
    except Exception as error:  # noqa: BLE001 - whatever it is, the bytes are shown
        print(type(error).__name__, error)


if __name__ == "__main__":
    sys.exit(main())
