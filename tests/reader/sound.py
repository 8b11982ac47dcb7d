"""Decodes sound blocks, from spec/coding.md alone."""

import re
import struct
from pathlib import Path

TEXT = (Path(__file__).resolve().parents[2] / "spec/coding.md").read_text()
STEPS = [int(n) for n in re.findall(r"\d+", TEXT[TEXT.index("`STEPS`, 89 numbers:") + 20 :])][:89]
CHANGE = [-1, -1, -1, -1, 2, 4, 6, 8]


def decode(coding, block, ticks):
    """`ticks` samples. A block that is lost (None), empty or broken is silence;
    the second value says whether it broke its coding."""
    if not block:
        return [0] * ticks, False
    if coding == 1:
        return list(struct.unpack(f"<{ticks}h", block)), False
    if coding == 2:
        return [(byte - 128) * 256 for byte in block], False
    sample, index, zero = struct.unpack_from("<hBB", block)
    if index > 88 or zero:
        return [0] * ticks, True
    samples = [sample]
    nibbles = [n for byte in block[4:] for n in (byte & 15, byte >> 4)]
    for c in nibbles[: ticks - 1]:
        step = STEPS[index]
        d = step >> 3
        d += step if c & 4 else 0
        d += step >> 1 if c & 2 else 0
        d += step >> 2 if c & 1 else 0
        sample = max(-32768, min(32767, sample - d if c & 8 else sample + d))
        index = max(0, min(88, index + CHANGE[c & 7]))
        samples.append(sample)
    return samples, False
