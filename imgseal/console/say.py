"""What commands say beside their answer."""

from collections.abc import Iterable

import click

from imgseal.errors import visible
from imgseal.workspace.staging import Output


def say(notes: Iterable[str]) -> None:
    """Print remarks on standard error, each once."""
    for note in dict.fromkeys(notes):
        click.echo(f"imgseal: {visible(note)}", err=True)


def say_written(outputs: Iterable[Output]) -> None:
    """Print the paths of what goes on from here: packages and signing requests."""
    for output in outputs:
        if output.path.endswith((".suit", ".request.json")):
            click.echo(output.path)
