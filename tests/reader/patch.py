"""Decodes coding *patch*, from spec/coding.md, chapter 3, alone."""

import re
from pathlib import Path

TEXT = (Path(__file__).resolve().parents[2] / "spec/coding.md").read_text()


class Broken(Exception):
    """A payload that breaks its coding."""


def numbers(heading, count):
    """The table of `count` numbers behind `heading` in the text."""
    rest = TEXT[TEXT.index(heading) + len(heading) :]
    lines = [re.sub(r"^ *\d+:", "", line) if heading == CONTEXTS else line for line in rest.splitlines()]
    found = [int(n) for n in re.findall(r"-?\d+", "\n".join(lines))]
    return found[:count]


CONTEXTS = "fixed.\n"
PROBABILITIES = [256 * n for n in numbers(CONTEXTS, 299)]
SCAN8, SCAN4, RANK = numbers("SCAN8:", 64), numbers("SCAN4:", 16), numbers("RANK:", 64)
BAND = [0, 1, 2] + [3] * 3 + [4] * 4 + [5] * 5 + [6] * 13 + [7] * 36
STEPS = [10, 11, 13, 14, 16, 18]
EIGHT = [
    [64] * 8, [89, 75, 50, 18, -18, -50, -75, -89], [83, 36, -36, -83, -83, -36, 36, 83],
    [75, -18, -89, -50, 50, 89, 18, -75], [64, -64, -64, 64, 64, -64, -64, 64],
    [50, -89, 18, 75, -75, -18, 89, -50], [36, -83, 83, -36, -36, 83, -83, 36], [18, -50, 75, -89, 89, -75, 50, -18],
]  # fmt: skip
FOUR = [[64] * 4, [83, 36, -36, -83], [64, -64, -64, 64], [36, -83, 83, -36]]
TAPS = {1: (-4, 54, 16, -2), 2: (-4, 36, 36, -4), 3: (-2, 16, 54, -4)}


def clamp(v, a, b):
    return a if v < a else b if v > b else v


class Light:
    def __init__(self, data):
        self.data, self.at = data, 0

    def bit(self):
        byte, self.at = self.at >> 3, self.at + 1
        return self.data[byte] >> (7 - (self.at - 1 & 7)) & 1 if byte < len(self.data) else 0

    def flag(self, _context):
        return self.bit() == 1

    def bits(self, n):
        v = 0
        for _ in range(n):
            v = v << 1 | self.bit()
        return v

    def finish(self):
        if (self.at + 7) // 8 != len(self.data):
            raise Broken("length")
        if self.at & 7 and self.data[-1] & (255 >> (self.at & 7)):
            raise Broken("last byte")


class Full:
    def __init__(self, data, p):
        self.data, self.p, self.at = data, p, 0
        self.range, self.code = 0xFFFFFFFF, 0
        for _ in range(4):
            self.code = self.code << 8 | self.byte()

    def byte(self):
        self.at += 1
        return self.data[self.at - 1] if self.at <= len(self.data) else 0

    def refill(self):
        while self.range < 1 << 24:
            self.range = self.range << 8 & 0xFFFFFFFF
            self.code = (self.code << 8 | self.byte()) & 0xFFFFFFFF

    def flag(self, c):
        bound = (self.range >> 16) * self.p[c]
        yes = self.code >= bound
        if yes:
            self.code -= bound
            self.range -= bound
            self.p[c] -= self.p[c] >> 5
        else:
            self.range = bound
            self.p[c] += (65535 - self.p[c]) >> 5
        self.refill()
        return yes

    def bits(self, n):
        v = 0
        for _ in range(n):
            self.range >>= 1
            v <<= 1
            if self.code >= self.range:
                self.code -= self.range
                v |= 1
            self.refill()
        return v

    def finish(self):
        if not self.at - 4 <= len(self.data) <= self.at:
            raise Broken("length")


class Block:
    """What a macroblock says to its neighbours."""

    def __init__(self):
        self.keep = self.intra = self.orange = self.green = False
        self.luma, self.vectors = [False] * 4, [(0, 0)] * 4


