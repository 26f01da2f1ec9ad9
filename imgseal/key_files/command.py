"""`imgseal key`: make key files, and look at them without showing anything secret."""

import os
from collections.abc import Callable
from contextlib import suppress

import click

from imgseal.errors import Place, SigningKeyError, UsageError
from imgseal.keys.hidden import Hidden
from imgseal.keys.pem import encode_public, generate, load_private, load_public
from imgseal.keys.public_key import AnyKey
from imgseal.keys.published import origin_of
from imgseal.keys.signer import file_signer, sign_and_verify
from imgseal.product.algorithms import ALGORITHMS, KEY_NAMES, P256
from imgseal.product.references import is_token_uri
from imgseal.workspace.files import existing, write_all
from imgseal.workspace.key_files import PASSPHRASE_VARIABLE, key_file, key_outputs, unlock
from imgseal.workspace.product_files import find_product
from imgseal.workspace.project import Project
from imgseal.workspace.staging import Output
from imgseal.workspace.tokens import desk, module_of, read_uri, token_signer, uri_name

_ID_BYTES = 16  # of CKA_ID, drawn where the URI gives none


@click.group(
    "key",
    epilog="""
\b
Examples:
  imgseal key new --no-passphrase keys-dev/images.pem   for the desk
  imgseal key new keys/images.pem                       asks for a pass phrase
  imgseal key new keys/images-pq.pem --algorithm ML-DSA-44
  imgseal key show keys/images.pub.pem                  thumbprint and roles
  imgseal key public keys/images.pem > images.pub.pem   the public half

\b
Keys in a PKCS#11 token, by URI (docs/keys.md):
  imgseal key new 'pkcs11:token=release;object=images' --public keys/images.pub.pem
  imgseal key show 'pkcs11:token=release;object=images'
  imgseal key public 'pkcs11:token=release;object=images' --out keys/images.pub.pem
""",
)
def command() -> None:
    """Make and look at keys: files (PKCS#8 PEM; ECDSA on P-256, or ML-DSA-44), and P-256 keys in PKCS#11 tokens."""


@command.command()
@click.argument("path", metavar="FILE|URI")
@click.option(
    "--algorithm",
    type=click.Choice(tuple(KEY_NAMES.values())),
    default="ESP256",
    show_default=True,
    help="What the key signs with: ECDSA on P-256, or ML-DSA-44 (FIPS 204) as the second signature.",
)
@click.option("--no-passphrase", is_flag=True, help="Leave the private key unencrypted; for development keys.")
@click.option("--public", "public_file", metavar="FILE", help="Where the public half of a key in a token goes.")
def new(path: str, algorithm: str, no_passphrase: bool, public_file: str | None) -> None:
    """Make a key pair: FILE (private, mode 0600) and its public half beside it, or a key in a token.

    X.pem gets X.pub.pem. An existing file or key is never overwritten. The pass phrase is asked for twice, or taken
    from the environment variable IMGSEAL_PASSPHRASE; the PIN of a token is asked for once, or taken from IMGSEAL_PIN.
    """
    if is_token_uri(path):
        _new_in_token(path, algorithm, public_file, no_passphrase=no_passphrase)
        return
    if public_file is not None:
        raise UsageError(
            "--public is for keys in tokens", found=public_file, hint="leave it out: X.pem gets X.pub.pem beside it"
        )

    if not path.endswith(".pem") or path.endswith(".pub.pem"):
        stem = path.removesuffix(".pem").removesuffix(".pub")
        raise UsageError(
            "the name of a private key file ends in .pem, and not in .pub.pem",
            place=Place(file=path),
            expected="a name that version control is told to leave out (.gitignore: *.pem, !*.pub.pem)",
            hint=f"imgseal key new {stem}.pem makes {stem}.pem (private) and {stem}.pub.pem",
        )
    public_path = path.removesuffix(".pem") + ".pub.pem"
    for name in (path, public_path):
        if os.path.lexists(name):
            raise UsageError(
                "this file exists already; a key is never overwritten",
                place=Place(file=name),
                hint="give another name; a lost key cannot be brought back",
            )
    passphrase = None if no_passphrase else _new_passphrase(path)
    private = generate(ALGORITHMS[algorithm])
    signer = file_signer(private, path)
    write_all(key_outputs(path.removesuffix(".pem"), private, passphrase))
    click.echo(f"{path} (private, keep it secret)")
    click.echo(f"{public_path} (public)")
    click.echo(f"thumbprint {signer.public.thumbprint.hex()}")
    if no_passphrase:
        click.echo("imgseal: the private key is not encrypted; whoever can read the file can sign", err=True)


@command.command()
@click.argument("path", metavar="FILE|URI")
@click.option("--product", "product_file", metavar="FILE|NAME", help="Say which roles this product file gives the key.")
def show(path: str, product_file: str | None) -> None:
    """Show a key's thumbprint (RFC 9679), its key identifier, and its roles in the product file.

    Of a key in a token it also says how the token keeps it; with type=public in the URI no PIN is needed for the rest.
    """
    if is_token_uri(path):
        public = _show_token_key(path)
    else:
        public, private = _read(path)
        click.echo(f"file        {path} ({'private' if private else 'public'} key, {public.words})")
    click.echo(f"thumbprint  {public.thumbprint.hex()}")
    click.echo(f"identifier  {public.key_id.hex()} (as sealed images carry it)")
    origin = origin_of(public)
    if origin:
        click.echo(f"warning     everyone has this key: it is printed in {origin}")
    for role in _roles(public, path, product_file):
        click.echo(f"role        {role}")


