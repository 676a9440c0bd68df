"""What a photo is when it is kept: the picture, upright, and nothing that the camera added.

The picture is decoded and written anew, so that no position, serial number, name, colour
profile or second file hidden behind the first is kept. Its kind is judged by its content.
"""

import io
import threading
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.Image import Image

MOST_BYTES = 15 * 1024 * 1024
JPEG_QUALITY = 90
MOST_PIXELS_HALVED = 64_000_000  # of a JPEG that can be decoded at half its size


class MediaType(StrEnum):
    """The kinds of picture that are taken."""

    JPEG = "image/jpeg"
    PNG = "image/png"
    WEBP = "image/webp"

    @property
    def ending(self) -> str:
        """How a file of this kind is named."""
        return {"image/jpeg": "jpg"}.get(self.value, self.value.removeprefix("image/"))


MOST_PIXELS = {  # by the memory that decoding and writing took, turned upright, as measured
    MediaType.JPEG: 16_000_000,  # 100 MB; progressive 160 MB
    MediaType.PNG: 16_000_000,  # 120 MB
    MediaType.WEBP: 8_000_000,  # 185 MB
}


class NotAPhoto(ValueError):
    """The content is no picture of a kind that is taken."""


class NotReadable(ValueError):
    """The content begins like a picture, but cannot be read as one."""


@dataclass(frozen=True)
class Kept:
    """A picture as it is kept."""

    content: bytes
    media_type: MediaType
    width: int
    height: int


# One picture is decoded at a time in a process: memory stays bounded however many arrive.
_DECODING = threading.Lock()


def kind_of(content: bytes) -> MediaType:
    """The kind of a picture by its first bytes, whatever it is called.

    Raises NotAPhoto for anything else.

    >>> kind_of(b"%PDF-1.7")
    Traceback (most recent call last):
    ...
    service.photos.rules.NotAPhoto: this is no JPEG, PNG or WebP picture
    """
    if content.startswith(b"\xff\xd8\xff"):
        return MediaType.JPEG
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return MediaType.PNG
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return MediaType.WEBP
    raise NotAPhoto("this is no JPEG, PNG or WebP picture")


def kept(content: bytes) -> Kept:
    """A picture without its metadata, turned as the camera was held; its first frame.

    A JPEG of more than 16 million pixels is kept at half its width and height.
    Raises NotAPhoto, and NotReadable for a picture that is cut off, damaged or of more
    pixels than are taken. The same content gives the same bytes.
    Cost: at most about 185 MB while it lasts, one picture at a time; a photo of 12 million
    pixels 0.25 s, a PNG of 16 million 4 s.
    """
    from PIL import Image  # noqa: PLC0415 - heavy, and only who sends a photo needs it

    kind = kind_of(content)
    with _DECODING:
        try:
            with Image.open(io.BytesIO(content), formats=(kind.name,)) as opened:
                _refuse_too_many_pixels(opened, kind)
                return _written(_upright(opened), kind)
        except NotReadable:
            raise
        except Exception as error:  # a decoder given damaged bytes raises whatever it happens to
            raise NotReadable("the picture is damaged or cut off") from error


def _refuse_too_many_pixels(opened: "Image", kind: MediaType) -> None:
    """By the size in its header, before a pixel is decoded."""
    pixels = opened.width * opened.height
    if pixels <= MOST_PIXELS[kind]:
        return
    # A progressive JPEG is held whole by its decoder, whatever size is asked of it.
    halves = kind is MediaType.JPEG and not opened.info.get("progressive")
    most = MOST_PIXELS_HALVED if halves else MOST_PIXELS[kind]
    if pixels > most:
        raise NotReadable(
            f"the picture has {opened.width} × {opened.height} pixels; "
            f"at most {most // 1_000_000} million are read"
        )
    opened.draft("RGB", (opened.width // 2, opened.height // 2))


def _upright(opened: "Image") -> "Image":
    from PIL import ImageOps  # noqa: PLC0415 - as in `kept`

    opened.load()
    ImageOps.exif_transpose(opened, in_place=True)  # a second picture would be a second 64 MB
    clear = "A" in opened.getbands() or "transparency" in opened.info
    mode = "RGBA" if clear and opened.format != "JPEG" else "RGB"
    picture = opened if opened.mode == mode else opened.convert(mode)
    picture.info.clear()  # else comment and colour profile would be written again
    return picture


def _written(picture: "Image", kind: MediaType) -> Kept:
    written = io.BytesIO()
    if kind is MediaType.PNG:
        picture.save(written, "PNG", compress_level=4)
    else:
        picture.save(written, kind.name, quality=JPEG_QUALITY)
    return Kept(written.getvalue(), kind, picture.width, picture.height)
