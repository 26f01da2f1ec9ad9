"""What observations rest on: which checks of the judge passed, what is verified, and what was tried and refused."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from imgseal.findings import PASSED
from imgseal.formats.suit.errors import SuitError
from imgseal.formats.suit.named_bill import text_of
from imgseal.formats.suit.text import Text
from imgseal.report.inputs import Change, Material

if TYPE_CHECKING:
    from imgseal.flow.contents import Contents

SHOWN, IN_PART, STATED, NOT_SHOWN, FAILED = "shown", "in part", "stated", "not shown", "failed"

Answer = tuple[str, str]
"""An answer, and the words that go with it."""


def signed_text(m: Material) -> Text | None:
    """Return the text, severed or inside the manifest, where the judge has verified it."""
    if m.envelope is None or not passed(m, "severed", "package") or not passed(m, "signature", "package"):
        return None
    try:
        text = text_of(m.envelope)
    except SuitError:
        return None
    return text if isinstance(text, dict) else None


def tried(m: Material, changes: Iterable[Change], words: str) -> Answer:
    """Judge by what was tried: each has to be refused for what was wrong with it, and something has to be tried."""
    changes = tuple(changes)
    if not changes:
        return NOT_SHOWN, f"not tried: {m.untried}" if m.untried is not None else "not tried"
    taken = [change.what for change in changes if change.first is None]
    if taken:
        return FAILED, f"accepted all the same: {'; '.join(taken)}"
    astray = [f"{change.what} ({change.first})" for change in changes if not change.fits]
    if astray:
        return NOT_SHOWN, f"refused for another reason than what was tried: {'; '.join(astray)}"
    return SHOWN, words


def count(number: int, what: str) -> str:
    """Say how many, with the plural where there is none or several."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def passed(m: Material, name: str, subject: str) -> bool:
    """Say whether a check of the package (subject `package`) or of an image (its slot) ran and passed."""
    checks = [c for c in m.verdict.checks if c.name == name and c.subject == subject]
    return bool(checks) and all(c.outcome == PASSED for c in checks)


def unverified(m: Material) -> str | None:
    """Say why what the package says of itself counts for nothing; None where all of its signatures hold."""
    if m.contents is None:
        return "the package could not be read"
    if not passed(m, "signature", "package"):
        return "the signature of the package is not verified"
    if not m.contents.images:
        return "the package brings no sealed image"
    others = [c.subject for c in m.verdict.checks if c.name == "signature" and c.outcome != PASSED]
    bare = others or [slot for slot in m.contents.images if not passed(m, "signature", slot)]
    if bare:
        return f"the signature of what is for {', '.join(bare)} is not verified"
    return None


class NotShownError(Exception):
    """Why something is not shown: what it would rest on is not there, or not verified."""


def only_if(condition: object, why: str) -> None:
    """NotShownError with the reason, unless a condition holds that an observation rests on."""
    if not condition:
        raise NotShownError(why)


def verified(m: Material) -> "Contents":
    """Return the contents of a package whose signatures all hold; NotShownError where one does not."""
    why = unverified(m)
    if why is not None or m.contents is None:
        raise NotShownError(why)
    return m.contents


def by_development(m: Material) -> bool:
    """Whether a development key has signed the package."""
    return any(key.development for key in m.signers)
