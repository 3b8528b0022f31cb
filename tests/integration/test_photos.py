"""Photos made anew: real pictures come out as pictures and nothing else, and what is none is refused."""

from __future__ import annotations

import io
import zipfile
import zlib
from typing import Any

import pytest
from PIL import Image

from service.adapters.photos import LONGEST_SIDE, NotAPhoto, PhotoMaker, TooManyPixels

MAKER = PhotoMaker(24_000_000)
GPS_IFD, MAKE, ORIENTATION, COMMENT = 0x8825, 0x010F, 0x0112, 0x9286


def picture(size: tuple[int, int] = (64, 48), mode: str = "RGB", colour: Any = (200, 40, 40)) -> Image.Image:
    """A red picture whose upper left corner is blue."""
    image = Image.new(mode, size, colour)
    if mode == "RGB":
        image.paste((30, 30, 220), (0, 0, size[0] // 2, size[1] // 2))
    return image


def saved(image: Image.Image, kind: str = "JPEG", **options: Any) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def opened(jpeg: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(jpeg))
    image.load()
    return image


def with_a_place() -> bytes:
    """A picture that says where it was taken, with what, and what was thought of it; it lies on its side."""
    exif = Image.Exif()
    exif[MAKE] = "POISON-MAKE"
    exif[ORIENTATION] = 6
    exif[GPS_IFD] = {1: "N", 2: (51.0, 28.0, 38.0), 3: "W", 4: (0.0, 0.0, 5.0), 29: "POISON-DATE"}
    return saved(picture(), exif=exif, comment=b"POISON-COMMENT", icc_profile=b"POISON-PROFILE", xmp=b"POISON-XMP")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_picture_comes_out_as_a_jpeg_of_the_same(kind: str) -> None:
    made = MAKER.remake(saved(picture(), kind))
    image = opened(made.jpeg)
    assert (image.format, image.size, image.mode) == ("JPEG", (64, 48), "RGB")
    assert (made.width, made.height) == image.size
    red, blue = image.getpixel((60, 40)), image.getpixel((4, 4))
    assert isinstance(red, tuple)
    assert isinstance(blue, tuple)
    assert red[0] > 150 > red[2]
    assert blue[2] > 150 > blue[0]


def test_where_it_was_taken_and_all_that_was_written_beside_it_stays_behind() -> None:
    sent = with_a_place()
    assert b"POISON" in sent
    assert opened(sent).getexif().get_ifd(GPS_IFD)
    made = MAKER.remake(sent)
    assert b"POISON" not in made.jpeg
    assert b"Exif" not in made.jpeg
    assert not opened(made.jpeg).getexif()
    assert set(opened(made.jpeg).info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_a_picture_that_lay_on_its_side_stands_upright() -> None:
    made = MAKER.remake(with_a_place())
    assert (made.width, made.height) == (48, 64)
    corner = opened(made.jpeg).getpixel((44, 4))
    assert isinstance(corner, tuple)
    assert corner[2] > 150 > corner[0], "turned by a quarter clockwise, the upper left is the upper right"


def test_what_is_appended_to_a_picture_stays_behind() -> None:
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr("POISON.html", "<script>POISON</script>")
    sent = saved(picture()) + archive.getvalue() + b"<script>POISON</script>"
    assert zipfile.is_zipfile(io.BytesIO(sent))
    made = MAKER.remake(sent)
    assert b"POISON" not in made.jpeg
    assert not zipfile.is_zipfile(io.BytesIO(made.jpeg))


def test_a_script_that_hides_in_a_picture_s_own_blocks_stays_behind() -> None:
    script = b"*/=1;alert('POISON')/*"
    sent = saved(picture(), comment=script)
    assert script in sent
    assert b"POISON" not in MAKER.remake(sent).jpeg


def png_of(width: int, height: int) -> bytes:
    """A PNG that says it is so large, in a few kilobytes: one row of zeros, packed, after another."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return len(data).to_bytes(4) + kind + data + zlib.crc32(kind + data).to_bytes(4)

    packer = zlib.compressobj(9)
    rows = b"".join(packer.compress(bytes(1 + (width + 7) // 8)) for _ in range(height)) + packer.flush()
    header = width.to_bytes(4) + height.to_bytes(4) + bytes([1, 0, 0, 0, 0])
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("width", "height"), [(8000, 5000), (24_000_001, 1), (30_000, 30_000)])
def test_a_picture_of_too_many_pixels_is_refused_unopened(width: int, height: int) -> None:
    sent = png_of(width, height) if height > 1 else png_of(width, 1)
    assert len(sent) < 1_000_000
    with pytest.raises(TooManyPixels):
        MAKER.remake(sent)


def test_a_large_picture_becomes_one_of_a_size_that_is_enough() -> None:
    made = MAKER.remake(saved(picture((5000, 2500))))
    assert (made.width, made.height) == (LONGEST_SIDE, LONGEST_SIDE // 2)


def test_what_is_transparent_is_white() -> None:
    corner = opened(MAKER.remake(saved(picture(mode="RGBA", colour=(0, 0, 0, 0)), "PNG")).jpeg).getpixel((5, 5))
    assert corner == (255, 255, 255)


@pytest.mark.parametrize("mode", ["L", "1", "P", "CMYK", "LA", "I;16"])
def test_pictures_of_every_kind_of_colour_are_taken(mode: str) -> None:
    kind = "JPEG" if mode == "CMYK" else "PNG"
    assert opened(MAKER.remake(saved(Image.new(mode, (20, 20)), kind)).jpeg).mode == "RGB"


def test_of_a_moving_picture_the_first_moment_is_kept() -> None:
    frames = [Image.new("RGB", (20, 20), colour) for colour in ("red", "blue")]
    sent = saved(frames[0], "WEBP", save_all=True, append_images=frames[1:], duration=100)
    first = opened(MAKER.remake(sent).jpeg).getpixel((10, 10))
    assert isinstance(first, tuple)
    assert first[0] > 200


NO_PICTURES = {
    "nothing": b"",
    "text": b"this is no picture",
    "a page": b"<!doctype html><script>alert(1)</script>",
    "a drawing with a script": b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
    "a document": b"%PDF-1.7 1 0 obj",
    "a picture of another kind": saved(picture(), "GIF"),
    "a bitmap": saved(picture(), "BMP"),
    "a tiff": saved(picture(), "TIFF"),
    "half a picture": saved(picture((400, 300)))[:2000],
    "the beginning of one": saved(picture())[:20],
    "a picture with a page before it": b"<html>" + saved(picture()),
    "a PNG whose checksum is wrong": saved(picture(), "PNG")[:-20] + bytes(20),
    "postscript": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n",
}


@pytest.mark.parametrize("name", NO_PICTURES)
def test_what_is_no_picture_is_refused(name: str) -> None:
    with pytest.raises(NotAPhoto):
        MAKER.remake(NO_PICTURES[name])
