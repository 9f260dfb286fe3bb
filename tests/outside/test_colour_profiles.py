"""Photos with an ICC profile: Display P3 as phones write it, in JPEG and in HEIC.

Truth: the primaries of SMPTE RP 431-2 with the white D65 and the sRGB curve, taken to XYZ under
D50 by colour-science; the profile in the test files is assembled byte by byte from ICC.1:2010.
"""

import io
import struct

import colour
import numpy as np
import numpy.typing as npt
import pillow_heif
import pytest
from PIL import Image, ImageCms

from polypward_vision.colour.science import srgb_to_linear
from polypward_vision.load import DecodedPhoto, decode

D50 = np.array([0.9642, 1.0, 0.8249])  # the connection space's white, ICC.1:2010, 7.2.16
COLOURS = np.array(
    [[200, 40, 30], [30, 180, 60], [40, 50, 190], [210, 210, 205], [120, 90, 60], [250, 250, 250]],
    np.uint8,
)


def p3_to_xyz_d50() -> npt.NDArray[np.float64]:
    space = colour.RGB_COLOURSPACES["Display P3"]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint), D50, transform="Bradford"
    )
    return np.asarray(adapt @ space.matrix_RGB_to_XYZ)


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def matrix_profile(matrix: npt.NDArray[np.float64]) -> bytes:
    """Assemble a version 4 display profile: three colorants and the sRGB curve (type 3)."""
    curve = b"para" + bytes(4) + struct.pack(">HH", 3, 0)
    curve += b"".join(map(_fixed, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))
    text = "test".encode("utf-16-be")
    words = b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(text), 28) + text
    tags = {
        b"desc": words,
        b"cprt": words,
        b"wtpt": b"XYZ " + bytes(4) + b"".join(map(_fixed, D50)),
    }
    for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), matrix.T, strict=True):
        tags[name] = b"XYZ " + bytes(4) + b"".join(map(_fixed, column))
    for name in (b"rTRC", b"gTRC", b"bTRC"):
        tags[name] = curve
    at = 128 + 4 + 12 * len(tags)
    table, data = struct.pack(">I", len(tags)), b""
    for name, body in tags.items():
        body += bytes(-len(body) % 4)
        table += struct.pack(">4sII", name, at + len(data), len(body))
        data += body
    head = struct.pack(
        ">I4sI4s4s4s", at + len(data), bytes(4), 0x04200000, b"mntr", b"RGB ", b"XYZ "
    )
    head += struct.pack(">6H4s", 2026, 1, 1, 0, 0, 0, b"acsp") + bytes(28)
    head += b"".join(map(_fixed, D50)) + bytes(48)
    return head + table + data


def picture() -> Image.Image:
    """Six flat colours, 32 pixels wide each."""
    return Image.fromarray(np.repeat(np.repeat(COLOURS[None], 32, 0), 32, 1))


def encoded(kind: str, profile: bytes) -> bytes:
    out = io.BytesIO()
    if kind == "jpeg":
        picture().save(out, "JPEG", quality=98, subsampling=0, icc_profile=profile)
    elif kind == "png":
        picture().save(out, "PNG", icc_profile=profile)
    else:
        pillow_heif.from_pillow(picture()).save(out, quality=-1, chroma=444, icc_profile=profile)
    return out.getvalue()


def xyz_of(photo: DecodedPhoto) -> npt.NDArray[np.float64]:
    """Return the mean XYZ D50 of each of the six colours as the photo's own profile says."""
    values = photo.rgb.reshape(32, 6, 32, 3)[4:-4, :, 4:-4].mean((0, 2))
    return np.asarray(photo.icc.to_xyz_d50(values))


def test_the_assembled_profile_is_understood_by_another_library() -> None:
    """Little CMS takes the test's profile and gives the Lab that our arithmetic expects."""
    profile = ImageCms.ImageCmsProfile(io.BytesIO(matrix_profile(p3_to_xyz_d50())))
    lab = ImageCms.createProfile("LAB", 5000)
    transform = ImageCms.buildTransform(profile, lab, "RGB", "LAB", renderingIntent=1)
    got = np.asarray(ImageCms.applyTransform(picture(), transform))[16, 16::32].astype(float)
    got = np.stack([got[:, 0] / 2.55, *(got[:, 1:].T.astype(np.uint8).view(np.int8).astype(float))])
    xyz = srgb_to_linear(COLOURS / 255) @ p3_to_xyz_d50().T
    expected = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(D50))
    np.testing.assert_allclose(got.T, expected, atol=1.0)  # 8-bit Lab


@pytest.mark.parametrize("kind", ["jpeg", "png", "heic"])
def test_display_p3(kind: str) -> None:
    photo = decode(encoded(kind, matrix_profile(p3_to_xyz_d50())))
    expected = srgb_to_linear(COLOURS / 255) @ p3_to_xyz_d50().T
    # One 8-bit step is up to 0.009 in linear light near white.
    np.testing.assert_allclose(xyz_of(photo), expected, atol=0.001 if kind == "png" else 0.01)


def test_p3_is_not_srgb() -> None:
    """The same values read as sRGB differ by several dE00: the check above can fail."""
    p3, srgb = decode(encoded("png", matrix_profile(p3_to_xyz_d50()))), decode(encoded("png", b""))
    lab = [colour.XYZ_to_Lab(xyz_of(photo), colour.XYZ_to_xy(D50)) for photo in (p3, srgb)]
    assert float(np.max(colour.delta_E(*lab, method="CIE 2000"))) > 3


def test_heic_round_trip() -> None:
    """Pixels encoded by libheif come back upright and within the codec's loss."""
    photo = decode(encoded("heic", b""))
    assert photo.rgb.shape == (32, 192, 3)
    values = photo.rgb.reshape(32, 6, 32, 3)[4:-4, :, 4:-4].mean((0, 2))
    np.testing.assert_allclose(values, COLOURS, atol=2)
