import hashlib
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from coverage_lab.errors import ExitCode, UnreadableFrame
from coverage_lab.frames.read import read_frame


def codes(height=60, width=80):
    return cv2.GaussianBlur(np.random.default_rng(1).integers(0, 256, (height, width), np.uint8), (0, 0), 3)


def store(path: Path, picture, *options) -> Path:
    ok, content = cv2.imencode(path.suffix, picture, options)
    assert ok
    path.write_bytes(content.tobytes())
    return path


def png_header(width, height) -> bytes:
    def chunk(name, content):
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    size = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")


def test_an_8_bit_picture_loses_its_srgb_curve(tmp_path):
    ramp = np.tile(np.arange(256, dtype=np.uint8), (4, 1))
    light = read_frame(store(tmp_path / "ramp.png", ramp)).light
    assert light.dtype == np.uint16
    assert (light[0, 0], light[0, 255]) == (0, 65535)
    # sRGB codes of known linear shares: 188 is half light (IEC 61966-2-1: 0.5 -> 0.7354 -> 187.5), 12 linear / 12.92.
    assert light[0, 188] / 65535 == pytest.approx(0.5029, abs=1e-4)
    assert light[0, 10] / 65535 == pytest.approx(10 / 255 / 12.92, abs=1e-5)
    assert np.all(np.diff(light[0].astype(int)) > 0)


def test_jpeg_and_png_of_one_picture_agree_within_the_codes_rounding(tmp_path):
    grey = codes()
    jpeg = read_frame(store(tmp_path / "a.jpg", cv2.merge([grey] * 3), cv2.IMWRITE_JPEG_QUALITY, 100)).light
    png = read_frame(store(tmp_path / "a.png", grey)).light
    assert abs(jpeg.astype(int) - png).max() < 2000


@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_16_bits_are_linear_already(tmp_path, suffix):
    values = np.random.default_rng(2).integers(0, 65536, (30, 40), np.uint16)
    frame = read_frame(store(tmp_path / f"deep{suffix}", values))
    assert np.array_equal(frame.light, values)
    colour = np.dstack([values, values // 2, values // 4])  # blue, green, red
    light = read_frame(store(tmp_path / f"colour{suffix}", colour)).light
    assert np.allclose(light, colour @ [0.114, 0.587, 0.299], atol=8)


def test_a_full_pixel_counts_as_saturated_and_a_bright_one_does_not(tmp_path):
    for suffix, dtype, full in ((".png", np.uint8, 255), (".tif", np.uint16, 65535)):
        picture = np.array([[full, int(full * 0.93)]] * 2, dtype)
        frame = read_frame(store(tmp_path / f"clip{suffix}", picture))
        assert (frame.light >= frame.clip).tolist() == [[True, False]] * 2


def test_the_digest_is_of_the_files_content(tmp_path):
    path = store(tmp_path / "a.png", codes())
    assert read_frame(path).digest == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("orientation", range(2, 9))
@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_orientation_changes_nothing(tmp_path, orientation, suffix):
    picture, exif = Image.fromarray(codes()), Image.Exif()
    picture.save(tmp_path / f"plain{suffix}")
    exif[0x0112] = orientation
    picture.save(tmp_path / f"turned{suffix}", exif=exif)
    plain, turned = (read_frame(tmp_path / f"{name}{suffix}").light for name in ("plain", "turned"))
    assert np.array_equal(plain, turned)


def test_exif_is_read(tmp_path):
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    inner.update(
        {0x829A: 30.0, 0x920A: 16.0, 0xA405: 24, 0x9003: "2031:02:11 21:14:29", 0x9291: "70", 0x9011: "+01:00"}
    )
    Image.fromarray(codes()).save(tmp_path / "a.jpg", exif=exif)
    found = read_frame(tmp_path / "a.jpg").exif
    assert (found.exposure_s, found.focal_length_mm, found.focal_length_35mm) == (30.0, 16.0, 24.0)
    assert found.taken == "2031:02:11 21:14:29.70+01:00"
    assert read_frame(store(tmp_path / "bare.jpg", codes())).exif is None


def test_zero_and_missing_exif_values_are_unknown(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x829A: 0.0, 0xA405: 0, 0x9003: ""})
    Image.fromarray(codes()).save(tmp_path / "a.jpg", exif=exif)
    found = read_frame(tmp_path / "a.jpg").exif
    assert (found.exposure_s, found.focal_length_mm, found.focal_length_35mm, found.taken) == (None,) * 4


@pytest.mark.parametrize(
    "name", ["mit Leerzeichen.jpg", "nächtlich.jpg", "na\u0308chtlich.jpg", 'it\'s "one".jpg', "夜.jpg"]
)
def test_names_of_all_kinds_are_read(tmp_path, name):
    assert read_frame(store(tmp_path / name, codes())).light.shape == (60, 80)


def cut(path, share):
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    return path


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.995])
def test_a_cut_off_picture_is_noticed(tmp_path, suffix, share):
    path = cut(store(tmp_path / f"cut{suffix}", codes(300, 400)), share)
    with pytest.raises(UnreadableFrame, match=f"cut{suffix}.*(decoded whole|header is damaged).*Copy it"):
        read_frame(path)


@pytest.mark.parametrize(
    ("name", "content", "wrong"),
    [
        ("empty.jpg", b"", "the file is empty"),
        ("text.jpg", b"run,robot\n1,heron\n", "not a JPEG, PNG or TIFF"),
        ("raw.nef", b"II*\x00" + bytes(100), "cannot be decoded whole"),
        ("huge.png", png_header(60000, 60000), "claims 60000 × 60000 pixels; the limit is 250 million"),
        ("flat.png", png_header(0, 10), "header is damaged or claims no pixels"),
        ("hollow.png", png_header(10, 10), "cannot be decoded whole"),
        ("start.jpg", b"\xff\xd8\xff\xe0\x00", "header is damaged"),
    ],
)
def test_what_is_no_picture_is_named_with_the_mend(tmp_path, name, content, wrong):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(UnreadableFrame, match=wrong) as error:
        read_frame(path)
    assert str(error.value).startswith(f"{path}: ")
    assert str(error.value).count("\n") == 0
    assert error.value.exit_code == ExitCode.SOME_FAILED


def test_missing_files_and_folders_are_named(tmp_path):
    with pytest.raises(UnreadableFrame, match="no such file"):
        read_frame(tmp_path / "none.jpg")
    with pytest.raises(UnreadableFrame, match="is a folder"):
        read_frame(tmp_path)


def test_floating_point_values_are_refused(tmp_path):
    with pytest.raises(UnreadableFrame, match=r"float32 values.*8 or 16 bits"):
        read_frame(store(tmp_path / "deep.tif", codes().astype(np.float32)))
