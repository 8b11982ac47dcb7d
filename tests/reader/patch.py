"""Decoder of the patch coding (coding.md, chapter 3)."""
import numpy as np


class Broken(Exception):
    """A payload breaks its coding."""


SCAN8 = [int(v) for v in """0 1 8 16 9 2 3 10 17 24 32 25 18 11 4 5 12 19 26 33 40 48 41 34 27 20 13 6 7 14 21 28
35 42 49 56 57 50 43 36 29 22 15 23 30 37 44 51 58 59 52 45 38 31 39 46 53 60 61 54 47 55 62 63""".split()]
SCAN4 = [0, 1, 4, 8, 5, 2, 3, 6, 9, 12, 13, 10, 7, 11, 14, 15]
BAND = [0, 1, 2] + [3] * 3 + [4] * 4 + [5] * 5 + [6] * 13 + [7] * 36
STEP = (10, 11, 13, 14, 16, 18)
TAPS = {1: (-4, 54, 16, -2), 2: (-4, 36, 36, -4), 3: (-2, 16, 54, -4)}
M8 = np.array([
    [64, 64, 64, 64, 64, 64, 64, 64], [89, 75, 50, 18, -18, -50, -75, -89],
    [83, 36, -36, -83, -83, -36, 36, 83], [75, -18, -89, -50, 50, 89, 18, -75],
    [64, -64, -64, 64, 64, -64, -64, 64], [50, -89, 18, 75, -75, -18, 89, -50],
    [36, -83, 83, -36, -36, 83, -83, 36], [18, -50, 75, -89, 89, -75, 50, -18]], dtype=np.int64)
M4 = np.array([[64, 64, 64, 64], [83, 36, -36, -83], [64, -64, -64, 64], [36, -83, 83, -36]], dtype=np.int64)
RANK = np.array([int(v) for v in """0 32 8 40 2 34 10 42 48 16 56 24 50 18 58 26 12 44 4 36 14 46 6 38
60 28 52 20 62 30 54 22 3 35 11 43 1 33 9 41 51 19 59 27 49 17 57 25
15 47 7 39 13 45 5 37 63 31 55 23 61 29 53 21""".split()], dtype=np.int64).reshape(8, 8)
D5 = ((2 * RANK + 1) * 255 + 1984) // 3968 - 4
D6 = 2 - ((2 * RANK + 1) * 255 + 4032) // 8064
START = [int(v) * 256 for v in """
251 147 43 250 166 62 242 59 131 198 139 27 88 168 247 252
128 128 123 91 47 139 113 42 229 167 68 248 220 185 195 126
33 209 244 151 76 162 161 104 191 149 155 80 144 133 148 192
227 236 128 128 128 101 101 88 102 82 181 250 209 128 128 247
230 147 209 185 108 229 194 120 239 220 132 160 187 208 226 209
183 128 128 128 165 200 222 230 181 146 154 137 152 163 177 207
199 205 128 158 194 218 228 171 128 128 128 128 57 128 61 128
67 128 178 150 123 36 75 128 181 91 118 34 68 128 200 86
151 14 95 128 216 59 166 8 99 128 222 39 164 10 86 128
227 35 178 16 90 128 217 85 153 58 130 128 49 128 49 128
54 128 80 74 75 4 35 128 45 134 59 15 40 128 102 94
100 4 65 128 153 51 116 4 71 128 175 29 109 4 76 128
192 31 120 4 85 128 186 47 126 12 100 128 200 128 191 128
168 128 195 9 147 4 71 128 177 14 173 7 87 128 203 6
202 4 129 128 207 10 207 4 127 128 211 14 218 6 158 128
216 24 209 7 163 128 202 84 224 42 179 128 42 128 52 128
60 128 122 137 109 14 54 128 107 120 74 21 59 128 127 110
124 14 84 128 146 80 131 13 104 128 169 74 145 17 133 128
187 68 155 14 142 128 179 62 149 37 118""".split()]
assert len(START) == 299


