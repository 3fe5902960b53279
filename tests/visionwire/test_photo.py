"""The one door for pictures: whole and upright, or one sentence."""

from __future__ import annotations

import builtins
import hashlib
import io
import math
import os
import re
import struct
import sys
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from visionwire import photo
from visionwire.errors import ExitCode, PhotoError
from visionwire.photo import from_array, open_photo, read_photo

HEIGHT, WIDTH = 61, 97  # never square, and no multiple of a JPEG block


def smooth_picture(seed: int = 0) -> np.ndarray:
    """Return a colourful picture without grey corners, smooth enough for JPEG to keep."""
    coarse = np.random.default_rng(seed).integers(0, 100, (5, 8, 3), dtype=np.uint8)
    coarse[..., 0] += 150
    return cv2.resize(coarse, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)


PICTURE = smooth_picture()


def encode(image: Image.Image | np.ndarray, kind: str, **options: Any) -> bytes:
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    if isinstance(image, np.ndarray):
        image = Image.fromarray(image)
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


FILES = {
    "jpeg": encode(PICTURE, "JPEG", quality=92),
    "jpeg progressive": encode(PICTURE, "JPEG", quality=92, progressive=True),
    "jpeg restarts": encode(PICTURE, "JPEG", quality=92, restart_marker_rows=1),
    "jpeg cmyk": encode(Image.fromarray(PICTURE).convert("CMYK"), "JPEG", quality=92),
    "png": encode(PICTURE, "PNG"),
    "png palette": encode(Image.fromarray(PICTURE).quantize(256), "PNG"),
    "tiff": encode(PICTURE, "TIFF"),
    "tiff lzw": encode(PICTURE, "TIFF", compression="tiff_lzw"),
    "tiff deflate": encode(PICTURE, "TIFF", compression="tiff_adobe_deflate"),
    "tiff jpeg": encode(PICTURE, "TIFF", compression="jpeg"),
    "webp": encode(PICTURE, "WEBP", quality=95),
    "webp lossless": encode(PICTURE, "WEBP", lossless=True),
    "heic": encode(PICTURE, "HEIF", quality=95),
}


def assert_one_sentence(error: PhotoError, name: str) -> None:
    text = str(error)
    assert name in text and "\n" not in text and ";" in text and len(text) < 400
    assert error.exit_code == ExitCode.FILE == 4


@pytest.mark.parametrize("kind", FILES)
def test_every_format_comes_in_whole(kind: str) -> None:
    got = read_photo(FILES[kind], kind)
    assert got.pixels.shape == (HEIGHT, WIDTH, 3) and got.pixels.dtype == np.uint8
    exact = kind in ("png", "tiff", "tiff lzw", "tiff deflate", "webp lossless")
    difference = np.abs(got.pixels.astype(int) - PICTURE)
    assert difference.mean() <= (0 if exact else 12)
    assert got.sha256 == hashlib.sha256(FILES[kind]).hexdigest()
    assert not got.pixels.flags.writeable


