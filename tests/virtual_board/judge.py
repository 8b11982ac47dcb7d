"""Holds what was seen and heard against the clip itself.

judge.py CLIP JOBS

JOBS holds one job a line, each some words key=value. The clip (source.py makes it) is decoded here by PyAV and brought to the panel
by numpy in double precision: ITU-R BT.709 (matrix), Keys 1981 (cubic kernel),
chroma sited left (MPEG-2, H.264). What was seen comes as
  eye=FILE       nanoseconds (i64), then width*height*3 bytes of RGB, repeated;
                 frames that look like the one before are left out
  pictures=FILE  the same, each record one picture of the clip in its order, in
                 the order of the panel's memory: turns=N and mirror=1 tell how
                 it was turned clockwise, and then mirrored, to lie there
  folder=DIR     numbered PNG pictures
  film=FILE      a film, each picture at its own time
What was heard is ear=FILE, 16-bit samples, or wav=FILE; heard_from is the
nanosecond of its first sample (0).
width, height: the panel as the viewer sees it; inner_width, inner_height: of
the picture in its middle; ellipse=1; rate: samples per second.
Prints a line of figures key=value for each job.
"""
import math
import pathlib
import sys
import wave

import av
import numpy as np
from scipy.fft import next_fast_len
from scipy.signal import correlate, resample_poly

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "common"))
from keys import kernel  # noqa: E402

RATE, PICTURES, WHITE = 12, 48, (15, 21)
BARS, CARD, REAL = range(0, 6), range(6, 12), range(24, 48)
BLACK = np.zeros(3)


# --- the clip, apart from the program ---------------------------------------

class Source:
    """The clip, decoded once: planes of each picture, and the sound."""
    def __init__(self, path):
        self.frames, samples = [], []
        with av.open(path) as container:
            for frame in container.decode(container.streams.video[0]):
                planes = []
                for plane in frame.planes:
                    rows = np.frombuffer(plane, np.uint8).reshape(plane.height, -1)
                    planes.append(rows[:, :plane.width].astype(float))
                self.frames.append(planes)
        with av.open(path) as container:
            self.sound_rate = container.streams.audio[0].rate
            for frame in container.decode(container.streams.audio[0]):
                samples.append(frame.to_ndarray().reshape(-1))
        self.sound = np.concatenate(samples).astype(float)
        assert len(self.frames) == PICTURES, len(self.frames)


