// Reads a reel by the grammar alone and prints what it finds as JSON, in the
// shape of `inspect --json --chunks`.
// Usage: node grammar.js GRAMMAR REEL
const fs = require("fs");
const path = require("path");
const yaml = require("js-yaml");
const compiler = require("kaitai-struct-compiler");
const KaitaiStream = require("kaitai-struct/KaitaiStream");

const [grammar, reel] = process.argv.slice(2);

const number = (v) => (typeof v === "bigint" ? Number(v) : v);
const fields = (object) =>
  Object.fromEntries(
    Object.entries(object)
      .filter(([name, v]) => !name.startsWith("_") && typeof v === "number")
      .map(([name, v]) => [name.replace(/[A-Z]/g, (c) => "_" + c.toLowerCase()), number(v)]),
  );

const crcTable = Array.from({ length: 256 }, (_, n) => {
  for (let k = 0; k < 8; k++) n = n & 1 ? (n >>> 1) ^ 0xedb88320 : n >>> 1;
  return n >>> 0;
});
const crc32 = (bytes) => {
  let c = 0xffffffff;
  for (const b of bytes) c = (c >>> 8) ^ crcTable[(c ^ b) & 0xff];
  return (c ^ 0xffffffff) >>> 0;
};

function chunk(c, offset) {
  const h = c.header;
  const found = { ...fields(h), offset };
  delete found.crc;
  delete found.reserved_flags;
  found.flags = (h.key ? 1 : 0) | (h.gap ? 2 : 0) | (h.even ? 4 : 0) | (h.skippable ? 128 : 0);
  if (h.kind === 3) {
    found.picture_headers = c.parts.directory.map((entry, i) => ({
      ...fields(entry),
      tick_offset: h.even ? Math.floor((i * h.ticks) / h.pictures) : entry.tickOffset,
      payload_crc32: crc32(c.parts.pictures[i].payload),
    }));
  }
  return found;
}

// The checksums of the part with `n` bytes of payload at `offset`.
function partHolds(bytes, offset, n, { sums }) {
  const padded = Math.ceil(n / 4) * 4;
  return sums.every((sum, i) => {
    const from = offset + 8192 * i;
    return crc32(bytes.subarray(from, Math.min(from + 8192, offset + padded))) === sum;
  });
}

const partLength = (n) => Math.ceil(n / 4) * 4 + 4 * Math.ceil((Math.ceil(n / 4) * 4) / 8192);

// Whether every part of a chunk agrees with its checksums.
function partsHold(bytes, c, offset) {
  const at = offset + 48;
  const { bytes: n, kind } = c.header;
  if (kind !== 3) return partHolds(bytes, at, n, c.parts.end);
  const { sound, directory, directoryEnd, pictures } = c.parts;
  const entries = (c.header.even ? 3 : 6) * directory.length;
  let next = at + partLength(n);
  const checks = [partHolds(bytes, at, n, sound.end), partHolds(bytes, next, entries, directoryEnd)];
  next += partLength(entries);
  directory.forEach((entry, i) => {
    checks.push(partHolds(bytes, next, entry.length, pictures[i].end));
    next += partLength(entry.length);
  });
  return checks.every(Boolean);
}

compiler
  .compile("javascript", yaml.load(fs.readFileSync(grammar, "utf8")), null, false)
  .then((files) => {
    const code = path.join(path.dirname(reel), "Thumbreel.js");
    fs.writeFileSync(code, files["Thumbreel.js"]);
    const module = require(code);
    const Thumbreel = module.Thumbreel || module;
    const bytes = fs.readFileSync(reel);
    const parsed = new Thumbreel(new KaitaiStream(bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.length)));
    const header = fields(parsed.header);
    header.title = parsed.header.title;
    header.rate = fields(parsed.header.rate);
    const headerCrc = header.crc;
    delete header.crc;
    let offset = 1024;
    const chunks = [];
    const sums = [crc32(bytes.subarray(0, 508)) === headerCrc];
    sums.push(bytes.subarray(0, 512).equals(bytes.subarray(512, 1024)));
    for (const c of parsed.chunks) {
      const length = c.header.length;
      sums.push(crc32(bytes.subarray(offset, offset + 44)) === c.header.crc);
      sums.push(partsHold(bytes, c, offset));
      chunks.push(chunk(c, offset));
      offset += length;
    }
    const last = parsed.chunks[parsed.chunks.length - 1];
    const end = last.header.kind === 5 ? fields(last.parts.payload) : null;
    const notes = parsed.chunks.filter((c) => c.header.kind === 6).map((c) => c.parts.payload.text);
    const index = parsed.chunks.find((c) => c.header.kind === 4);
    const entries = index.parts.payload.blocks.flatMap((s) => s.entries.map((e) => [e.place * 16, e.number]));
    console.log(JSON.stringify({ header, chunks, end, notes, entries, checksums: sums.every(Boolean) }));
  })
  .catch((error) => {
    console.error(error);
    process.exit(1);
  });
