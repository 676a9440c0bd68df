"""What is kept of a picture: itself, upright, and nothing else."""

import io
import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from service.photos.rules import (
    MOST_PIXELS,
    MediaType,
    NotAPhoto,
    NotReadable,
    kept,
    kind_of,
)

GPS, ORIENTATION, MAKE = 0x8825, 0x0112, 0x010F  # tags of EXIF 2.3


def picture(
    kind: str = "JPEG", size: tuple[int, int] = (40, 20), mode: str = "RGB", **options: object
) -> bytes:
    """A picture: red on its left half, blue on its right."""
    image = Image.new(mode, size, "blue" if mode != "L" else 40)
    image.paste("red" if mode != "L" else 200, (0, 0, size[0] // 2, size[1]))
    written = io.BytesIO()
    image.save(written, kind, **options)
    return written.getvalue()


def with_position(kind: str = "JPEG", orientation: int = 1) -> bytes:
    """A picture whose camera wrote where it was, who made it, and how it was held."""
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKE] = orientation, "Invented cameras"
    exif.get_ifd(GPS).update({1: "N", 2: (60.0, 23.0, 31.5), 3: "E", 4: (5.0, 19.0, 48.2)})
    return picture(kind, exif=exif)


def opened(content: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(content))
    image.load()
    return image


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_the_position_that_a_camera_wrote_is_gone(kind: str) -> None:
    sent = with_position(kind)
    assert opened(sent).getexif().get_ifd(GPS), "it is there before"
    found = kept(sent)
    assert found.media_type == f"image/{kind.lower()}"
    assert (found.width, found.height) == (40, 20)
    image = opened(found.content)
    assert dict(image.getexif()) == {} and image.getexif().get_ifd(GPS) == {}
    for trace in (b"Exif", b"EXIF", b"eXIf", b"Invented cameras", b"http://ns.adobe"):
        assert trace not in found.content


def test_comments_texts_profiles_and_what_hides_behind_the_picture_are_gone() -> None:
    texts = PngInfo()
    texts.add_text("Comment", "pier 4, Invented harbour")
    sent = picture("PNG", pnginfo=texts, icc_profile=b"a profile of Invented cameras")
    for content in (
        sent + b"PK\x03\x04 and a second file",
        picture(comment=b"pier 4, Invented harbour", icc_profile=b"of Invented cameras") + b"PK",
    ):
        found = kept(content).content
        for trace in (b"Invented", b"PK", b"ICC_PROFILE", b"iCCP"):
            assert trace not in found


@pytest.mark.parametrize(
    ("orientation", "size", "red"),
    [
        (1, (40, 20), (2, 10)),
        (3, (40, 20), (37, 10)),
        (6, (20, 40), (10, 2)),
        (8, (20, 40), (10, 37)),
    ],
)
def test_a_picture_is_turned_as_the_camera_was_held(
    orientation: int, size: tuple[int, int], red: tuple[int, int]
) -> None:
    """EXIF 2.3, tag Orientation: 3 is half round, 6 a quarter clockwise to be upright, 8 back."""
    found = kept(with_position(orientation=orientation))
    assert (found.width, found.height) == size
    image = opened(found.content)
    pixel = image.getpixel(red)
    assert isinstance(pixel, tuple) and pixel[0] > 150 and pixel[2] < 100


@given(st.sampled_from(["JPEG", "PNG", "WEBP"]), st.integers(1, 60), st.integers(1, 60))
def test_the_same_picture_gives_the_same_bytes_and_what_is_kept_can_be_kept(
    kind: str, width: int, height: int
) -> None:
    sent = picture(kind, (width, height))
    first = kept(sent)
    assert first == kept(sent)
    again = kept(first.content)
    assert (again.width, again.height, again.media_type) == (width, height, first.media_type)


@pytest.mark.parametrize(
    ("kind", "mode"),
    [
        ("PNG", "RGBA"),
        ("PNG", "P"),
        ("PNG", "L"),
        ("PNG", "1"),
        ("JPEG", "L"),
        ("JPEG", "CMYK"),
        ("WEBP", "RGBA"),
    ],
)
def test_pictures_of_every_colour_kind_are_kept(kind: str, mode: str) -> None:
    written = io.BytesIO()
    Image.new(mode, (8, 8)).save(written, kind)
    assert kept(written.getvalue()).width == 8


@pytest.mark.parametrize(
    "content",
    [
        b"%PDF-1.7\n%\xe2\xe3",
        b"GIF89a\x01\0\x01\0",
        b"BM\x1e\0",
        b"",
        b"<svg/>",
        b"RIFF\0\0\0\0WAVE",
    ],
)
def test_what_is_no_picture_of_a_kind_that_is_taken_is_told_by_its_content(
    content: bytes,
) -> None:
    with pytest.raises(NotAPhoto):
        kept(content)
    with pytest.raises(NotAPhoto):
        kind_of(content)


def png_header(width: int, height: int) -> bytes:
    """A PNG of that size by its header, and almost nothing in it."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(b"\0" * 1000))
    return b"\x89PNG\r\n\x1a\n" + head + body + chunk(b"IEND", b"")


@pytest.mark.parametrize(("width", "height"), [(50_000, 50_000), (2**31 - 1, 1), (4001, 4000)])
def test_a_small_file_of_very_many_pixels_is_refused_before_one_is_decoded(
    width: int, height: int
) -> None:
    with pytest.raises(NotReadable):
        kept(png_header(width, height))


def test_a_large_jpeg_is_kept_at_half_its_size_but_not_a_progressive_one() -> None:
    size = (5000, 4000)
    assert size[0] * size[1] > MOST_PIXELS[MediaType.JPEG]
    found = kept(picture(size=size))
    assert (found.width, found.height) == (2500, 2000)
    with pytest.raises(NotReadable, match="5000 × 4000"):
        kept(picture(size=size, progressive=True))


def test_a_webp_of_more_than_eight_million_pixels_is_refused() -> None:
    with pytest.raises(NotReadable, match="at most 8 million"):
        kept(picture("WEBP", (4000, 2001)))


@given(
    st.sampled_from([picture(kind) for kind in ("JPEG", "PNG", "WEBP")]),
    st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 255)), max_size=20),
    st.integers(0, 2000),
)
def test_a_damaged_picture_is_kept_clean_or_refused_and_nothing_else_happens(
    content: bytes, changes: list[tuple[int, int]], end: int
) -> None:
    damaged = bytearray(content)
    for place, value in changes:
        damaged[place % len(damaged)] = value
    try:
        found = kept(bytes(damaged[: max(end, 1)]))
    except (NotAPhoto, NotReadable):
        return
    assert found.media_type in tuple(MediaType)
    assert kind_of(found.content) is found.media_type


def test_a_picture_that_is_cut_off_is_refused() -> None:
    for kind in ("JPEG", "PNG", "WEBP"):
        content = picture(kind, (400, 400))
        with pytest.raises(NotReadable):
            kept(content[: len(content) // 2])
