"""What a player presents of each reel named: the CRC-32 of its samples (16 bits,
little-endian), the number of pictures shown and the CRC-32 of the panel after
each (RGB565, little-endian, rows from the top), and the verdict. One line a reel.

A second reader beside the program's own, written from spec/*.md. Pictures of
jpeg go through Pillow; decoders of that may differ, so their panels do not count.
"""

import io
import struct
import sys
from zlib import crc32

import container
import patch
import sound


class Raw:
    def __init__(self, header):
        self.h, self.panel = header, [0] * (header.width * header.height)

    def decode(self, data):
        h = self.h
        if len(data) < 4 or data[2:4] != b"\0\0":
            raise patch.Broken("raw")
        at, found = 4, []
        for _ in range(struct.unpack_from("<H", data)[0]):
            if at + 8 > len(data):
                raise patch.Broken("rectangle")
            x, y, w, rows = struct.unpack_from("<4H", data, at)
            pixels = data[at + 8 :][: 2 * w * rows]
            end = at + 8 + 2 * w * rows
            at = container.align(end, 4)
            inside = w and rows and x + w <= h.width and y + rows <= h.height
            if not inside or at > len(data) or any(data[end:at]):
                raise patch.Broken("rectangle")
            found.append((x, y, w, rows, pixels))
        if at != len(data):
            raise patch.Broken("length")
        for x, y, w, rows, pixels in found:
            order = ">" if h.pixel_format == 0 else "<"
            values = struct.unpack(f"{order}{w * rows}H", pixels)
            for row in range(rows):
                start = (y + row) * h.width + x
                self.panel[start : start + w] = values[row * w : row * w + w]


class Jpeg:
    def __init__(self, header, tables):
        self.h, self.tables, self.panel = header, tables, [0] * (header.width * header.height)

    def decode(self, data):
        from PIL import Image

        try:
            whole = data[:2] + self.tables[2:-2] + data[2:]
            image = Image.open(io.BytesIO(whole)).convert("RGB")
            if image.size != (self.h.width, self.h.height):
                raise patch.Broken("size")
            flat = image.tobytes()
            pixels = zip(flat[::3], flat[1::3], flat[2::3])
        except OSError as why:
            raise patch.Broken(str(why)) from None
        self.panel = [(r * 249 + 1014 >> 11) << 11 | (g * 253 + 505 >> 10) << 5 | (b * 249 + 1014 >> 11) for r, g, b in pixels]


def present(data):
    story = container.read(data)
    if story.refused:
        return "refused"
    h = story.header
    try:
        decoder = {0: lambda: Raw(h), 1: lambda: Jpeg(h, story.tables), 2: lambda: patch.Decoder(h.width, h.height, h.level)}[h.coding]()
    except KeyError:
        return "refused"
    samples, panels, shown, broken, waiting = 0, 0, 0, False, True
    for kind, *rest in story.events:
        if kind == "sound":
            _, ticks, block = rest
            while ticks > 1 << 20 and block is None:  # a long silence, piece by piece
                samples = crc32(bytes(2 << 20), samples)
                ticks -= 1 << 20
            values, bad = sound.decode(h.sound, block, ticks)
            broken |= bad
            samples = crc32(struct.pack(f"<{ticks}h", *values), samples)
            continue
        _, flags, payload = rest
        waiting &= not flags & container.KEY
        if waiting:
            continue
        if not flags & container.UNCHANGED:
            try:
                if h.coding == 2 and bool(payload[0] & 4) != bool(flags & 1):
                    raise patch.Broken("key bit")
                decoder.decode(payload)
            except patch.Broken:
                broken = waiting = True
                continue
        shown += 1
        if h.coding != 1:
            panels = crc32(struct.pack(f"<{len(decoder.panel)}H", *decoder.panel), panels)
    verdict = "damaged" if story.findings else "broken" if broken else "whole"
    return f"samples {samples:08x} pictures {shown} panels {panels:08x} {verdict}"


if __name__ == "__main__":
    for name in sys.argv[1:]:
        with open(name, "rb") as file:
            print(name.rsplit("/", 1)[-1], present(file.read()))
