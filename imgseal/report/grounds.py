"""What an observation can answer, and how it says that what it would rest on is not there."""

SHOWN, IN_PART, STATED, NOT_SHOWN, FAILED = "shown", "in part", "stated", "not shown", "failed"

Answer = tuple[str, str]
"""An answer, and the words that go with it."""


class NotShownError(Exception):
    """Why something is not shown: what it would rest on is not there, or not verified."""


def only_if(condition: object, why: str) -> None:
    """NotShownError with the reason, unless a condition holds that an observation rests on."""
    if not condition:
        raise NotShownError(why)


def count(number: int, what: str) -> str:
    """Say how many, with the plural where there is none or several."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
