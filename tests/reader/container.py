"""Reads the container of a reel, from spec/container.md alone.

`read(data)` walks a whole file and returns a `Story`: what a player presents
(9) and what a verifier finds (9.5). Numbers in brackets are chapters.
"""

import struct
from dataclasses import dataclass, field
from zlib import crc32  # CRC-32/ISO-HDLC: of b"123456789" it is CBF43926h

MAGIC = bytes([0xE7, 0x54, 0x42, 0x52, 0x0A, 0x0D, 0x0A, 0x1A])
SYNC = bytes([0xE7, 0x63, 0x74, 0x3E])
SECTOR, FIRST_CHUNK, CHUNK_HEADER, ENTRY, PIECE = 512, 1024, 48, 16, 8192
UNKNOWN = 2**64 - 1
MAX_CHUNK, MAX_TIME, MAX_OFFSET = 4_194_304, 2**40, 2**36
POSTER, TABLES, SLICE, INDEX, END, NOTE = 1, 2, 3, 4, 5, 6
KEY, GAP, SKIPPABLE, UNCHANGED = 1, 2, 128, 2


class Refused(Exception):
    """The reel is not for this reader, or is none."""


class Damaged(Exception):
    """Bytes that break a rule."""


def align(n, to):
    return (n + to - 1) // to * to


