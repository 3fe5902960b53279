"""The one door for pictures: a file or bytes in, an upright RGB picture out, whole or not at all."""

from __future__ import annotations

import hashlib
import importlib.util
import io
import os
import re
import stat
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

from calibration.pose import focal_from_35mm
from visionwire.errors import PhotoError, install
from visionwire.reading import PhotoInfo

MAX_BYTES = 200_000_000
MAX_PIXELS = 100_000_000

KINDS = "JPEG, PNG, TIFF, WebP"
HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")

_STDERR = threading.Lock()  # there is one for the whole process

EXIF_IFD, DATE_TAKEN, OFFSET_TAKEN, FOCAL_35MM = 0x8769, 0x9003, 0x9011, 0xA405


@dataclass(frozen=True, eq=False)
class Photo:
    """A photograph, upright.

    Attributes
    ----------
    pixels : (H, W, 3) uint8 array
        RGB, the EXIF orientation applied; read-only.
    name : str
        The file's name, without its folder.
    sha256 : str
        Of the bytes of the file; for an array, of its shape and pixels.
    taken : str or None
        When the photograph was taken, ISO 8601, with the offset from UTC where the camera gives it.
    focal_px : float or None
        Focal length in pixels of this picture, from the EXIF focal length in 35 mm terms. Holds for a
        picture resized, not for one cropped.
    """

    pixels: NDArray[np.uint8] = field(repr=False)
    name: str
    sha256: str
    taken: str | None = None
    focal_px: float | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        height, width = self.pixels.shape[:2]
        return width, height

    @property
    def info(self) -> PhotoInfo:
        """What a reading keeps of the photograph."""
        return PhotoInfo(self.name, self.sha256, *self.size_px, self.taken)


def kinds() -> str:
    """Return in words the kinds of picture that are read here; of HEIC, where it is not installed, how to get it."""
    if importlib.util.find_spec("pillow_heif") is None:
        return f"{KINDS}, or HEIC after {install('heic')}"
    return f"{KINDS} or HEIC"


def open_photo(path: str | Path) -> Photo:
    """Read a photograph from a file.

    Parameters
    ----------
    path : str or Path
        JPEG, PNG, TIFF, WebP or (with the extra ``heic``) HEIC.

    Returns
    -------
    Photo
        The whole picture, upright.

    Raises
    ------
    PhotoError
        If the file cannot be read, is no such picture, is damaged or is too large.
    """
    if not str(path):  # a variable of a shell that holds nothing: as a path it would be the folder one is in
        raise PhotoError("a name is empty; give a photograph")
    try:
        kind = Path(path).stat().st_mode
        if stat.S_ISDIR(kind):
            raise PhotoError(f"{path} is a folder; give the pictures in it, such as {path}/*.jpg")
        if not stat.S_ISREG(kind):
            raise PhotoError(f"{path} is a device or a pipe; give a file, {kinds()}")
        with Path(path).open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise PhotoError(f"{path} does not exist; check the path") from error
    except PermissionError as error:
        raise PhotoError(f"{path} may not be read by this user; change its permissions or copy it") from error
    except (OSError, ValueError) as error:
        raise PhotoError(f"{path!s:.200} cannot be read ({_reason(error)}); check the path") from error
    return _read(data, Path(path).name, str(path))


def read_photo(data: bytes, name: str) -> Photo:
    """Read a photograph from the bytes of its file; as `open_photo`, ``name`` stands in the sentences."""
    return _read(data, name, name)


def from_array(rgb: NDArray[np.uint8], name: str = "array") -> Photo:
    """Take an array for a photograph.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 array
        The upright picture, RGB; copied only where its rows do not lie one after the other.
    name : str
        What to call it.

    Returns
    -------
    Photo
        The picture, without date and focal length.

    Raises
    ------
    ValueError
        If the array has another shape or type.
    """
    if not isinstance(rgb, np.ndarray) or rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8 or not rgb.size:
        found = f"{rgb.dtype} {rgb.shape}" if isinstance(rgb, np.ndarray) else type(rgb).__name__
        raise ValueError(f"rgb is {found}; it must be an (H, W, 3) array of uint8, RGB")
    pixels = np.ascontiguousarray(rgb).view()
    pixels.flags.writeable = False
    digest = hashlib.sha256(repr(pixels.shape).encode())
    digest.update(pixels.data)
    return Photo(pixels, name, digest.hexdigest())


def _read(data: bytes, name: str, where: str) -> Photo:
    if not data:
        raise PhotoError(f"{where} is empty; copy it from the camera again")
    if len(data) > MAX_BYTES:
        raise PhotoError(f"{where} is over {MAX_BYTES // 1_000_000} MB; save the picture smaller")
    with warnings.catch_warnings(), _quiet_libtiff(data):
        # Pillow warns of odd metadata and of large pictures; the checks here speak for themselves.
        warnings.simplefilter("ignore")
        image = _open_image(data, where)
        width_px, height_px = image.size
        if width_px * height_px > MAX_PIXELS:
            raise PhotoError(
                f"{where} has {width_px} x {height_px} pixels, over {MAX_PIXELS // 1_000_000} million; "
                "save the picture smaller"
            )
        try:
            if image.format == "PNG":  # decoding passes over the checksums of the pixels
                image.verify()
                image = _open_image(data, where)
            exif = _exif(image)
            pixels = _upright_rgb(image, where)
            if image.format in ("JPEG", "MPO") and _padded_with_grey(data, pixels):
                raise OSError("its last rows are missing")
        except PhotoError:
            raise
        except Exception as error:  # decoders meet hostile bytes with whatever they come upon
            raise PhotoError(
                f"{where} is damaged or cut short ({_reason(error)}); copy it from the camera again"
            ) from error
    sha256 = hashlib.sha256(data).hexdigest()
    return Photo(pixels, name, sha256, _taken(exif), _focal_px(exif, pixels))