class LightBits:
    """Plain bits, the highest of each byte first."""

    def __init__(self, data):
        self.data, self.at, self.size, self.past = data, 0, len(data) * 8, False

    def bits(self, n):
        v = 0
        for _ in range(n):
            if self.at < self.size:
                v = v << 1 | self.data[self.at >> 3] >> (7 - (self.at & 7)) & 1
            else:
                self.past = True
                v <<= 1
            self.at += 1
        return v

    def flag(self, _context):
        return self.bits(1)

    def finish(self):
        if self.past or (self.at + 7) // 8 != len(self.data):
            raise Broken("light payload ends elsewhere")
        if self.at & 7 and self.data[-1] & ((1 << (8 - (self.at & 7))) - 1):
            raise Broken("unused bits not zero")


class FullBits:
    """Adaptive range decoder; contexts belong to the picture decoder."""

    def __init__(self, data, p):
        self.data, self.p, self.at = data, p, 0
        self.range, self.offset = 0xFFFFFFFF, 0
        for _ in range(4):
            self.offset = self.offset << 8 | self.next()

    def next(self):
        v = self.data[self.at] if self.at < len(self.data) else 0
        self.at += 1
        return v

    def renormalise(self):
        while self.range < 1 << 24:
            self.range = self.range << 8 & 0xFFFFFFFF
            self.offset = (self.offset << 8 | self.next()) & 0xFFFFFFFF

    def flag(self, c):
        p = self.p[c]
        part = (self.range >> 16) * p
        if self.offset < part:
            self.range = part
            self.p[c] = p + ((65535 - p) >> 5)
            self.renormalise()
            return 0
        self.offset -= part
        self.range -= part
        self.p[c] = p - (p >> 5)
        self.renormalise()
        return 1

    def bits(self, n):
        v = 0
        for _ in range(n):
            self.range >>= 1
            if self.offset >= self.range:
                self.offset -= self.range
                v = v << 1 | 1
            else:
                v <<= 1
            self.renormalise()
        return v

    def finish(self):
        if not self.at - 4 <= len(self.data) <= self.at:
            raise Broken("full payload ends elsewhere")


def number(e, base, most):
    length = 0
    while e.flag(base + min(length, most)):
        length += 1
        if length > 15:
            raise Broken("number too long")
    return (1 << length) - 1 + e.bits(length)


def signed(e, base, most):
    v = number(e, base, most)
    return -v if v and e.bits(1) else v


class Block:
    """What the neighbours need of a macroblock."""
    __slots__ = ("skip", "intra", "vec", "luma", "co", "cg")

    def __init__(self):
        self.skip = self.intra = self.co = self.cg = 0
        self.vec = [(0, 0)] * 4
        self.luma = [0] * 4


OUTSIDE = Block()


def median(a, b, c):
    return tuple(sorted((a[i], b[i], c[i]))[1] for i in (0, 1))


def fetch(plane, x, y, w, h, first):
    rows = np.clip(np.arange(y, y + h), first, plane.shape[0] - 1)
    columns = np.clip(np.arange(x, x + w), 0, plane.shape[1] - 1)
    return plane[rows[:, None], columns]


def luma_full(plane, x, y, w, h, vec, first):
    fx, fy = vec[0] & 3, vec[1] & 3
    r = fetch(plane, x + (vec[0] >> 2) - 1, y + (vec[1] >> 2) - 1, w + 3, h + 3, first)
    if fx:
        t = TAPS[fx]
        r = np.clip((t[0] * r[:, 0:w] + t[1] * r[:, 1:w + 1] + t[2] * r[:, 2:w + 2] + t[3] * r[:, 3:w + 3] + 32) >> 6, 0, 255)
    else:
        r = r[:, 1:w + 1]
    if fy:
        t = TAPS[fy]
        return np.clip((t[0] * r[0:h] + t[1] * r[1:h + 1] + t[2] * r[2:h + 2] + t[3] * r[3:h + 3] + 32) >> 6, 0, 255)
    return r[1:h + 1]


