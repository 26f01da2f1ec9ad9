"""What a PKCS#11 module answers, in words: return codes of PKCS#11 v2.40 section 11.1 with what to do about each.

Only the name of the answer is used. What a module or the loader writes beside it is not repeated, except the loader's
reason why a module could not be loaded.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from imgseal.errors import SigningKeyError

_ONCE = "it was tried once; check it before you try again: most tokens lock after a few wrong ones"
LOCKED = (
    "the token has locked its user PIN",
    "it takes no PIN until it is unlocked with the security officer's PIN, by the tool that came with the token",
)
_GONE = ("the token does not answer any more", "is it still connected? nothing was written")

_WORDS = {
    "PinIncorrect": ("the token refuses the PIN", _ONCE),
    "PinInvalid": ("the token refuses the PIN: it holds characters that no PIN of this token has", _ONCE),
    "PinLenRange": ("the token refuses the PIN: no PIN of this token has that length", _ONCE),
    "PinLocked": LOCKED,
    "PinExpired": ("the token's PIN has expired", "set a new one with the tool that came with the token"),
    "UserPinNotInitialized": ("the token has no user PIN yet", "set one with the tool that came with the token"),
    **dict.fromkeys(("TokenNotPresent", "TokenNotRecognised", "DeviceRemoved", "DeviceError"), _GONE),
    **dict.fromkeys(("SessionClosed", "SessionHandleInvalid"), _GONE),
    "TokenWriteProtected": (
        "the token is write-protected",
        "make it writable with the tool that came with it, or take another token",
    ),
    "DeviceMemory": ("the token has no room for another key", "take another token, or remove keys that nobody needs"),
    "KeyFunctionNotPermitted": (
        "this key may not sign (CKA_SIGN is false)",
        "take the key that was made for signing; imgseal key new URI makes one that does nothing else",
    ),
    "MechanismInvalid": (
        "the token does not do this with P-256",
        "it needs CKM_ECDSA, and for new keys CKM_EC_KEY_PAIR_GEN, with the curve secp256r1",
    ),
    "UserNotLoggedIn": ("the token asks for the PIN again", "close other programs that use the token"),
}


@contextmanager
def asking(doing: str) -> Iterator[None]:
    """Raise SigningKeyError for what a module answers inside; `doing` says what it is asked to do."""
    try:
        yield
    except Exception as error:  # noqa: BLE001 - the module's answers have no common root but this
        answer = type(error).__name__
        if str(error).endswith(" 0x68"):  # CKR_KEY_FUNCTION_NOT_PERMITTED, which the library has no class for
            answer = "KeyFunctionNotPermitted"
        unknown = f"the token could not {doing}", "the documentation of its module explains the answer"
        message, hint = _WORDS.get(answer, unknown)
        found = f"PKCS#11 answer {answer} when asked to {doing}"
        raise SigningKeyError(message, found=found, hint=hint) from None
