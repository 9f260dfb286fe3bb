"""Good pictures, EXIF blocks, profiles and models, drawn by code: what the fuzzer begins with."""

import io
import json
import random
import struct
import zlib
from typing import Any

import numpy as np
from PIL import Image

__all__ = [
    "bomb_seeds",
    "change_bomb",
    "exif_seeds",
    "icc_seeds",
    "npz_seeds",
    "picture_seeds",
    "raw_seeds",
    "taught_seeds",
]

Seeds = list[tuple[str, bytes]]


def _picture() -> Image.Image:
    rng = np.random.default_rng(7)
    rows, cols = np.mgrid[:48, :64]
    pixels = np.stack([rows * 4, cols * 3, (rows + cols) * 2], axis=2) + rng.integers(
        0, 20, (48, 64, 3)
    )
    return Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8))


def _saved(image: Image.Image, kind: str, **how: Any) -> bytes:
    stream = io.BytesIO()
    image.save(stream, kind, **how)
    return stream.getvalue()


def _exif() -> bytes:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Acme", "Pocket 3", 6
    exif[0x8769] = {0x9003: "2025:09:08 10:30:00", 0x9011: "+02:00", 0xA405: 26, 0xA431: "SN-1"}
    exif[0x8825] = {
        **{1: "N", 2: (52.0, 30.0, 0.0), 3: "E", 4: (13.0, 24.0, 0.0)},
        **{7: (8.0, 30.0, 5.0), 29: "2025:09:08"},
    }
    return exif.tobytes()


def picture_seeds() -> Seeds:
    """Return every kind of picture that is opened, in its usual and unusual forms."""
    import cv2
    import pillow_heif
    from PIL import ImageCms

    image, exif = _picture(), _exif()
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    deep = np.random.default_rng(3).integers(0, 65535, (20, 30, 3), np.uint16)
    heic = io.BytesIO()
    pillow_heif.from_pillow(image).save(heic, quality=60, exif=exif)
    frames = [image.quantize(8) for _ in range(2)]
    return [
        ("jpeg", _saved(image, "JPEG", quality=85, exif=exif, icc_profile=icc)),
        ("jpeg progressive", _saved(image, "JPEG", progressive=True, subsampling=0)),
        ("jpeg grey", _saved(image.convert("L"), "JPEG")),
        ("jpeg cmyk", _saved(image.convert("CMYK"), "JPEG")),
        ("mpo", _saved(image, "MPO", save_all=True, append_images=[image])),
        ("png", _saved(image, "PNG", exif=exif, icc_profile=icc)),
        ("png palette", _saved(image.quantize(16), "PNG")),
        ("png alpha", _saved(image.convert("RGBA"), "PNG")),
        ("png deep", cv2.imencode(".png", deep)[1].tobytes()),
        ("tiff", _saved(image, "TIFF", exif=exif)),
        ("tiff lzw", _saved(image, "TIFF", compression="tiff_lzw")),
        ("tiff deflate", _saved(image, "TIFF", compression="tiff_adobe_deflate", tiffinfo={})),
        ("tiff deep", cv2.imencode(".tif", deep)[1].tobytes()),
        ("heic", heic.getvalue()),
        ("webp", _saved(image, "WEBP", exif=exif, icc_profile=icc)),
        ("webp lossless", _saved(image, "WEBP", lossless=True)),
        ("avif", _saved(image, "AVIF", quality=60)),
        ("bmp", _saved(image, "BMP")),
        ("gif", _saved(frames[0], "GIF", save_all=True, append_images=frames[1:])),
    ]


