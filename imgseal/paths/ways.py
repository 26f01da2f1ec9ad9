"""The ways of devices to a release: at once, through releases in between, or none and why.

What a device takes is asked of the judge. A device takes later releases alone, so that every way rises in sequence, and
what is known of the later releases is enough to find the shortest way from an earlier one.
"""

from collections.abc import Callable, Iterable

from imgseal.findings import NOT_RUN, Finding, Verdict
from imgseal.limits import STEPS_TRIED
from imgseal.paths.history import Device, History, Release
from imgseal.records import NamedTuple

RUNS, DIRECT, THROUGH, MISSING, BLOCKED = "runs", "direct", "through", "missing", "blocked"
RUNS_LATER, OTHER_VARIANT, NOBODY = "runs-later", "other-variant", "nobody"
ANSWERS = {
    RUNS: "runs it",
    DIRECT: "takes it",
    THROUGH: "takes it through releases in between",
    MISSING: "not known: packages of releases in between are missing",
    BLOCKED: "cannot take it",
    RUNS_LATER: "has a later release",
    OTHER_VARIANT: "is another variant, which it is not for",
    NOBODY: "nobody has this release: no device could take it",
}
"""What can be answered for a device, and in words."""
_WAYS = frozenset({DIRECT, THROUGH})
BEHIND = frozenset({MISSING, BLOCKED})
"""The answers of devices that are left behind."""

_WORDS = {
    "rollback.counter": "counter",
    "rollback.sequence": "sequence",
    "rollback.withdrawn": "withdrawn",
    "rules.requirement": "needs",
    "trust": "keys",
    "signature.wrong-key": "keys",
    "placement": "layout",
    "signature": "signature",
    "identity.wrong-hardware": "hardware",
    "identity": "identity",
}


class Why(NamedTuple):
    """Why a device refuses a package: a word for it, and what the judge found; None where a check could not run."""

    word: str
    finding: Finding | None


class Answer(NamedTuple):
    """What a device makes of the release: one of ANSWERS, the releases in between, why not, and what is unsaid."""

    word: str
    through: tuple[Release, ...] = ()
    why: tuple[Why, ...] = ()
    unsaid: tuple[str, ...] = ()


class Target(NamedTuple):
    """The package that is asked about: manifest, sequence, the class, variant and hardware revisions that it is for."""

    manifest: bytes
    sequence: int
    line: tuple[bytes, str]
    hardware: tuple[int, int] | None = None


Asked = Callable[[Device, Release | None], Verdict]
"""Judges the package of a release for a device, None for the one that is asked about."""


