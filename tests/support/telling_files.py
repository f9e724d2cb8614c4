"""Photo files that tell of people: place, serial number, name, thumbnail."""

from __future__ import annotations

import io
import struct

import numpy as np
from PIL import Image

SECRETS = (
    b"SN-4711-SECRET",
    b"Jane Doe",
    b"51,30.1234N",
    struct.pack(">I", 123456789),
    struct.pack("<I", 123456789),
)


def telling_jpeg(pixels: np.ndarray | None = None, orientation: int = 6) -> bytes:
    """A JPEG that tells where it was taken, by whom and with which camera, in every place that can."""
    pixels = np.random.default_rng(0).integers(0, 255, (240, 320, 3), np.uint8) if pixels is None else pixels
    exif = Image.Exif()
    exif[0x0112], exif[0x013B] = orientation, "Jane Doe"
    inner = {0xA405: 26, 0x920A: 5.4, 0xA431: "SN-4711-SECRET", 0xA430: "Jane Doe", 0x9003: "2024:05:14 10:12:00"}
    exif[0x8769], exif[0x8825] = inner, {1: "N", 2: (51.0, 30.0, 123456789 / 1e7)}
    file = io.BytesIO()
    profile = b"\0" * 200
    Image.fromarray(pixels).save(
        file, "JPEG", exif=exif, comment=b"Jane Doe at 51,30.1234N", quality=92, icc_profile=profile
    )
    data = file.getvalue()
    xmp = b'<x:xmpmeta exif:GPSLatitude="51,30.1234N"/>'
    segment = b"\xff\xe1" + struct.pack(">H", len(xmp) + 2) + xmp
    return data[:2] + segment + data[2:] + data  # a second picture with all of it behind the first
