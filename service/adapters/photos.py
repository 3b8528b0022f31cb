"""Photos made anew from what was sent: only the picture is kept, none of what a camera or a prankster put beside it.

The pixels are decoded and encoded again as JPEG. That leaves behind everything else in the file: where it was taken,
with what, by whom, a thumbnail of what was cut off, and any page, archive or script appended to the picture.
"""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass

from PIL import Image, ImageOps, UnidentifiedImageError

from service.domain.errors import InvalidInput
from service.workflows.ports.photos import Picture

FORMATS = ("JPEG", "PNG", "WEBP")
LONGEST_SIDE = 2400
"""Pixels; more shows nothing of a shaft that this does not."""

QUALITY = 85


class NotAPhoto(InvalidInput):
    """This is no JPEG, PNG or WebP picture that can be opened."""

    code = "not_a_photo"


class TooManyPixels(InvalidInput):
    """This picture has more pixels than are taken here; send a smaller one."""

    code = "too_many_pixels"


@dataclass(frozen=True)
class PhotoMaker:
    """Makes photos anew; those of more than `most_pixels` are refused before they are decoded."""

    most_pixels: int

    def remake(self, sent: bytes) -> Picture:
        """The picture in `sent`, upright, at most `LONGEST_SIDE` long; raises `NotAPhoto` or `TooManyPixels`."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # Pillow warns of odd files; we refuse those that do not open
                return self._remade(sent)
        except InvalidInput:
            raise
        except Image.DecompressionBombError as error:
            raise TooManyPixels from error
        except (
            UnidentifiedImageError,
            OSError,
            ValueError,
            SyntaxError,
            EOFError,
            MemoryError,
            OverflowError,
        ) as error:
            raise NotAPhoto from error

    def _remade(self, sent: bytes) -> Picture:
        with Image.open(io.BytesIO(sent), formats=FORMATS) as opened:
            # The header says how large it is; nothing has been decoded yet.
            if opened.width * opened.height > self.most_pixels:
                raise TooManyPixels(
                    f"This picture has {opened.width} x {opened.height} pixels; at most {self.most_pixels} are taken."
                )
            opened.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
            upright = ImageOps.exif_transpose(opened)
            picture = _on_white(upright)
        picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
        # A fresh image: what was attached to the one that was opened stays behind.
        bare = Image.new("RGB", picture.size)
        bare.paste(picture)
        out = io.BytesIO()
        bare.save(out, "JPEG", quality=QUALITY, optimize=True)
        return Picture(out.getvalue(), bare.width, bare.height)


def _on_white(picture: Image.Image) -> Image.Image:
    """The picture in red, green and blue; what is transparent in it is white."""
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        seen = picture.convert("RGBA")
        paper = Image.new("RGBA", seen.size, "white")
        paper.alpha_composite(seen)
        return paper.convert("RGB")
    return picture.convert("RGB")
