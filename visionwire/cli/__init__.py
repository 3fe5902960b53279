"""The command ``visionwire``: one file a command, and the one handler of what goes wrong."""

from __future__ import annotations

import os
import re
import sys
import traceback
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from visionwire import __version__
from visionwire.cli.card import card
from visionwire.cli.check import check
from visionwire.cli.limits import limits
from visionwire.errors import ExitCode, VisionwireError

# The matrices are small: threads of the linear algebra cost twice the work and gain no time. numpy comes in later.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

INTERRUPTED, BROKEN_PIPE = 130, 141  # 128 + SIGINT, 128 + SIGPIPE, as shells have it

# What typer deals with itself: a command's exit status, an abort, a call that is off (BadParameter and its kin).
TYPERS_OWN: tuple[type[BaseException], ...] = (typer.Exit, typer.Abort, *typer.BadParameter.__mro__[1:3])

LIBRARIES_OF_OPENCV = re.compile(r"\blib(GL|EGL|glib|gthread|xcb|X11|Xext|SM|ICE)\b[\w.+-]*\.so")


class Handled(TyperGroup):
    """Runs the command and turns whatever goes wrong into one sentence and an exit status."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command; no exception but typer's own gets past."""
        try:
            try:
                return super().invoke(ctx)
            finally:
                sys.stdout.flush()  # here and not at exit, where a broken pipe could not be caught
        except TYPERS_OWN:
            raise
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            raise typer.Exit(BROKEN_PIPE) from None
        except KeyboardInterrupt:
            raise typer.Exit(INTERRUPTED) from None
        except Exception as error:
            if os.environ.get("VISIONWIRE_DEBUG") == "1":
                traceback.print_exc()
            print(f"visionwire: {sentence_for(error)}", file=sys.stderr)
            raise typer.Exit(error.exit_code if isinstance(error, VisionwireError) else ExitCode.FILE) from None


def sentence_for(error: Exception) -> str:
    """Return the one sentence that a person gets to read."""
    if isinstance(error, VisionwireError):
        return str(error)
    if isinstance(error, ImportError) and LIBRARIES_OF_OPENCV.search(str(error)):
        return (
            f"OpenCV lacks a library of the system ({error}); install the Debian packages with "
            '"apt-get install libgl1 libglib2.0-0 libxcb1", or put the headless build in its place with '
            '"pip uninstall -y opencv-python" and "pip install opencv-python-headless"'
        )
    what = " ".join(f"{type(error).__name__}: {error}".split()).rstrip(": ")
    return (
        f"this should not have happened ({what}); run it again with VISIONWIRE_DEBUG=1 "
        "in the environment and send what it prints, with the picture, to the maintainers"
    )


app = typer.Typer(
    name="visionwire",
    cls=Handled,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("check")(check)
app.command("card")(card)
app.command("limits")(limits)


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

    Exit status: 0 conforming, 1 nonconforming, 2 usage, 3 undecided or refused, 4 a file that cannot be read or
    written. The aircraft's own manual and licensed practice govern.
    """


def main() -> None:
    """Run the command line."""
    app(prog_name="visionwire")
