"""What a person reads when something goes wrong: one sentence, and the traceback only for those who ask for it."""

from __future__ import annotations

import errno
import os
import re
import sys
import traceback
from typing import Any, TextIO

from visionwire.errors import VisionwireError, one_line

OFF_VALUE = re.compile(r"Invalid value for '?([^':]+)'?: (?:Input should be (.+)|(.+))")
GUESS = re.compile(r"\. Did you mean (.+?)\?")
#: What keeps anybody from looking whether a path is there at all.
OUT_OF_REACH = (errno.EACCES, errno.EPERM, errno.ENAMETOOLONG)
LIBRARIES_OF_OPENCV = re.compile(r"\blib(GL|EGL|glib|gthread|xcb|X11|Xext|SM|ICE)\b[\w.+-]*\.so")


def complain(error: Exception, photo: str = "") -> str:
    """Say on stderr what went wrong, and return that sentence.

    Parameters
    ----------
    error : Exception
        What was raised.
    photo : str
        The photograph that it was raised by, named where the error does not do so itself.
    """
    if os.environ.get("VISIONWIRE_DEBUG") == "1":
        traceback.print_exception(error)
    sentence = sentence_for(error)
    if photo and not isinstance(error, VisionwireError):
        sentence = f"{photo}: {sentence}"
    lines = error.args if isinstance(error, VisionwireError) else (sentence,)
    print("visionwire:", "\n  ".join(one_line(str(line)) for line in lines), file=sys.stderr)
    return sentence


def say(line: str, file: TextIO | None = None) -> None:
    """Print one line, whatever stands in the names of files and people in it."""
    print(one_line(line), file=file)


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
    if isinstance(error, OSError) and error.errno in OUT_OF_REACH and error.filename:
        return (
            f"{error.filename} cannot be reached ({error.strerror}); check its path and the permissions of its folder"
        )
    what = " ".join(f"{type(error).__name__}: {error}".split()).rstrip(": ")
    return (
        f"this should not have happened ({what}); run it again with VISIONWIRE_DEBUG=1 "
        "in the environment and send what it prints, with the picture, to the maintainers"
    )


def words_off(error: Any, command: str) -> str:
    """Return in one sentence what typer says of the words of a command, and where help is."""
    said = " ".join(str(error.format_message()).split()).rstrip(".")
    if (value := OFF_VALUE.fullmatch(said)) is not None:
        option, wanted, otherwise = value.groups()
        said = f"{option}: {otherwise or 'it must be ' + wanted.partition(', unable')[0]}"
    said = said[:1].lower() + GUESS.sub(r" (did you mean \1?)", said[1:])
    return f"{said}; '{command} --help' says what it takes"