def chroma_full(plane, x, y, w, h, vec, first):
    fx, fy = vec[0] & 7, vec[1] & 7
    r = fetch(plane, x + (vec[0] >> 3), y + (vec[1] >> 3), w + 1, h + 1, first)
    a, b, c, d = r[:h, :w], r[:h, 1:], r[1:, :w], r[1:, 1:]
    return ((8 - fx) * (8 - fy) * a + fx * (8 - fy) * b + (8 - fx) * fy * c + fx * fy * d + 32) >> 6


def intra(plane, x, y, mode):
    a = plane[y - 1, x:x + 8] if y else np.full(8, 128)
    l = plane[y:y + 8, x - 1] if x else np.full(8, 128)
    if mode == "dc":
        if x and y:
            v = (int(a.sum()) + int(l.sum()) + 8) >> 4
        elif y:
            v = (int(a.sum()) + 4) >> 3
        elif x:
            v = (int(l.sum()) + 4) >> 3
        else:
            v = 128
        return np.full((8, 8), v)
    if mode == "planar":
        i, j = np.arange(8)[None, :], np.arange(8)[:, None]
        return ((7 - i) * l[:, None] + (1 + i) * a[7] + (7 - j) * a[None, :] + (1 + j) * l[7] + 8) >> 4
    if mode == "gradient":
        k = plane[y - 1, x - 1] if x and y else 128
        return np.clip(a[None, :] + l[:, None] - k, 0, 255)
    if mode == "vertical":
        return np.repeat(a[None, :], 8, 0)
    return np.repeat(l[:, None], 8, 1)


def read_mode(e, b):
    if e.flag(b):
        return "planar" if e.flag(b + 1) else "dc"
    if e.flag(b + 2):
        return "gradient"
    return "horizontal" if e.flag(b + 3) else "vertical"


def inverse(coefficients, m, shift):
    t = (m.T @ coefficients + 64) >> 7
    return (t @ m + (1 << (shift - 1))) >> shift


