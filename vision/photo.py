"""Photo file -> upright RGB pixels and the focal length; position, maker's notes and everything else stay behind."""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms, JpegImagePlugin, UnidentifiedImageError

from vision.colour_profile import is_foreign, to_srgb
from vision.quantity import NotMeasured

MOST_PIXELS: Final = 64_000_000  # a phone's largest ordinary mode is 50 megapixels; beyond lies a decompression bomb
REDUCED: Final = {  # OpenCV's flags for the size alone: IMREAD_COLOR_RGB beside them makes the picture coloured
    1: 0,
    2: cv2.IMREAD_REDUCED_GRAYSCALE_2,
    4: cv2.IMREAD_REDUCED_GRAYSCALE_4,
    8: cv2.IMREAD_REDUCED_GRAYSCALE_8,
}
MOST_BYTES: Final = 200_000_000
LEAST_SIDE_PX: Final = 64
ENOUGH_PX: Final = 1900  # of the long side: halved while this much is left. Every figure of docs/accuracy.md has less
FORMATS: Final = ("JPEG", "PNG", "WEBP")


class PhotoError(Exception):
    """A file that is no readable photo; the message is one sentence with what to do."""


@dataclass(frozen=True, slots=True)
class Photo:
    """Upright pixels (H, W, 3) uint8 RGB in sRGB; `sha256` is of the file's bytes; no position, no maker's notes.

    Each pixel is the mean of `step` x `step` of the file's; `file_size` is the upright file's width and height.
    """

    pixels: NDArray[np.uint8]
    name: str
    sha256: str
    focal_35mm: float | None = None
    warnings: tuple[NotMeasured, ...] = ()
    step: int = 1
    file_size: tuple[int, int] | None = None

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the upright file, pixels."""
        return self.file_size or (self.pixels.shape[1], self.pixels.shape[0])


def open_photo(source: Path | str | bytes | BinaryIO, *, name: str | None = None) -> Photo:
    """Read a photo, halved in both directions while its long side stays at 1900 pixels or more.

    Parameters
    ----------
    source : path, bytes or binary stream
        JPEG, PNG or WebP; HEIC with the extra ``[heic]``.
    name : str, optional
        What to call it; a path's own name by default.

    Raises
    ------
    PhotoError
        If it is no readable photo; the message says what to do.
    """
    data, called = _bytes_of(source, name)
    if not data:
        raise PhotoError(f"{called} is empty: copy the photo again")
    notes: list[NotMeasured] = []
    with warnings.catch_warnings():
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        warnings.simplefilter("ignore", UserWarning)  # Pillow warns of odd EXIF; what is needed of it is checked here
        try:
            with _opened(data, called) as image:
                if getattr(image, "n_frames", 1) > 1 and image.format != "MPO":
                    notes.append(NotMeasured("first-picture", "the file holds several pictures; the first was read"))
                orientation, focal = _exif(image)
                step = _step(image.size)
                pixels = _fast_jpeg(image, data, step) if image.format in ("JPEG", "MPO") else None
                if pixels is None:
                    pixels = _shrunk(_to_srgb(image), step)
                size = image.size if orientation < 5 else (image.height, image.width)
        except PhotoError:
            raise
        except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
            raise PhotoError(
                f"{called} has more than {MOST_PIXELS // 10**6} megapixels: use the phone's normal mode"
            ) from error
        except MemoryError as error:
            raise PhotoError(f"{called} is too large for this machine's memory: use the phone's normal mode") from error
        except Exception as error:  # decoders raise many kinds on damaged files; all mean the same to the user
            raise PhotoError(f"{called} is damaged or cut short: copy the photo again") from error
    pixels = _upright(pixels, orientation)
    if min(pixels.shape[:2]) < LEAST_SIDE_PX:
        raise PhotoError(f"{called} is only {size[0]} x {size[1]} pixels: send the photo itself, not its preview")
    return Photo(pixels, called, hashlib.sha256(data).hexdigest(), focal, tuple(notes), step, size)


def _step(size: tuple[int, int]) -> int:
    """1, 2, 4 or 8: by how much the picture is made smaller; a whole part of both sides, so that turned it fits, too."""

    def serves(step: int) -> bool:
        return max(size) >= ENOUGH_PX * step and min(size) >= LEAST_SIDE_PX * step and not any(n % step for n in size)

    return next((step for step in (8, 4, 2) if serves(step)), 1)


def _shrunk(pixels: NDArray[np.uint8], step: int) -> NDArray[np.uint8]:
    """The mean over every `step` x `step` pixels."""
    size = (pixels.shape[1] // step, pixels.shape[0] // step)
    return pixels if step == 1 else np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _bytes_of(source: Path | str | bytes | BinaryIO, name: str | None) -> tuple[bytes, str]:
    if isinstance(source, bytes):
        return source, name or "photo"
    if isinstance(source, (str, Path)):
        path = Path(source)
        called = name or path.name
        try:
            if path.stat().st_size > MOST_BYTES:
                raise PhotoError(f"{called} is larger than {MOST_BYTES // 10**6} MB: that is no photo of a phone")
            return path.read_bytes(), called
        except FileNotFoundError as error:
            raise PhotoError(f"{path} does not exist: check the name") from error
        except IsADirectoryError as error:
            raise PhotoError(f"{path} is a folder: name the photo in it") from error
        except OSError as error:
            raise PhotoError(f"{path} cannot be read: {error.strerror or 'check that it is yours to read'}") from error
    data = source.read(MOST_BYTES + 1)
    called = name or Path(str(getattr(source, "name", "photo"))).name
    if len(data) > MOST_BYTES:
        raise PhotoError(f"{called} is larger than {MOST_BYTES // 10**6} MB: that is no photo of a phone")
    return data, called


def _opened(data: bytes, called: str) -> Image.Image:
    formats = list(FORMATS)
    if data[4:12] in (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftyphevc", b"ftypmsf1", b"ftypheim"):
        try:
            from pillow_heif import register_heif_opener
        except ImportError as error:
            raise PhotoError(f"{called} is HEIC: install camdial[heic], or export the photo as JPEG") from error
        register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)
        formats.append("HEIF")
    try:
        image = _jpeg(data) or Image.open(io.BytesIO(data), formats=formats)
    except UnidentifiedImageError as error:
        raise PhotoError(f"{called} is no photo this program reads: give it a JPEG, PNG, WebP or HEIC") from error
    if image.width * image.height > MOST_PIXELS:
        raise PhotoError(f"{called} has more than {MOST_PIXELS // 10**6} megapixels: use the phone's normal mode")
    return image


def _jpeg(data: bytes) -> Image.Image | None:
    """A JPEG by its own reader: Pillow's `open` first loads those of four other formats. None where it is no JPEG."""
    if not data.startswith(b"\xff\xd8\xff"):
        return None
    try:
        return JpegImagePlugin.jpeg_factory(io.BytesIO(data))
    except (SyntaxError, IndexError, TypeError, struct.error):  # as Pillow's `open`, which then says it in its own way
        return None


