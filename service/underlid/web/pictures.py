"""Photos as they come from phones, checked and made anew: small enough, upright, and without where they were taken."""

import io
import warnings
from dataclasses import dataclass

from PIL import Image, ImageOps

_MOST_PIXELS = 60_000_000
_FORMATS = ("JPEG", "PNG", "WEBP")
_LARGE_PX, _SMALL_PX = 1600, 320
_QUALITY = 82


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo as JPEG, at most 1600 and at most 320 pixels across; width and height are those of the large one."""

    large: bytes
    small: bytes
    width: int
    height: int


def picture(data: bytes) -> Picture:
    """Make a photo anew from what was sent. Raises ValueError with one sentence for anything but a photo.

    Only pixels are taken over: what else a file carries (place, device, scripts) is left behind.
    """
    if not data:
        raise ValueError("no picture was sent; send a JPEG, PNG or WebP")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=_FORMATS) as opened:
                if opened.width * opened.height > _MOST_PIXELS:
                    raise ValueError(_too_many(opened.width, opened.height))
                opened.draft("RGB", (_LARGE_PX, _LARGE_PX))  # a JPEG need not be decoded whole
                upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise ValueError(
            f"the picture has too many pixels; at most {_MOST_PIXELS // 1_000_000} million"
        ) from error
    except (OSError, SyntaxError) as error:  # Pillow's words for a file that is none, or is broken
        raise ValueError("this is no picture that can be read; send a JPEG, PNG or WebP") from error
    upright.thumbnail((_LARGE_PX, _LARGE_PX))
    large = _jpeg(upright)
    small = upright.copy()
    small.thumbnail((_SMALL_PX, _SMALL_PX))
    return Picture(large, _jpeg(small), upright.width, upright.height)


def _too_many(width: int, height: int) -> str:
    return f"the picture has {width} x {height} pixels; at most {_MOST_PIXELS // 1_000_000} million are taken"


def _jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    # Made from bare pixels, so that nothing of the first file's notes comes along.
    clean = Image.new("RGB", image.size)
    clean.paste(image)
    clean.save(out, "JPEG", quality=_QUALITY, optimize=True, progressive=True)
    return out.getvalue()