def part_length(n):
    return align(n, 4) + 4 * (align(align(n, 4), PIECE) // PIECE)


def need(ok, what):
    if not ok:
        raise Damaged(what)


def check_part(data, at, n):
    """The payload of the part at `at`, if it is in order (2.1)."""
    need(at + part_length(n) <= len(data), "part beyond the bytes")
    padded = data[at : at + align(n, 4)]
    sums = at + len(padded)
    for i, start in enumerate(range(0, len(padded), PIECE)):
        stored = struct.unpack_from("<I", data, sums + 4 * i)[0]
        need(crc32(padded[start : start + PIECE]) == stored, "CRC of a part")
    need(not any(padded[n:]), "padding of a part")
    return padded[:n]


HEADER = {
    "version_major": (8, "H"), "version_minor": (10, "H"), "must_know": (12, "I"), "may_ignore": (16, "I"),
    "part": (20, "H"), "parts": (22, "H"), "reel_id": (24, "Q"), "first_tick": (32, "Q"), "duration": (40, "Q"),
    "reel_duration": (48, "Q"), "file_length": (56, "Q"), "first_picture": (64, "I"), "picture_count": (68, "I"),
    "slice_count": (72, "I"), "width": (76, "H"), "height": (78, "H"), "shape": (80, "B"), "pixel_format": (81, "B"),
    "wire": (82, "B"), "coding": (83, "B"), "level": (84, "B"), "sound": (85, "B"), "channels": (86, "B"),
    "mounting": (87, "B"), "clock_rate": (88, "I"), "rate_num": (92, "I"), "rate_den": (96, "I"),
    "largest_chunk": (100, "I"), "most_pictures": (104, "H"), "most_ticks": (108, "I"), "largest_sound": (112, "I"),
    "largest_picture": (116, "I"), "working_memory": (120, "I"), "prebuffer": (124, "I"), "mean_rate": (128, "I"),
    "worst_rate": (132, "I"), "worst_bus_bytes": (136, "I"), "worst_instructions": (140, "I"),
    "first_slice": (144, "Q"), "index_offset": (152, "Q"), "index_length": (160, "I"), "index_step": (164, "I"),
    "index_entries": (168, "I"), "poster_offset": (172, "I"), "poster_length": (176, "I"),
    "tables_offset": (184, "I"), "tables_length": (188, "I"), "x_offset": (192, "H"), "y_offset": (194, "H"),
}  # fmt: skip
RESERVED = [(106, 108), (180, 184), (196, 384), (480, 508)]


class Header:
    """Sector 0, checked in the order of 4."""

    def __init__(self, sector):
        need(len(sector) == SECTOR and sector[:8] == MAGIC, "magic")
        need(crc32(sector[:508]) == struct.unpack_from("<I", sector, 508)[0], "CRC of the header")
        for name, (at, kind) in HEADER.items():
            setattr(self, name, struct.unpack_from("<" + kind, sector, at)[0])
        if self.version_major != 1:
            raise Refused("major version")
        if self.must_know != 0:
            raise Refused("must-know flag")
        levels = {0: [0], 1: [0], 2: [1, 2]}
        if self.coding not in levels or self.level not in levels[self.coding] or self.sound > 3:
            raise Refused("coding")
        self.newer = self.version_minor > 0
        self.live = self.duration == UNKNOWN
        self.id_low = self.reel_id & 0xFFFFFFFF
        self.end = None if self.live else self.first_tick + self.duration
        self.title = sector[384:480]
        self.check(sector)

    def check(self, sector):
        h = self
        need(h.reel_id != 0 and h.part >= 1 and (h.parts == 0 or h.part <= h.parts), "part or id")
        need(h.first_tick < MAX_TIME and (h.live or h.end < MAX_TIME), "times")
        need(h.reel_duration == UNKNOWN or h.reel_duration < MAX_TIME, "reel_duration")
        need(h.live or h.reel_duration >= h.duration, "reel_duration")
        need(4000 <= h.clock_rate <= 96_000, "clock_rate")
        a, b = h.rate_num, h.rate_den
        while b:
            a, b = b, a % b
        need(h.rate_num > 0 and h.rate_den > 0 and a == 1 and h.rate_num <= 240 * h.rate_den, "rate")
        most = 512 if h.coding == 2 else 1024
        need(1 <= h.width <= most and 1 <= h.height <= most, "panel")
        need(h.x_offset < 1024 and h.y_offset < 1024, "offset")
        need(h.shape <= 1 and h.pixel_format <= 1, "panel")
        need(h.newer or (h.wire <= 3 and h.mounting <= 7), "wire or mounting")
        self.wire &= 3
        need(h.channels == (h.sound != 0), "channels")
        need(h.largest_chunk <= MAX_CHUNK and h.largest_chunk >= 48 and h.largest_chunk % 16 == 0, "largest_chunk")
        need(h.most_pictures <= 512 and h.most_ticks <= 10 * h.clock_rate, "slice limits")
        need(max(h.largest_sound, h.largest_picture) <= h.largest_chunk, "part limits")
        columns, lines = (h.width + 15) // 16, (h.height + 15) // 16
        least = 384 * columns * lines + 1536 * columns + 4096 if h.coding == 2 else 0
        need(least <= h.working_memory <= 16_777_216, "working_memory")
        for offset, length in [(h.index_offset, h.index_length), (h.poster_offset, h.poster_length), (h.tables_offset, h.tables_length)]:
            need((offset == 0) == (length == 0) and offset % 16 == 0 and length % 16 == 0, "place")
            need((offset == 0 or offset >= FIRST_CHUNK) and offset <= MAX_OFFSET and length <= MAX_CHUNK, "place")
        need(h.tables_length <= align(48 + part_length(65_536), 16), "tables_length")
        need(FIRST_CHUNK <= h.first_slice <= MAX_OFFSET and h.first_slice % 16 == 0, "first_slice")
        need((h.file_length == 0) == h.live and h.file_length % 16 == 0 and h.file_length <= MAX_OFFSET, "file_length")
        blocks = (h.index_entries + 61) // 62
        need(h.index_length == (align(48 + part_length(512 * blocks), 16) if blocks else 0), "index_length")
        need((h.index_step == 0) == (h.index_entries == 0), "index_step")
        text = self.title.rstrip(b"\0")
        try:
            text = text.decode()
        except UnicodeDecodeError:
            raise Damaged("title") from None
        need(not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in text), "title")
        need(h.newer or not any(any(sector[a:b]) for a, b in RESERVED), "reserved")

    def sound_fits(self, ticks, n):
        exact = {0: 0, 1: 2 * ticks, 2: ticks, 3: 4 + ticks // 2}[self.sound]
        return n in (0, exact)


class Chunk:
    """A chunk header, checked in the order of 9.1."""

    def __init__(self, data, at, header):
        self.at = at
        raw = data[at : at + CHUNK_HEADER]
        need(len(raw) == CHUNK_HEADER and raw[:4] == SYNC, "sync")
        need(crc32(raw[:44]) == struct.unpack_from("<I", raw, 44)[0], "CRC of a chunk header")
        (self.kind, self.flags, self.pictures, self.number, self.length, self.used, self.ticks,
         self.time, self.bytes, self.first_picture, self.id_low) = struct.unpack_from("<BBHIIIIQIII", raw, 4)  # fmt: skip
        if header.newer:
            self.flags &= KEY | GAP | SKIPPABLE
        need(self.length <= MAX_CHUNK and self.length == align(48 + self.used, 16), "length")
        need(self.time < MAX_TIME, "time")
        need(self.bytes <= self.used, "bytes")
        need(self.pictures <= 512, "pictures")
        self.end = self.time + self.ticks
        self.known = POSTER <= self.kind <= NOTE
        if self.kind == SLICE:
            need(self.flags & ~(KEY | GAP) == 0 and not (self.flags & KEY and self.pictures == 0), "flags")
            need(self.ticks > 0, "ticks")
            need(part_length(self.bytes) + part_length(ENTRY * self.pictures) <= self.used, "used")
        elif self.known:
            need(self.flags == (0 if self.kind == END else SKIPPABLE), "flags")
            need(self.pictures == 0 and self.ticks == 0, "pictures or ticks")
            least = part_length(self.bytes)
            need(self.used == least or (header.newer and self.used > least), "used")
        else:
            need(self.flags & ~SKIPPABLE == 0, "flags")
        need(self.id_low == header.id_low, "another reel")


@dataclass
class Entry:
    tick_offset: int
    length: int
    bus_bytes: int
    cost: int
    windows: int
    coding: int
    flags: int

    def __init__(self, raw, newer):
        u24 = lambda at: int.from_bytes(raw[at : at + 3], "little")
        self.tick_offset, self.length, self.bus_bytes, self.cost = u24(0), u24(3), u24(6), u24(9) * 256
        self.windows, self.coding, self.flags = struct.unpack_from("<HBB", raw, 12)
        if newer:
            self.flags &= KEY | UNCHANGED
        still = self.flags & UNCHANGED != 0
        need(self.flags <= UNCHANGED and still == (self.length == 0), "flags or length")
        need(not still or (self.windows == 0 and self.bus_bytes == 0), "unchanged")


@dataclass
class Story:
    """What a reel comes to. `events`: ("sound", tick, ticks, block or None for
    silence) and ("picture", tick, flags, payload), in order."""

    header: Header = None
    events: list = field(default_factory=list)
    findings: list = field(default_factory=list)
    tables: bytes = b""
    refused: str = None
    ended: bool = False


class Reader:
    """The machine of 9."""

    def __init__(self, data):
        self.data, self.story = data, Story()
        self.sums = dict(ticks=0, sound_bytes=0, pictures=0, slices=0, gaps=0)
        self.most = dict(largest_chunk=0, most_pictures=0, most_ticks=0, largest_sound=0, largest_picture=0,
                         worst_bus_bytes=0, worst_instructions=0)  # fmt: skip
        self.slices, self.places, self.index, self.last_side = [], {}, None, 0

    def find(self, what, at):
        self.story.findings.append((at, what))

    def run(self):
        try:
            self.header()
            self.walk()
            self.finish()
        except Refused as why:
            self.story.refused = str(why)
            self.find(str(why), 0)
        return self.story

    def header(self):
        first = None
        try:
            self.h = Header(self.data[:SECTOR])
        except Damaged as why:
            first = str(why)
            try:
                self.h = Header(self.data[SECTOR:FIRST_CHUNK])
            except (Damaged, Refused):
                raise Refused(first) from None
            self.find(first, 0)
        self.story.header = self.h
        if first is None and len(self.data) >= FIRST_CHUNK and self.data[:SECTOR] != self.data[SECTOR:FIRST_CHUNK]:
            self.find("sectors 0 and 1 differ", SECTOR)
        self.time, self.number = self.h.first_tick, None if self.h.live else 0
        self.waiting, self.loose, self.doubt = True, False, None
        self.next_picture = self.h.first_picture

    def walk(self):
        at, searching = FIRST_CHUNK, None
        while not self.story.ended:
            if at + CHUNK_HEADER > len(self.data):
                return self.input_ends(at, searching)
            try:
                chunk = Chunk(self.data, at, self.h)
            except Damaged as why:
                if searching is None:
                    searching = at
                    self.find(str(why), at)
                at += 16
                continue
            if searching is not None:
                self.loose = self.waiting = True
                searching = None
            if not chunk.known and not chunk.flags & SKIPPABLE:
                raise Refused("unknown kind")
            if not self.place(chunk):
                at += chunk.length
                continue
            if at + chunk.length > len(self.data):
                return self.input_ends(at, None, chunk)
            self.parts(chunk)
            at += chunk.length

    def place(self, c):
        """9.2: whether the chunk is used."""
        h = self.h
        try:
            need(h.live or c.end <= h.end, "end of the reel")
            if c.kind == SLICE:
                need(c.length <= h.largest_chunk and c.pictures <= h.most_pictures, "limit")
                need(c.ticks <= h.most_ticks and c.bytes <= h.largest_sound, "limit")
                need(h.sound_fits(c.ticks, c.bytes), "length of the sound block")
        except Damaged as why:
            return self.pass_over(c, str(why))
        near = c.time <= self.time + 10 * self.h.clock_rate
        in_turn = self.number is None or c.number == self.number
        if not near and not (c.flags & GAP and in_turn) and self.doubt != (c.number, c.time):
            self.find("far ahead", c.at)
            self.loose = self.waiting = True
            within = self.h.live or c.end <= self.h.end
            self.doubt = (min(c.number + 1, 2**32 - 1), c.end) if within else None
            return False
        late = c.time < self.time
        if not in_turn and not (self.loose and c.number > self.number):
            if c.number < self.number or late:
                return self.pass_over(c, "number")
            self.find("number", c.at)
            self.loose = self.waiting = True
        elif late:
            return self.pass_over(c, "time goes back")
        elif c.time > self.time and not self.loose and not c.flags & GAP:
            self.find("time", c.at)
            self.waiting = True
        self.silence(c.time)
        self.waiting |= bool(c.flags & GAP) or c.time > self.time
        self.time, self.loose, self.doubt = c.time, False, None
        if self.number is not None or c.kind == SLICE:
            self.number = min(c.number + 1, 2**32 - 1)
        return True

    def pass_over(self, c, why):
        self.find(why, c.at)
        self.loose = self.waiting = True
        self.doubt = None
        if c.kind == SLICE and c.time >= self.time and (self.h.live or c.end <= self.h.end):
            self.silence(c.end)
            self.time = c.end
        return False

    def silence(self, to):
        if self.h.sound and to > self.time:
            self.story.events.append(("sound", self.time, to - self.time, None))

    def input_ends(self, at, searching, chunk=None):
        if self.h.live:
            return
        if searching is None and not (self.loose and at >= len(self.data)):
            self.find("the reel ends too early", min(at, len(self.data)))
        self.silence(self.h.end)
        self.time = max(self.time, self.h.end)

    def parts(self, c):
        data = self.data[c.at : c.at + c.length]
        if c.kind == SLICE:
            self.slice(c, data)
        else:
            try:
                payload = check_part(data, CHUNK_HEADER, c.bytes) if c.known else b""
                need(not any(data[CHUNK_HEADER + c.used :]) or not c.known, "padding of a chunk")
                self.side(c, payload)
            except Damaged as why:
                self.find(str(why), c.at)
                self.loose = True
                return
        if c.kind == SLICE and not self.h.newer and any(data[CHUNK_HEADER + c.used :]):
            self.find("padding of a chunk", c.at)

    def side(self, c, payload):
        if not c.known:
            return
        if not self.story.findings:
            if c.first_picture != self.next_picture:
                self.find("first_picture", c.at)
            if c.time != self.h.first_tick + self.sums["ticks"]:
                self.find("time", c.at)
        again = c.kind in self.places
        if c.kind in (POSTER, TABLES, NOTE):
            if SLICE in self.places or self.last_side >= c.kind and (c.kind, self.last_side) != (NOTE, TABLES):
                self.find("kind out of order", c.at)
            self.last_side = c.kind
        self.places.setdefault(c.kind, (c.at, c.length))
        if c.kind == TABLES and not again:
            self.story.tables = payload
        elif c.kind == NOTE:
            try:
                payload.decode()
            except UnicodeDecodeError:
                self.find("note", c.at)
        elif c.kind == INDEX:
            self.index = (c, payload)
        elif c.kind == END:
            self.end_chunk(c, payload)

    def end_chunk(self, c, payload):
        need(len(payload) == 552 and not any(payload[36:40]), "end")
        self.story.ended = True
        values = struct.unpack_from("<QQQIII", payload)
        if values[1] != c.at:
            self.find("offset", c.at)
        if not self.story.findings:
            names = ["ticks", "offset", "sound_bytes", "pictures", "slices", "gaps"]
            for name, value in zip(names, values):
                if name != "offset" and value != self.sums[name]:
                    self.find(name, c.at)
        if payload[40:] != self.data[:SECTOR]:
            self.find("copy of the header", c.at)
        if len(self.data) > c.at + c.length:
            self.find("bytes behind the end", c.at + c.length)

    def slice(self, c, data):
        self.time = c.end
        first = SLICE not in self.places
        self.places.setdefault(SLICE, (c.at, c.length))
        if not self.story.findings:
            ahead = c.first_picture >= self.next_picture if c.flags & GAP else c.first_picture == self.next_picture
            if not ahead:
                self.find("first_picture", c.at)
            if first and not c.flags & (KEY | GAP):
                self.find("first slice", c.at)
        self.next_picture = c.first_picture + c.pictures
        self.count(c)
        if self.h.sound:
            try:
                block = check_part(data, CHUNK_HEADER, c.bytes)
            except Damaged as why:
                self.find(str(why), c.at)
                block = None
            self.story.events.append(("sound", c.time, c.ticks, block))
        try:
            entries = self.directory(c, data)
        except Damaged as why:
            self.find(str(why), c.at)
            self.waiting |= c.pictures > 0
            return
        at = CHUNK_HEADER + part_length(c.bytes) + part_length(ENTRY * c.pictures)
        for entry in entries:
            try:
                payload = check_part(data, at, entry.length)
            except Damaged as why:
                self.find(str(why), c.at)
                self.waiting = True
            else:
                self.waiting &= not entry.flags & KEY
                self.most["worst_bus_bytes"] = max(self.most["worst_bus_bytes"], entry.bus_bytes)
                self.most["worst_instructions"] = max(self.most["worst_instructions"], entry.cost)
                self.most["largest_picture"] = max(self.most["largest_picture"], entry.length)
                if not self.waiting:
                    self.story.events.append(("picture", c.time + entry.tick_offset, entry.flags, payload))
            at += part_length(entry.length)

    def directory(self, c, data):
        at = CHUNK_HEADER + part_length(c.bytes)
        raw = check_part(data, at, ENTRY * c.pictures)
        entries, earliest, used = [], 0, at - CHUNK_HEADER + part_length(len(raw))
        for i in range(c.pictures):
            e = Entry(raw[ENTRY * i :][:ENTRY], self.h.newer)
            need(earliest <= e.tick_offset < c.ticks, "tick_offset")
            need(e.length <= self.h.largest_picture and e.coding == self.h.coding, "length or coding")
            need(i > 0 or e.flags & KEY == c.flags & KEY, "key flag")
            earliest, used = e.tick_offset + 1, used + part_length(e.length)
            entries.append(e)
        need(used == c.used or (self.h.newer and used < c.used), "used")
        return entries

    def count(self, c):
        s, m = self.sums, self.most
        s["ticks"] = c.end - self.h.first_tick
        s["sound_bytes"] += c.bytes
        s["pictures"] += c.pictures
        s["slices"] += 1
        s["gaps"] += bool(c.flags & GAP)
        m["largest_chunk"] = max(m["largest_chunk"], c.length)
        m["most_pictures"] = max(m["most_pictures"], c.pictures)
        m["most_ticks"] = max(m["most_ticks"], c.ticks)
        m["largest_sound"] = max(m["largest_sound"], c.bytes)
        self.slices.append(c)

    def finish(self):
        """What can only be judged at the end, and only if nothing was damaged."""
        h = self.h
        if not h.live and not self.story.findings and len(self.data) != h.file_length:
            self.find("file_length", 0)
        if self.story.findings:
            return
        for kind, offset, length in [(POSTER, h.poster_offset, h.poster_length), (TABLES, h.tables_offset, h.tables_length), (INDEX, h.index_offset, h.index_length)]:
            if self.places.get(kind, (0, 0)) != (offset, length) and not (h.live and kind not in self.places):
                self.find(f"place of kind {kind}", 0)
        if SLICE in self.places and self.places[SLICE][0] != h.first_slice:
            self.find("first_slice", 0)
        if h.live:
            names = ["picture_count", "slice_count", "prebuffer", "mean_rate", "worst_rate", "worst_bus_bytes", "worst_instructions"]
            if any(getattr(h, name) for name in names):
                self.find("live counts", 0)
            return
        lengths = [c.length for c in self.slices]
        mean = -(-sum(lengths) * h.clock_rate // max(1, self.sums["ticks"]))
        worst = max((sum(d.length for d in self.slices if c.time <= d.time < c.time + h.clock_rate) for c in self.slices), default=0)
        stated = dict(self.most, duration=self.sums["ticks"], picture_count=self.sums["pictures"],
                      slice_count=self.sums["slices"], mean_rate=mean, worst_rate=worst)  # fmt: skip
        for name, value in stated.items():
            if getattr(h, name) != value:
                self.find(name, 0)
        if h.parts == 1 and h.reel_duration != h.duration:
            self.find("reel_duration", 0)
        self.check_index()

    def check_index(self):
        h = self.h
        if self.index is None:
            return
        c, payload = self.index
        if h.index_entries != -(-h.duration // h.index_step):
            self.find("index_entries", 0)
        if len(payload) != 512 * ((h.index_entries + 61) // 62):
            return self.find("index", c.at)
        for b in range(len(payload) // 512):
            block = payload[512 * b :][:512]
            first, id_low, step, crc = struct.unpack_from("<IIII", block, 496)
            if crc32(block[:508]) != crc or (first, id_low, step) != (62 * b, h.id_low, h.index_step):
                self.find("index block", c.at)
                continue
            for i in range(62):
                entry = struct.unpack_from("<II", block, 8 * i)
                if entry != self.entry(62 * b + i):
                    self.find("index entry", c.at)
                    break

    def entry(self, i):
        h = self.h
        if i >= h.index_entries:
            return (0, 0)
        tick, found = h.first_tick + i * h.index_step, self.slices[0]
        for c in self.slices:
            if c.time <= tick and c.flags & KEY:
                found = c
        return (found.at // 16, found.number)


def read(data):
    return Reader(data).run()