class Clip:
    """What a panel would show of it with all its colours."""
    def __init__(self, source, width, height, inner, ellipse):
        self.width, self.height = width, height
        self.frames, self.sound, self.sound_rate = source.frames, source.sound, source.sound_rate
        self.made = {}
        h, w = self.frames[0][0].shape
        scale = min(inner[0] / w, inner[1] / h)
        self.w, self.h = int(w * scale + 0.5), int(h * scale + 0.5)
        self.kernels = [(kernel(h, self.h, 0), kernel(w, self.w, 0))]
        self.kernels += [(kernel(h // 2, self.h, 0), kernel(w // 2, self.w, 0.25))] * 2
        # A whole picture in the middle: of an odd number of free pixels one
        # side or the other has one more.
        self.x, self.y = (inner[0] - self.w) / 2, (inner[1] - self.h) / 2
        self.x += (width - inner[0]) // 2
        self.y += (height - inner[1]) // 2
        v, u = np.mgrid[0:height, 0:width]
        u, v = (2 * u + 1 - width) / width, (2 * v + 1 - height) / height
        self.seen = u * u + v * v <= 1 if ellipse else np.ones((height, width), bool)
        # Of the reel's own picture, what the panel shows.
        left, top = (width - inner[0]) // 2, (height - inner[1]) // 2
        self.judged = np.zeros((height, width), bool)
        self.judged[top:top + inner[1], left:left + inner[0]] = True
        self.judged &= self.seen
        self.place = None

    def rgb(self, number):
        """In whole levels of 8 bits, as any screen would show it at most."""
        if number not in self.made:
            self.made[number] = self.convert(number)
        return self.made[number]

    def convert(self, number):
        y, cb, cr = (down @ plane @ across.T for plane, (down, across) in zip(self.frames[number], self.kernels))
        y, cb, cr = (y - 16) / 219, (cb - 128) / 224, (cr - 128) / 224
        r, b = y + 1.5748 * cr, y + 1.8556 * cb
        g = (y - 0.2126 * r - 0.0722 * b) / 0.7152
        return np.round(255 * np.clip(np.stack([r, g, b], -1), 0, 1)).astype(np.float32)

    def at(self, place, rgb):
        x, y = place
        panel = np.zeros((self.height, self.width, 3), np.float32)
        panel[y:y + self.h, x:x + self.w] = rgb
        panel[~self.seen] = BLACK
        return panel

    def choose_place(self, number, frames):
        """The only freedom: which side of odd bars has one pixel more."""
        rgb = self.rgb(number)
        ways = [(x, y) for x in {math.floor(self.x), math.ceil(self.x)} for y in {math.floor(self.y), math.ceil(self.y)}]
        errors = [min(((self.at(way, rgb) - f) ** 2).mean() for f in frames) for way in ways]
        self.place = ways[int(np.argmin(errors))]

    def panel(self, number):
        return self.at(self.place, self.rgb(number))

    def area(self, left, top, right, bottom):
        """Fractions of the picture as slices of the panel."""
        x, y = self.place
        return (slice(y + math.ceil(top * self.h), y + math.floor(bottom * self.h)),
                slice(x + math.ceil(left * self.w), x + math.floor(right * self.w)))


# --- what was seen and heard --------------------------------------------------

def records(path, width, height):
    size = 8 + 3 * width * height
    data = np.fromfile(path, np.uint8)
    assert len(data) and len(data) % size == 0, f"{path}: {len(data)} bytes are not frames of {size}"
    data = data.reshape(-1, size)
    times = data[:, :8].copy().view("<i8").reshape(-1)
    return times, data[:, 8:].reshape(-1, height, width, 3)


def folder(path):
    import skimage.io
    files = sorted(pathlib.Path(path).glob("*.png"))
    return np.stack([skimage.io.imread(f)[..., :3] for f in files])


def film(path):
    frames, times = [], []
    with av.open(path) as container:
        for frame in container.decode(container.streams.video[0]):
            frames.append(frame.to_ndarray(format="rgb24"))
            times.append(frame.time)
    return np.array(times), np.stack(frames)


def heard(words):
    if "wav" in words:
        with wave.open(words["wav"]) as file:
            assert file.getnchannels() == 1 and file.getsampwidth() == 2
            assert file.getframerate() == int(words["rate"])
            return np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
    return np.fromfile(words["ear"], "<i2").astype(float)


# --- judgements ----------------------------------------------------------------

def clicks(samples, rate):
    """Times of the two clicks in seconds from the first sample: where the
    clip's own click fits best, with silence around."""
    k = np.arange(int(0.005 * rate))
    shape = np.sin(2 * np.pi * 1000 * k / rate) * np.sin(np.pi * k / len(k))
    fits = np.abs(correlate(samples, shape, "valid", "fft"))
    power = np.convolve(samples**2, np.ones(int(0.06 * rate)), "same")
    own = np.convolve(samples**2, np.ones(len(k)), "same")
    # A click holds the whole power of its neighbourhood.
    lone = own / (power + 1) > 0.8
    half = len(k) // 2
    fits *= lone[half:half + len(fits)]
    first = int(np.argmax(fits))
    rest = fits.copy()
    rest[max(0, first - rate // 5):first + rate // 5] = 0
    second = int(np.argmax(rest))
    return sorted((first / rate, second / rate))


def fitted(found, wanted):
    """Error, gain, delay in parts of a sample, and power, where the error is least."""
    size = next_fast_len(len(wanted) + 64, real=True)
    n, spectrum = np.fft.rfftfreq(size), np.fft.rfft(wanted, size)
    inner = slice(200, -200)

    def at(part):
        moved = np.fft.irfft(spectrum * np.exp(-2j * np.pi * n * part), size)[:len(wanted)][inner]
        gain = (moved @ found[inner]) / (moved @ moved)
        return ((found[inner] - gain * moved) ** 2).sum(), gain, part, gain * gain * (moved @ moved)

    best = min(at(part) for part in np.linspace(-0.6, 0.6, 13))
    for reach in (0.05, 0.01, 0.002):
        best = min([best, *(at(best[2] + by) for by in np.linspace(-reach, reach, 5))])
    return best


def sound_against(clip, samples, rate, start):
    """SNR in dB, the delay in samples, and the gain of what was heard, over
    the stretches where the clip's tone sounds; start: of the clip, in samples."""
    common = math.gcd(rate, clip.sound_rate)
    source = resample_poly(clip.sound, rate // common, clip.sound_rate // common)
    reach = rate // 50
    noise = power = 0.0
    delays, gains = [], []
    for begin, end in ((0.1, 0.9), (2.15, 3.9)):
        a, b = int(begin * rate), int(end * rate)
        wanted = source[a:b]
        from_ = a + int(round(start)) - reach
        if from_ < 0:
            wanted = wanted[-from_:]
            from_ = 0
        found = samples[from_:from_ + len(wanted) + 2 * reach]
        lag = int(np.argmax(correlate(found, wanted, "valid", "fft")))
        found = found[lag:lag + len(wanted)]
        best = fitted(found, wanted)
        noise += best[0]
        power += best[3]
        delays.append(lag - reach + best[2])
        gains.append(best[1])
    return 10 * np.log10(power / max(noise, 1e-9)), delays, gains


def views(picture):
    """The fifteen wrong ways to see a picture: turns, mirror, negative, red for blue."""
    for negative in (False, True):
        for swapped in (False, True):
            p = 255 - picture if negative else picture
            p = p[..., ::-1] if swapped else p
            for mirrored in (False, True):
                q = p[:, ::-1] if mirrored else p
                for turns in range(4):
                    yield (negative, swapped, mirrored, turns), np.rot90(q, turns)


def upright(clip, found):
    """How many times nearer the card is than any other view of it."""
    side = min(clip.w, clip.h)
    x, y = clip.place
    cut = (slice(y + (clip.h - side) // 2, y + (clip.h + side) // 2), slice(x + (clip.w - side) // 2, x + (clip.w + side) // 2))
    wanted, found, seen = clip.panel(CARD[3])[cut], found[cut].astype(float), clip.seen[cut]
    n = min(wanted.shape[:2])
    wanted, found, seen = wanted[:n, :n], found[:n, :n], seen[:n, :n]
    errors = {}
    for way, view in views(found):
        errors[way] = ((view - wanted)[seen] ** 2).mean()
    right = errors.pop((False, False, False, 0))
    return min(errors.values()) / right


def patches(clip, found_bars, found_card):
    """The largest error of a patch's mean colour, in 8-bit levels."""
    worst = 0.0
    wanted_bars, wanted_card = clip.panel(BARS[3]), clip.panel(CARD[3])
    areas = [(wanted_bars, found_bars, ((i + 0.25) / 7, 0.3, (i + 0.75) / 7, 0.7)) for i in range(7)]
    areas += [(wanted_card, found_card, ((i + 0.2) / 4, (j + 0.2) / 3, (i + 0.8) / 4, (j + 0.8) / 3)) for i in range(4) for j in range(3)]
    for wanted, found, area in areas:
        part = clip.area(*area)
        seen = clip.seen[part]
        if seen.sum() < 12:
            continue
        worst = max(worst, np.abs(wanted[part][seen].mean(0) - found[part][seen].mean(0)).max())
    return worst


def candidates(times, number, zero, slack):
    """Frames that may show a picture: those that begin in its time, and the
    one that stood when it began."""
    begin, end = zero + number / RATE, zero + (number + 1) / RATE + slack
    first = int(np.searchsorted(times, begin, "right")) - 1
    last = int(np.searchsorted(times, end, "left"))
    return range(max(first, 0), max(last, first + 1, 1))


def judge(source, clips, words):
    number = lambda key, otherwise=None: int(words.get(key, otherwise))
    width, height, rate = number("width"), number("height"), number("rate")
    inner = number("inner_width", width), number("inner_height", height)
    shape = width, height, inner, number("ellipse", 0)
    if shape not in clips:
        clips[shape] = Clip(source, *shape)
    clip = clips[shape]
    said = {}
    if "folder" in words:
        frames = folder(words["folder"])
        times = np.arange(len(frames)) / RATE
    elif "film" in words:
        times, frames = film(words["film"])
    elif "eye" in words:
        times, frames = records(words["eye"], width, height)
        times = times / 1e9
    else:
        turns = number("turns", 0)
        size = (height, width) if turns % 2 else (width, height)
        times, frames = records(words["pictures"], *size)
        frames = frames[:, :, ::-1] if number("mirror", 0) else frames
        frames = np.rot90(frames, turns, axes=(1, 2))
    timed = "eye" in words or "film" in words
    if not timed:
        assert len(frames) == PICTURES, f"{len(frames)} pictures"
    said["frames"] = len(frames)

    samples, from_ = heard(words), number("heard_from", 0) / 1e9
    first, second = clicks(samples, rate)
    said["between_clicks"] = second - first
    zero = from_ + first - WHITE[0] / RATE
    snr, delays, gains = sound_against(clip, samples, rate, (zero - from_) * rate)
    said["sound_snr"], said["sound_gain"] = snr, gains[1]
    said["sound_drift"] = delays[1] - delays[0]

    if timed:
        # A picture's time is when it is whole; the eye's frame comes next.
        middle = clip_middle(clip)
        bright = frames[:, middle[0], middle[1]].reshape(len(frames), -1).mean(1) > 128
        for name, white, click in (("flash_1", WHITE[0], first), ("flash_2", WHITE[1], second)):
            near = np.abs(times - from_ - click) < 0.25
            assert (bright & near).any(), f"{name}: no white picture within 0.25 s of the click"
            said[name] = times[np.argmax(bright & near)] - from_ - click
        slack = 1 / RATE
        groups = [list(candidates(times, n, zero, slack)) for n in range(PICTURES)]
    else:
        groups = [[n] for n in range(PICTURES)]

    shown = frames.astype(np.float32)
    shown[:, ~clip.seen] = 0
    clip.choose_place(CARD[3], shown[groups[CARD[3]]])
    errors, chosen = [], []
    for n in range(PICTURES):
        wanted = clip.panel(n)
        each = [((shown[i] - wanted)[clip.judged] ** 2).mean() for i in groups[n]]
        errors.append(min(each))
        chosen.append(groups[n][int(np.argmin(each))])
    decibels = lambda error: 10 * np.log10(255**2 / max(error, 1e-9))
    said["psnr"], said["psnr_real"] = decibels(np.mean(errors)), decibels(np.mean([errors[n] for n in REAL]))
    for name, part in (("bars", BARS), ("card", CARD), ("dark", range(12, 24))):
        said["psnr_" + name] = decibels(np.mean([errors[n] for n in part]))
    said["psnr_least"] = decibels(max(errors))
    said["patch_error"] = patches(clip, shown[chosen[BARS[3]]], shown[chosen[CARD[3]]])
    said["upright"] = upright(clip, shown[chosen[CARD[3]]])
    x, y = clip.place
    outside = np.ones((height, width), bool)
    outside[y:y + clip.h, x:x + clip.w] = False
    outside &= clip.seen
    said["border"] = shown[chosen[REAL[5]]][outside].max() if outside.any() else 0
    return said


def clip_middle(clip):
    x, y = math.floor(clip.x), math.floor(clip.y)
    return slice(y + clip.h // 3, y + clip.h * 2 // 3), slice(x + clip.w // 3, x + clip.w * 2 // 3)


def main():
    clip, jobs = sys.argv[1:]
    source, clips = Source(clip), {}
    for line in pathlib.Path(jobs).read_text().splitlines():
        words = dict(word.split("=", 1) for word in line.split(" "))
        try:
            said = judge(source, clips, words)
        except AssertionError as error:
            print(f"failed={str(error).replace(' ', '_')}", flush=True)
            continue
        print(*(f"{key}={float(value)}" for key, value in said.items()), flush=True)


main()
