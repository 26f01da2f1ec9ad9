"""`imgseal key`: make key files, and look at them without showing anything secret."""

import os

import click

from imgseal.cli.project import PASSPHRASE_VARIABLE, Project, find_product, unlock
from imgseal.errors import ImgsealError, KeyTroubleError, Place, UsageError
from imgseal.files import Output, read_bounded, write_all
from imgseal.keys.anykey import AnyKey
from imgseal.limits import KEY_FILE_BYTES
from imgseal.product.algorithms import ALGORITHMS, KEY_NAMES

__all__ = ["command"]

_PRIVATE_MODE = 0o600


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
""",
)
def command() -> None:
    """Make and look at key files (PKCS#8 PEM; ECDSA on P-256, or ML-DSA-44 against quantum computers)."""


@command.command()
@click.argument("path", metavar="FILE")
@click.option(
    "--algorithm",
    type=click.Choice(tuple(KEY_NAMES.values())),
    default="ESP256",
    show_default=True,
    help="What the key signs with: ECDSA on P-256, or ML-DSA-44 (FIPS 204) as the second signature.",
)
@click.option("--no-passphrase", is_flag=True, help="Leave the private key unencrypted; for development keys.")
def new(path: str, algorithm: str, no_passphrase: bool) -> None:
    """Make a key pair: FILE (private, mode 0600) and its public half beside it.

    X.pem gets X.pub.pem. An existing file is never overwritten. The pass phrase is asked for twice, or taken from
    the environment variable IMGSEAL_PASSPHRASE.
    """
    from imgseal.keys.pem import encode_private, encode_public, generate
    from imgseal.keys.signer import file_signer

    public_path = (path.removesuffix(".pem")) + ".pub.pem"
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
    write_all(
        [
            Output(path, [encode_private(private, passphrase)], mode=_PRIVATE_MODE, replace=False),
            Output(public_path, [encode_public(signer.public)], replace=False),
        ]
    )
    click.echo(f"{path} (private, keep it secret)")
    click.echo(f"{public_path} (public)")
    click.echo(f"thumbprint {signer.public.thumbprint.hex()}")
    if no_passphrase:
        click.echo("imgseal: the private key is not encrypted; whoever can read the file can sign", err=True)


@command.command()
@click.argument("path", metavar="FILE")
@click.option("--product", "product_file", metavar="FILE", help="Say which roles this product file gives the key.")
def show(path: str, product_file: str | None) -> None:
    """Show a key's thumbprint (RFC 9679), its key identifier, and its roles in the product file."""
    from imgseal.keys.published import origin_of

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
@click.argument("path", metavar="FILE")
@click.option("--out", metavar="FILE", help="Write it to a new file instead of standard output.")
def public(path: str, out: str | None) -> None:
    """Print the public half of a key as PEM."""
    from imgseal.keys.pem import encode_public

    text = encode_public(_read(path)[0])
    if out is None:
        click.echo(text.decode(), nl=False)
    else:
        write_all([Output(out, [text], replace=False)])


def _new_passphrase(path: str) -> bytes:
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
            "the pass phrase is empty", place=Place(file=path), hint="say --no-passphrase if that is meant"
        )
    return given.encode()


def _read(path: str) -> tuple[AnyKey, bool]:
    from imgseal.keys.pem import load_private, load_public
    from imgseal.keys.signer import file_signer

    try:
        data = read_bounded(path, "key file", KEY_FILE_BYTES)
    except ImgsealError as error:
        raise KeyTroubleError(
            "cannot read this key file",
            place=Place(file=path),
            found=error.found,
            hint="check the name and the permissions",
        ) from None
    if b"PRIVATE KEY-----" in data:
        return file_signer(load_private(data, path, unlock(path)), path).public, True
    return load_public(data, path), False


def _roles(public: AnyKey, path: str, product_file: str | None) -> list[str]:
    """Say where the product file names the key, by content for trust anchors and by path for signing keys."""
    if product_file is None:
        try:
            product_file = find_product(".")
        except UsageError:
            return ["none known: there is no product file here"]
    project = Project.load(product_file)
    roles = []
    for table, keys in project.product.signing.items():
        for role in ("images", "packages"):
            references = [os.path.realpath(project.resolve(reference)) for reference in getattr(keys, role)]
            if os.path.realpath(path) in references:
                roles.append(f"signs {role} ({table})")
    trust = project.product.trust
    for role, entries in (
        ("images", trust.images),
        ("packages", trust.packages),
        ("development images", trust.development_images),
        ("development packages", trust.development_packages),
    ):
        for entry in entries:
            try:
                found = _read(project.resolve(entry.key))[0]
            except KeyTroubleError:
                continue
            if found == public:
                roles.append(f"trusted for {role} ({entry.key})")
    return roles or [f"none in {project.path}"]
