"""Photographs by URL, wherever fsspec reaches (extra ``urls``): which there are, and one opened."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import PurePosixPath
from typing import IO, Any
from urllib.parse import unquote

from visionwire.errors import ArchiveError, install

#: Of two letters or more, so that the drive of a Windows path is none.
SCHEME = re.compile(r"[A-Za-z][\w+.-]+(::[A-Za-z][\w+.-]+)*://")
#: What stands before the first ``://``: caches, such as ``simplecache::``, which name nothing themselves.
CACHES = re.compile(r"(?:[A-Za-z][\w+.-]+::)*(?=[A-Za-z][\w+.-]+://)")
WEB = re.compile(r"https?://", re.IGNORECASE)
#: By pattern and not by parsing, which a pattern such as ``zip://[ab]*.jpg`` fails.
PASSWORD = re.compile(r"://[^/?#]*:[^/?#]+@")


def is_url(place: str) -> bool:
    """Say whether a place is a URL, chained ones such as ``zip://*.jpg::https://host/a.zip`` among them."""
    return SCHEME.match(place) is not None


def path_of(url: str) -> PurePosixPath:
    """Return the folders and the name of a URL's picture as people write them, of a web server without its host."""
    first = url[_caches(url) :].partition("::")[0]
    path = first.partition("://")[2]
    if WEB.match(first):  # elsewhere these signs are part of a name
        path = unquote(re.split(r"[?#]", path)[0].partition("/")[2])
    return PurePosixPath(path)


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
    if caches := _caches(url):
        require(url)
        return [url[:caches] + one for one in listed(url[caches:], suffixes)]
    first, chain, rest = url.partition("::")
    system, path = require(url)
    with _said(url):
        if any(sign in first for sign in "*["):
            # Their kinds come with the listing: to ask for each is a request a picture.
            found = [one for one, info in system.glob(path, detail=True).items() if info["type"] != "directory"]
        elif path_of(url).suffix.lower() in suffixes:
            return [url]  # not asked for: a web server has no other way to say so than to send the whole of it
        elif system.isdir(path):
            found = [one for one in system.find(path) if PurePosixPath(one).suffix.lower() in suffixes]
        else:
            system.info(path)  # unlike `exists` it says why not, such as a certificate that is not trusted
            return [url]
        return [f"{system.unstrip_protocol(one)}{chain}{rest}" for one in found]


def require(url: str) -> tuple[Any, str]:
    """Return the file system of a URL and the path on it, without going there.

    Raises
    ------
    ArchiveError
        If fsspec or what it needs for this URL is missing, or the URL holds a password.
    """
    if PASSWORD.search(url):
        # Never the URL itself: it would go into a terminal's log.
        raise ArchiveError("a URL holds a password, which a ledger would keep; let fsspec's own configuration hold it")
    with _said(url):
        from fsspec.core import url_to_fs

        system, path = url_to_fs(url)
        return system, str(path)


@contextlib.contextmanager
def opened(url: str) -> Iterator[IO[bytes]]:
    """Open a URL for reading from its beginning to its end; one read may return less than was asked for.

    Raises
    ------
    ArchiveError
        If it cannot be opened or read, with the reason.
    """
    system, path = require(url)
    # In one stream: many web servers send no part of a file, and fsspec asks for parts of 5 MiB.
    stream = {"block_size": 0} if WEB.match(url) else {}
    with _said(url):
        file: Any
        with system.open(path, "rb", **stream) as file:
            yield file


def _caches(url: str) -> int:
    """Return how many letters name caches."""
    found = CACHES.match(url)
    return 0 if found is None else found.end()


@contextlib.contextmanager
def _said(url: str) -> Iterator[None]:
    try:
        yield
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] == "fsspec":
            raise ArchiveError(f"photographs by URL need the extra urls; run {install('urls')}") from error
        raise ArchiveError(f"{url} needs one more package ({_words(error)}); install it") from error
    except ImportError as error:  # so fsspec says which package a kind of URL needs
        raise ArchiveError(f"{url} needs one more package ({_words(error)}); install it") from error
    except Exception as error:  # every kind of place has errors of its own
        raise ArchiveError(f"{url} cannot be read ({_words(error)}); check the URL and the way to it") from error


def _words(error: BaseException) -> str:
    if isinstance(error, FileNotFoundError):  # of a web server also for whatever else went wrong
        return "there is nothing" if error.__cause__ is None else _words(error.__cause__)
    return " ".join(str(error).split())[:200] or type(error).__name__
