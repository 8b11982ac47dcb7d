"""Converts pictures of a clip with PyAV and numpy in double precision and
says how far the pictures in a file of raw RGB bytes are from them.

reference.py CLIP RAW WIDTH HEIGHT MATRIX TRANSFER RANGE SITE

Written from the standards: ITU-R BT.601, BT.709, BT.2020 (matrices), BT.2100
(PQ, HLG), Report BT.2390 (tone curve), IEC 61966-2-1 (sRGB), Keys 1981 (cubic
kernel). Prints the mean and, two pixels inside the border, the largest absolute
difference in 8-bit levels.
"""
import pathlib
import sys

import av
import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "common"))
from keys import kernel  # noqa: E402

WEIGHTS = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}
TO_709 = np.array([[1.660491, -0.587641, -0.072850],
                   [-0.124550, 1.132900, -0.008349],
                   [-0.018151, -0.100579, 1.118730]])


def scaled(plane, width, height, x0=0.0, y0=0.0):
    h, w = plane.shape
    return kernel(h, height, y0, h) @ plane @ kernel(w, width, x0, w).T


def planes(frame, bits):
    pick = "yuv420p" if bits == 8 else f"yuv420p{bits}le"
    assert frame.format.name.replace("yuvj", "yuv") == pick, frame.format.name
    out = []
    for plane in frame.planes:
        kind = np.uint8 if bits == 8 else np.uint16
        rows = np.frombuffer(plane, kind).reshape(plane.height, -1)
        out.append(rows[:, :plane.width].astype(float))
    return out


def pq_nits(code):
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    root = np.clip(code, 0, 1) ** (1 / m2)
    return 10000 * (np.maximum(root - c1, 0) / (c2 - c3 * root)) ** (1 / m1)


def nits_pq(nits):
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    p = (np.maximum(nits, 0) / 10000) ** m1
    return ((c1 + c2 * p) / (1 + c3 * p)) ** m2


def bt2390(nits, source, target):
    scale = nits_pq(source)
    e1 = np.minimum(nits_pq(nits) / scale, 1)
    top = nits_pq(target) / scale
    knee = 1.5 * top - 0.5
    t = (e1 - knee) / (1 - knee)
    spline = (2 * t**3 - 3 * t**2 + 1) * knee + (t**3 - 2 * t**2 + t) * (1 - knee) + (3 * t**2 - 2 * t**3) * top
    return pq_nits(np.where(e1 < knee, e1, spline) * scale)


def hlg_nits(code):
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    code = np.clip(code, 0, 1)
    scene = np.where(code <= 0.5, code**2 / 3, (np.exp((code - c) / a) + b) / 12)
    luminance = scene @ np.array([0.2627, 0.6780, 0.0593])
    return 1000 * np.maximum(luminance, 1e-12)[..., None] ** 0.2 * scene


def srgb(light):
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-12) ** (1 / 2.4) - 0.055)


def shown(rgb, transfer):
    if transfer == "sdr":
        return np.clip(rgb, 0, 1)
    nits = pq_nits(rgb) if transfer == "pq" else hlg_nits(rgb)
    largest = np.maximum(nits.max(axis=-1, keepdims=True), 1e-9)
    light = nits * bt2390(largest, 1000, 203) / largest / 203
    light = light @ TO_709.T
    light = np.maximum(light, 0)
    light = light / np.maximum(light.max(-1, keepdims=True), 1)
    return np.clip(srgb(light), 0, 1)


def main():
    clip, raw, width, height, matrix, transfer, code_range, site = sys.argv[1:]
    width, height = int(width), int(height)
    mine = np.fromfile(raw, np.uint8).reshape(-1, height, width, 3)
    kr, kb = WEIGHTS[matrix]
    total, largest, count = 0.0, 0.0, 0
    with av.open(clip) as container:
        stream = container.streams.video[0]
        for frame, found in zip(container.decode(stream), mine):
            bits = frame.format.components[0].bits
            y, u, v = planes(frame, bits)
            x0 = 0.25 if site in ("left", "topleft") else 0.0
            y0 = 0.25 if site == "topleft" else 0.0
            y = scaled(y, width, height)
            u, v = scaled(u, width, height, x0, y0), scaled(v, width, height, x0, y0)
            if code_range == "limited":
                one = 2 ** (bits - 8)
                y, u, v = (y - 16 * one) / (219 * one), (u - 128 * one) / (224 * one), (v - 128 * one) / (224 * one)
            else:
                full, half = 2**bits - 1, 2 ** (bits - 1)
                y, u, v = y / full, (u - half) / full, (v - half) / full
            r = y + 2 * (1 - kr) * v
            b = y + 2 * (1 - kb) * u
            g = (y - kr * r - kb * b) / (1 - kr - kb)
            wanted = 255 * shown(np.stack([r, g, b], -1), transfer)
            difference = np.abs(wanted - found)
            total += difference.mean()
            largest = max(largest, difference[2:-2, 2:-2].max())
            count += 1
    assert count == len(mine), (count, len(mine))
    print(total / count, largest)


main()
