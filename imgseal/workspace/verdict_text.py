"""A verdict as text for people: the answer first, then what was found, then what was looked at."""

from collections.abc import Iterator

from imgseal.errors import visible
from imgseal.findings import FAILED, GROUPS, NOT_RUN, PASSED, Finding, Verdict

_WIDTH = 100


def verdict_lines(verdict: Verdict, product_file: str, *, every_check: bool = False) -> Iterator[str]:
    """Yield the lines of a verdict without line ends; with `every_check` each check has a line of its own.

    The product file is named because it says whom to trust, and may have been found in a parent folder. No name or
    text of a stranger in them can act on a terminal.
    """
    return map(visible, _verdict_lines(verdict, product_file, every_check=every_check))


def _verdict_lines(verdict: Verdict, product_file: str, *, every_check: bool) -> Iterator[str]:
    answer = "accepted" if verdict.accepted else "refused"
    yield f"{answer}, for {verdict.device}: {verdict.name}"
    for label, text in verdict.details:
        yield f"  {label:<9} {text}"
    yield f"  judged by {product_file}"
    if verdict.bootloader is not None:
        yield f"  fielded   {verdict.bootloader.words}"
    if verdict.layout is not None:
        yield f"  layout    {verdict.layout.words}"
    undecided = dict.fromkeys(
        check.because
        for check in verdict.checks
        if check.name == "requirements" and check.outcome == NOT_RUN and check.because and not check.mandatory
    )
    for note in (*verdict.notes, *undecided):
        yield f"  note      {note}"
    for check in verdict.checks:
        for finding in check.findings:
            yield ""
            yield from finding_lines(finding, check.subject)
    if not verdict.accepted and not verdict.findings:
        for check in verdict.checks:
            if check.outcome == NOT_RUN and check.mandatory:
                yield ""
                yield f"  not run ({check.name}): {check.because}"
        yield ""
    if verdict.findings:
        yield ""
    if every_check:
        yield from _check_lines(verdict)
    else:
        yield from _summary(verdict)


def finding_lines(finding: Finding, subject: str) -> Iterator[str]:
    """Yield a finding: code and message, then place, expected, found and what to do."""
    about = f" ({subject})" if subject else ""
    yield visible(f"  {finding.code}{about}: {finding.message}")
    for label, text in (
        ("where", str(finding.place)),
        ("expected", finding.expected),
        ("found", finding.found),
        ("hint", finding.hint),
    ):
        if text:
            yield visible(f"    {label + ':':<10}{text}")


def _summary(verdict: Verdict) -> Iterator[str]:
    """Yield how many checks of each group passed, failed or did not run, on lines that fit a terminal."""
    line = "  checks    "
    words = list(_group_words(verdict))
    for number, word in enumerate(words):
        piece = word + (";" if number < len(words) - 1 else "")
        if len(line) + len(piece) > _WIDTH:
            yield line.rstrip()
            line = " " * 12
        line += piece + " "
    yield line.rstrip()


def _group_words(verdict: Verdict) -> Iterator[str]:
    for group in GROUPS:
        asked = [c.outcome for c in verdict.checks if c.group == group and (c.mandatory or c.outcome != NOT_RUN)]
        counts = [f"{asked.count(outcome)} {outcome}" for outcome in (PASSED, FAILED, NOT_RUN) if outcome in asked]
        if counts:
            yield f"{group} {', '.join(counts)}"


def _check_lines(verdict: Verdict) -> Iterator[str]:
    subject = None
    for check in verdict.checks:
        if check.subject != subject:
            subject = check.subject
            yield f"  {subject or 'checks'}"
        because = f" ({check.because})" if check.because else ""
        yield f"    {check.group:<10}{check.name:<16}{check.outcome}{because}"
