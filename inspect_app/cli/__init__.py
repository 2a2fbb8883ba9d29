"""The command line: one module a command, loaded only when it is called; here is its outermost boundary."""

import os
import pkgutil
import sys
import warnings
from collections.abc import Sequence

import click

from inspect_app import __version__
from inspect_app.errors import InspectError

_SUFFIX = "_command"
_UNUSABLE = 2
_FAULT = 1
_LONGEST_WORD = 255  # signs, as the names of files
_STOPPED = 130  # as the shell reports a program ended by Ctrl-C: 128 and the signal's number


class _Commands(click.Group):
    """Every module here that ends in ``_command`` is a command, held in its attribute `command`.

    Loading them late keeps `measure` free of the web server, the database and the printing.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click calls it with the context
        modules = [module.name for module in pkgutil.iter_modules(__path__)]
        return sorted(name.removesuffix(_SUFFIX) for name in modules if name.endswith(_SUFFIX))

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.list_commands(ctx):
            return None
        command = pkgutil.resolve_name(f"{__name__}.{cmd_name}{_SUFFIX}:command")
        if not isinstance(command, click.Command):
            raise TypeError(f"{cmd_name}{_SUFFIX} holds no command")
        return command


@click.group(cls=_Commands, no_args_is_help=False, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="%(prog)s %(version)s")
def program() -> None:
    """Inspect delivered low-light imaging equipment: measure captures, judge results, keep the record."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program and return its exit status; whatever fails is told in one line on stderr.

    Returns
    -------
    int
        0 done; 1 a fault of the program, or a damaged record; 2 unusable input or option; 3 nothing to measure.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    with warnings.catch_warnings():
        if not sys.warnoptions:
            warnings.simplefilter("ignore")
        return _run(given)


def _run(arguments: list[str]) -> int:
    try:
        status = program.main(arguments, prog_name="inspect-app", standalone_mode=False)
        sys.stdout.flush()
    except InspectError as error:
        return _tell(str(error), error.exit_status)
    except click.ClickException as error:
        return _tell(_usage(error), _UNUSABLE)
    except (click.Abort, KeyboardInterrupt):
        return _tell("Stopped.", _STOPPED)
    except BrokenPipeError:
        # Whoever read the output has gone; nothing more can be told there, not even on closing it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _FAULT
    except MemoryError:
        return _tell(f"{' '.join(arguments)}: there is not enough memory for it. Give smaller captures.", _UNUSABLE)
    except Exception as error:  # noqa: BLE001 - the outermost boundary: a person gets one line, never a traceback
        fault = f"{type(error).__name__}: {error}"
        return _tell(
            f"inspect-app {' '.join(arguments)}: this failed by a fault of the program ({fault}). "
            "Please report it, with the file.",
            _FAULT,
        )
    return status if isinstance(status, int) else 0


def _usage(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    path = context.command_path if context else "inspect-app"
    problem = error.format_message().rstrip(".?")
    return f"{path}: {problem[:1].lower()}{problem[1:]}. Run '{path} --help' to see what it takes."


def _tell(text: str, status: int) -> int:
    printable = "".join(letter if letter.isprintable() else " " for letter in text)
    click.echo(" ".join(_shortened(word) for word in printable.split()), err=True)
    return status


def _shortened(word: str) -> str:
    """Return a word without its middle where it is longer than any name a file can have."""
    return word if len(word) <= _LONGEST_WORD else f"{word[:80]}…{word[-40:]}"