class Decoder:
    def __init__(self, width, height, level):
        self.width, self.height, self.level = width, height, level
        self.columns, self.lines = (width + 15) // 16, (height + 15) // 16
        self.p, self.ready = None, False
        self.panel = [0] * (width * height)

    def fresh(self):
        w, h = 16 * self.columns, 16 * self.lines
        self.planes = [[[v] * (w // d) for _ in range(h // d)] for v, d in [(0, 1), (128, 2), (128, 2)]]
        self.p = list(PROBABILITIES)

    def decode(self, data):
        """Decodes a picture onto the panel, or raises Broken."""
        if len(data) < 2 or data[0] & 3 != self.level or data[0] >> 4 or data[1] > 51:
            raise Broken("head")
        self.key, dither = bool(data[0] & 4), bool(data[0] & 8)
        if not self.key and not self.ready:
            raise Broken("waits for a key picture")
        self.ready = False
        if self.key:
            self.fresh()
        self.old = [[list(row) for row in plane] for plane in self.planes]
        self.q = data[1]
        self.e = Light(data[2:]) if self.level == 1 else Full(data[2:], self.p)
        above, cells = [None] * (self.columns + 1), []
        for self.my in range(self.lines):
            line, left = [], None
            for self.mx in range(self.columns):
                right = above[self.mx + 1] if self.mx + 1 < self.columns else None
                left = self.macroblock(left, above[self.mx], right, cells)
                line.append(left)
            above = line + [None]
        self.e.finish()
        self.ready = True
        for x, y in cells:
            self.paint(x, y, dither)

    def number(self, base, most):
        n = 0
        while self.e.flag(base + min(n, most)):
            n += 1
            if n > 15:
                raise Broken("number")
        return (1 << n) - 1 + self.e.bits(n)

    def signed(self, base, most):
        n = self.number(base, most)
        return -n if n and self.e.bits(1) else n

    def macroblock(self, left, above, right, cells):
        e, b = self.e, Block()
        n = lambda name: sum(getattr(m, name) for m in (left, above) if m)
        b.keep = e.flag(0 + n("keep"))
        if b.keep:
            return b
        b.intra = True if self.key else e.flag(3 + n("intra"))
        split = same = False
        modes = []
        if b.intra:
            modes = [self.mode(35) for _ in range(4)] + [self.mode(39)]
        else:
            split = e.flag(6)
            same = self.read_vectors(b, split, left, above, right)
        coded = e.flag(9 + (2 if b.intra else 1 if split or not same else 0))
        near = [0] * 6
        if coded:
            self.q = clamp(self.q + clamp(self.signed(12, 5), -255, 255), 0, 51)
            for i in range(4):
                beside = b.luma[i - 1] if i & 1 else bool(left and left.luma[i + 1])
                over = b.luma[i - 2] if i & 2 else bool(above and above.luma[i + 2])
                near[i] = beside + over
                b.luma[i] = e.flag(18 + 3 * b.intra + near[i])
            near[4] = n("orange")
            b.orange = e.flag(24 + near[4])
            near[5] = n("green")
            b.green = e.flag(27 + 3 * b.orange + near[5])
        if not b.intra:
            self.move(b, split)
        has = b.luma + [b.orange, b.green]
        for i in range(6):
            plane, x, y = self.place(i)
            if b.intra:
                self.predict(plane, x, y, modes[min(i, 4)])
            if has[i]:
                self.residual(plane, x, y, i, b.intra, near[i])
        for i in range(4):
            if b.intra or b.vectors[i] != (0, 0) or b.luma[i] or b.orange or b.green:
                cells.append((16 * self.mx + 8 * (i & 1), 16 * self.my + 8 * (i >> 1)))
        return b

    def place(self, i):
        if i < 4:
            return self.planes[0], 16 * self.mx + 8 * (i & 1), 16 * self.my + 8 * (i >> 1)
        return self.planes[i - 3], 8 * self.mx, 8 * self.my

    def mode(self, b):
        if self.e.flag(b):
            return "smooth" if self.e.flag(b + 1) else "mean"
        if self.e.flag(b + 2):
            return "slope"
        return "across" if self.e.flag(b + 3) else "down"

    def read_vectors(self, b, split, left, above, right):
        v = lambda m, i: m.vectors[i] if m else (0, 0)
        same = False
        for i in range(4 if split else 1):
            if not split:
                three = v(left, 1), v(above, 2), v(right, 2)
            elif i == 0:
                three = v(left, 1), v(above, 2), v(above, 3)
            elif i == 1:
                three = b.vectors[0], v(above, 3), v(right, 2)
            elif i == 2:
                three = v(left, 3), b.vectors[0], b.vectors[1]
            else:
                three = b.vectors[2], b.vectors[1], b.vectors[0]
            if self.my == 0 and (not split or i < 2):
                guess = three[0]
            else:
                guess = tuple(sorted(t[k] for t in three)[1] for k in (0, 1))
            same = self.e.flag(7 + split)
            vector = guess
            if not same:
                dx = self.signed(43, 9)
                ay = self.number(53, 9) + (dx == 0)
                dy = -ay if ay and self.e.bits(1) else ay
                vector = clamp(guess[0] + dx, -2047, 2047), clamp(guess[1] + dy, -2047, 2047)
            b.vectors[i] = vector
            if not split:
                b.vectors = [vector] * 4
        return same

    def move(self, b, split):
        for i in range(4) if split else [0]:
            size = 8 if split else 16
            x, y = 16 * self.mx + 8 * (i & 1) * split, 16 * self.my + 8 * (i >> 1) * split
            vx, vy = b.vectors[i]
            if self.level == 2:
                self.copy(0, x, y, size, vx >> 2, vy >> 2, self.luma_sample, (vx & 3, vy & 3))
            else:
                self.copy(0, x, y, size, vx, vy, self.whole_sample, None)
            for plane in (1, 2):
                if self.level == 2:
                    self.copy(plane, x // 2, y // 2, size // 2, vx >> 3, vy >> 3, self.chroma_sample, (vx & 7, vy & 7))
                else:
                    self.copy(plane, x // 2, y // 2, size // 2, vx >> 1, vy >> 1, self.whole_sample, None)

    def copy(self, plane, x, y, size, dx, dy, sample, fraction):
        old, now = self.old[plane], self.planes[plane]
        block = 8 if plane else 16
        first = max(0, block * (self.my - 3))
        last, right = len(old) - 1, len(old[0]) - 1
        at = lambda column, row: old[clamp(row, first, last)][clamp(column, 0, right)]
        for j in range(size):
            for i in range(size):
                now[y + j][x + i] = sample(at, x + i + dx, y + j + dy, fraction)

    def whole_sample(self, at, x, y, _):
        return at(x, y)

    def luma_sample(self, at, x, y, fraction):
        fx, fy = fraction

        def across(row):
            if not fx:
                return at(x, row)
            return clamp(sum(t * at(x + k - 1, row) for k, t in enumerate(TAPS[fx])) + 32 >> 6, 0, 255)

        if not fy:
            return across(y)
        return clamp(sum(t * across(y + k - 1) for k, t in enumerate(TAPS[fy])) + 32 >> 6, 0, 255)

    def chroma_sample(self, at, x, y, fraction):
        fx, fy = fraction
        a, b, c, d = at(x, y), at(x + 1, y), at(x, y + 1), at(x + 1, y + 1)
        return ((8 - fx) * (8 - fy) * a + fx * (8 - fy) * b + (8 - fx) * fy * c + fx * fy * d + 32) >> 6

    def predict(self, plane, x, y, mode):
        over, beside = y > 0, x > 0
        a = plane[y - 1][x : x + 8] if over else [128] * 8
        l = [plane[y + j][x - 1] for j in range(8)] if beside else [128] * 8
        k = plane[y - 1][x - 1] if over and beside else 128
        if over and beside:
            mean = (sum(a) + sum(l) + 8) >> 4
        else:
            mean = (sum(a) + 4) >> 3 if over else (sum(l) + 4) >> 3 if beside else 128
        for j in range(8):
            for i in range(8):
                plane[y + j][x + i] = {
                    "mean": lambda: mean,
                    "smooth": lambda: ((7 - i) * l[j] + (1 + i) * a[7] + (7 - j) * a[i] + (1 + j) * l[7] + 8) >> 4,
                    "slope": lambda: clamp(a[i] + l[j] - k, 0, 255),
                    "down": lambda: a[i],
                    "across": lambda: l[j],
                }[mode]()

    def residual(self, plane, x, y, i, intra, near):
        step = STEPS[self.q % 6] << (self.q // 6)
        fours = i < 4 and self.level == 2 and self.e.flag(33 + intra)
        kind = 3 if i > 3 else 2 if fours else 1 if intra else 0
        levels = self.read_light() if self.level == 1 else self.read_full(kind, near)
        values = [clamp(min(abs(v), 32767) * step, 0, 32767) * (1 if v > 0 else -1) if v else 0 for v in levels]
        if not fours:
            block = [0] * 64
            for p, v in enumerate(values):
                block[SCAN8[p]] = v
            self.add(plane, x, y, 8, block, EIGHT, 12)
            return
        for part in range(4):
            block = [0] * 16
            for p in range(16):
                block[SCAN4[p]] = values[4 * p + part]
            self.add(plane, x + 4 * (part & 1), y + 4 * (part >> 1), 4, block, FOUR, 11)

    def read_light(self):
        levels, at = [0] * 64, 0
        while True:
            run, size = self.number(0, 0), 1 + self.number(0, 0)
            minus = self.e.bits(1)
            at += run
            if at > 63:
                raise Broken("run")
            levels[at] = -size if minus else size
            if at == 63 or not self.e.flag(0):
                return levels
            at += 1

    def read_full(self, kind, near):
        levels, before, after_zero = [0] * 64, 0, True
        for p in range(64):
            c = 107 + 2 * ((kind * 8 + BAND[p]) * 3 + near)
            # "after_zero = yes" at first means that a block is not asked to stop there.
            if not after_zero and not self.e.flag(c):
                break
            if (after_zero and p == 63) or self.e.flag(c + 1):
                size = 1
                if self.e.flag(63 + 3 * kind + near):
                    size = 2 + self.number(75 + 8 * kind, 7)
                levels[p] = -size if self.e.bits(1) else size
                s, after_zero = min(size, 3), False
            else:
                s, after_zero = 0, True
            near, before = min(2, (s + before + 1) >> 1), s
        return levels

    def add(self, plane, x, y, n, block, matrix, shift):
        middle = [[0] * n for _ in range(n)]
        for column in range(n):
            for row in range(n):
                v = sum(matrix[k][row] * block[n * k + column] for k in range(n))
                middle[row][column] = (v + 64) >> 7
        for row in range(n):
            for column in range(n):
                v = sum(matrix[k][column] * middle[row][k] for k in range(n))
                v = (v + (1 << shift - 1)) >> shift
                plane[y + row][x + column] = clamp(plane[y + row][x + column] + v, 0, 255)

    def paint(self, x0, y0, dither):
        luma, orange, green = self.planes
        for y in range(y0, min(y0 + 8, self.height)):
            for x in range(x0, min(x0 + 8, self.width)):
                d5 = d6 = 0
                if dither:
                    t = RANK[8 * (y & 7) + (x & 7)]
                    d5 = ((2 * t + 1) * 255 + 1984) // 3968 - 4
                    d6 = 2 - ((2 * t + 1) * 255 + 4032) // 8064
                v, co, cg = luma[y][x], orange[y >> 1][x >> 1] - 128, green[y >> 1][x >> 1] - 128
                r = (clamp(v + co - cg + d5, 0, 255) * 249 + 1014) >> 11
                g = (clamp(v + cg + d6, 0, 255) * 253 + 505) >> 10
                b = (clamp(v - co - cg + d5, 0, 255) * 249 + 1014) >> 11
                self.panel[y * self.width + x] = r << 11 | g << 5 | b