class Patch:
    def __init__(self, width, height, level):
        self.width, self.height, self.level = width, height, level
        self.columns, self.lines = (width + 15) // 16, (height + 15) // 16
        self.reset()

    def reset(self):
        c, l = self.columns, self.lines
        self.y = np.zeros((16 * l, 16 * c), dtype=np.int64)
        self.co = np.full((8 * l, 8 * c), 128, dtype=np.int64)
        self.cg = np.full((8 * l, 8 * c), 128, dtype=np.int64)
        self.p = list(START)

    def residual(self, e, is_luma, is_intra, near, q):
        step = STEP[q % 6] << (q // 6)
        full = self.level == 2
        small = full and is_luma and e.flag(34 if is_intra else 33)
        kind = 3 if not is_luma else 2 if small else 1 if is_intra else 0
        out = [0] * 64                      # by place
        if not full:
            p = -1
            while True:
                run = number(e, 0, 0)
                size = 1 + number(e, 0, 0)
                sign = e.bits(1)
                p += 1 + run
                if p > 63:
                    raise Broken("run past the block")
                v = min(min(size, 32767) * step, 32767)
                out[p] = -v if sign else v
                if p == 63 or not e.flag(0):
                    break
        else:
            before, after_zero = 0, True
            for p in range(64):
                c = 107 + 2 * ((kind * 8 + BAND[p]) * 3 + near)
                if not after_zero and not e.flag(c):
                    break
                if (after_zero and p == 63) or e.flag(c + 1):
                    size = 1
                    if e.flag(63 + 3 * kind + near):
                        size = 2 + number(e, 75 + 8 * kind, 7)
                    sign = e.bits(1)
                    v = min(min(size, 32767) * step, 32767)
                    out[p] = -v if sign else v
                    s, after_zero = min(size, 3), False
                else:
                    s, after_zero = 0, True
                near = min(2, (s + before + 1) >> 1)
                before = s
        if small:
            r = np.zeros((8, 8), dtype=np.int64)
            for b in range(4):
                k = np.zeros(16, dtype=np.int64)
                for i in range(16):
                    k[SCAN4[i]] = out[4 * i + b]
                y, x = 4 * (b >> 1), 4 * (b & 1)
                r[y:y + 4, x:x + 4] = inverse(k.reshape(4, 4), M4, 11)
            return r
        k = np.zeros(64, dtype=np.int64)
        k[SCAN8] = out
        return inverse(k.reshape(8, 8), M8, 12)

    def vector(self, e, split, predictor):
        """Returns (vector, same)."""
        if e.flag(7 + split):
            return predictor, True
        dx = signed(e, 43, 9)
        ay = number(e, 53, 9) + (dx == 0)
        dy = -ay if ay and e.bits(1) else ay
        return (max(-2047, min(2047, predictor[0] + dx)), max(-2047, min(2047, predictor[1] + dy))), False

    def decode(self, data, key, panel):
        """Decodes one payload; gives the panel after it, a new array."""
        if len(data) < 2:
            raise Broken("payload too short")
        if data[0] & 3 != self.level or data[0] >> 4 or bool(data[0] & 4) != bool(key):
            raise Broken("first byte")
        if data[1] > 51:
            raise Broken("first quantiser")
        if key:
            self.reset()
        q = data[1]
        full = self.level == 2
        e = FullBits(data[2:], self.p) if full else LightBits(data[2:])
        old = (self.y.copy(), self.co.copy(), self.cg.copy())
        info = [[OUTSIDE] * self.columns for _ in range(self.lines)]
        cells = np.zeros((2 * self.lines, 2 * self.columns), dtype=bool)
        for my in range(self.lines):
            for mx in range(self.columns):
                left = info[my][mx - 1] if mx else OUTSIDE
                above = info[my - 1][mx] if my else OUTSIDE
                right = info[my - 1][mx + 1] if my and mx + 1 < self.columns else OUTSIDE
                mb = info[my][mx] = Block()
                if e.flag(left.skip + above.skip):
                    mb.skip = 1
                    continue
                mb.intra = 1 if key else e.flag(3 + left.intra + above.intra)
                plain = True
                split = 0
                if not mb.intra:
                    split = e.flag(6)
                    v = [(0, 0)] * 4
                    if split:
                        for b in range(4):
                            if b == 0:
                                three = left.vec[1], above.vec[2], above.vec[3]
                            elif b == 1:
                                three = v[0], above.vec[3], right.vec[2]
                            elif b == 2:
                                three = left.vec[3], v[0], v[1]
                            else:
                                three = v[2], v[1], v[0]
                            guess = three[0] if my == 0 and b < 2 else median(*three)
                            v[b], _ = self.vector(e, 1, guess)
                        plain = False
                    else:
                        guess = left.vec[1] if my == 0 else median(left.vec[1], above.vec[2], right.vec[2])
                        one, plain = self.vector(e, 0, guess)
                        v = [one] * 4
                    mb.vec = v
                else:
                    modes = [read_mode(e, 35) for _ in range(4)]
                    chroma_mode = read_mode(e, 39)
                coded = e.flag(9 + (2 if mb.intra else 0 if plain else 1))
                m = [0] * 4
                near_co = left.co + above.co
                near_cg = left.cg + above.cg
                if coded:
                    change = signed(e, 12, 5)
                    change = max(-255, min(255, change))
                    q = max(0, min(51, q + change))
                    mb.luma = [0] * 4
                    for b in range(4):
                        beside = (left.luma[1], mb.luma[0], left.luma[3], mb.luma[2])[b]
                        over = (above.luma[2], above.luma[3], mb.luma[0], mb.luma[1])[b]
                        m[b] = beside + over
                        mb.luma[b] = e.flag(18 + 3 * mb.intra + m[b])
                    mb.co = e.flag(24 + near_co)
                    mb.cg = e.flag(27 + 3 * mb.co + near_cg)
                # Prediction and residual.
                x, y, cx, cy = 16 * mx, 16 * my, 8 * mx, 8 * my
                if not mb.intra:
                    first, cfirst = max(0, 16 * (my - 3)), max(0, 8 * (my - 3))
                    for b in range(4) if split else (None,):
                        dx, dy, n = (8 * (b & 1), 8 * (b >> 1), 8) if b is not None else (0, 0, 16)
                        w = mb.vec[b or 0]
                        h = n // 2
                        sx, sy = cx + dx // 2, cy + dy // 2
                        if full:
                            self.y[y + dy:y + dy + n, x + dx:x + dx + n] = luma_full(old[0], x + dx, y + dy, n, n, w, first)
                            self.co[sy:sy + h, sx:sx + h] = chroma_full(old[1], sx, sy, h, h, w, cfirst)
                            self.cg[sy:sy + h, sx:sx + h] = chroma_full(old[2], sx, sy, h, h, w, cfirst)
                        else:
                            self.y[y + dy:y + dy + n, x + dx:x + dx + n] = fetch(old[0], x + dx + w[0], y + dy + w[1], n, n, first)
                            self.co[sy:sy + h, sx:sx + h] = fetch(old[1], sx + (w[0] >> 1), sy + (w[1] >> 1), h, h, cfirst)
                            self.cg[sy:sy + h, sx:sx + h] = fetch(old[2], sx + (w[0] >> 1), sy + (w[1] >> 1), h, h, cfirst)
                for b in range(4):
                    bx, by = x + 8 * (b & 1), y + 8 * (b >> 1)
                    if mb.intra:
                        self.y[by:by + 8, bx:bx + 8] = intra(self.y, bx, by, modes[b])
                    if mb.luma[b]:
                        r = self.residual(e, True, mb.intra, m[b], q)
                        self.y[by:by + 8, bx:bx + 8] = np.clip(self.y[by:by + 8, bx:bx + 8] + r, 0, 255)
                for plane, is_coded, near in ((self.co, mb.co, near_co), (self.cg, mb.cg, near_cg)):
                    if mb.intra:
                        plane[cy:cy + 8, cx:cx + 8] = intra(plane, cx, cy, chroma_mode)
                    if is_coded:
                        r = self.residual(e, False, mb.intra, near, q)
                        plane[cy:cy + 8, cx:cx + 8] = np.clip(plane[cy:cy + 8, cx:cx + 8] + r, 0, 255)
                for b in range(4):
                    if mb.intra or mb.vec[b] != (0, 0) or mb.luma[b] or mb.co or mb.cg:
                        cells[2 * my + (b >> 1), 2 * mx + (b & 1)] = True
        e.finish()
        return self.output(cells, data[0] & 8, panel)

    def output(self, cells, dither, panel):
        h, w = self.height, self.width
        y = self.y[:h, :w]
        co = np.repeat(np.repeat(self.co, 2, 0), 2, 1)[:h, :w] - 128
        cg = np.repeat(np.repeat(self.cg, 2, 0), 2, 1)[:h, :w] - 128
        d5 = d6 = 0
        if dither:
            rows, columns = np.arange(h)[:, None] & 7, np.arange(w) & 7
            d5, d6 = D5[rows, columns], D6[rows, columns]
        r = np.clip(y + co - cg + d5, 0, 255)
        g = np.clip(y + cg + d6, 0, 255)
        b = np.clip(y - co - cg + d5, 0, 255)
        colour = (r * 249 + 1014 >> 11) << 11 | (g * 253 + 505 >> 10) << 5 | (b * 249 + 1014 >> 11)
        mask = np.repeat(np.repeat(cells, 8, 0), 8, 1)[:h, :w]
        return np.where(mask, colour, panel).astype("<u2")
