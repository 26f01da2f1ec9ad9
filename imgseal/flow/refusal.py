"""Refuses what the judge has not accepted, with its first finding, or with what kept it from one."""

from imgseal.errors import Place, RefusedError
from imgseal.findings import NOT_RUN, Verdict


def refuse_unless_accepted(
    verdict: Verdict,
    refused: str,
    undecided: str | None = None,
    *,
    file: str | None = None,
    hint: str | None = None,
    undecided_hint: str | None = None,
) -> None:
    """RefusedError with the first finding of a verdict, or with what kept the judge from one; `refused` says who it is.

    Where no check has found anything and one that has to pass did not run, that is no pass.
    """
    if verdict.accepted:
        return
    if not verdict.findings:
        check = next((each for each in verdict.checks if each.outcome == NOT_RUN and each.mandatory), None)
        because = "there were no checks" if check is None else f"the check {check.name} did not run: {check.because}"
        raise RefusedError(
            f"{undecided or refused}: {because}",
            place=Place(file=file),
            hint=undecided_hint or "imgseal check says more",
        )
    check = next(each for each in verdict.checks if each.findings)
    finding = check.findings[0]
    about = "" if check.subject in ("", "package") else f" ({check.subject})"
    raise RefusedError(
        f"{refused}: {finding.code}{about}: {finding.message}",
        place=finding.place if file is None else finding.place._replace(file=file),
        expected=finding.expected,
        found=finding.found,
        hint=finding.hint or hint or f"docs/checks.md explains {finding.code}",
    )


def refuse_unjudged(verdict: Verdict, what: str) -> None:
    """RefusedError unless the verdict on `what`, which was made here, lets it leave."""
    refuse_unless_accepted(
        verdict, f"imgseal's own judge refuses {what}", f"imgseal's own judge has no answer on {what}"
    )
