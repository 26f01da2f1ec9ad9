"""What a report is made from: values that others have worked out, and nothing that has still to be looked up."""

from typing import TYPE_CHECKING

from imgseal.device_state.device import DeviceState
from imgseal.findings import Verdict
from imgseal.product.model import Product
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

    from imgseal.compare.difference import Comparison
    from imgseal.flow.contents import Contents
    from imgseal.formats.sbom.bill import Bill
    from imgseal.formats.suit.envelope import Envelope
    from imgseal.keys.trusted_keys import Trust, TrustedKey
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
    `rehearsed_on` names the device of the rehearsal, `not_rehearsed` says why one that was asked for was not played.
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
