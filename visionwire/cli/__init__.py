"""The command ``visionwire``: one file a command, and the one handler of what goes wrong."""

from __future__ import annotations

import contextlib
import io
import itertools
import os
import sys
from collections.abc import Iterator
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from visionwire import __version__
from visionwire.cli.agreement import agreement
from visionwire.cli.archive import archive
from visionwire.cli.card import card
from visionwire.cli.check import check
from visionwire.cli.complaint import complain, words_off
from visionwire.cli.limits import limits
from visionwire.cli.plan import plan
from visionwire.cli.signals import BROKEN_PIPE, INTERRUPTED, TERMINATED, Terminated
from visionwire.cli.trends import review, trends, verify
from visionwire.errors import ExitCode, UsageError, VisionwireError

# The matrices are small: threads of the linear algebra cost twice the work and gain no time. numpy comes in later.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# What typer says itself of words that are off: BadParameter and its kin, which it names nowhere else.
OFF: type[Exception] = typer.BadParameter.__mro__[1]


class Handled(TyperGroup):
    """Runs the command and turns whatever goes wrong into one sentence and an exit status."""

    def make_context(self, info_name: str | None, args: list[str], *rest: Any, **more: Any) -> Any:
        """Read the words before the command's name; what is off there is one sentence too."""
        _require_no_empty(args)
        with _off_in_one_sentence():
            return super().make_context(info_name, args, *rest, **more)

    def invoke(self, ctx: Any) -> Any:
        """Run the command; no exception but typer's own for an exit status or an abort gets past."""
        if isinstance(sys.stdout, io.TextIOWrapper):  # what its encoding lacks, as in odd names, must stop nothing
            sys.stdout.reconfigure(errors="replace")
        try:
            try:
                with _off_in_one_sentence(ctx):
                    return super().invoke(ctx)
            finally:
                sys.stdout.flush()  # here and not at exit, where a broken pipe could not be caught
        except (typer.Exit, typer.Abort):
            raise
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            raise typer.Exit(BROKEN_PIPE) from None
        except KeyboardInterrupt as stop:
            raise typer.Exit(TERMINATED if isinstance(stop, Terminated) else INTERRUPTED) from None
        except Exception as error:
            complain(error)
            raise typer.Exit(error.exit_code if isinstance(error, VisionwireError) else ExitCode.FILE) from None


def _require_no_empty(words: list[str]) -> None:
    """Check that every word says something: an empty path would be the folder one is in."""
    for before, word in itertools.pairwise(["visionwire", *words]):
        option, equals, said = word.partition("=")
        if word and not (word.startswith("-") and equals and not said):
            continue
        empty = f"what stands after {option or before} is empty, as where a variable of the shell holds nothing"
        complain(UsageError(f"{empty}; say what it is to be, or leave it out"))
        raise typer.Exit(ExitCode.USAGE)


@contextlib.contextmanager
def _off_in_one_sentence(ctx: Any = None) -> Iterator[None]:
    try:
        yield
    except OFF as error:
        if type(error).__name__ == "NoArgsIsHelpError":  # no word at all: its message is the whole help
            raise
        named = None if ctx is None else ctx.invoked_subcommand
        complain(UsageError(words_off(error, f"visionwire {named}" if named else "visionwire")))
        raise typer.Exit(ExitCode.USAGE) from None


app = typer.Typer(
    name="visionwire",
    cls=Handled,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("check", short_help="Say whether the twist conforms.")(check)
app.command("card", short_help="Draw a reference card to print.")(card)
app.command("limits", short_help="Show or compare limit sets.")(limits)
app.command(
    "plan",
    short_help="Plan a safety before it is made.",
    context_settings={"ignore_unknown_options": True},  # a place may begin with a minus
)(plan)
app.command("archive", short_help="Read many photographs into a ledger.")(archive)
app.command("trends", short_help="Show what a ledger holds.")(trends)
app.command("review", short_help="Add a person's decision.")(review)
app.command("verify", short_help="Prove that nothing was changed since.")(verify)
app.command("agreement", short_help="How far repeated readings agree.")(agreement)


def _say_version(wanted: bool) -> None:
    if wanted:
        print(f"visionwire {__version__}")
        raise typer.Exit


@app.callback()
def visionwire(
    version: Annotated[
        bool, typer.Option("--version", callback=_say_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    """Read photographs of safety wire: twists per inch, pigtail, and what the limits say of them.

    Exit status: 0 conforming, 1 nonconforming, 2 wrong options or arguments, 3 undecided or refused, 4 a file
    that cannot be read, used or written. The aircraft's own manual and licensed practice govern.
    """


def main() -> None:
    """Run the command line."""
    app(prog_name="visionwire")
