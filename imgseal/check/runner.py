"""Runs checks in their order, records what did not run and why, and never lets an exception stand for an answer."""

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Generic, TypeVar

from imgseal.check.context import Context
from imgseal.findings import FAILED, NOT_RUN, PASSED, CheckResult, Finding
from imgseal.records import NamedTuple

Subject = TypeVar("Subject")


class NotRun(NamedTuple):
    """What a check returns when it cannot be answered; never a pass.

    `mandatory` False says that there is nothing to look at here, such as the vector table of data, and lets the
    verdict stand.
    """

    because: str
    mandatory: bool = True


NO_DUMP = NotRun("this is no slot dump", mandatory=False)


Answer = Finding | Iterable[Finding] | NotRun | None
"""What a check says: nothing is wrong, one thing is, several are, or it could not look."""


class Check(NamedTuple, Generic[Subject]):
    """One named step: its group, the checks that must have passed before it, and the function that looks."""

    name: str
    group: str
    needs: tuple[str, ...]
    look: Callable[[Subject, Context], Answer]


@lru_cache(maxsize=1024)
def _plain(
    name: str, group: str, label: str, outcome: str, because: str | None = None, mandatory: bool = True
) -> CheckResult:
    """Return a result without findings: most are the same for all artefacts, where there are many to judge."""
    return CheckResult(name, group, label, outcome, (), because, mandatory)


def run(order: Iterable[Check[Subject]], subject: Subject, context: Context, label: str) -> tuple[CheckResult, ...]:
    """Run every check of `order` on one subject; a check whose needs have not passed is recorded as not run."""
    results: list[CheckResult] = []
    passed: set[str] = set()
    for check in order:
        if not passed.issuperset(check.needs):
            missing = next(name for name in check.needs if name not in passed)
            because = f"needs {missing}, which has not passed"
            results.append(_plain(check.name, check.group, label, NOT_RUN, because))
            continue
        answer = check.look(subject, context)
        if isinstance(answer, NotRun):
            results.append(_plain(check.name, check.group, label, NOT_RUN, answer.because, answer.mandatory))
            if not answer.mandatory:
                passed.add(check.name)  # there was nothing to look at: it holds nothing up
        elif findings := () if answer is None else (answer,) if isinstance(answer, Finding) else tuple(answer):
            results.append(CheckResult(check.name, check.group, label, FAILED, findings))
        else:
            passed.add(check.name)
            results.append(_plain(check.name, check.group, label, PASSED))
    return tuple(results)
