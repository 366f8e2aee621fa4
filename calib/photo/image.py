"""Load a photo safely: upright, 8-bit sRGB, with its focal length where the camera wrote it."""

import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError

MAX_MEGAPIXELS = 64.0
MIN_LONG_SIDE_PX = 1200
_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "BMP")
_MODES = ("RGB", "L", "RGBA", "LA", "P", "1")
_FULL_FRAME_DIAGONAL_MM = 43.2666  # of 36 x 24 mm
_RETAKE = "take the photo again, or copy it from the phone as a JPEG file"
_EXIF_IFD, _FOCAL_35MM, _ORIENTATION = 0x8769, 0xA405, 0x0112


@dataclass(frozen=True, eq=False)
class Photo:
    """A picture as it is meant to be looked at.

    Attributes
    ----------
    name : str
        File name, for messages.
    rgb : (h, w, 3) uint8
        sRGB; grey pictures have three equal channels.
    focal_px : float or None
        What the camera wrote, turned into pixels; None where it wrote nothing.
    grey : bool
        The file has no colour.
    dpi : (x, y) float or None
        Pixels per inch of the picture as it is looked at, where the file states them.
    """

    name: str
    rgb: NDArray[np.uint8]
    focal_px: float | None = None
    grey: bool = False
    dpi: tuple[float, float] | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        return int(self.rgb.shape[1]), int(self.rgb.shape[0])


def load_photo(path: Path) -> Photo:
    """Read one picture.

    Raises
    ------
    FileError
        Missing, not a picture, truncated, too large (checked before a pixel is decoded), too
        small, animated, 16-bit, or CMYK.
    """
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with path.open("rb") as stream, Image.open(stream, formats=_FORMATS) as image:
                _check_header(image, path.name)
                image.load()
                return _upright(image, path.name)
    except FileNotFoundError:
        raise FileError("there is no such file", where=str(path), mend="check its name") from None
    except (IsADirectoryError, PermissionError):
        raise FileError("not a picture that can be read", where=str(path), mend=_RETAKE) from None
    except UnidentifiedImageError:
        raise FileError(
            "not a picture that can be read", where=path.name, mend=_kind(path)
        ) from None
    except Image.DecompressionBombError:
        raise FileError("far too many pixels", where=path.name, mend=_too_large()) from None
    except FileError:
        raise
    except (OSError, ValueError, SyntaxError, EOFError, MemoryError, KeyError) as err:
        raise FileError(f"damaged picture ({err})", where=path.name, mend=_RETAKE) from err


def _kind(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            head = stream.read(16)
    except OSError:
        return _RETAKE
    if head[4:8] == b"ftyp":
        return "it is HEIC or a film: set the phone's camera to JPEG, or convert it"
    return "give a JPEG, PNG, WebP, TIFF or BMP file"


def _too_large() -> str:
    return f"at most {MAX_MEGAPIXELS:g} megapixels are read: use an ordinary phone photo, and scan at 300 to 600 dpi"


def _check_header(image: Any, name: str) -> None:
    width, height = image.size
    if width * height > MAX_MEGAPIXELS * 1e6:
        raise FileError(f"{width} x {height} pixels", where=name, mend=_too_large())
    if max(width, height) < MIN_LONG_SIDE_PX:
        raise FileError(
            f"only {width} x {height} pixels",
            where=name,
            mend=f"use the photo itself, not a preview: at least {MIN_LONG_SIDE_PX} on the long side",
        )
    # A JPEG of several pictures (MPO) is how phones store depth maps; its first one is the photo.
    if getattr(image, "n_frames", 1) > 1 and image.format != "MPO":
        raise FileError("an animation or several pages", where=name, mend="give one still picture")
    if image.mode == "CMYK":
        raise FileError("CMYK colours (for print)", where=name, mend="save it as an sRGB JPEG")
    if image.mode not in _MODES:
        raise FileError(
            f"pixel type {image.mode} (16-bit?)", where=name, mend="save it with 8 bits"
        )


def _upright(image: Any, name: str) -> Photo:
    exif = image.getexif()
    focal_35mm = exif.get_ifd(_EXIF_IFD).get(_FOCAL_35MM)
    turned = _turn(image, exif.get(_ORIENTATION, 1))
    grey = turned.mode in ("L", "LA", "1")
    rgb = np.asarray(turned.convert("RGB"))
    focal_px = None
    if isinstance(focal_35mm, int | float) and 8 <= focal_35mm <= 400:
        diagonal_px = float(np.hypot(rgb.shape[0], rgb.shape[1]))
        focal_px = float(focal_35mm) * diagonal_px / _FULL_FRAME_DIAGONAL_MM
    return Photo(name, rgb, focal_px, grey, _dpi(image, turned))


def _dpi(image: Any, turned: Any) -> tuple[float, float] | None:
    x, y = (float(v) for v in image.info.get("dpi", (0, 0)))
    if not (np.isfinite([x, y]).all() and min(x, y) > 0):
        return None
    return (x, y) if image.size == turned.size else (y, x)


def _turn(image: Any, orientation: Any) -> Any:
    from PIL import Image

    t = Image.Transpose
    ways = {
        2: t.FLIP_LEFT_RIGHT,
        3: t.ROTATE_180,
        4: t.FLIP_TOP_BOTTOM,
        5: t.TRANSPOSE,
        6: t.ROTATE_270,
        7: t.TRANSVERSE,
        8: t.ROTATE_90,
    }
    way = ways.get(orientation) if isinstance(orientation, int) else None
    return image if way is None else image.transpose(way)


def linear(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Undo the sRGB transfer curve (IEC 61966-2-1): light, 0 to 1, same shape."""
    return np.asarray(_LIGHT[rgb])


def decode(tone: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Undo the sRGB transfer curve (IEC 61966-2-1) for tones from 0 to 1."""
    v = np.clip(tone, 0.0, 1.0)
    return np.asarray(np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4))


_LIGHT = decode(np.arange(256) / 255.0).astype(np.float32)
