"""`imgseal device-code`: the C sources for the device, and their configuration from the product file."""

import os
from importlib.resources import files

import click

from imgseal.cli.project import Project, product_options
from imgseal.files import Output, refuse_overlap, write_all

__all__ = ["command"]


@click.command(
    "device-code",
    epilog="""
\b
Examples:
  imgseal device-code firmware/seal         sources, configuration and guide
  imgseal device-code desk --development    for a device on a desk

\b
Files that are there already are replaced: run it again whenever the product file changes.
""",
)
@click.argument("folder", metavar="DIR")
@click.option("--development", is_flag=True, help="Trust the development keys as well.")
@product_options
def command(
    folder: str, development: bool, product_file: str | None, variant: str | None, settings: tuple[str, ...]
) -> None:
    """Write the C99 sources of the checker, two headers made from the product file, a guide, and the licence.

    seal_image judges sealed images as `imgseal check` does. Nothing in the sources allocates, recurses or keeps state;
    flash, counters and cryptography come through callbacks.
    """
    from imgseal.device_code.config import config_header, options_header
    from imgseal.device_code.licence import LINES

    project = Project.load(product_file, settings, variant)
    header = config_header(project.product, project.trust(), development=development)
    outputs = [
        Output(os.path.join(folder, "seal_config.h"), [LINES.encode(), header.encode()]),
        Output(os.path.join(folder, "seal_options.h"), [LINES.encode(), options_header(project.product).encode()]),
    ]
    outputs += [
        Output(os.path.join(folder, source.name), [source.read_bytes()])
        for source in sorted(files("imgseal.device_code").iterdir(), key=lambda entry: entry.name)
        if source.name.endswith((".c", ".h", ".md", ".txt"))
    ]
    refuse_overlap([output.path for output in outputs], project.own_files())
    write_all(outputs)
    for output in outputs:
        click.echo(output.path)
    verifier = project.product.rules.verifier
    if verifier is not None:
        click.echo(
            f"note: rules.verifier says that the devices have another verifier ({verifier}): these sources refuse "
            "packages outside the device profile, where imgseal check has a remark only"
        )
