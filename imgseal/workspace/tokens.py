"""Opens keys in PKCS#11 tokens: finds module and PIN, and keeps the open sessions of a command.

The module comes from the URI's module-path on a command line, else from the environment; the PIN from the URI's
pin-source, else from the environment, else from a hidden prompt. Neither is ever an argument.
"""

import os
import sys
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, SigningKeyError, UsageError
from imgseal.keys.hidden import Hidden, HiddenText
from imgseal.product.token_uri import BadTokenUriError, TokenUri, parse
from imgseal.workspace.files import read_bounded
from imgseal.workspace.session import ask_secret, session_now

if TYPE_CHECKING:
    from imgseal.keys.token import Desk, PinRequest
    from imgseal.keys.token_key import TokenSigner

MODULE_VARIABLE = "IMGSEAL_PKCS11_MODULE"
PIN_VARIABLE = "IMGSEAL_PIN"
_PIN_BYTES = 256


def read_uri(reference: str) -> TokenUri:
    """Read a URI of a command line; UsageError never quotes it, since there may be a PIN in it."""
    try:
        return parse(reference)
    except BadTokenUriError as error:
        raise UsageError(
            f"this PKCS#11 URI cannot be used: {error}",
            expected=error.expected,
            hint=error.hint or "docs/keys.md shows URIs that work",
        ) from None


def uri_name(uri: TokenUri) -> str:
    """Return how messages name the key: the URI without its query."""
    return str(uri.key_part())


def token_signer(reference: str) -> "TokenSigner":
    """Open the signer of a key in a token; SigningKeyError says in words why it cannot be opened."""
    uri = read_uri(reference)
    module = module_of(uri)
    from imgseal.keys.token_key import open_signer

    return open_signer(desk(), module, uri, uri_name(uri))


def module_of(uri: TokenUri) -> str:
    """Return the module's path, from the URI or the environment."""
    module = uri.module_path if uri.module_path is not None else os.environ.get(MODULE_VARIABLE)
    if not module:
        raise SigningKeyError(
            "this key is in a PKCS#11 token, and nothing says which module reaches it",
            place=Place(file=uri_name(uri)),
            expected="the path of the shared library that came with the token",
            hint=f"set the environment variable {MODULE_VARIABLE} to it",
        )
    if not os.path.isabs(module):
        raise SigningKeyError(
            "the path of the PKCS#11 module is not absolute: which code is loaded would depend on the folder",
            place=Place(file=uri_name(uri)),
            expected="a path that starts at the root",
            found=module,
            hint=f"give the whole path in {MODULE_VARIABLE} or module-path",
        )
    return module


def desk() -> "Desk":
    """Return the session's desk; it is closed when the command ends, however it ends."""
    from imgseal.keys.token import Desk

    now = session_now()
    if now.desk is None:
        now.desk = Desk(_Pins().ask)
        now.closing.callback(now.desk.close)
    return now.desk


class _Pins:
    """Asks for PINs; what a descriptor has given once serves every token that names it."""

    __slots__ = ("_given",)

    def __init__(self) -> None:
        self._given: dict[str, HiddenText] = {}

    def __repr__(self) -> str:
        return "_Pins()"

    def ask(self, request: "PinRequest") -> HiddenText | None:
        """Return the PIN; None where it is typed at the token."""
        who = request.label or request.serial
        if request.pad:
            sys.stderr.write(f"imgseal: type the PIN for {who} at the token\n")
            return None
        source = request.uri.pin_source
        automatic = source is not None or PIN_VARIABLE in os.environ
        if automatic and request.last_try:
            raise SigningKeyError(
                "one more wrong PIN locks this token, so none is tried unseen",
                place=Place(file=request.name),
                found=f"the last try, for {who}",
                hint=f"run imgseal in a terminal, without {PIN_VARIABLE} and pin-source, and type it with care",
            )
        if source is not None:
            if source not in self._given:
                self._given[source] = _from_source(source, request.name)
            return self._given[source]
        if automatic:
            return _checked(Hidden(os.environb[PIN_VARIABLE.encode()]), PIN_VARIABLE)
        if not os.isatty(0):
            raise SigningKeyError(
                "this key is in a token, and there is nobody to ask for the PIN",
                place=Place(file=request.name),
                hint=f"run imgseal in a terminal, set {PIN_VARIABLE}, or add pin-source=fd:3 to the URI",
            )
        more = " (the last try before it locks)" if request.last_try else ""
        return HiddenText(ask_secret(f"PIN for token {who}{more}"))


def _from_source(source: str, name: str) -> HiddenText:
    kind, _, rest = source.partition(":")
    if kind == "fd" and rest.isascii() and rest.isdigit() and len(rest) <= 4 and rest not in ("1", "2"):
        return _checked(_from_descriptor(int(rest), name), source)
    path = rest.removeprefix("//localhost").removeprefix("//")
    if kind == "file" and path.startswith("/"):
        return _checked(_from_file(path), source)
    raise SigningKeyError(
        "this pin-source is not one that imgseal reads",
        place=Place(file=name),
        expected="fd:NUMBER, an open file descriptor, or file:/PATH",
        found=f"{kind}:..." if kind in ("fd", "file") else "something else, not shown: it may be the PIN itself",
        hint="programs named in a URI are not run; give their output to a descriptor: 3< <(program)",
    )


def _from_descriptor(number: int, name: str) -> Hidden:
    data = Hidden()
    try:
        while len(data) <= _PIN_BYTES and data.find(b"\n") < 0 and (piece := os.read(number, _PIN_BYTES + 1)):
            data = Hidden(data + piece)
            del piece
    except OSError as error:
        raise SigningKeyError(
            "cannot read the PIN from this file descriptor",
            place=Place(file=name),
            expected=f"descriptor {number} open for reading",
            found=error.strerror,
            hint=f"open it for imgseal: {number}< FILE",
        ) from None
    return data


def _from_file(path: str) -> Hidden:
    try:
        mode = os.stat(path).st_mode
        if mode & 0o077:
            raise SigningKeyError(
                "others can read this PIN file",
                place=Place(file=path),
                expected="a file for its owner alone, mode 0600 or 0400",
                found=f"mode {mode & 0o777:04o}",
                hint="chmod 600 it, and think about changing the PIN",
            )
        return Hidden(read_bounded(path, "PIN file", _PIN_BYTES))
    except OSError as error:
        found = error.strerror
    except InputError as error:
        found = error.found
    raise SigningKeyError(
        "cannot read this PIN file", place=Place(file=path), found=found, hint="check the name and the permissions"
    )


def _checked(data: Hidden, source: str) -> HiddenText:
    """Return the first line as text; an empty PIN would cost one of the tries."""
    line = Hidden(data.split(b"\n", 1)[0].removesuffix(b"\r"))
    try:
        text = HiddenText(line.decode("utf-8"))
    except UnicodeDecodeError:
        text = HiddenText()
    if not text or len(line) >= _PIN_BYTES:
        raise SigningKeyError(
            "there is no usable PIN there",
            place=Place(file=source),
            expected="a line of 1 to 255 bytes of UTF-8",
            found="an empty one" if not line else "something else",
            hint="put the PIN there, in one line; nothing was sent to the token",
        )
    return text
