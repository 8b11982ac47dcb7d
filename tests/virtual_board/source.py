"""Makes the clip that the virtual board is judged by.

source.py REAL OUT.mkv

320x240, 12 frames per second, 4 s, H.264 tagged BT.709, 48 kHz mono PCM:
pictures 0..5 are seven colour bars, 6..11 an asymmetric card, 12..23 dark with
a white picture at 15 and at 21, 24..47 a part of the real clip REAL. A tone
sounds before 0.95 s and after 2.05 s, a click with each white picture.
"""
import subprocess
import sys
import tempfile

import av
import numpy as np

WIDTH, HEIGHT, RATE, PICTURES, SOUND = 320, 240, 12, 48, 48_000
WHITE = (15, 21)
# 75 % bars in the order of ITU-R BT.471.
BARS = [(191, 191, 191), (191, 191, 0), (0, 191, 191), (0, 191, 0), (191, 0, 191), (191, 0, 0), (0, 0, 191)]
# No turn, mirror, negative or exchange of red and blue makes it itself.
CARD = [
    [(230, 40, 30), (40, 200, 60), (30, 60, 220), (240, 240, 240)],
    [(20, 20, 20), (250, 160, 20), (90, 20, 130), (20, 170, 180)],
    [(128, 128, 128), (240, 230, 60), (120, 70, 30), (200, 120, 180)],
]


def bars():
    picture = np.zeros((HEIGHT, WIDTH, 3))
    for i, colour in enumerate(BARS):
        picture[:, WIDTH * i // 7:WIDTH * (i + 1) // 7] = colour
    return picture


def card():
    return np.kron(np.array(CARD, float), np.ones((HEIGHT // 3, WIDTH // 4, 1)))


def planes(rgb):
    """Y, Cb, Cr by ITU-R BT.709, limited range; chroma left by MPEG-2's siting."""
    r, g, b = np.moveaxis(rgb / 255, -1, 0)
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    both = [224 * (b - y) / 1.8556 + 128, 224 * (r - y) / 1.5748 + 128]
    small = []
    for c in both:
        left = np.pad(c, ((0, 0), (1, 0)), "edge")
        across = (left[:, :-2:2] + 2 * left[:, 1:-1:2] + left[:, 2::2]) / 4
        small.append((across[::2] + across[1::2]) / 2)
    return [p.round().astype(np.uint8) for p in [16 + 219 * y, *small]]


def real(path, n):
    """Every second picture from the 30th on, cut to 4:3, by means of whole squares of samples."""
    taken = []
    with av.open(path) as container:
        for number, frame in enumerate(container.decode(container.streams.video[0])):
            if number < 30 or number % 2:
                continue
            parts = []
            for plane, w, h in zip(frame.planes, (WIDTH, WIDTH // 2, WIDTH // 2), (HEIGHT, HEIGHT // 2, HEIGHT // 2)):
                rows = np.frombuffer(plane, np.uint8).reshape(plane.height, -1)[:, :plane.width].astype(float)
                k = min(rows.shape[0] // h, rows.shape[1] // w)
                top, left = (rows.shape[0] - k * h) // 2, (rows.shape[1] - k * w) // 2
                cut = rows[top:top + k * h, left:left + k * w]
                parts.append(cut.reshape(h, k, w, k).mean((1, 3)).round().astype(np.uint8))
            taken.append(parts)
            if len(taken) == n:
                return taken
    raise SystemExit(f"{path} has too few pictures")


def sound():
    n = SOUND * PICTURES // RATE
    t = np.arange(n) / SOUND
    # A tone that glides, so that it can be placed in time.
    tone = 0.25 * np.sin(2 * np.pi * (300 * t + 60 * t * t))
    loud = np.where(t < 1.5, np.clip((0.95 - t) / 0.02, 0, 1), np.clip((t - 2.05) / 0.02, 0, 1))
    samples = tone * np.clip(np.minimum(t, PICTURES / RATE - t) / 0.02, 0, 1) * loud
    for number in WHITE:
        start = SOUND * number // RATE
        k = np.arange(240)
        samples[start:start + 240] += 0.35 * np.sin(2 * np.pi * 1000 * k / SOUND) * np.sin(np.pi * k / 240)
    return (samples * 32767).round().astype("<i2")


def main():
    clip, out = sys.argv[1:]
    dark, white = np.full((HEIGHT, WIDTH, 3), 20.0), np.full((HEIGHT, WIDTH, 3), 255.0)
    pictures = [planes(bars())] * 6 + [planes(card())] * 6
    pictures += [planes(white if 12 + i in WHITE else dark) for i in range(12)]
    pictures += real(clip, 24)
    raw = b"".join(p.tobytes() for picture in pictures for p in picture)
    with tempfile.NamedTemporaryFile(suffix=".pcm") as pcm:
        pcm.write(sound().tobytes())
        pcm.flush()
        tags = "-colorspace bt709 -color_primaries bt709 -color_trc bt709 -color_range tv".split()
        command = ["ffmpeg", "-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "yuv420p"]
        command += ["-s", f"{WIDTH}x{HEIGHT}", "-r", str(RATE), *tags, "-i", "-"]
        command += ["-f", "s16le", "-ar", str(SOUND), "-ac", "1", "-i", pcm.name]
        command += ["-c:v", "libx264", "-qp", "10", "-preset", "veryfast", "-threads", "1", *tags, "-c:a", "pcm_s16le", out]
        command.remove("-nostdin")
        subprocess.run(command, input=raw, check=True)


main()
