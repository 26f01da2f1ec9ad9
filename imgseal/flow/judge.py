"""Judge an artefact as the device in a state would: bytes in, a verdict out."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from imgseal.check.context import Context
from imgseal.check.judge import judge as run_judge
from imgseal.device_state.device import DeviceState
from imgseal.errors import Place, RefusedError
from imgseal.findings import NOT_RUN, Verdict
from imgseal.keys.trusted_keys import Trust
from imgseal.product.model import Product
from imgseal.window import Bytes

if TYPE_CHECKING:
    from imgseal.formats.trust_anchors.codec import AnchorSet


def judge(
    data: Bytes,
    name: str,
    product: Product,
    trust: Trust,
    state: DeviceState,
    *,
    contents: Mapping[str, Bytes] | None = None,
    device: str = "a fresh device",
    development: bool = False,
    slot: str | None = None,
    payload: Bytes | None = None,
    partial: bool = False,
    day: str | None = None,
    anchors: "AnchorSet | None" = None,
) -> Verdict:
    """Judge an artefact as the device in `state` would; never raises on what the artefact holds.

    `partial` leaves requirements on components that a package does not bring to the device. Keys have to be in force
    on `day`, YYYY-MM-DD in UTC; None leaves their dates out, as a device does. `anchors` is the set of trust anchors
    that the device has been given since it left the factory; `trust` has to be the same one's.
    """
    context = Context(
        product,
        trust,
        state,
        contents or {},
        development=development,
        slot=slot,
        whole_set=not state.fresh,
        partial=partial,
        day=day,
        anchors=anchors,
    )
    return run_judge(data, name, context, device, payload)


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
    finding = verdict.findings[0]
    raise RefusedError(
        f"{refused}: {finding.code}: {finding.message}",
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
