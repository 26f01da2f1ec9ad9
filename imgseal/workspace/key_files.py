"""Private keys in files: opened for signing, unlocked by pass phrase, refused where others can open them."""

import os
from collections.abc import Callable
from typing import TYPE_CHECKING

from imgseal.errors import InputError, Place, SigningKeyError
from imgseal.limits import KEY_FILE_BYTES
from imgseal.product.references import is_token_uri
from imgseal.workspace.files import read_bounded
from imgseal.workspace.session import ask_secret
from imgseal.workspace.staging import Output

if TYPE_CHECKING:
    from imgseal.keys.hidden import Hidden
    from imgseal.keys.public_key import AnyKey, AnyPrivateKey
    from imgseal.keys.signer import Signer

PASSPHRASE_VARIABLE = "IMGSEAL_PASSPHRASE"  # noqa: S105 - the variable's name, not its value


def new_key(path: str, *, development: bool) -> str:
    """Return the command that makes a key pair; development keys have no pass phrase."""
    return f"imgseal key new {'--no-passphrase ' if development else ''}{quoted(path)}"


def quoted(path: str) -> str:
    """Return a path as a shell takes it: printed commands are copied, and product files come from others."""
    from shlex import quote

    return quote(path)


def held_elsewhere(path: str, reference: str, key: str) -> str | None:
    """Say what to do about a private key that is not there and whose public half is: a new pair is no answer then."""
    if not os.path.exists(path.removesuffix(".pem") + ".pub.pem"):
        return None
    public = reference.removesuffix(".pem") + ".pub.pem"
    return f'put it there; or, if others hold it: {key} = "{public}" and imgseal build --sign-later'


def open_signer(path: str) -> "Signer":
    """Open a signing key by its file name or PKCS#11 URI; SigningKeyError where it cannot be read or cannot sign."""
    if is_token_uri(path):
        from imgseal.workspace.tokens import token_signer

        return token_signer(path)

    data = key_file(path, "check the name and the permissions")
    if b"PRIVATE KEY-----" not in data:
        raise SigningKeyError(
            "this is no private key",
            place=Place(file=path),
            expected="a private key in PEM",
            found="a public key" if b"PUBLIC KEY-----" in data else "something else",
            hint="name the private key; the public half cannot sign",
        )
    refuse_open(data, path)
    return opened(data, path)


def open_to_others(path: str) -> int:
    """Return the permission bits of a file that others than its owner may open; 0 where only the owner may."""
    mode = os.stat(path).st_mode & 0o777 if os.name == "posix" else 0
    return mode if mode & 0o077 else 0


def refuse_open(data: bytes, path: str) -> None:
    """SigningKeyError where others can open the file of a private key, encrypted or not: it is as good as theirs."""
    mode = open_to_others(path)
    if mode and b"PRIVATE KEY-----" in data:
        raise SigningKeyError(
            "others on this machine can open this private key",
            place=Place(file=path),
            expected="mode 0600: the owner alone",
            found=f"mode {mode:04o}",
            hint=f"chmod 600 {quoted(path)}; or, where it cannot be changed: install -m 600 {quoted(path)} COPY",
        )


def key_file(path: str, hint: str, message: str = "cannot read the signing key") -> bytes:
    """Read a key's file, hidden from tracebacks; SigningKeyError with this message where it cannot be read."""
    from imgseal.keys.hidden import hidden

    try:
        return hidden(read_bounded(path, "key", KEY_FILE_BYTES))
    except InputError as error:
        raise SigningKeyError(
            message, place=Place(file=path), expected=error.expected, found=error.found, hint=hint
        ) from None


def public_key(path: str) -> "AnyKey":
    """Read a public key; InputError where its file cannot be read."""
    from imgseal.keys.pem import load_public

    return load_public(read_bounded(path, "public key", KEY_FILE_BYTES), path)


def opened(data: bytes, path: str, role: str | None = None) -> "Signer":
    """Return the signer of a private key, or of a public one whose private half is held elsewhere."""
    from imgseal.keys.pem import load_private, load_public
    from imgseal.keys.signer import file_signer

    if b"-----BEGIN PUBLIC KEY-----" in data:
        from imgseal.keys.remote_signer import LaterSigner

        return LaterSigner(load_public(data, path), path)
    return file_signer(load_private(data, path, unlock(path, role)), path)


def unlock(path: str, role: str | None = None) -> Callable[[], "Hidden"]:
    """Return a function that asks for the pass phrase of a key file: from the environment, else at the terminal.

    The two roles may have variables of their own, so that one pass phrase does not open both keys.
    """

    def ask() -> "Hidden":
        from imgseal.keys.hidden import Hidden

        given = os.environ.get(PASSPHRASE_VARIABLE)
        if role is not None:
            given = os.environ.get(f"{PASSPHRASE_VARIABLE}_{role.upper()}", given)
        if given is not None:
            return Hidden(given.encode())
        if not os.isatty(0):
            raise SigningKeyError(
                "this key is encrypted, and there is nobody to ask for its pass phrase",
                place=Place(file=path),
                hint=f"set {PASSPHRASE_VARIABLE}{'' if role is None else f' or {PASSPHRASE_VARIABLE}_{role.upper()}'}, "
                "or run imgseal in a terminal",
            )
        return Hidden(ask_secret(f"Pass phrase for {path}").encode())

    return ask


def key_outputs(stem: str, private: "AnyPrivateKey", passphrase: "Hidden | None" = None) -> list[Output]:
    """Return the two files of a new key pair, STEM.pem and STEM.pub.pem."""
    from imgseal.keys.pem import encode_private, encode_public
    from imgseal.keys.signer import file_signer

    public = file_signer(private, stem).public
    return [
        Output(f"{stem}.pem", [encode_private(private, passphrase)], mode=0o600, replace=False),
        Output(f"{stem}.pub.pem", [encode_public(public)], replace=False),
    ]