class Ways:
    """Answers for the devices of a history; `there` says whether the package of a release can be judged."""

    def __init__(self, history: History, target: Target, asked: Asked, there: Callable[[Release], bool]) -> None:
        self._history = history
        self._target = target
        self._ask = asked
        self._there = there
        self._answers: dict[Device, Answer] = {}
        self._fielded: dict[bytes, tuple[Device, ...]] = {}
        self._verdicts: dict[tuple[Device, bytes], Verdict] = {}

    def fielded(self, release: Release) -> tuple[Device, ...]:
        """Return the devices that run a release: new ones, and those that have taken it over an earlier one.

        A device keeps trust anchors, bootloader and layout that it left the factory with, and what the release does not
        bring. Where its package cannot be judged every device of its channel counts as one that has taken it. To be
        asked of the earlier releases first.
        """
        if release.manifest not in self._fielded:
            first = self._history.first_devices(release, self._target.hardware)
            found = {(each.made, each.images, each.hardware): each for each in first}
            there = self._there(release)
            earlier = sorted(self._history.before(release), key=lambda each: -each.sequence)
            for device in (d for each in earlier[:STEPS_TRIED] for d in self.fielded(each)):
                came = self._history.after(device, release, None)
                known = (came.made, came.images, came.hardware) in found
                if known or not (there or device.release.channel in ("", release.channel)):
                    continue
                if there:
                    verdict = self._asked(device, release)
                    if not verdict.accepted:
                        continue
                    came = self._history.after(device, release, verdict.installs)
                found.setdefault((came.made, came.images, came.hardware), came)
            self._fielded[release.manifest] = tuple(found.values())
        return self._fielded[release.manifest]

    def _asked(self, device: Device, release: Release | None) -> Verdict:
        key = device, b"" if release is None else release.manifest
        if key not in self._verdicts:
            self._verdicts[key] = self._ask(device, release)
        return self._verdicts[key]

    def answer(self, device: Device) -> Answer:
        """Return the answer for a device; to be asked of the later releases first."""
        if device not in self._answers:
            self._answers[device] = self._answer(device)
        return self._answers[device]

    def with_anchors(self, device: Device) -> Answer:
        """Return the answer, and say where a trust anchor set makes it another one: who has taken it nobody knows."""
        answer, given = self.answer(device), self._history.given_anchors(device)
        if given is None or answer.word not in (*_WAYS, *BEHIND):
            return answer
        then = self.answer(given[1])
        if (then.word in _WAYS) == (answer.word in _WAYS):
            return answer
        words = ANSWERS[then.word] + "".join(f", {each.word}" for each in then.why[:1] if then.word == BLOCKED)
        return answer._replace(unsaid=(*answer.unsaid, f"with the trust anchor set of entry {given[0]}: {words}"))

    def _answer(self, device: Device) -> Answer:
        target, release = self._target, device.release
        if release.manifest == target.manifest:
            return Answer(RUNS)
        verdict = self._asked(device, None)
        if verdict.accepted:
            return Answer(DIRECT, unsaid=tuple(dict.fromkeys(_unsaid(verdict))))
        why = tuple(dict.fromkeys(_reasons(verdict)))
        if release.line != target.line:
            return Answer(OTHER_VARIANT, why=why)
        if release.sequence > target.sequence:
            return Answer(RUNS_LATER, why=why)
        through = self._through(device, why)
        return through or Answer(BLOCKED if verdict.findings else MISSING, why=why)

    def _through(self, device: Device, why: tuple[Why, ...]) -> Answer | None:
        """Look for the way with the fewest steps, and of these for the one over the newest releases."""
        later = [
            each
            for each in self._history.of_line(device.release.line)
            if device.release.sequence < each.sequence < self._target.sequence
            and each.manifest not in self._history.withdrawn
        ]
        best: Answer | None = None
        missing: Answer | None = None
        for release in sorted(later, key=lambda each: -each.sequence)[:STEPS_TRIED]:
            if not self._there(release):
                if missing is None and self.answer(self._history.after(device, release, None)).word in (
                    DIRECT,
                    THROUGH,
                ):
                    missing = Answer(MISSING, (release,), why)
                continue
            verdict = self._asked(device, release)
            if not verdict.accepted:
                continue
            rest = self.answer(self._history.after(device, release, verdict.installs))
            if rest.word == DIRECT:
                return Answer(THROUGH, (release,), why, rest.unsaid)
            if rest.word == THROUGH and (best is None or len(rest.through) < len(best.through) - 1):
                best = Answer(THROUGH, (release, *rest.through), why, rest.unsaid)
        return best or missing


def _reasons(verdict: Verdict) -> Iterable[Why]:
    for finding in verdict.findings:
        word = next((word for start, word in _WORDS.items() if finding.code.startswith(start)), None)
        if word == "needs" and (finding.expected or "").startswith("bootloader "):
            word = "bootloader"
        yield Why(word or finding.code.partition(".")[0], finding._replace(place=finding.place._replace(offset=None)))
    if not verdict.findings:
        for check in verdict.checks:
            if check.outcome == NOT_RUN and check.mandatory:
                yield Why(f"{check.name} did not run: {check.because}", None)


def _unsaid(verdict: Verdict) -> Iterable[str]:
    """Yield what the judge accepts and nothing here can decide: bootloaders of which the log does not say enough."""
    for check in verdict.checks:
        if check.name == "requirements" and check.outcome == NOT_RUN and check.because:
            yield check.because
