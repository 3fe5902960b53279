"""Photographs by URL, wherever fsspec reaches (extra ``urls``): which there are, and one opened."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import PurePosixPath
from typing import IO, Any
from urllib.parse import urlsplit

from visionwire.errors import ArchiveError

#: Of two letters or more, so that the drive of a Windows path is none.
SCHEME = re.compile(r"[A-Za-z][\w+.-]+(::[A-Za-z][\w+.-]+)*://")


def is_url(place: str) -> bool:
    """Say whether a place is a URL, chained ones such as ``zip://*.jpg::https://host/a.zip`` among them."""
    return SCHEME.match(place) is not None


def listed(url: str, suffixes: tuple[str, ...]) -> list[str]:
    """Return the photographs that a URL names: what a pattern matches, all under a folder, or itself.

    Parameters
    ----------
    url : str
        As fsspec has it.
    suffixes : tuple of str
        What a picture's name ends with, in small letters.

    Raises
    ------
    ArchiveError
        If fsspec or what it needs for this URL is missing, there is no such place, or the URL holds a password.
    """
    first, chain, rest = url.partition("::")
    system, path = require(url)
    with _said(url):
        if any(sign in first for sign in "*["):
            found = [one for one in system.glob(path) if not system.isdir(one)]
        elif PurePosixPath(urlsplit(first).path).suffix.lower() in suffixes:
            return [url]  # not asked for: a web server has no other way to say so than to send the whole of it
        elif system.isdir(path):
            found = [one for one in system.find(path) if PurePosixPath(one).suffix.lower() in suffixes]
        elif system.exists(path):
            return [url]
        else:
            raise FileNotFoundError("there is nothing")
        return [f"{system.unstrip_protocol(one)}{chain}{rest}" for one in found]


def require(url: str) -> tuple[Any, str]:
    """Return the file system of a URL and the path on it, without going there.

    Raises
    ------
    ArchiveError
        If fsspec or what it needs for this URL is missing, or the URL holds a password.
    """
    if any(urlsplit(link).password for link in url.split("::")):
        # Never the URL itself: it would go into a terminal's log.
        raise ArchiveError("a URL holds a password, which a ledger would keep; let fsspec's own configuration hold it")
    with _said(url):
        from fsspec.core import url_to_fs

        system, path = url_to_fs(url)
        return system, str(path)


@contextlib.contextmanager
def opened(url: str) -> Iterator[IO[bytes]]:
    """Open a URL for reading.

    Raises
    ------
    ArchiveError
        If it cannot be opened or read, with the reason.
    """
    with _said(url):
        import fsspec

        file: Any
        with fsspec.open(url, "rb") as file:
            yield file


@contextlib.contextmanager
def _said(url: str) -> Iterator[None]:
    try:
        yield
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] == "fsspec":
            raise ArchiveError('photographs by URL need the extra urls; run pip install "visionwire[urls]"') from error
        raise ArchiveError(f"{url} needs one more package ({_words(error)}); install it") from error
    except ImportError as error:  # so fsspec says which package a kind of URL needs
        raise ArchiveError(f"{url} needs one more package ({_words(error)}); install it") from error
    except Exception as error:  # every kind of place has errors of its own
        raise ArchiveError(f"{url} cannot be read ({_words(error)}); check the URL and the way to it") from error


def _words(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
