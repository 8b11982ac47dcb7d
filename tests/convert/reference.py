"""How far panel pictures are from the same clip decoded by PyAV and converted
by numpy in double precision.

reference.py CLIP RAW WIDTH HEIGHT STEP MATRIX

RAW holds 8-bit RGB pictures of the panel, WIDTH x HEIGHT, the whole source
picture centred between black bars. Every STEPth source picture is compared.
Prints the PSNR over all pictures in dB. Formulas: ITU-R BT.601 and BT.709
(matrices), Keys 1981 (cubic kernel), chroma sited left (MPEG-2, H.264).
"""
import pathlib
import sys

import av
import numpy as np

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "common"))
from keys import kernel  # noqa: E402

WEIGHTS = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722)}


def scaled(plane, width, height, x0=0.0):
    h, w = plane.shape
    return kernel(h, height, 0) @ plane @ kernel(w, width, x0).T


def main():
    clip, raw, width, height, step, matrix = sys.argv[1:]
    width, height, step = int(width), int(height), int(step)
    mine = np.fromfile(raw, np.uint8).reshape(-1, height, width, 3).astype(float)
    kr, kb = WEIGHTS[matrix]
    # An odd number of bar rows may stand either way.
    squares, count = np.zeros(2), 0
    with av.open(clip) as container:
        stream = container.streams.video[0]
        frames = container.decode(stream)
        for number, frame in enumerate(frames):
            if number % step or number // step >= len(mine):
                continue
            planes = []
            for plane in frame.planes:
                rows = np.frombuffer(plane, np.uint8).reshape(plane.height, -1)
                planes.append(rows[:, :plane.width].astype(float))
            shown = frame.width * float(stream.sample_aspect_ratio or 1)
            scale = min(width / shown, height / frame.height)
            w, h = round(shown * scale), round(frame.height * scale)
            x0, y0 = (width - w) // 2, (height - h) // 2
            y = (scaled(planes[0], w, h) - 16) / 219
            u = (scaled(planes[1], w, h, 0.25) - 128) / 224
            v = (scaled(planes[2], w, h, 0.25) - 128) / 224
            r, b = y + 2 * (1 - kr) * v, y + 2 * (1 - kb) * u
            g = (y - kr * r - kb * b) / (1 - kr - kb)
            wanted = 255 * np.clip(np.stack([r, g, b], -1), 0, 1)
            for i, down in enumerate((y0, height - h - y0)):
                found = mine[number // step][down:down + h, x0:x0 + w]
                squares[i] += ((wanted - found) ** 2).mean()
            count += 1
    assert count == len(mine), (count, len(mine))
    print(10 * np.log10(255**2 / (squares.min() / count)))


main()
