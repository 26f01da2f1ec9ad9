"""What a report is made from: values that others have worked out, and what of it is verified."""

from typing import TYPE_CHECKING

from imgseal.device_state.device import DeviceState
from imgseal.findings import PASSED, Verdict
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.named_bill import text_of
from imgseal.formats.suit.text import Text
from imgseal.product.model import Product
from imgseal.records import NamedTuple
from imgseal.report.grounds import FAILED, NOT_SHOWN, SHOWN, Answer, NotShownError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgseal.compare.difference import Comparison
    from imgseal.flow.contents import Contents
    from imgseal.formats.sbom.bill import Bill
    from imgseal.formats.suit.envelope import Envelope
    from imgseal.keys.trusted_keys import Trust, TrustedKey
    from imgseal.paths.survey import Survey
    from imgseal.rehearse.cuts_text import Explored
    from imgseal.rehearse.play import Rehearsal
    from imgseal.window import Bytes


class Change(NamedTuple):
    """The package with one thing wrong, or on a device that must not take it: what was done, and what the judge said.

    `first` is the code of the first finding; None where the package was accepted all the same. `codes` are those that
    the one wrong thing has to bring: a refusal for another reason shows nothing, and without codes none fits.
    """

    what: str
    first: str | None
    codes: tuple[str, ...] = ()

    @property
    def fits(self) -> bool:
        """Whether the package was refused, and for what was wrong with it."""
        return self.first in self.codes


class Leaked(NamedTuple):
    """A private key in the package, and whether the product file says that it belongs there.

    `slot` is the run slot of the payload, or the member of the package that it lies in.
    """

    slot: str
    what: str
    offset: int
    allowed: bool


class Material(NamedTuple):
    """Everything that a report says, as values.

    `made` is the day, YYYY-MM-DD. `contents` and `envelope` are None where the package could not be read; `signers` are
    those whose signatures on the package hold. `state` is the device that the verdict is for, `held` what its slots
    hold. `changes` are judged for the same device, which takes the package as it is; empty where `untried` says why
    nothing was tried. `logged` says which entry of the release log it is, "" that it is none, None that no log is kept.
    `rehearsed_on` names the device of the rehearsal, `not_rehearsed` says why one that was asked for was not played;
    `explored` is how far every sequence of power cuts was played, of so many `cuts` (None: any); None where nobody
    asked.
    `paths` says who of the devices in the field can take it; None where no log says who is there.
    """

    tool: str
    made: str
    product: Product
    trust: "Trust"
    name: str
    size: int
    sha256: bytes
    verdict: Verdict
    signers: "tuple[TrustedKey, ...]"
    state: DeviceState
    held: "Mapping[str, Bytes]"
    envelope: "Envelope | None" = None
    contents: "Contents | None" = None
    bill: "Bill | None" = None
    changes: tuple[Change, ...] = ()
    untried: str | None = None
    leaks: tuple[Leaked, ...] = ()
    comparison: "Comparison | None" = None
    rehearsal: "Rehearsal | None" = None
    rehearsed_on: str | None = None
    logged: str | None = None
    not_rehearsed: str | None = None
    explored: "tuple[Explored, ...] | None" = None
    cuts: int | None = None
    paths: "Survey | None" = None

    def passed(self, name: str, subject: str = "package") -> bool:
        """Say whether a check of the package, or of an image (by its slot), ran and passed."""
        checks = [c for c in self.verdict.checks if c.name == name and c.subject == subject]
        return bool(checks) and all(c.outcome == PASSED for c in checks)

    def unverified(self) -> str | None:
        """Say why what the package says of itself counts for nothing; None where all of its signatures hold."""
        if self.contents is None:
            return "the package could not be read"
        if not self.passed("signature"):
            return "the signature of the package is not verified"
        if not self.contents.images:
            return "the package brings no sealed image"
        others = [c.subject for c in self.verdict.checks if c.name == "signature" and c.outcome != PASSED]
        bare = others or [slot for slot in self.contents.images if not self.passed("signature", slot)]
        return f"the signature of what is for {', '.join(bare)} is not verified" if bare else None

    def verified(self) -> "Contents":
        """Return the contents of a package whose signatures all hold; NotShownError where one does not."""
        why = self.unverified()
        if why is not None or self.contents is None:
            raise NotShownError(why)
        return self.contents

    def signed_text(self) -> Text | None:
        """Return the text, severed or inside the manifest, where the judge has verified it."""
        if self.envelope is None or not self.passed("severed") or not self.passed("signature"):
            return None
        try:
            text = text_of(self.envelope)
        except SuitError:
            return None
        return text if isinstance(text, dict) else None

    def by_development(self) -> bool:
        """Whether a development key has signed the package."""
        return any(key.development for key in self.signers)

    def tried(self, words: str, *codes: str) -> Answer:
        """Judge by what was tried, of the changes that have to bring one of the codes; without codes by all of them.

        Each has to be refused for what was wrong with it, and something has to be tried.
        """
        changes = [change for change in self.changes if not codes or set(change.codes) & set(codes)]
        if not changes:
            return NOT_SHOWN, f"not tried: {self.untried}" if self.untried is not None else "not tried"
        taken = [change.what for change in changes if change.first is None]
        if taken:
            return FAILED, f"accepted all the same: {'; '.join(taken)}"
        astray = [f"{change.what} ({change.first})" for change in changes if not change.fits]
        if astray:
            return NOT_SHOWN, f"refused for another reason than what was tried: {'; '.join(astray)}"
        return SHOWN, words
