"""Photo intake: formats, EXIF, colour and damage. Pillow writes the files; OpenCV and NumPy say what must come out."""

import hashlib
import io
import struct
import sys
import warnings
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, ImageCms

from vision.photo import MOST_PIXELS, PhotoError, open_photo
from vision.plane import focal_px

ORIENTATION, F35 = ExifTags.Base.Orientation, ExifTags.Base.FocalLengthIn35mmFilm


def picture(width: int = 160, height: int = 96) -> np.ndarray:
    """Smooth colours that differ in every corner, so that each of the eight orientations shows."""
    y, x = np.mgrid[0:height, 0:width]
    return np.stack([x * 255 // (width - 1), y * 255 // (height - 1), (x + y) % 97 + 60], axis=2).astype(np.uint8)


def saved(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def exif(orientation: int | None = None, f35: int | None = None) -> bytes:
    tags = Image.Exif()
    if orientation is not None:
        tags[ORIENTATION] = orientation
    if f35 is not None:
        tags.get_ifd(ExifTags.IFD.Exif)[F35] = f35
    return tags.tobytes()


# Exif 3.0 (CIPA DC-008), tag 0x0112: which side of the scene row 0 and column 0 of the stored picture show, and so what
# must be done to see it upright; written here with NumPy's own words.
UPRIGHT = {
    1: lambda p: p,
    2: np.fliplr,
    3: lambda p: np.rot90(p, 2),
    4: np.flipud,
    5: lambda p: np.rot90(np.fliplr(p), 1),
    6: lambda p: np.rot90(p, -1),
    7: lambda p: np.rot90(np.fliplr(p), -1),
    8: lambda p: np.rot90(p, 1),
}


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "JPEG"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_each_orientation_is_applied_once(kind, orientation):
    options = {"lossless": True} if kind == "WEBP" else {"quality": 100, "subsampling": 0} if kind == "JPEG" else {}
    data = saved(Image.fromarray(picture()), kind, exif=exif(orientation), **options)
    photo = open_photo(data)
    expected = UPRIGHT[orientation](picture()).astype(int)
    assert photo.pixels.shape == expected.shape
    assert np.abs(photo.pixels.astype(int) - expected).max() <= (4 if kind == "JPEG" else 0)
    if kind == "JPEG":  # and as OpenCV, which applies the tag by itself
        other = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB)
        assert np.array_equal(photo.pixels, other)


OPTIONS = {"PNG": {"compress_level": 1}, "JPEG": {"quality": 95}}


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
@pytest.mark.parametrize(("size", "step"), [((4032, 304), 2), ((8160, 256), 4), ((4031, 304), 1), ((3800, 126), 1)])
def test_a_large_photo_is_read_at_half_its_size(kind, size, step):
    coarse = np.random.default_rng(3).integers(30, 225, (size[1] // 16 + 1, size[0] // 16 + 1, 3), dtype=np.uint8)
    whole = Image.fromarray(coarse).resize(size, Image.Resampling.BICUBIC)
    photo = open_photo(saved(whole, kind, exif=exif(6), **OPTIONS[kind]))
    assert photo.step == step and photo.size == size[::-1]
    expected = np.rot90(np.asarray(whole.reduce(step)), -1)  # Pillow's own mean over step x step pixels
    assert photo.pixels.shape == expected.shape
    off = np.abs(photo.pixels.astype(int) - expected)
    assert off.max() <= (1 if kind == "PNG" else 24) and off.mean() < (0.6 if kind == "PNG" else 2.0)


@pytest.mark.parametrize("bad", [0, 9, 255])
def test_an_impossible_orientation_is_ignored(bad):
    data = saved(Image.fromarray(picture()), "PNG", exif=exif(bad))
    assert np.array_equal(open_photo(data).pixels, picture())


def test_heic_is_read_and_turned_once():
    pytest.importorskip("pillow_heif")
    from pillow_heif import from_pillow

    out = io.BytesIO()
    from_pillow(Image.fromarray(picture())).save(out, quality=95, exif=exif(6, 26))
    photo = open_photo(out.getvalue())
    back = open_photo(saved(Image.fromarray(picture()), "PNG", exif=exif(6)))
    assert photo.pixels.shape == back.pixels.shape
    assert np.abs(photo.pixels.astype(int) - back.pixels.astype(int)).mean() < 6.0
    assert photo.focal_35mm == 26.0


def test_heic_without_its_reader_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(PhotoError, match=r"HEIC: install camdial\[heic\], or export"):
        open_photo(b"\0\0\0\x18ftypheic" + b"\0" * 200, name="IMG_1.HEIC")


@pytest.mark.parametrize(("written", "expected"), [(26, 26.0), (0, None), (None, None), (3, None)])
def test_focal_length_comes_from_exif_and_zero_means_unknown(written, expected):
    data = saved(Image.fromarray(picture()), "JPEG", exif=exif(f35=written))
    assert open_photo(data).focal_35mm == expected


def test_focal_length_in_pixels_goes_by_the_diagonal():
    """CIPA DCG-001: 36 x 24 mm has a diagonal of 43.27 mm; 50 mm on it sees 39.6 x 27.0 degrees (ayton.id.au, photo:fov)."""
    assert focal_px(26.0, (4032, 3024)) == pytest.approx(26.0 * 5040.0 / np.hypot(36.0, 24.0), rel=1e-5)
    f = focal_px(50.0, (3600, 2400))
    assert np.degrees(2 * np.arctan(1800 / f)) == pytest.approx(39.6, abs=0.05)
    assert np.degrees(2 * np.arctan(1200 / f)) == pytest.approx(27.0, abs=0.05)
    # sciencezero.4hv.org, "Angle of view": f 30 mm, width 22.5 mm -> 41.1 degrees
    f30 = 30.0 / 22.5 * 2000
    assert np.degrees(2 * np.arctan(1000 / f30)) == pytest.approx(41.1, abs=0.05)


def test_position_and_makers_notes_are_not_kept():
    tags = Image.Exif()
    tags[ExifTags.Base.Make] = "Maker"
    gps = tags.get_ifd(ExifTags.IFD.GPSInfo)
    gps[ExifTags.GPS.GPSLatitudeRef], gps[ExifTags.GPS.GPSLatitude] = "N", (47.0, 22.0, 1.0)
    tags.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.MakerNote] = b"serial 1234"
    photo = open_photo(saved(Image.fromarray(picture()), "JPEG", exif=tags.tobytes()))
    assert set(photo.__slots__) == {"pixels", "name", "sha256", "focal_35mm", "warnings", "step", "file_size"}
    assert not any(word in repr(photo) for word in ("Maker", "1234", "47.0"))


def test_alpha_lies_on_white():
    rgba = np.zeros((80, 80, 4), np.uint8)
    rgba[:, :40] = (10, 200, 30, 255)
    rgba[:, 40:] = (0, 0, 0, 0)
    rgba[40:, 40:] = (0, 0, 0, 128)
    pixels = open_photo(saved(Image.fromarray(rgba, "RGBA"), "PNG")).pixels
    assert tuple(pixels[10, 10]) == (10, 200, 30)
    assert tuple(pixels[10, 70]) == (255, 255, 255)
    assert pixels[70, 70] == pytest.approx(np.full(3, 127), abs=1)
    palette = Image.fromarray(rgba, "RGBA").convert("P")
    assert open_photo(saved(palette, "PNG", transparency=0)).pixels.shape == (80, 80, 3)


def test_sixteen_bits_scale_by_257():
    """65535 / 255 = 257: full scale maps onto full scale (PNG specification, 13.12, sample depth rescaling)."""
    deep = (np.arange(80 * 80).reshape(80, 80) % 256 * 257).astype(np.uint16)
    pixels = open_photo(saved(Image.fromarray(deep), "PNG")).pixels
    assert np.array_equal(pixels[:, :, 0], (deep // 257).astype(np.uint8))
    ok, coded = cv2.imencode(".png", np.dstack([deep] * 3))
    assert ok and np.abs(open_photo(coded.tobytes()).pixels.astype(int) - (deep // 257)[:, :, None]).max() <= 1


def test_grey_and_cmyk_become_rgb():
    grey = picture()[:, :, 0]
    for data in (saved(Image.fromarray(grey), "JPEG", quality=100), saved(Image.fromarray(grey), "PNG")):
        pixels = open_photo(data).pixels
        assert np.abs(pixels.astype(int) - grey[:, :, None]).max() <= 2
    cmyk = saved(Image.fromarray(picture()).convert("CMYK"), "JPEG", quality=98)
    assert np.abs(open_photo(cmyk).pixels.astype(int) - picture()).mean() < 4.0


SRGB_PRIMARIES = ((0.4361, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7141))
WIDE_PRIMARIES = ((0.515, 0.241, -0.001), (0.292, 0.692, 0.042), (0.157, 0.067, 0.784))  # any that go beyond sRGB


def matrix_profile(primaries: tuple[tuple[float, ...], ...] = SRGB_PRIMARIES, gamma: float | None = None) -> bytes:
    """A matrix profile (ICC.1:2001) with primaries adapted to D50; without a gamma its values are light as it is."""

    def xyz(*values: float) -> bytes:
        return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in values))

    text = b"text\0\0\0\0none\0"
    description = b"desc\0\0\0\0" + struct.pack(">I", 7) + b"linear\0" + bytes(78)
    curve = b"curv\0\0\0\0" + struct.pack(">I", 0)  # no entries: identity
    if gamma is not None:
        curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"
    tags = [(b"desc", description), (b"cprt", text), (b"wtpt", xyz(0.9642, 1.0, 0.8249))]
    tags += [(name, xyz(*p)) for name, p in zip((b"rXYZ", b"gXYZ", b"bXYZ"), primaries, strict=True)]
    tags += [(b"rTRC", curve), (b"gTRC", curve), (b"bTRC", curve)]
    table, body, at = struct.pack(">I", len(tags)), b"", 128 + 4 + 12 * len(tags)
    for name, content in tags:
        table += name + struct.pack(">II", at + len(body), len(content))
        body += content + bytes(-len(content) % 4)
    size = at + len(body)
    header = struct.pack(">I4sI", size, b"lcms", 0x02400000) + b"mntrRGB XYZ " + bytes(12) + b"acsp" + bytes(28)
    header += struct.pack(">3i", round(0.9642 * 65536), 65536, round(0.8249 * 65536))
    return header.ljust(128, b"\0") + table + body


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_profile_is_turned_into_srgb(kind):
    """Linear light comes out through the curve of IEC 61966-2-1: 1.055 v^(1/2.4) - 0.055 above 0.0031308."""
    flat = Image.new("RGB", (96, 96), (90, 120, 60))
    options = {"quality": 100, "subsampling": 0} if kind == "JPEG" else {}
    pixels = open_photo(saved(flat, kind, icc_profile=matrix_profile(), **options)).pixels
    light = np.array([90, 120, 60]) / 255.0
    assert pixels[5, 5] == pytest.approx(255.0 * (1.055 * light ** (1 / 2.4) - 0.055), abs=1.6)
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for profile in (srgb, b"no profile at all"):
        plain = open_photo(saved(flat, kind, icc_profile=profile, **options)).pixels
        assert plain[5, 5] == pytest.approx((90, 120, 60), abs=1)


@pytest.mark.parametrize(
    "profile",
    [matrix_profile(WIDE_PRIMARIES, 2.2), matrix_profile(WIDE_PRIMARIES, 1.8), matrix_profile(WIDE_PRIMARIES)],
)
def test_a_wide_profile_comes_out_as_the_colour_engine_has_it(profile):
    """Little CMS (in Pillow) on the same pixels; tables and one product may differ from it by rounding."""
    rgb = np.random.default_rng(0).integers(0, 256, (96, 200, 3)).astype(np.uint8)
    right = ImageCms.profileToProfile(
        Image.fromarray(rgb), ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB")
    )
    off = np.abs(
        open_photo(saved(Image.fromarray(rgb), "PNG", icc_profile=profile)).pixels.astype(int) - np.asarray(right)
    )
    assert off.max() <= 3
    assert off.mean() < 0.5


def test_only_the_first_of_several_pictures_is_read_and_that_is_said():
    frames = [Image.new("RGB", (80, 80), c) for c in ("red", "blue")]
    data = saved(frames[0], "WEBP", save_all=True, append_images=frames[1:], lossless=True)
    photo = open_photo(data)
    assert tuple(photo.pixels[4, 4]) == (255, 0, 0)
    assert [w.code for w in photo.warnings] == ["first-picture"]


def test_what_follows_a_jpeg_does_not_matter_but_a_cut_one_does():
    data = saved(Image.fromarray(picture(400, 300)), "JPEG", quality=90, exif=exif(1, 26))
    thumbnail_end = b"\xff\xe1\x00\x06\xff\xd9\x00\x00"  # an end marker inside a header segment
    data = data[:2] + thumbnail_end + data[2:]
    whole = open_photo(data)
    trailed = open_photo(data + b"MotionPhoto_Data" + bytes(3000))
    assert np.array_equal(whole.pixels, trailed.pixels)
    for share in (0.3, 0.7, 0.98):
        with pytest.raises(PhotoError, match=r"damaged or cut short: copy the photo again"):
            open_photo(data[: int(len(data) * share)])


def test_name_hash_and_sources_agree(tmp_path):
    data = saved(Image.fromarray(picture()), "PNG")
    path = tmp_path / "bench.png"
    path.write_bytes(data)
    by_path, by_bytes = open_photo(path), open_photo(data, name="bench.png")
    with path.open("rb") as stream:
        by_stream = open_photo(stream)
    for photo in (by_path, by_bytes, by_stream):
        assert photo.name == "bench.png"
        assert photo.sha256 == hashlib.sha256(data).hexdigest()
        assert np.array_equal(photo.pixels, picture())


def png_header(width: int, height: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 64)) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b"hello, this is no photo", "no photo this program reads"),
        (png_header(9000, 9000), f"more than {MOST_PIXELS // 10**6} megapixels"),
        (png_header(40000, 40000), f"more than {MOST_PIXELS // 10**6} megapixels"),
        (png_header(900, 900), "damaged or cut short"),
        (saved(Image.new("RGB", (20, 12)), "PNG"), "only 20 x 12 pixels"),
        (saved(Image.new("RGB", (80, 80)), "GIF"), "no photo this program reads"),
        (b"\xff\xd8\xff\xe0" + b"\0" * 50, "no photo|damaged"),
    ],
)
def test_what_is_no_photo_is_one_sentence_that_says_what_to_do(data, says):
    with pytest.raises(PhotoError, match=says) as error:
        open_photo(data, name="x.jpg")
    text = str(error.value)
    assert text.startswith("x.jpg") and "\n" not in text and ":" in text


def test_a_missing_file_and_a_folder(tmp_path):
    with pytest.raises(PhotoError, match="does not exist: check the name"):
        open_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        open_photo(tmp_path)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kind=st.sampled_from(["JPEG", "PNG", "WEBP"]),
    cut=st.floats(0.02, 1.0),
    flips=st.lists(st.tuples(st.floats(0, 0.999), st.integers(1, 255)), max_size=8),
)
def test_damaged_files_give_a_photo_or_a_photo_error_and_nothing_else(kind, cut, flips):
    data = bytearray(saved(Image.fromarray(picture()), kind, exif=exif(6, 26)))
    for place, value in flips:
        data[int(place * len(data))] ^= value
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            photo = open_photo(bytes(data[: max(1, int(len(data) * cut))]))
        except PhotoError as error:
            assert "\n" not in str(error)
        else:
            assert photo.pixels.dtype == np.uint8 and photo.pixels.ndim == 3
