"""The command line's frame: a table of commands that are imported when they are called, and one place for errors."""

import os
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from io import StringIO

import click

from imgseal import __version__
from imgseal.console.say import say
from imgseal.errors import ImgsealError, meant
from imgseal.workspace.session import session

COMMANDS = {
    "doctor": ("cli.doctor", "Look at a project and say what is missing."),
    "demo": ("cli.demo", "The whole job on an invented product, in a new folder."),
    "init": ("cli.init", "Write a commented starter product file."),
    "key": ("key_files.command", "Make and look at key files."),
    "build": ("releasing.build_command", "Seal every component and pack the release."),
    "seal": ("releasing.seal_command", "Seal one firmware file."),
    "pack": ("releasing.pack_command", "Pack sealed images into an update package."),
    "promote": ("releasing.promote_command", "Sign a release's sealed images for another channel."),
    "sign": ("offline.sign_command", "Sign a signing request, or add a signature to a package."),
    "finish": ("offline.finish_command", "Put the signatures in that a signing request asked for."),
    "check": ("releasing.check_command", "Judge artefacts as a bootloader would."),
    "gate": ("gate.command", "Fail unless all firmware of a build is sealed and good."),
    "show": ("cli.show", "Show what is inside an artefact."),
    "compare": ("compare.command", "Show what an update changes."),
    "delta": ("delta.command", "Show how small the patch from one image to another is."),
    "rehearse": ("rehearse.command", "Play an installation on a simulated device, with power cuts."),
    "deliver": ("delivery.command", "Make a release small: for devices of which it is known what they run."),
    "paths": ("paths.command", "Say who of the devices in the field can take a release."),
    "report": ("report.command", "Write everything about a release on one page."),
    "factory": ("factory.command", "Merge everything into one image for the production programmer."),
    "device-code": ("device_code.command", "Write C sources that judge and boot as this tool says."),
    "trust": ("trust.command", "Replace and revoke the keys that devices in the field trust."),
    "device": ("device.command", "Make device states, and say what a package makes of one."),
    "log": ("log.command", "Verify, prove and show the release log."),
}
"""Command -> the module that holds it, and what it does."""

OLD_NAMES = {"endorse": "sign", "ledger": "log"}
"""What 0.1 called commands; this version takes both."""

_EXAMPLES = """
\b
Examples:
  imgseal demo                              see the whole job in a few seconds
  imgseal init                              start a product file here
  imgseal build motor=app.hex radio=rf.hex  from the firmware build script
  imgseal check out/*.suit                  before shipping, and in CI

\b
Exit status: 0 done or accepted, 1 refused by a check, 2 wrong usage,
3 input unreadable or unsupported, 4 key trouble, 5 internal error.
"""

_SIGNALLED = 128
"""Added to a signal's number: the exit status of shells."""

_STOPPED = "imgseal: stopped; no half-written file is left"


class _Commands(click.Group):
    """A group whose commands are imported on use: listing them costs no import."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        if cmd_name not in COMMANDS:
            return None
        from importlib import import_module

        command: click.Command = import_module(f"imgseal.{COMMANDS[cmd_name][0]}").command
        if "_IMGSEAL_COMPLETE" in os.environ:
            from imgseal.cli.completion import complete_paths

            complete_paths(command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, does) for name, (_, does) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] in OLD_NAMES:
            name = OLD_NAMES[args[0]]
            if not ctx.resilient_parsing:
                say([f"imgseal {args[0]} is called imgseal {name} now"])
            args = [name, *args[1:]]
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            hint = meant(args[0], COMMANDS, f"There are: {', '.join(COMMANDS)}.")
            ctx.fail(f"No such command '{args[0]}'. {hint[:1].upper()}{hint[1:]}")
        return super().resolve_command(ctx, args)


@click.group(cls=_Commands, epilog=_EXAMPLES, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="imgseal", message="%(prog)s %(version)s")
def app() -> None:
    """Seal firmware, pack updates, and judge both as a bootloader would.

    Sealed means signed, not encrypted. Everything about the product stands in one file, imgseal.toml,
    which is looked for in this folder and its parents.
    """


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status; nothing but SystemExit of the interpreter leaves here."""
    with _ended_by_signals(), session() as now:
        status = _run(arguments)
        say(now.notes)
        return status


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Let the first SIGTERM or SIGHUP unwind the run as an interrupt does, so that what is half-written goes."""

    def end(number: int, _frame: object) -> None:
        for each in ours:
            signal.signal(each, signal.SIG_IGN)
        raise SystemExit(_SIGNALLED + number)

    ours: list[signal.Signals] = []
    with suppress(ValueError):  # not in the main thread: then they are for who calls
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # nohup ignores them, and so do we
                signal.signal(number, end)
                ours.append(number)
    try:
        yield
    finally:
        for number in ours:
            signal.signal(number, signal.SIG_DFL)


def _run(arguments: Sequence[str] | None) -> int:
    sys.stdout = sys.stdout or StringIO()  # closed by the shell: `>&-`
    sys.stderr = sys.stderr or StringIO()
    try:
        result = app.main(args=arguments, prog_name="imgseal", standalone_mode=False)
        sys.stdout.flush()
    except ImgsealError as error:
        click.echo("imgseal: " + "\n".join(error.lines()), err=True)
        return error.exit_status
    except click.exceptions.Exit as done:
        return done.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo(_STOPPED, err=True)
        return 130
    except click.ClickException as error:
        error.show()
        return 2
    except SystemExit as gone:
        # click ends the process so, with status 1, when the reader of our output has gone, and wraps standard output;
        # 1 means refused here
        if "Pacify" in type(sys.stdout).__name__:
            return 141
        status = int(gone.code or 0)
        if status > _SIGNALLED:
            click.echo(_STOPPED, err=True)
        return status
    except Exception as error:  # noqa: BLE001 - a traceback could show secrets; say where it happened instead
        if isinstance(error, OSError) and error.filename is None:  # those of files have become ImgsealError
            return _cannot_print(error)
        click.echo(f"imgseal: {_defect(error)}", err=True)
        return 5
    return result if isinstance(result, int) else 0


def _cannot_print(error: OSError) -> int:
    """Say that standard output takes no more, and return the exit status."""
    with suppress(OSError, ValueError):  # or the interpreter would try once more, and print a traceback
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if isinstance(error, BrokenPipeError):
        return 141
    click.echo(
        f"imgseal: cannot print: standard output: {error.strerror}\n"
        "  hint: make room there, or print elsewhere; files that were written before this stay",
        err=True,
    )
    return 3


def _defect(error: Exception) -> str:
    from traceback import walk_tb

    *_, (frame, line) = walk_tb(error.__traceback__)
    return (
        f"internal error: {type(error).__name__} at {os.path.basename(frame.f_code.co_filename)}:{line}\n"
        f"  hint: this is a defect of imgseal {__version__}; no half-written file is left; "
        "please report it with this line"
    )