@command.command()
@click.argument("path", metavar="FILE|URI")
@click.option("--out", metavar="FILE", help="Write it to a new file instead of standard output.")
def public(path: str, out: str | None) -> None:
    """Print the public half of a key as PEM."""
    text = encode_public(_public_in_token(path) if is_token_uri(path) else _read(path)[0])
    if out is None:
        click.echo(text.decode(), nl=False)
    else:
        write_all([Output(out, [text], replace=False)])


def _new_passphrase(path: str) -> Hidden:
    given = os.environ.get(PASSPHRASE_VARIABLE)
    if given is None:
        if not os.isatty(0):
            raise UsageError(
                "there is nobody to ask for a pass phrase",
                place=Place(file=path),
                hint=f"set {PASSPHRASE_VARIABLE}, run imgseal in a terminal, or say --no-passphrase",
            )
        given = click.prompt(f"New pass phrase for {path}", hide_input=True, confirmation_prompt=True, err=True)
    if not given:
        raise UsageError(
            "the pass phrase is empty", place=Place(file=path), hint="give one, or say --no-passphrase if that is meant"
        )
    return Hidden(given.encode())


def _new_in_token(text: str, algorithm: str, public_file: str | None, *, no_passphrase: bool) -> None:
    """Make a P-256 key in a token, and write its public half; when that fails, the key is removed again."""
    uri = read_uri(text)
    if ALGORITHMS[algorithm] != P256 or no_passphrase:
        raise UsageError(
            "a key in a token is for ESP256, and its token asks for a PIN",
            found=f"--algorithm {algorithm}" if ALGORITHMS[algorithm] != P256 else "--no-passphrase",
            hint="leave the option out",
        )
    if not uri.object or uri.type not in (None, "private"):
        raise UsageError(
            "the URI does not say what the new key is to be called",
            expected="object=NAME, and type=private or no type",
            found=uri_name(uri),
            hint="for example: imgseal key new 'pkcs11:token=release;object=images' --public keys/images.pub.pem",
        )
    if public_file is None:
        raise UsageError(
            "say where the public half goes",
            expected="--public FILE",
            hint="add it; [trust] of the product file names that file",
        )
    if os.path.lexists(public_file):
        raise existing(public_file)
    module = module_of(uri)
    from imgseal.keys.token_key import make_key

    made = make_key(desk(), module, uri, uri.id or os.urandom(_ID_BYTES), uri_name(uri))
    try:
        sign_and_verify(made.signer, b"the first signature of a new key, to see that it works")
        write_all([Output(public_file, [encode_public(made.signer.public)], replace=False)])
    except BaseException:
        made.remove()
        raise
    click.echo(f"{made.uri} ({made.signer.protection})")
    click.echo(f"{public_file} (public)")
    click.echo(f"thumbprint {made.signer.public.thumbprint.hex()}")


def _show_token_key(text: str) -> AnyKey:
    uri = read_uri(text)
    name = uri_name(uri)
    for ignored in uri.ignored:
        click.echo(f"imgseal: the query attribute {ignored} is not known and was ignored", err=True)
    if uri.type == "public":
        found = _public_in_token(text)
        click.echo(f"token       {name} (public key, {found.words})")
        return found
    signer = token_signer(text)
    click.echo(f"token       {name} (private key, {signer.public.words})")
    click.echo(f"protection  {signer.protection}")
    return signer.public


def _public_in_token(text: str) -> AnyKey:
    """Return the public half: without PIN where the token shows it so, else beside the private key."""
    from imgseal.keys.token_key import look_for_public

    uri = read_uri(text)
    found = look_for_public(desk(), module_of(uri), uri, uri_name(uri))
    if found is not None:
        return found
    if uri.type == "public":
        raise SigningKeyError(
            "no public key of this token fits this URI, or it is shown after the PIN only",
            place=Place(file=uri_name(uri)),
            hint="correct object= or id=, or leave type=public out to look for it beside the private key",
        )
    return token_signer(text).public


def _read(path: str) -> tuple[AnyKey, bool]:
    data = key_file(path, "is it a key file? check the name and the permissions", "cannot read this key file")
    if b"PRIVATE KEY-----" in data:
        return file_signer(load_private(data, path, unlock(path)), path).public, True
    return load_public(data, path), False


def _roles(public: AnyKey, path: str, product_file: str | None) -> list[str]:
    """Say where the product file names the key, by content for trust anchors and by path for signing keys."""
    if product_file is None:
        try:
            find_product(".")
        except UsageError as error:
            return [f"none known: {error.message}"]
    project = Project.load(product_file)
    roles = []
    for table, keys in project.product.signing.items():
        for role in ("images", "packages", "deliveries"):
            references = [_same(project.resolve, reference) for reference in getattr(keys, role)]
            if _same(str, path) in references:
                roles.append(f"signs {role} ({table})")
    for role, entries in project.product.trust.roles.items():
        purpose = "nothing, and may sign packages" if role == "uncounted" else role.replace(".", " ")
        for entry in entries:
            with suppress(SigningKeyError):
                if _read(project.resolve(entry.key))[0] == public:
                    roles.append(f"trusted for {purpose} ({entry.key})")
    return roles or [f"none in {project.path}"]


def _same(resolve: Callable[[str], str], reference: str) -> object:
    """Return what two references to one key have in common: the path of a file, or a URI's key without its type."""
    if not is_token_uri(reference):
        return os.path.realpath(resolve(reference))
    return read_uri(reference).key_part()._replace(type=None)
