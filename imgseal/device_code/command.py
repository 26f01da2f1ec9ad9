"""`imgseal device-code`: the C sources for the device, and their configuration from the product file."""

import os
from collections.abc import Sequence
from importlib.resources import files
from importlib.resources.abc import Traversable

import click

from imgseal.console.options import ChosenProduct, product_options
from imgseal.device_code.codes import LICENCE
from imgseal.device_code.config import config_header, options_header
from imgseal.device_code.example_product import example_product
from imgseal.errors import UsageError
from imgseal.keys.pem import generate
from imgseal.keys.trusted_keys import Trust, resolve
from imgseal.product.model import Product
from imgseal.product.read_toml import read
from imgseal.workspace.channels import refuse_without_channel
from imgseal.workspace.files import PRODUCT_NAME, write_all
from imgseal.workspace.key_files import key_outputs
from imgseal.workspace.staging import Output

_SOURCES = (".c", ".h", ".md", ".txt")


@click.command(
    "device-code",
    epilog="""
\b
Examples:
  imgseal device-code firmware/seal         sources, configuration and guide
  imgseal device-code desk --development    for a device on a desk
  imgseal device-code --example port        a bootloader and an application to copy

\b
Files that are there already are replaced: run it again whenever the product file changes.
""",
)
@click.argument("folder", metavar="DIR")
@click.option("--development", is_flag=True, help="Trust the development keys as well.")
@click.option(
    "--example",
    is_flag=True,
    help="Write a whole port for an emulated Cortex-M4 as well, with product file and fresh keys, to a new DIR.",
)
@product_options
def command(folder: str, development: bool, example: bool, chosen: ChosenProduct) -> None:
    """Write the C99 sources of the checker, two headers made from the product file, a guide, and the licence.

    seal_image judges sealed images as `imgseal check` does. Nothing in the sources allocates, recurses or keeps state;
    flash, counters and cryptography come through callbacks.
    """
    if example:
        _write_example(folder, plain=not (development or any(chosen)))
        return
    project = chosen.load()
    refuse_without_channel(project, "these devices are of")
    outputs = _device_code(folder, project.product, project.trust(), development=development)
    _write(outputs, project.own_files())
    alone = [c.name for c in project.product.components.values() if len(c.run) == 1 and c.staging is None]
    if alone and project.product.slot_holding("package") is None:
        click.echo(
            f"note: {', '.join(alone)} cannot be installed from a stream, having no second place: the installer "
            'wants the package in storage, a slot that holds = "package" or storage of your own'
        )
    verifier = project.product.rules.verifier
    if verifier is not None:
        click.echo(
            f"note: rules.verifier says that the devices have another verifier ({verifier}): these sources refuse "
            "packages outside the device profile, where imgseal check has a remark only"
        )


def _device_code(folder: str, product: Product, trust: Trust, *, development: bool) -> list[Output]:
    header = config_header(product, trust, development=development)
    return [
        Output(os.path.join(folder, "seal_config.h"), [LICENCE.encode(), header.encode()]),
        Output(os.path.join(folder, "seal_options.h"), [LICENCE.encode(), options_header(product).encode()]),
        *_packaged(files("imgseal.device_code"), folder, _SOURCES),
    ]


def _packaged(source_folder: Traversable, folder: str, endings: tuple[str, ...]) -> list[Output]:
    """Every file there with one of these endings, by name."""
    return [
        Output(os.path.join(folder, source.name), [source.read_bytes()])
        for source in sorted(source_folder.iterdir(), key=lambda entry: entry.name)
        if source.is_file() and source.name.endswith(endings)
    ]


def _write(outputs: list[Output], inputs: Sequence[str] = ()) -> None:
    write_all(outputs, inputs)
    for output in outputs:
        click.echo(output.path)


def _write_example(folder: str, *, plain: bool) -> None:
    """The example's files, its keys, and in DIR/seal what `device-code` makes of its product file."""
    if not plain:
        raise UsageError(
            "the example has a product file and keys of its own",
            expected="--example without --product, --variant, --set and --development",
            hint=f"write it, then change {os.path.join(folder, PRODUCT_NAME)}",
        )
    if os.path.lexists(folder):
        raise UsageError(
            "the example wants a new folder",
            found=f"{folder} exists",
            hint="name another one: imgseal device-code --example DIR",
        )
    example = _packaged(files("imgseal.device_code") / "example", folder, ("",))
    text = example_product()
    example.append(Output(os.path.join(folder, PRODUCT_NAME), [text.encode()]))
    example.sort(key=lambda output: output.path)
    product = read(text, name=PRODUCT_NAME)
    keys = [
        output
        for name in ("images", "packages")
        for output in key_outputs(os.path.join(folder, "keys", name), generate())
    ]
    public = {os.path.relpath(output.path, folder): b"".join(output.pieces) for output in keys}
    code = _device_code(os.path.join(folder, "seal"), product, resolve(product, public.__getitem__), development=False)
    _write([*example, *keys, *code])
    click.echo("imgseal: the private keys are not encrypted; whoever can read the files can sign", err=True)