def test_jpeg_pixels_are_those_of_another_decoder() -> None:
    theirs = cv2.imdecode(np.frombuffer(FILES["jpeg"], np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    assert np.abs(read_photo(FILES["jpeg"], "jpeg").pixels.astype(int) - theirs).max() <= 2


# Exif 2.3 (JEITA CP-3451C), tag 274: which visual side is the stored 0th row, and which the 0th column.
STORED = {
    1: lambda upright: upright,
    2: lambda upright: upright[:, ::-1],
    3: lambda upright: upright[::-1, ::-1],
    4: lambda upright: upright[::-1],
    5: lambda upright: upright.swapaxes(0, 1),
    6: lambda upright: upright[:, ::-1].swapaxes(0, 1),
    7: lambda upright: upright[::-1, ::-1].swapaxes(0, 1),
    8: lambda upright: upright[::-1].swapaxes(0, 1),
}


@pytest.mark.parametrize("orientation", STORED)
@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP", "JPEG"])
def test_orientation_is_applied(kind: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    options = {"lossless": True} if kind == "WEBP" else {"quality": 95} if kind == "JPEG" else {}
    stored = np.ascontiguousarray(STORED[orientation](PICTURE))
    got = read_photo(encode(stored, kind, exif=exif.tobytes(), **options), kind).pixels
    assert got.shape == PICTURE.shape
    assert np.abs(got.astype(int) - PICTURE).mean() <= (5 if kind == "JPEG" else 0)


def test_an_orientation_out_of_range_is_taken_as_upright() -> None:
    exif = Image.Exif()
    exif[274] = 99
    assert np.array_equal(read_photo(encode(PICTURE, "PNG", exif=exif.tobytes()), "odd").pixels, PICTURE)


def exif_of_a_camera(**fields: Any) -> bytes:
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({int(tag[1:], 16): value for tag, value in fields.items()})
    return exif.tobytes()


def test_date_and_focal_length_come_from_exif() -> None:
    exif = exif_of_a_camera(x9003="2026:03:14 15:09:26", x9011="+02:00", xA405=26)
    got = read_photo(encode(PICTURE, "JPEG", exif=exif), "a.jpg")
    assert got.taken == "2026-03-14T15:09:26+02:00"
    # A 35 mm frame is 36 x 24 mm (ISO 1007), so its diagonal is 43.267 mm.
    assert got.focal_px == pytest.approx(26 / 43.267 * math.hypot(WIDTH, HEIGHT), rel=1e-4)
    assert got.info.width_px == WIDTH and got.info.height_px == HEIGHT and got.info.taken == got.taken


@pytest.mark.parametrize("fields", [{}, {"x9003": "0000:00:00 00:00:00", "xA405": 0}, {"x9003": "yesterday"}])
def test_what_exif_does_not_say_is_none(fields: dict[str, Any]) -> None:
    got = read_photo(encode(PICTURE, "JPEG", exif=exif_of_a_camera(**fields)), "a.jpg")
    assert got.taken is None and got.focal_px is None


def test_exif_in_disorder_does_not_cost_the_picture() -> None:
    data = encode(PICTURE, "JPEG", exif=b"Exif\x00\x00MM\x00*\xff\xff\xff\xff" + b"\x87\x69" * 20)
    got = read_photo(data, "a.jpg")
    assert got.pixels.shape == PICTURE.shape and got.taken is None


def test_grey_alpha_and_16_bits_become_rgb() -> None:
    grey = PICTURE[..., 0]
    as_rgb = np.repeat(grey[..., None], 3, axis=2)
    assert np.array_equal(read_photo(encode(grey, "PNG"), "grey").pixels, as_rgb)
    for kind in ("PNG", "TIFF"):
        deep = encode(grey.astype(np.uint16) * 257, kind)  # 65535 is white, as 255 is
        assert np.array_equal(read_photo(deep, "deep").pixels, as_rgb)
    alpha = np.dstack([PICTURE, np.full((HEIGHT, WIDTH), 255, np.uint8)])
    alpha[:10, :, 3] = 0
    got = read_photo(encode(alpha, "PNG"), "alpha").pixels
    assert (got[:10] == 255).all() and np.array_equal(got[10:], PICTURE[10:])  # on white


def test_16_bit_colour_png() -> None:
    deep = cv2.imencode(".png", PICTURE[..., ::-1].astype(np.uint16) * 257)[1].tobytes()
    assert np.array_equal(read_photo(deep, "deep").pixels, PICTURE)


def test_32_bit_pictures_are_refused() -> None:
    data = encode(Image.fromarray(PICTURE[..., 0].astype(np.float32)), "TIFF")
    with pytest.raises(PhotoError, match=r"a\.tif has 32 bits a channel; save it with 8 or 16"):
        read_photo(data, "a.tif")


@pytest.mark.parametrize("kind", FILES)
def test_a_file_cut_short_is_refused(kind: str) -> None:
    data = FILES[kind]
    whole = read_photo(data, kind).pixels
    lengths = np.unique(np.r_[np.linspace(1, len(data) - 40, 60).astype(int), np.arange(len(data) - 40, len(data))])
    refused = 0
    for length in lengths:
        try:
            got = read_photo(data[:length], kind)
        except PhotoError as error:
            assert_one_sentence(error, kind)
            refused += 1
        else:  # nothing but a closing mark was lost
            assert np.array_equal(got.pixels, whole) and length > len(data) - 8
    assert refused >= 60


@pytest.mark.parametrize("kind", ["jpeg", "jpeg restarts"])
def test_a_jpeg_cut_and_closed_again_is_not_taken_for_whole(kind: str) -> None:
    data = FILES[kind]
    for keep in np.linspace(0.75, 0.96, 12):
        with pytest.raises(PhotoError, match="cut short"):
            read_photo(data[: int(keep * len(data))] + b"\xff\xd9", kind)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_whole_grey_jpeg_is_not_taken_for_cut(progressive: bool) -> None:
    grey = np.full((HEIGHT, WIDTH, 3), 128, np.uint8)
    grey[:20, :20] = PICTURE[:20, :20]
    got = read_photo(encode(grey, "JPEG", quality=95, progressive=progressive), "grey")
    assert (got.pixels[-8:, -8:] == 128).all()


@pytest.mark.parametrize("kind", FILES)
@pytest.mark.parametrize("seed", range(3))
def test_damaged_bytes_never_raise_anything_else(kind: str, seed: int, capfd: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(50):
        data = bytearray(FILES[kind])
        for place in rng.integers(len(data), size=rng.integers(1, 6)):
            data[place] ^= 1 << int(rng.integers(8))
        try:
            got = read_photo(bytes(data), kind)
        except PhotoError as error:
            assert_one_sentence(error, kind)
            assert (
                not kind.startswith("png")
                or "cut short" in str(error)
                or "header" in str(error)
                or "no pic" in str(error)
            )
        else:
            assert got.pixels.ndim == 3 and got.pixels.shape[2] == 3 and not kind.startswith("png")
    assert capfd.readouterr() == ("", "")  # no decoder speaks beside the sentence


@pytest.mark.parametrize("seed", range(20))
def test_noise_is_no_picture(seed: int) -> None:
    rng = np.random.default_rng(seed)
    start = [b"", b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"II*\x00", b"RIFF\x10\x00\x00\x00WEBP"][seed % 5]
    with pytest.raises(PhotoError, match="noise"):
        read_photo(start + rng.bytes(int(rng.integers(1, 400))), "noise")


@pytest.mark.parametrize("content", [b"GIF89a", b"BM", b"%PDF-1.7\n", b"<svg/>", b"just words", b"\0\0\0\x18ftypheic"])
def test_other_files_are_refused(content: bytes) -> None:
    with pytest.raises(PhotoError) as caught:
        read_photo(content + bytes(64), "other.bin")
    assert_one_sentence(caught.value, "other.bin")


def test_a_bomb_is_refused_before_it_is_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    monkeypatch.setattr(Image.Image, "load", lambda self: pytest.fail("decoded"))
    for side, words in ((10_001, "10001 x 10001 pixels, over 100 million"), (60_000, "over 100 million pixels")):
        header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
        bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
        with pytest.raises(PhotoError, match=f"bomb.png has {words}; save"):
            read_photo(bomb, "bomb.png")


def test_a_file_too_large_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(photo, "MAX_BYTES", 1_000_000)
    (tmp_path / "big.jpg").write_bytes(FILES["jpeg"] + bytes(1_000_000))
    with pytest.raises(PhotoError, match=r"big\.jpg is over 1 MB; save the picture smaller"):
        open_photo(tmp_path / "big.jpg")


def test_a_file_is_read_by_its_path(tmp_path: Path) -> None:
    path = tmp_path / "seen.jpg"
    path.write_bytes(FILES["jpeg"])
    got = open_photo(path)
    assert got.name == "seen.jpg" and np.array_equal(got.pixels, read_photo(FILES["jpeg"], "x").pixels)


def test_paths_that_are_no_pictures(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").touch()
    os.mkfifo(tmp_path / "pipe.jpg")
    wrong = {
        "empty.jpg": "is empty",
        "pipe.jpg": "is a device or a pipe",
        "missing.jpg": "does not exist",
        "": "is a folder",
        "empty.jpg/below.jpg": "cannot be read",
        "nul\0.jpg": "cannot be read",
        "n" * 5000: "cannot be read",
    }
    for name, words in wrong.items():
        with pytest.raises(PhotoError, match=words) as caught:
            open_photo(tmp_path / name)
        assert "\n" not in str(caught.value)
    with pytest.raises(PhotoError, match="a name is empty; give a photograph"):
        open_photo("")


def test_a_file_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: object, **kwargs: object) -> None:  # the superuser may read anything, so it is played
        raise PermissionError(13, "Permission denied")

    (tmp_path / "locked.jpg").write_bytes(FILES["jpeg"])
    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(PhotoError, match=r"locked\.jpg may not be read by this user; change its permissions"):
        open_photo(tmp_path / "locked.jpg")


def test_heic_without_its_extra_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "pillow_heif":
            raise ModuleNotFoundError(name)
        return real(name, *args, **kwargs)

    monkeypatch.delitem(sys.modules, "pillow_heif", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(PhotoError, match=re.escape('pip install ".[heic]"')):
        read_photo(FILES["heic"], "a.heic")


def test_an_array_is_a_photo() -> None:
    got = from_array(PICTURE)
    assert np.array_equal(got.pixels, PICTURE) and got.name == "array" and PICTURE.flags.writeable
    assert got.sha256 != from_array(PICTURE[:, ::-1]).sha256 and got.sha256 == from_array(PICTURE.copy()).sha256


@pytest.mark.parametrize(
    "array", [PICTURE[..., 0], PICTURE.astype(float), PICTURE[:0], np.zeros((4, 4, 4), np.uint8), [1]]
)
def test_other_arrays_are_a_bad_argument(array: Any) -> None:
    with pytest.raises(ValueError, match=r"rgb is .* it must be an \(H, W, 3\) array of uint8"):
        from_array(array)


@pytest.mark.parametrize(
    ("found", "ending"),
    [
        (object(), "give JPEG, PNG, TIFF, WebP or HEIC"),
        (None, 'WebP, or HEIC after pip install ".[heic]" in the folder of visionwire'),
    ],
)
def test_heic_is_named_with_the_way_to_it_where_it_is_not_installed(
    found: object, ending: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: found)
    with pytest.raises(PhotoError) as caught:
        read_photo(b"this is no picture", "a.jpg")
    assert str(caught.value).endswith(ending)
