"""`imgseal init`: a commented starter product file."""

import os

import click

from imgseal.workspace.files import PRODUCT_NAME, write_all
from imgseal.workspace.product_files import LOCAL_NAME
from imgseal.workspace.staging import Output


@click.command(
    "init",
    epilog="""
\b
Examples:
  imgseal init                    write imgseal.toml here
  imgseal init firmware/          write it there

\b
Then fill in the names at the top, make the development keys as its comments say, and run:
  imgseal build app=app.hex
""",
)
@click.argument("folder", metavar="[FOLDER]", default=".", required=False)
def command(folder: str) -> None:
    """Write a commented starter product file, imgseal.toml; an existing one is never overwritten.

    Keys and local references do not belong into version control: .gitignore gets lines for them if there is none yet.
    """
    from imgseal.product.starter import STARTER

    folder = "" if folder == "." else folder
    outputs = [Output(os.path.join(folder, PRODUCT_NAME), [STARTER.encode()], replace=False)]
    ignore = os.path.join(folder, ".gitignore")
    if not os.path.lexists(ignore):
        lines = (
            f"# private keys and references of one desk\nkeys/*.pem\nkeys-dev/*.pem\n!*.pub.pem\n{LOCAL_NAME}\n"
            "# what a run that was killed has left\n*.part\n"
        )
        outputs.append(Output(ignore, [lines.encode()], replace=False))
    write_all(outputs)
    for output in outputs:
        click.echo(output.path)
    if len(outputs) == 1:
        click.echo(f"imgseal: keep private keys and {LOCAL_NAME} out of version control (.gitignore)", err=True)
