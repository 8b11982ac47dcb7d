"""Reads reels as a player and a verifier, one line for each reel named: the CRC-32
of its samples (16 bits, little-endian), the number of pictures shown, the CRC-32 of
the panel after each (RGB565, little-endian, rows from the top; 0 for jpeg, whose
decoders may differ), and the verdict.

Written from spec/container.md and spec/coding.md alone.
"""
import math
import os
import struct
import sys
import time as clock
import traceback
import zlib
import numpy as np
from patch import Broken, Patch
import codings

MAGIC = bytes.fromhex("E75442520A0D0A1A")
SYNC = bytes.fromhex("E763743E")
ONES = (1 << 64) - 1
TOP = 1 << 40
POSTER, TABLES, SLICE, INDEX, END, NOTE = 1, 2, 3, 4, 5, 6
NAMES = {1: "poster", 2: "tables", 4: "index", 5: "end", 6: "note"}


class Refused(Exception):
    """A player must refuse this reel."""


class Record:
    pass


def align(n, m):
    return -(-n // m) * m


def part_length(n):
    return align(n, 4) + 4 * -(-align(n, 4) // 8192)


def zeros_crc(crc, n):
    """CRC after n more zero bytes, by squaring the operator of one byte."""
    state = crc ^ 0xFFFFFFFF
    operator = []
    for bit in range(32):
        v = 1 << bit
        for _ in range(8):
            v = v >> 1 ^ (0xEDB88320 if v & 1 else 0)
        operator.append(v)

    def apply(op, v):
        r = 0
        for bit in range(32):
            if v >> bit & 1:
                r ^= op[bit]
        return r

    while n:
        if n & 1:
            state = apply(operator, state)
        operator = [apply(operator, v) for v in operator]
        n >>= 1
    return state ^ 0xFFFFFFFF


FIELDS = [("version_major", 8, 2), ("version_minor", 10, 2), ("must_know", 12, 4), ("may_ignore", 16, 4),
          ("part", 20, 2), ("parts", 22, 2), ("reel_id", 24, 8), ("first_tick", 32, 8), ("duration", 40, 8),
          ("reel_duration", 48, 8), ("file_length", 56, 8), ("first_picture", 64, 4), ("picture_count", 68, 4),
          ("slice_count", 72, 4), ("width", 76, 2), ("height", 78, 2), ("shape", 80, 1), ("pixel_format", 81, 1),
          ("wire", 82, 1), ("coding", 83, 1), ("level", 84, 1), ("sound", 85, 1), ("channels", 86, 1),
          ("mounting", 87, 1), ("clock_rate", 88, 4), ("rate_n", 92, 4), ("rate_d", 96, 4),
          ("largest_chunk", 100, 4), ("most_pictures", 104, 2), ("most_ticks", 108, 4), ("largest_sound", 112, 4),
          ("largest_picture", 116, 4), ("working_memory", 120, 4), ("prebuffer", 124, 4), ("mean_rate", 128, 4),
          ("worst_rate", 132, 4), ("worst_bus_bytes", 136, 4), ("worst_instructions", 140, 4),
          ("first_slice", 144, 8), ("index_offset", 152, 8), ("index_length", 160, 4), ("index_step", 164, 4),
          ("index_entries", 168, 4), ("poster_offset", 172, 4), ("poster_length", 176, 4),
          ("tables_offset", 184, 4), ("tables_length", 188, 4), ("x_offset", 192, 2), ("y_offset", 194, 2)]
RESERVED = [(106, 2), (180, 4), (196, 188), (480, 28)]


def text_in_order(data, allowed=""):
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return not any((ord(c) < 32 or 127 <= ord(c) < 160) and c not in allowed for c in text)


def read_header(s):
    """Gives (state, header, reason); state is 'good', 'bad' or 'newer'."""
    if len(s) < 512:
        return "bad", None, "cut"
    if s[:8] != MAGIC:
        return "bad", None, "magic"
    if zlib.crc32(s[:508]) != int.from_bytes(s[508:512], "little"):
        return "bad", None, "crc"
    h = Record()
    for name, at, size in FIELDS:
        setattr(h, name, int.from_bytes(s[at:at + size], "little"))
    if h.version_major != 1:
        return "newer", h, "major version"
    if h.must_know:
        return "newer", h, "must-know flag"
    if h.coding > 2 or h.level not in ((1, 2) if h.coding == 2 else (0,)) or h.sound > 3:
        return "newer", h, "coding"
    h.live = h.duration == ONES
    h.lenient = h.version_minor > 0
    side = 512 if h.coding == 2 else 1024
    columns, lines = (h.width + 15) // 16, (h.height + 15) // 16
    title = s[384:480].rstrip(b"\0")

    def placed(offset, length):
        return offset == length == 0 or offset >= 1024 and length > 0 and offset % 16 == length % 16 == 0

    rules = [
        ("part", h.part >= 1 and (h.parts == 0 or h.part <= h.parts)),
        ("reel_id", h.reel_id != 0),
        ("times", h.first_tick < TOP and (h.live or h.first_tick + h.duration < TOP)
         and (h.reel_duration == ONES or h.reel_duration < TOP and (h.live or h.reel_duration >= h.duration))),
        ("file_length", h.file_length % 16 == 0 and (h.file_length == 0) == h.live and h.file_length <= 1 << 36),
        ("size", 1 <= h.width <= side and 1 <= h.height <= side),
        ("shape", h.shape <= 1), ("pixel_format", h.pixel_format <= 1),
        ("wire", h.wire <= 3 or h.lenient), ("mounting", h.mounting <= 7 or h.lenient),
        ("channels", h.channels == (1 if h.sound else 0)),
        ("clock_rate", 4000 <= h.clock_rate <= 96000),
        ("rate", h.rate_n > 0 and h.rate_d > 0 and h.rate_n <= 240 * h.rate_d and math.gcd(h.rate_n, h.rate_d) == 1),
        ("largest_chunk", 48 <= h.largest_chunk <= 4194304 and h.largest_chunk % 16 == 0),
        ("most_pictures", h.most_pictures <= 512),
        ("most_ticks", h.most_ticks <= 10 * h.clock_rate),
        ("largest_sound", h.largest_sound <= h.largest_chunk),
        ("largest_picture", h.largest_picture <= h.largest_chunk),
        ("working_memory", h.working_memory <= 16777216
         and (h.coding != 2 or h.working_memory >= 384 * columns * lines + 1536 * columns + 4096)),
        ("first_slice", 1024 <= h.first_slice <= 1 << 36 and h.first_slice % 16 == 0),
        ("index", (h.index_offset == h.index_length == h.index_step == h.index_entries == 0)
         or (h.index_entries and h.index_step and placed(h.index_offset, h.index_length)
             and h.index_offset <= 1 << 36 and h.index_length <= 4194304
             and h.index_length == align(48 + part_length(128 * -(-h.index_entries // 14)), 16))),
        ("poster", placed(h.poster_offset, h.poster_length)),
        ("tables", placed(h.tables_offset, h.tables_length)),
        ("offsets", h.x_offset <= 1023 and h.y_offset <= 1023),
        ("reserved", h.lenient or not any(any(s[a:a + n]) for a, n in RESERVED)),
        ("title", b"\0" not in title and text_in_order(title)),
    ]
    for name, good in rules:
        if not good:
            return "bad", h, name
    return "good", h, ""


class Reel:
    def __init__(self, data):
        self.data = data
        self.findings, self.broken = [], []
        self.crc = 0                # of the samples
        self.shown = 0
        self.panels = 0
        self.open()

    def find(self, what):
        self.findings.append(what)

    # ---- header

    def open(self):
        first, second = self.data[:512], self.data[512:1024]
        state, h, why = read_header(first)
        self.sector = first
        if state == "newer":
            raise Refused(why)
        if state == "bad":
            state2, h, why2 = read_header(second)
            if state2 != "good":
                raise Refused(why)
            self.sector = second
            self.find("sector 0: " + why)
        elif first != second:
            self.find("sectors differ")
        self.h = h
        self.end = TOP - 1 if h.live else h.first_tick + h.duration

    # ---- parts

    def get_part(self, at, n):
        """'cut', 'bad' or the payload."""
        total = part_length(n)
        if at + total > len(self.data):
            return "cut"
        body = self.data[at:at + align(n, 4)]
        sums = self.data[at + len(body):at + total]
        for i in range(0, len(body), 8192):
            if zlib.crc32(body[i:i + 8192]) != int.from_bytes(sums[i // 2048:i // 2048 + 4], "little"):
                return "bad"
        if any(body[n:]):
            return "bad"
        return body[:n]

    # ---- chunk headers

    def chunk(self, at):
        """A chunk header in order, or None (9.1)."""
        d, h = self.data[at:at + 48], self.h
        if len(d) < 48 or d[:4] != SYNC or zlib.crc32(d[:44]) != int.from_bytes(d[44:], "little"):
            return None
        c = Record()
        (c.kind, c.flags, c.pictures, c.number, c.length, c.used, c.ticks, c.time, c.bytes, c.first_picture,
         c.id_low) = struct.unpack("<BBHIIIIQIII", d[4:44])
        c.at = at
        if c.length > 4194304 or c.length != align(48 + c.used, 16):
            return None
        if c.time >= TOP or c.bytes > c.used or c.pictures > 512:
            return None
        flags = c.flags & 0x87 if h.lenient else c.flags
        c.key, c.gap, c.even = bool(flags & 1), bool(flags & 2), bool(flags & 4)
        c.entry = 3 if c.even else 6
        c.unknown = c.kind not in (1, 2, 3, 4, 5, 6)
        if c.kind == SLICE:
            if flags & ~7 or not 1 <= c.ticks <= 10 * h.clock_rate or ((c.key or c.even) and not c.pictures):
                return None
            if c.used < part_length(c.bytes) + part_length(c.entry * c.pictures):
                return None
        elif c.unknown:
            if flags & ~0x80:
                return None
        else:
            if c.pictures or c.ticks:
                return None
            if c.used < part_length(c.bytes) or (c.used > part_length(c.bytes) and not h.lenient):
                return None
            if flags != (0 if c.kind == END else 0x80):
                return None
            if c.kind in (TABLES, NOTE) and c.bytes > 65536:
                return None
        if c.id_low != h.reel_id & 0xFFFFFFFF:
            return None
        if c.unknown and not flags & 0x80:
            raise Refused("kind %d" % c.kind)
        return c

    # ---- sound

    def silence(self, ticks):
        if self.h.sound and ticks > 0:
            self.crc = zeros_crc(self.crc, 2 * ticks)

    # ---- reading

    def read(self):
        h = self.h
        self.panel = np.zeros((h.height, h.width), dtype="<u2")
        self.patch = Patch(h.width, h.height, h.level) if h.coding == 2 else None
        self.tables = None
        self.poster = self.index = self.end_payload = None
        self.time, self.number = h.first_tick, None if h.live else 0
        self.waiting, self.loose, self.doubt = True, False, None
        self.next_picture = h.first_picture
        self.slices, self.seen = [], []
        self.start_of = {}
        at, search, ended = 1024, False, False
        jump = 10 * h.clock_rate
        while at + 48 <= len(self.data):
            c = self.chunk(at)
            if c is None:
                if not search:
                    search = True
                    self.find("no chunk header in order at %d" % at)
                at += 16
                continue
            if search:
                search, self.loose, self.waiting = False, True, True
            use = self.place(c, jump)
            if use:
                self.parts(c)
            at += c.length
            if at > len(self.data):
                if not h.live:
                    self.find("chunk cut")
            elif any(self.data[c.at + 48 + c.used:at]) and not h.lenient and not c.unknown:
                self.find("zeros at a chunk's end")
            if use and c.kind == END:
                ended = True
                break
        if ended:
            if at < len(self.data):
                self.find("bytes behind the end chunk")
        elif not h.live:
            self.find("no end chunk")
        if not h.live:
            self.silence(self.end - self.time)
            if len(self.data) != h.file_length:
                self.find("file length")
        self.verify_rest()

    def passed_over(self, c, why):
        """Rule 1 of 9.2, and what the other rules take from it."""
        self.find("chunk %d at %d passed over: %s" % (c.number, c.at, why))
        self.loose = self.waiting = True
        self.doubt = None
        if c.kind == SLICE and c.ticks <= self.h.most_ticks and self.time <= c.time <= self.time + 10 * self.h.clock_rate and c.time + c.ticks <= self.end:
            self.silence(c.time + c.ticks - self.time)
            self.time = c.time + c.ticks
        return False

    def place(self, c, jump):
        h = self.h
        if c.time + c.ticks > self.end:
            return self.passed_over(c, "past the end")
        if c.kind == SLICE:
            if (c.length > h.largest_chunk or c.pictures > h.most_pictures or c.ticks > h.most_ticks
                    or c.bytes > h.largest_sound
                    or (c.bytes and c.bytes != codings.sound_bytes(h.sound, c.ticks))):
                return self.passed_over(c, "limit of the header")
        expected = self.number
        if expected is None or (h.live and not self.slices and c.kind == SLICE):
            expected = c.number
        if c.time > self.time + jump:
            if not (c.gap and c.number == expected) and self.doubt != (c.number, c.time):
                self.find("chunk %d doubted" % c.number)
                self.loose = self.waiting = True
                self.doubt = (c.number + 1, c.time + c.ticks)
                return False
        reported = False
        if c.number != expected:
            if c.number > expected and c.time >= self.time:
                reported = not self.loose
            else:
                return self.passed_over(c, "number")
        if c.time < self.time:
            return self.passed_over(c, "time goes back")
        ahead = c.time > self.time
        if ahead and not c.gap and not self.loose:
            reported = True
        if reported:
            self.find("jump before chunk %d" % c.number)
        if c.first_picture != self.next_picture and not c.unknown and not self.loose and not reported and not c.gap:
            self.find("first picture of chunk %d" % c.number)
        if c.kind == SLICE or self.loose or reported:   # a wrong number elsewhere must not be reported twice
            self.next_picture = (c.first_picture + c.pictures) & 0xFFFFFFFF
        self.silence(c.time - self.time)
        self.time = c.time
        self.number = min(c.number + 1, 0xFFFFFFFF)
        self.loose, self.doubt = False, None
        if c.gap or ahead or reported:
            self.waiting = True
        return True

    def parts(self, c):
        if c.kind == SLICE:
            self.slice_parts(c)
            self.time = c.time + c.ticks
            return
        if c.unknown:
            return
        payload = self.get_part(c.at + 48, c.bytes)
        if payload in ("cut", "bad"):
            if payload == "bad" or not self.h.live:
                self.find("part of kind %d" % c.kind)
            payload = None
        ignored = False
        if c.kind in (POSTER, TABLES, NOTE):
            order = [POSTER, TABLES, NOTE]
            before = [k for k in self.seen if k in order]
            if c.kind in before or self.slices or any(order.index(k) > order.index(c.kind) for k in before):
                self.find("%s out of order" % NAMES[c.kind])
            ignored = c.kind in before or bool(self.slices)
        elif c.kind == INDEX and INDEX in self.seen:
            self.find("second index")
        self.seen.append(c.kind)
        if not ignored:
            self.start_of.setdefault(c.kind, (c.at, c.length))
        if payload is None or ignored:
            return
        if c.kind == POSTER:
            self.poster = payload
        elif c.kind == TABLES and self.h.coding == 1:
            try:
                self.tables = codings.check_tables(payload)
            except Broken as error:
                self.broken.append(str(error))
        elif c.kind == NOTE:
            if not text_in_order(payload, "\n\t"):
                self.find("note's text")
        elif c.kind == INDEX:
            self.index = payload
        elif c.kind == END:
            self.end_payload = payload
            self.end_at = c.at

    def slice_parts(self, c):
        h = self.h
        s = Record()
        s.c, s.picture = c, 0
        if INDEX in self.seen:
            self.find("slice behind the index")
        if not self.slices and not c.key and not c.gap:
            self.find("first slice neither key nor gap")
        self.slices.append(s)
        at = c.at + 48
        if h.sound:
            if not c.bytes:
                self.silence(c.ticks)
            else:
                payload = self.get_part(at, c.bytes)
                if payload == "cut" and h.live:
                    return
                if payload in ("cut", "bad"):
                    self.find("sound of chunk %d" % c.number)
                    self.silence(c.ticks)
                else:
                    try:
                        self.crc = zlib.crc32(codings.decode_sound(h.sound, payload, c.ticks), self.crc)
                    except Broken as error:
                        self.broken.append("chunk %d: %s" % (c.number, error))
                        self.silence(c.ticks)
        at += part_length(c.bytes)
        directory = self.get_part(at, c.entry * c.pictures)
        at += part_length(c.entry * c.pictures)
        if directory in ("cut", "bad"):
            if directory == "bad" or not h.live:
                self.find("directory of chunk %d" % c.number)
            self.waiting = True
            return
        entries = self.entries(c, directory, at)
        if entries is None:
            self.find("directory entry of chunk %d" % c.number)
            self.waiting = True
            return
        for e in entries:
            s.picture = max(s.picture, e.length)
            payload = b""
            if not e.unchanged:
                payload = self.get_part(at, e.length)
                at += part_length(e.length)
                if payload in ("cut", "bad"):
                    if payload == "bad" or not h.live:
                        self.find("picture of chunk %d" % c.number)
                    self.waiting = True
                    continue
            if self.waiting and not e.key:
                continue
            if not e.unchanged:
                try:
                    self.panel = self.decode(e, payload, self.panel, self.patch)
                except Broken as error:
                    self.broken.append("picture of chunk %d: %s" % (c.number, error))
                    self.waiting = True
                    continue
                if self.panel is None:      # tables are missing
                    self.panel = np.zeros((h.height, h.width), dtype="<u2")
                    self.waiting = True
                    continue
            if e.key:
                self.waiting = False
            self.shown += 1
            if h.coding != 1:
                self.panels = zlib.crc32(self.panel.tobytes(), self.panels)

    def entries(self, c, data, at):
        h, out, last = self.h, [], -1
        for i in range(c.pictures):
            e = Record()
            d = data[c.entry * i:c.entry * (i + 1)]
            first = int.from_bytes(d[:3], "little")
            e.length, e.key, e.unchanged = first & 0x3FFFFF, bool(first >> 22 & 1), bool(first >> 23)
            evenly = i * c.ticks // c.pictures
            e.tick = evenly if c.even else int.from_bytes(d[3:], "little")
            e.off = e.tick != evenly
            if e.key and e.unchanged or e.tick <= last or e.tick >= c.ticks:
                return None
            if e.length > h.largest_picture or e.unchanged != (e.length == 0):
                return None
            if i == 0 and e.key != c.key:
                return None
            last = e.tick
            at += part_length(e.length)
            out.append(e)
        end = c.at + 48 + c.used
        if at > end or (at < end and not h.lenient):
            return None
        if out and not c.even and not any(e.off for e in out):
            self.find("flag even is missing")
        return out

    def decode(self, e, payload, panel, patch):
        h = self.h
        if h.coding == 0:
            panel, windows, bus = codings.decode_raw(payload, e.key, panel, h.pixel_format, h.shape)
            if 0 < h.worst_bus_bytes < bus:
                self.broken.append("worst_bus_bytes")
            return panel
        if h.coding == 2:
            return patch.decode(payload, e.key, panel)
        if not e.key:
            raise Broken("jpeg picture without key flag")
        if self.tables is None:
            return None
        codings.check_jpeg(payload, self.tables, h.width, h.height)
        return panel

    # ---- what only a verifier looks at

    def verify_rest(self):
        h = self.h
        if self.poster is not None:
            e = Record()
            e.key = True
            try:
                self.decode(e, self.poster, np.zeros((h.height, h.width), dtype="<u2"),
                            Patch(h.width, h.height, h.level) if h.coding == 2 else None)
            except Broken as error:
                self.broken.append("poster: %s" % error)
        if self.index is not None:
            if len(self.index) % 128 or len(self.index) != 128 * -(-h.index_entries // 14):
                self.find("index size")
            for i in range(0, len(self.index) - 127, 128):
                b = self.index[i:i + 128]
                first, low, step, crc = struct.unpack("<4I", b[112:])
                if first != 14 * (i // 128) or low != h.reel_id & 0xFFFFFFFF or step != h.index_step or crc != zlib.crc32(b[:124]):
                    self.find("index block")
        if self.end_payload is not None:
            if len(self.end_payload) < 552 or (len(self.end_payload) > 552 and not h.lenient):
                self.find("end size")
                self.end_payload = None
            elif self.end_payload[40:552] != self.sector:
                self.find("end's copy of the header")
        if not self.findings:
            self.verify_counts()

    def verify_counts(self):
        h = self.h
        cs = [s.c for s in self.slices]
        total = sum(c.pictures for c in cs)
        ticks = self.time - h.first_tick

        def same(what, a, b):
            if a != b:
                self.find("%s: %s, found %s" % (what, a, b))

        for kind, want in ((POSTER, (h.poster_offset, h.poster_length)), (TABLES, (h.tables_offset, h.tables_length)),
                           (INDEX, (h.index_offset, h.index_length))):
            same(NAMES[kind], want, self.start_of.get(kind, (0, 0)))
        if cs:
            same("first_slice", h.first_slice, cs[0].at)
        if self.end_payload is not None:
            got = struct.unpack("<QQQIIII", self.end_payload[:40])
            want = (ticks, self.end_at, sum(c.bytes for c in cs), total, len(cs), sum(c.gap for c in cs), got[6] if h.lenient else 0)
            same("end totals", got, want)
        if h.live:
            for name in ("picture_count", "slice_count", "prebuffer", "mean_rate", "worst_rate", "worst_bus_bytes", "worst_instructions"):
                same(name, getattr(h, name), 0)
            return
        if h.parts == 1:
            same("reel_duration", h.reel_duration, h.duration)
        same("duration", h.duration, ticks)
        same("picture_count", h.picture_count, total)
        same("slice_count", h.slice_count, len(cs))
        if not cs:
            return
        same("largest_chunk", h.largest_chunk, max(c.length for c in cs))
        same("most_pictures", h.most_pictures, max(c.pictures for c in cs))
        same("most_ticks", h.most_ticks, max(c.ticks for c in cs))
        same("largest_sound", h.largest_sound, max(c.bytes for c in cs))
        same("largest_picture", h.largest_picture, max(s.picture for s in self.slices))
        same("mean_rate", h.mean_rate, -(-sum(c.length for c in cs) * h.clock_rate // h.duration))
        worst = best = low = 0
        for c in cs:
            best += c.length
            while cs[low].time <= c.time - h.clock_rate:
                best -= cs[low].length
                low += 1
            worst = max(worst, best)
        same("worst_rate", h.worst_rate, worst)
        lead, need = 0, 0
        for c in cs:
            lead += c.length
            need = max(need, lead - h.mean_rate * (c.time - h.first_tick) // h.clock_rate)
        if h.prebuffer < need:
            self.find("prebuffer")
        if self.index is not None:
            same("index_entries", h.index_entries, -(-h.duration // h.index_step))
            for i in range(14 * (len(self.index) // 128)):
                block = self.index[128 * (i // 14):]
                got = struct.unpack("<2I", block[8 * (i % 14):8 * (i % 14) + 8])
                want = (0, 0)
                if i < h.index_entries:
                    t = h.first_tick + i * h.index_step
                    keys = [c for c in cs if c.key and c.time <= t] or [cs[0]]
                    want = (keys[-1].at // 16, keys[-1].number)
                if got != want:
                    self.find("index entry %d" % i)
                    break


def line(path):
    name = os.path.basename(path)
    with open(path, "rb") as f:
        data = f.read()
    try:
        reel = Reel(data)
        reel.read()
    except Refused as why:
        return "%s refused" % name, [str(why)]
    verdict = "damaged" if reel.findings else "broken" if reel.broken else "whole"
    return "%s samples %08x pictures %d panels %08x %s" % (name, reel.crc, reel.shown, reel.panels, verdict), reel.findings + reel.broken


def main():
    for path in sys.argv[1:]:
        start = clock.time()
        try:
            text, why = line(path)
        except Exception:
            text, why = "%s crashed" % os.path.basename(path), [traceback.format_exc()]
        print(text, flush=True)
        print("%s (%.1f s): %s" % (os.path.basename(path), clock.time() - start, "; ".join(why)), file=sys.stderr, flush=True)


main()
