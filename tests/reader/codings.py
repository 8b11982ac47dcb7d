"""Raw and jpeg pictures, sound codings (coding.md, chapters 1, 2 and Sound)."""
import io
import struct
import numpy as np
from patch import Broken
try:
    from PIL import Image
except ImportError:
    Image = None

CHANGE = (-1, -1, -1, -1, 2, 4, 6, 8)
STEPS = [int(v) for v in """7 8 9 10 11 12 13 14 16 17 19 21 23 25 28 31 34 37 41 45 50 55 60 66 73 80 88 97 107 118 130 143
157 173 190 209 230 253 279 307 337 371 408 449 494 544 598 658 724 796 876 963 1060 1166 1282 1411
1552 1707 1878 2066 2272 2499 2749 3024 3327 3660 4026 4428 4871 5358 5894 6484 7132 7845 8630 9493
10442 11487 12635 13899 15289 16818 18500 20350 22385 24623 27086 29794 32767""".split()]


def sound_bytes(coding, ticks):
    return {0: 0, 1: 2 * ticks, 2: ticks, 3: 4 + ticks // 2}[coding]


def decode_sound(coding, data, n):
    """Samples as bytes, 16-bit signed little-endian."""
    if coding == 1:
        return data
    if coding == 2:
        return ((np.frombuffer(data, dtype=np.uint8).astype(np.int32) - 128) * 256).astype("<i2").tobytes()
    sample, index, zero = struct.unpack("<hBB", data[:4])
    if index > 88 or zero:
        raise Broken("start of a sound block")
    out = [sample]
    for i in range(n - 1):
        c = data[4 + (i >> 1)] >> (4 * (i & 1)) & 15
        step = STEPS[index]
        d = step >> 3
        if c & 4:
            d += step
        if c & 2:
            d += step >> 1
        if c & 1:
            d += step >> 2
        if c & 8:
            d = -d
        sample = max(-32768, min(32767, sample + d))
        index = max(0, min(88, index + CHANGE[c & 7]))
        out.append(sample)
    return struct.pack("<%dh" % n, *out)


def visible(width, height, shape):
    if not shape:
        return np.ones((height, width), dtype=bool)
    u = (2 * np.arange(width) + 1 - width)[None, :].astype(np.int64)
    v = (2 * np.arange(height) + 1 - height)[:, None].astype(np.int64)
    return (u * height) ** 2 + (v * width) ** 2 <= (width * height) ** 2


def decode_raw(data, key, panel, pixel_format, shape):
    """Gives (new panel, rectangles, bytes on the bus)."""
    height, width = panel.shape
    if len(data) < 4:
        raise Broken("raw payload too short")
    count, reserved = struct.unpack("<HH", data[:4])
    if reserved or (key and not count):
        raise Broken("start of a raw payload")
    panel = panel.copy()
    seen = np.zeros(panel.shape, dtype=bool)
    at, bus = 4, 0
    for _ in range(count):
        if at + 8 > len(data):
            raise Broken("raw payload cut")
        x, y, w, h = struct.unpack("<4H", data[at:at + 8])
        if not w or not h or x + w > width or y + h > height:
            raise Broken("rectangle outside")
        n = 2 * w * h
        at += 8
        if at + n + (n & 2) > len(data):
            raise Broken("raw payload cut")
        pixels = np.frombuffer(data[at:at + n], dtype="<u2" if pixel_format else ">u2").reshape(h, w)
        panel[y:y + h, x:x + w] = pixels
        seen[y:y + h, x:x + w] = True
        at += n
        if n & 2:
            if data[at] or data[at + 1]:
                raise Broken("raw padding")
            at += 2
        bus += 11 + n
    if at != len(data):
        raise Broken("raw payload goes on")
    if key and not (seen | ~visible(width, height, shape)).all():
        raise Broken("key picture leaves visible pixels out")
    return panel, count, bus


def segments(data):
    """Walks the segments behind SOI; gives (marker, body) and the place behind SOS."""
    if data[:2] != b"\xff\xd8":
        raise Broken("no SOI")
    at, out = 2, []
    while True:
        if at + 2 > len(data) or data[at] != 0xFF:
            raise Broken("jpeg segment")
        marker = data[at + 1]
        if marker == 0xD9:
            return out, at + 2
        if at + 4 > len(data):
            raise Broken("jpeg segment cut")
        n = data[at + 2] << 8 | data[at + 3]
        if n < 2 or at + 2 + n > len(data):
            raise Broken("jpeg segment cut")
        out.append((marker, data[at + 4:at + 2 + n]))
        at += 2 + n
        if marker == 0xDA:
            return out, at


def check_tables(data):
    out, end = segments(data)
    if end != len(data) or any(m not in (0xDB, 0xC4) for m, _ in out):
        raise Broken("tables")
    return data[2:-2]


def check_jpeg(data, tables, width, height):
    out, at = segments(data)
    names = [m for m, _ in out]
    if not names or names[-1] != 0xDA or names.count(0xC0) != 1:
        raise Broken("jpeg without frame or scan")
    if any(m not in (0xDB, 0xC0, 0xDA, 0xDD) for m in names):
        raise Broken("jpeg segment not allowed")
    f = dict(out)[0xC0]
    if len(f) != 15 or f[0] != 8 or f[5] != 3 or (f[1] << 8 | f[2], f[3] << 8 | f[4]) != (height, width):
        raise Broken("jpeg frame")
    if (f[7], f[10], f[13]) != (0x22, 0x11, 0x11):
        raise Broken("jpeg sampling")
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise Broken("jpeg without EOI")
        if data[at + 1] == 0xD9:
            break
        if data[at + 1] and not 0xD0 <= data[at + 1] <= 0xD7:
            raise Broken("marker in a scan")
        at += 2
    if at + 2 != len(data):
        raise Broken("bytes behind EOI")
    if Image:
        try:
            Image.open(io.BytesIO(data[:2] + tables + data[2:])).load()
        except Exception as error:
            raise Broken("jpeg: %s" % error)
