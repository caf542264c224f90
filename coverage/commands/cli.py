"""The command line as a whole: the group of commands, and what becomes of errors at its edge."""

import gc
import os
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import NoReturn

import click

from fieldcomb.tracks.errors import FieldcombError
from fieldcomb.tracks.text import harmless

# The first sentence of each command's help. A command is loaded when it is run, and imports what is heavy only then, so
# that --help answers at once.
COMMANDS = {
    "add": "Add one outing to a site: one recording, or several of one day.",
    "card": "Make a page to print and carry: recorder settings, the marks that fieldcomb reads, and cautions.",
    "edit": "Correct what was typed for an outing.",
    "finds": "List what was found on a site, and what it adds up to.",
    "lanes": "Plan numbered lanes, to be set out with a tape and pegs.",
    "map": "Draw a map of one or more walks, without keeping a site.",
    "new": "Start a site: a folder that keeps the walks and what you typed for them.",
    "report": "Draw the map of a site, with percentages and missed strips of all its outings.",
    "serve": "Do all of this on a page in your browser.",
}

# New objects before those are searched for that only hold each other. Loading makes 130,000 that stay: at Python's own
# 700 a twentieth of the time of loading goes into looking at them again and again.
YOUNG_OBJECTS = 300_000

OPTIONS_ALIKE = 0.7  # of the letters, from where an option is asked back as a slip of another; chosen for this project


class _Commands(click.Group):
    """The commands by name, each loaded from its module when it is wanted; until then something stands in for it."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"fieldcomb.coverage.commands.{cmd_name}")
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=_Commands,
    commands={name: click.Command(name) for name in COMMANDS},
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="fieldcomb", message="fieldcomb %(version)s")
def cli() -> None:
    """See which ground your coil has passed over, how often, and what was missed.

    fieldcomb reads the GPS recordings (GPX, FIT, TCX and more) of walks with a metal detector and draws a map that
    opens in any browser, with percentages and the strips that are still to search. Nothing is sent anywhere.

    \b
    One walk, at once:
      fieldcomb map walk.gpx --coil 28cm --swath 1.4m
    A site that you come back to:
      fieldcomb new north-field --zone Europe/Oslo
      fieldcomb add north-field saturday.gpx --coil 28cm
      fieldcomb report north-field
    """


def main(args: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code: 0 done, 1 a file is at fault, 2 wrong usage.

    args : a command in a program that goes on; by default that of this process, which ends here.
    """
    code = _run(args)
    if args is None and sys.argv[1:2] != ["serve"]:  # whose threads are waited for
        _leave(code)
    return code


def _leave(code: int) -> NoReturn:
    """End the process as it stands, with everything written and closed.

    To free what a map was made of, piece by piece, takes Python 0.15 s; the system does it at once.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError, AttributeError):
            stream.flush()
    os._exit(code)


def _run(args: Sequence[str] | None) -> int:
    # The matrices here are too small to share between cores, and sums must not depend on how many there are.
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # read once by numpy's linear algebra, when it is first loaded
    gc.set_threshold(YOUNG_OBJECTS)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a terminal that lacks a letter must not end the work
    try:
        code = cli.main(args=args, prog_name="fieldcomb", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except FieldcombError as error:
        return _fail(str(error), error.exit_code)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return 2
    except click.UsageError as error:
        return _fail(_wrong_use(error, sys.argv[1:] if args is None else args), 2)
    except click.Abort:
        return _fail("stopped. A change to a site is made completely or not at all", 130)
    except BrokenPipeError:
        return _no_stdout()
    except OSError as error:
        _no_stdout()
        file = f"{error.filename}: " if error.filename else ""
        return _fail(f"{file}the system refused ({(error.strerror or str(error)).lower()})", 1)
    except MemoryError:
        return _fail("there is not enough memory for this. A larger cell, such as 20cm, needs less", 1)


def _wrong_use(error: click.UsageError, args: Sequence[str]) -> str:
    """Say what is wrong with a command, what was probably meant, and where the options are listed."""
    first = args[0] if args else ""
    command = error.ctx.command_path if error.ctx else f"fieldcomb {first}" if first in COMMANDS else "fieldcomb"
    text = error.format_message().rstrip(".")
    if isinstance(error, click.NoSuchOption) and error.ctx is not None:
        known = {name for option in error.ctx.command.params for name in option.opts if name.startswith("--")}
        one_dash = [f"-{arg}".partition("=")[0] for arg in args if arg[:1] == "-" != arg[1:2]]
        meant = next((name for name in one_dash if name in known and name[1:3] == error.option_name), None)
        text = f"No such option '{meant[1:] if meant else error.option_name}'"
        if not meant and (owners := _commands_with(error.option_name)):
            text += f". Only {owners} {'have' if ' and ' in owners else 'has'} it"
        elif meant := meant or _like(error.option_name, known):
            text += f". Did you mean {meant}?"
    elif error.ctx is not None and error.ctx.command is cli and (meant := _meant_by(first)):
        text = f"{first!r} is not a command. {meant}"
    return f"{text}{'' if text.endswith('?') else '.'} See: {command} --help"


def _like(option: str, known: Iterable[str]) -> str:
    """Return the known option that one is probably a slip of; "" for none, so that --done is not taken for --name."""
    from difflib import get_close_matches  # only once something is amiss

    close = get_close_matches(option.lstrip("-"), [name.lstrip("-") for name in known], 1, OPTIONS_ALIKE)
    return f"--{close[0]}" if close else ""


def _commands_with(option: str) -> str:
    """Return which commands have an option: ``fieldcomb map and fieldcomb new``; "" for one that none has."""
    commands = ((name, cli.get_command(click.Context(cli), name)) for name in COMMANDS)
    *most, last = [
        f"fieldcomb {name}" for name, one in commands if one and any(option in known.opts for known in one.params)
    ] or [""]
    return f"{', '.join(most)} and {last}" if most else last


def _meant_by(name: str) -> str:
    """Say what to type where a walk or a site stands in place of a command; "" for what is neither."""
    with suppress(OSError):
        if name and Path(name).is_dir():
            return f"To draw a site: fieldcomb report {name}"
        if name and Path(name).exists():
            return f"To draw a walk: fieldcomb map {name}"
    return ""


def _fail(message: str, code: int) -> int:
    click.echo(f"fieldcomb: {harmless(message)}", err=True)
    return code


def _no_stdout() -> int:
    """Send what is left for a closed or full stdout nowhere, so that leaving does not fail once more."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 1