def _exif(image: Image.Image) -> tuple[int, float | None]:
    """Orientation 1 to 8 and the 35 mm equivalent focal length; a HEIC decoder has already turned the picture."""
    try:
        exif = image.getexif()
        orientation = int(exif.get(ExifTags.Base.Orientation, 1) or 1)
        focal = exif.get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm)
        focal_35mm = float(focal) if focal else None  # 0 means unknown
    except Exception:  # EXIF is the photographer's, not ours: broken tags must not cost the photo
        return 1, None
    if image.format == "HEIF" or not 1 <= orientation <= 8:
        orientation = 1
    if focal_35mm is not None and not 8.0 <= focal_35mm <= 600.0:
        focal_35mm = None
    return orientation, focal_35mm


def _fast_jpeg(image: Image.Image, data: bytes, step: int) -> NDArray[np.uint8] | None:
    """Decode an ordinary RGB or grey JPEG by OpenCV, three times as fast as through Pillow to an array.

    With a step over 1 it is decoded at the smaller size from its low frequencies (ITU-T T.81 codes 8 x 8 cosines), which
    comes within a grey level of the mean over the whole pixels and takes half the time.
    """
    profile = image.info.get("icc_profile")
    if not (image.mode == "RGB" or (image.mode == "L" and not is_foreign(profile))) or not _whole_jpeg(data):
        return None
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION | REDUCED[step]
    pixels = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), flags)
    if pixels is None or pixels.shape[:2] != (image.height // step, image.width // step):
        return None
    rgb = np.asarray(pixels, dtype=np.uint8)
    return to_srgb(rgb, profile) if is_foreign(profile) else rgb


def _whole_jpeg(data: bytes) -> bool:
    """True when an end-of-image marker follows the first scan: OpenCV fills what is missing with grey and says nothing.

    Phones put more after the picture (a second picture, a video), and a thumbnail with an end of its own before it.
    """
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        if data[at + 1] == 0xDA:  # start of scan: within it 0xFF is followed by 0 or a restart number only
            return data.rfind(b"\xff\xd9", at) >= 0  # from the end, where it mostly is
        at += 1 if data[at + 1] == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _to_srgb(image: Image.Image) -> NDArray[np.uint8]:
    """Any mode to 8-bit sRGB: 16 bits scaled, alpha on white, profile applied."""
    image.load()
    profile = image.info.get("icc_profile")
    if image.mode.startswith("I;16") or image.mode == "I":
        grey = np.asarray(image).astype(np.float64)
        image = Image.fromarray(np.clip(np.round(grey / 257.0), 0, 255).astype(np.uint8))
        profile = None
    if image.mode == "F":
        image = Image.fromarray(np.clip(np.asarray(image), 0, 255).astype(np.uint8))
    if image.mode in ("P", "PA", "LA", "RGBA", "La", "RGBa") or "transparency" in image.info:
        image = image.convert("RGBA")
        white = Image.new("RGBA", image.size, (255, 255, 255, 255))
        image = Image.alpha_composite(white, image).convert("RGB")
    if is_foreign(profile) and image.mode == "RGB":
        return to_srgb(np.asarray(image, dtype=np.uint8), profile)
    if is_foreign(profile):
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            turned = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
            image = turned if turned is not None else image
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass  # a broken profile costs some colour, never the photo
    return np.asarray(image.convert("RGB"), dtype=np.uint8)


def _upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Apply EXIF orientation; OpenCV transposes and flips five times as fast as NumPy copies a turned view."""
    if orientation >= 5:
        pixels = np.asarray(cv2.transpose(pixels), dtype=np.uint8)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(
        orientation
    )  # about: 1 the upright axis, 0 the level one, -1 both
    return np.ascontiguousarray(pixels if flip is None else np.asarray(cv2.flip(pixels, flip), dtype=np.uint8))
