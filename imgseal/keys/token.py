"""PKCS#11 modules, tokens and sessions: chosen by RFC 7512 URIs, opened once a command, closed together.

The only user of the PKCS#11 library, which is loaded here on use. A PIN is asked for once a token, used for one login,
and never tried again when it was wrong.
"""

from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from imgseal.errors import Place, SigningKeyError
from imgseal.keys.hidden import HiddenText
from imgseal.keys.token_errors import LOCKED, asking
from imgseal.product.token_uri import TokenUri
from imgseal.records import NamedTuple

if TYPE_CHECKING:
    from pkcs11 import Session, Token


class PinRequest(NamedTuple):
    """Whose PIN is asked for. `last_try`: one more wrong PIN locks the token. `pad`: it is typed at the token."""

    label: str
    serial: str
    uri: TokenUri
    name: str
    last_try: bool
    pad: bool


class OpenToken(NamedTuple):
    """A token and a session on it; `pin` is there for keys that ask again at each signature, None for a PIN pad."""

    token: "Token"
    session: "Session"
    pin: HiddenText | None


class Desk:
    """The modules and sessions of one command; errors name no file.

    `ask` returns the PIN, or None once a person was told to type it.
    """

    __slots__ = ("_ask", "_modules", "_open")

    def __init__(self, ask: Callable[[PinRequest], HiddenText | None]) -> None:
        self._ask = ask
        self._modules: dict[str, Any] = {}
        self._open: dict[tuple[str, int], OpenToken] = {}

    def log_in(self, module: str, uri: TokenUri, name: str, *, write: bool = False) -> OpenToken:
        """Return a logged-in session on the one token that fits; SigningKeyError says why there is none."""
        token = self.token(module, uri)
        place = (module, token.slot.slot_id)
        if place not in self._open:
            self._open[place] = self._log_in(token, uri, name, write=write)
        return self._open[place]

    def look(self, module: str, uri: TokenUri) -> OpenToken:
        """Return a session that sees only what a token shows without PIN."""
        token = self.token(module, uri)
        with asking("open a session"):
            return OpenToken(token, token.open(), None)

    def token(self, module: str, uri: TokenUri) -> "Token":
        """Return the one token that the URI's attributes fit, uninitialised ones left out."""
        tokens = self._tokens(module)
        found = [token for token in tokens if _fits(self._modules[module], token, uri)]
        if len(found) == 1:
            return found[0]
        raise SigningKeyError(
            "several tokens fit this URI" if found else "no token fits this URI",
            expected="one token",
            found="; ".join(_described(token) for token in (found or tokens)[:8]) or f"{module} shows no token at all",
            hint="add serial= to the URI"
            if found
            else "connect the token, or correct token=, serial=, slot-id= or library-...=",
        )

    def close(self) -> None:
        """Log out and end the modules; what fails in that is over anyway."""
        self._open.clear()
        for module in self._modules.values():
            with suppress(Exception):  # the token may be gone; there is nothing left to do
                module.finalize()  # ends all sessions and logins of this process
        self._modules.clear()

    def _log_in(self, token: "Token", uri: TokenUri, name: str, *, write: bool) -> OpenToken:
        from pkcs11 import PROTECTED_AUTH, TokenFlag  # noqa: PLC0415 - only where there is a token

        flags = token.flags
        if flags & TokenFlag.USER_PIN_LOCKED:
            raise SigningKeyError(LOCKED[0], found=_described(token), hint=LOCKED[1])
        pin = None
        pad = bool(flags & TokenFlag.PROTECTED_AUTHENTICATION_PATH)
        if flags & TokenFlag.LOGIN_REQUIRED:
            last = bool(flags & TokenFlag.USER_PIN_FINAL_TRY)
            pin = self._ask(PinRequest(token.label, text_of(token.serial), uri, name, last, pad))
        with asking("log in"):
            if flags & TokenFlag.LOGIN_REQUIRED:
                return OpenToken(token, token.open(rw=write, user_pin=PROTECTED_AUTH if pad else pin), pin)
            return OpenToken(token, token.open(rw=write), None)

    def _tokens(self, module: str) -> "list[Token]":
        library = self._load(module)
        from pkcs11 import TokenFlag  # noqa: PLC0415 - only where there is a token

        tokens = []
        with asking("list its tokens"):
            for slot in library.get_slots(token_present=True):
                try:
                    token = slot.get_token()
                except Exception:  # noqa: BLE001, S112 - taken out meanwhile, or of a kind the module does not know
                    continue
                if token.flags & TokenFlag.TOKEN_INITIALIZED:
                    tokens.append(token)
        return tokens

    def _load(self, module: str) -> Any:
        if module in self._modules:
            return self._modules[module]
        try:
            import pkcs11  # noqa: PLC0415 - only where there is a token
        except ImportError:
            raise SigningKeyError(
                "this key is in a PKCS#11 token, and the library for tokens is not installed",
                expected="the Python package python-pkcs11",
                hint="install imgseal with it: pip install 'imgseal[token]'",
            ) from None
        try:
            self._modules[module] = pkcs11.lib(module)
        except Exception as error:  # noqa: BLE001 - the module's answers have no common root but this
            reason = str(error).rpartition(f"{module}: ")[2] or f"PKCS#11 answer {type(error).__name__}"
            raise SigningKeyError(
                "this PKCS#11 module does not load",
                place=Place(file=module),
                expected="the shared library that came with the token",
                found=reason,
                hint="is it built for this machine, and is its own configuration in order? IMGSEAL_PKCS11_MODULE or "
                "module-path names it",
            ) from None
        return self._modules[module]


def _fits(library: Any, token: "Token", uri: TokenUri) -> bool:
    """Hold a token and its module against the attributes of RFC 7512 section 2.3 that speak of them."""
    slot = token.slot
    pairs = (
        (uri.library_manufacturer, library.manufacturer_id),
        (uri.library_description, library.library_description),
        (uri.library_version, library.library_version),
        (uri.token, token.label),
        (uri.manufacturer, token.manufacturer_id),
        (uri.serial, text_of(token.serial)),
        (uri.model, token.model),
        (uri.slot_id, slot.slot_id),
        (uri.slot_description, slot.slot_description),
        (uri.slot_manufacturer, slot.manufacturer_id),
    )
    return all(wanted is None or wanted == there for wanted, there in pairs)


def _described(token: "Token") -> str:
    return f"token={token.label} serial={text_of(token.serial)} slot-id={token.slot.slot_id}"


def text_of(value: bytes) -> str:
    """Return a text of the module's without what it is filled up with."""
    return value.decode("utf-8", "replace").strip("\0 ")