def exif_seeds() -> Seeds:
    """Return a tiny JPEG that is mostly its EXIF block, in both orders of bytes."""
    tiny = _saved(_picture().resize((8, 8)), "JPEG", quality=20)
    seeds = []
    for name, block in (("little", _exif()), ("big", _big_endian())):
        body = block if block.startswith(b"Exif") else b"Exif\0\0" + block
        seeds.append((name, tiny[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
                      + tiny[2:]))  # fmt: skip
    return seeds


def _big_endian() -> bytes:
    """Date, offset and orientation in a big-endian block written by hand (EXIF 2.3)."""
    texts = (b"2025:09:08 10:30:00\0", b"+02:00\0\0")
    head = b"MM\0*" + struct.pack(">I", 8)
    first = struct.pack(">H", 2) + struct.pack(">HHIHH", 0x0112, 3, 1, 8, 0)
    first += struct.pack(">HHII", 0x8769, 4, 1, 8 + 2 + 24 + 4) + bytes(4)
    at = 38 + 2 + 24 + 4
    second = struct.pack(">H", 2) + struct.pack(">HHII", 0x9003, 2, 20, at)
    second += struct.pack(">HHII", 0x9011, 2, 7, at + 20) + bytes(4)
    return head + first + second + b"".join(texts)


def icc_seeds() -> Seeds:
    """Return matrix profiles with tables and with formulas, and one of another kind."""
    from PIL import ImageCms

    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    seeds = [("sRGB", srgb), ("Lab", lab)]
    for kind, count in enumerate((1, 3, 4, 5, 7)):
        seeds.append((f"formula {kind}", _profile(kind, count)))
    return seeds


def _profile(kind: int, count: int) -> bytes:
    """Return a matrix profile of sRGB's primaries with a parametric curve (ICC.1:2022, 10.18)."""
    values = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.0, 0.0)
    curve = b"para\0\0\0\0" + struct.pack(">HH", kind, 0)
    curve += struct.pack(f">{count}i", *(round(v * 65536) for v in values[:count]))
    colours = ((0.4361, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7141))
    tags = []
    for c, xyz in zip("rgb", colours, strict=True):
        fixed = struct.pack(">3i", *(round(v * 65536) for v in xyz))
        tags.append((f"{c}XYZ".encode(), b"XYZ \0\0\0\0" + fixed))
    tags += [(f"{c}TRC".encode(), curve) for c in "rgb"]
    at = 132 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, data in tags:
        table += struct.pack(">4sII", name, at + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = bytearray(128)
    head[12:16], head[16:20], head[20:24], head[36:40] = b"mntr", b"RGB ", b"XYZ ", b"acsp"
    whole = bytes(head) + table + body
    return struct.pack(">I", len(whole)) + whole[4:]


def raw_seeds() -> Seeds:
    """Return a small DNG: an RGGB mosaic (Adobe DNG 1.4)."""
    import tifffile

    values = np.random.default_rng(5).integers(100, 4000, (64, 96)).astype(np.uint16)
    unit = [v for n in np.eye(3).ravel() for v in (int(n * 10000), 10000)]
    tags = [
        *((274, 3, 1, 1, True), (271, 2, 0, "Acme", True), (272, 2, 0, "Pocket 3", True)),
        *((33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True)),
        *((50706, 1, 4, bytes((1, 4, 0, 0)), True), (50708, 2, 0, "Acme Pocket 3", True)),
        *((50714, 3, 1, 100, True), (50717, 3, 1, 4000, True), (50721, 10, 9, unit, True)),
        *((50728, 5, 3, (1, 1, 1, 1, 1, 1), True), (50778, 3, 1, 21, True)),
    ]
    out = io.BytesIO()
    tifffile.imwrite(out, values, photometric=32803, extratags=tags, metadata=None)
    return [("dng", out.getvalue())]


def taught_seeds() -> Seeds:
    """Return a ward's own layer as the ledger keeps it."""
    from polypward_vision.tissue import load_base_model
    from polypward_vision.tissue.taught import TaughtModel, _nothing

    arrays = TaughtModel(base=load_base_model(), layer=_nothing(), weight=0.7).to_arrays()
    return [("layer", json.dumps({n: a.tolist() for n, a in arrays.items()}).encode())]


def bomb_seeds() -> Seeds:
    """Return one picture that promises more pixels than are opened."""
    return [("png", _bomb(60_000, 60_000, 8, 2))]


def change_bomb(data: bytes, rng: random.Random) -> bytes:
    """Return a small PNG that holds, or only promises, up to 400 megapixels."""
    side = rng.choice((11_180, 11_181, 14_142, 20_000, 65_500, rng.randint(1000, 16_000)))
    depth, kind = rng.choice(((8, 2), (16, 2), (8, 6), (8, 0), (8, 3)))
    return _bomb(side, side if rng.random() < 0.7 else 100_000_000 // side, depth, kind)


def _bomb(width: int, height: int, depth: int, kind: int) -> bytes:
    """Write a PNG (ISO 15948) of one colour, packed whole where it has at most 130 megapixels."""
    each = {0: 1, 2: 3, 3: 1, 6: 4}[kind] * depth // 8
    packer = zlib.compressobj(9)
    body = b""
    for _ in range(height if width * height < 130_000_000 else 50):
        body += packer.compress(bytes(1 + width * each))
    body += packer.flush()
    chunks = [(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, 0))]
    chunks += [(b"PLTE", bytes(range(9)))] if kind == 3 else []
    chunks += [(b"IDAT", body), (b"IEND", b"")]
    out = b"\x89PNG\r\n\x1a\n"
    for name, held in chunks:
        out += struct.pack(">I", len(held)) + name + held
        out += struct.pack(">I", zlib.crc32(name + held))
    return out


class _Call:
    """An object that runs a program when it is unpickled."""

    def __reduce__(self) -> Any:
        import os

        return os.system, ("touch pickled",)


def npz_seeds() -> Seeds:
    """Return a small model's arrays, and the same with an object that wants to be unpickled."""
    plain = {name: np.zeros(64, np.uint8) for name in ("network", "glance")}
    seeds = []
    for name in (None, *plain):
        arrays: dict[str, Any] = dict(plain)
        if name is not None:
            arrays[name] = np.array([_Call()], object)
        stream = io.BytesIO()
        np.savez(stream, **arrays)
        seeds.append((f"pickle in {name}" if name else "plain", stream.getvalue()))
    return seeds