@contextmanager
def _quiet_libtiff(data: bytes) -> Iterator[None]:
    """Keep libtiff, which writes to the process's own stderr, from speaking beside the one sentence."""
    if data[:2] not in (b"II", b"MM"):
        yield
        return
    with _STDERR, Path(os.devnull).open("wb") as nowhere:
        try:
            kept = os.dup(2)
        except OSError:  # no stderr at all, as under a service
            yield
            return
        try:
            os.dup2(nowhere.fileno(), 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


def _open_image(data: bytes, where: str) -> Image.Image:
    """Read the header only: the size is known before a pixel is decoded."""
    formats = ["JPEG", "PNG", "TIFF", "WEBP"]  # a JPEG of several pictures (MPO) comes in as JPEG
    if data[4:8] == b"ftyp" and data[8:12] in HEIF_BRANDS:
        try:
            import pillow_heif
        except ImportError as error:
            raise PhotoError(
                f"{where} is HEIC, which needs the extra heic; run {install('heic')}, or save it as JPEG"
            ) from error
        pillow_heif.register_heif_opener()
        formats = ["HEIF"]
    try:
        return Image.open(io.BytesIO(data), formats=formats)
    except UnidentifiedImageError as error:
        raise PhotoError(f"{where} is no picture that can be read; give {kinds()}") from error
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{where} has over {MAX_PIXELS // 1_000_000} million pixels; save the picture smaller"
        ) from error
    except Exception as error:  # as above: a header may be hostile too
        raise PhotoError(f"{where} has a damaged header ({_reason(error)}); copy it from the camera again") from error


def _upright_rgb(image: Image.Image, where: str) -> NDArray[np.uint8]:
    """Decode all of it, 8 bits a channel, transparent parts on white as a viewer shows them."""
    image.load()
    ImageOps.exif_transpose(image, in_place=True)
    if image.mode in ("I", "F"):
        raise PhotoError(f"{where} has 32 bits a channel; save it with 8 or 16")
    if image.mode.startswith("I;16"):
        grey = (np.asarray(image).astype(np.uint32) + 128) // 257
        image = Image.fromarray(grey.astype(np.uint8))
    if image.has_transparency_data:
        image = image.convert("RGBA")
        paper = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(paper, image)
    if image.mode != "RGB":
        image = image.convert("RGB")
    return np.asarray(image)


def _padded_with_grey(data: bytes, pixels: NDArray[np.uint8]) -> bool:
    """Say whether a JPEG ended early and its decoder filled the rest with grey.

    Where the scan ends early with a proper end marker, libjpeg goes on with zero coefficients: flat
    grey of 128 up to the last pixel. A true picture may end so too; then bytes put at the end of the
    scan lie after its last block and change nothing, while a scan cut short takes them in. What is
    missing from the last block alone goes unseen.
    """
    corners = pixels[[0, 0, -1, -1], [0, -1, 0, -1]].astype(int)  # any of them: it may have been turned
    if not np.any(np.all(np.abs(corners - 128) <= 8, axis=1)):
        return False
    end = _end_of_first_scan(data)
    if end is None:
        return False
    longer = data[:end] + b"\x55\xa9\x36\x4c\x93\x1e\x70" * 64 + data[end:]
    image = Image.open(io.BytesIO(longer), formats=["JPEG"])
    image.load()
    ImageOps.exif_transpose(image, in_place=True)
    return not np.array_equal(np.asarray(image.convert("RGB")), pixels)


def _end_of_first_scan(data: bytes) -> int | None:
    """Return where the first marker stands that ends the coded data of a JPEG (ITU-T T.81, annex B)."""
    at, marker = 2, 0
    while marker != 0xDA:  # start of scan
        if at + 4 > len(data) or data[at] != 0xFF:
            return None
        marker = data[at + 1]
        at += 1 if marker == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4])
    ending = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]").search(data, at)  # not a stuffed byte, restart or fill
    return ending.start() if ending else None


def _exif(image: Image.Image) -> dict[int, object]:
    """Return the tags of the EXIF part that tells of the taking; none where they cannot be read."""
    try:
        return dict(image.getexif().get_ifd(EXIF_IFD))
    except Exception:  # metadata in disorder is no reason to refuse a picture that is whole
        return {}


def _taken(exif: dict[int, object]) -> str | None:
    text = exif.get(DATE_TAKEN)
    try:
        moment = datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None
    offset = str(exif.get(OFFSET_TAKEN, "")).strip("\0 ")
    return moment + offset if re.fullmatch(r"[+-]\d\d:\d\d", offset) else moment


def _focal_px(exif: dict[int, object], pixels: NDArray[np.uint8]) -> float | None:
    try:
        f35_mm = float(exif[FOCAL_35MM])  # type: ignore[arg-type]
    except (KeyError, TypeError, ValueError, ZeroDivisionError):
        return None
    if not 1.0 <= f35_mm <= 5000.0:  # 0 means unknown in EXIF
        return None
    return focal_from_35mm(f35_mm, pixels.shape[1::-1])


def _reason(error: BaseException) -> str:
    """Return the error's own words, fit for the middle of a sentence of one line."""
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return " ".join(str(text).split())[:120].rstrip(".")
