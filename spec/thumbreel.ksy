# The container of container.md, version 1.0, as a Kaitai grammar: an
# independent reading of the format. Checksums are read but cannot be checked
# here.
meta:
  id: thumbreel
  title: Reel for tiny panels
  file-extension: tbr
  license: MIT
  endian: le
  bit-endian: le
seq:
  - id: header
    type: header
    size: 512
  - id: header_again
    type: header
    size: 512
  - id: chunks
    type: chunk
    repeat: eos
types:
  header:
    seq:
      - id: magic
        contents: [0xE7, 0x54, 0x42, 0x52, 0x0A, 0x0D, 0x0A, 0x1A]
      - id: version_major
        type: u2
        valid: 1
      - id: version_minor
        type: u2
      - id: must_know
        type: u4
        valid: 0
      - id: may_ignore
        type: u4
      - id: part
        type: u2
        valid:
          min: 1
      - id: parts
        type: u2
      - id: reel_id
        type: u8
      - id: first_tick
        type: u8
      - id: duration
        type: u8
      - id: reel_duration
        type: u8
      - id: file_length
        type: u8
      - id: first_picture
        type: u4
      - id: picture_count
        type: u4
      - id: slice_count
        type: u4
      - id: width
        type: u2
        valid:
          min: 1
          max: 1024
      - id: height
        type: u2
        valid:
          min: 1
          max: 1024
      - id: shape
        type: u1
        enum: shape
      - id: pixel_format
        type: u1
        enum: pixel_format
      - id: wire
        type: u1
        valid:
          max: 3
      - id: coding
        type: u1
        enum: picture_coding
      - id: level
        type: u1
        valid:
          max: 2
      - id: sound
        type: u1
        enum: sound_coding
      - id: channels
        type: u1
        valid:
          max: 1
      - id: mounting
        type: u1
        valid:
          max: 7
      - id: clock_rate
        type: u4
        valid:
          min: 4000
          max: 96000
      - id: rate
        type: ratio
      - id: largest_chunk
        type: u4
        valid:
          min: 48
          max: 4194304
      - id: most_pictures
        type: u2
        valid:
          max: 512
      - id: reserved_106
        contents: [0, 0]
      - id: most_ticks
        type: u4
      - id: largest_sound
        type: u4
      - id: largest_picture
        type: u4
      - id: working_memory
        type: u4
        valid:
          max: 16777216
      - id: prebuffer
        type: u4
      - id: mean_rate
        type: u4
      - id: worst_rate
        type: u4
      - id: worst_bus_bytes
        type: u4
      - id: worst_instructions
        type: u4
      - id: first_slice
        type: u8
      - id: index_offset
        type: u8
      - id: index_length
        type: u4
      - id: index_step
        type: u4
      - id: index_entries
        type: u4
      - id: poster_offset
        type: u4
      - id: poster_length
        type: u4
      - id: reserved_180
        contents: [0, 0, 0, 0]
      - id: tables_offset
        type: u4
      - id: tables_length
        type: u4
      - id: x_offset
        type: u2
        valid:
          max: 1023
      - id: y_offset
        type: u2
        valid:
          max: 1023
      - id: reserved_196
        type: zero
        repeat: expr
        repeat-expr: 188
      - id: title
        type: strz
        size: 96
        encoding: UTF-8
      - id: reserved_480
        type: zero
        repeat: expr
        repeat-expr: 28
      - id: crc
        type: u4
  zero:
    seq:
      - id: byte
        contents: [0]
  ratio:
    seq:
      - id: num
        type: u4
      - id: den
        type: u4
  part:
    params:
      - id: bytes
        type: u4
    seq:
      - id: payload
        size: bytes
      - id: end
        type: part_end(bytes)
  part_end:
    params:
      - id: bytes
        type: u4
    seq:
      - id: padding
        type: zero
        repeat: expr
        repeat-expr: (4 - bytes % 4) % 4
      - id: sums
        type: u4
        repeat: expr
        repeat-expr: (bytes + 3) / 4 * 4 / 8192 + ((bytes + 3) / 4 * 4 % 8192 + 8191) / 8192
  chunk:
    seq:
      - id: header
        type: chunk_header
        size: 48
      - id: parts
        size: header.used
        type:
          switch-on: header.kind
          cases:
            'chunk_kind::slice': slice(header.pictures, header.bytes, header.even)
            _: side(header.kind, header.bytes)
      - id: padding
        type: zero
        repeat: expr
        repeat-expr: header.length - 48 - header.used
  chunk_header:
    seq:
      - id: sync
        contents: [0xE7, 0x63, 0x74, 0x3E]
      - id: kind
        type: u1
        enum: chunk_kind
      - id: key
        type: b1
      - id: gap
        type: b1
      - id: even
        type: b1
      - id: reserved_flags
        type: b4
        valid: 0
      - id: skippable
        type: b1
      - id: pictures
        type: u2
        valid:
          max: 512
      - id: number
        type: u4
      - id: length
        type: u4
        valid:
          expr: _ % 16 == 0 and _ <= 4194304
      - id: used
        type: u4
        valid:
          expr: _ + 48 <= length and _ + 48 > length - 16
      - id: ticks
        type: u4
      - id: time
        type: u8
      - id: bytes
        type: u4
        valid:
          max: used
      - id: first_picture
        type: u4
      - id: id_low
        type: u4
      - id: crc
        type: u4
  slice:
    params:
      - id: picture_count
        type: u2
      - id: sound_bytes
        type: u4
      - id: even
        type: b1
    seq:
      - id: sound
        type: part(sound_bytes)
      - id: directory
        type: entry(even)
        repeat: expr
        repeat-expr: picture_count
      - id: directory_end
        type: 'part_end(picture_count * (even ? 3 : 6))'
      - id: pictures
        type: part(directory[_index].length)
        repeat: expr
        repeat-expr: picture_count
  entry:
    params:
      - id: even
        type: b1
    seq:
      - id: length
        type: b22
      - id: flags
        type: b2
        valid:
          max: 2
      - id: tick_offset
        type: b24
        if: not even
    instances:
      is_key:
        value: (flags & 1) != 0
      is_unchanged:
        value: (flags & 2) != 0
  side:
    params:
      - id: kind
        type: u1
        enum: chunk_kind
      - id: bytes
        type: u4
    seq:
      - id: payload
        size: bytes
        type:
          switch-on: kind
          cases:
            'chunk_kind::index': index
            'chunk_kind::end': end
            'chunk_kind::note': note
      - id: end
        type: part_end(bytes)
  index:
    seq:
      - id: blocks
        type: index_block
        size: 128
        repeat: eos
  index_block:
    seq:
      - id: entries
        type: index_entry
        repeat: expr
        repeat-expr: 14
      - id: first_entry
        type: u4
      - id: id_low
        type: u4
      - id: step
        type: u4
      - id: crc
        type: u4
  index_entry:
    seq:
      - id: place
        type: u4
        doc: offset in units of 16 bytes
      - id: number
        type: u4
  end:
    seq:
      - id: ticks
        type: u8
      - id: offset
        type: u8
      - id: sound_bytes
        type: u8
      - id: pictures
        type: u4
      - id: slices
        type: u4
      - id: gaps
        type: u4
      - id: reserved_36
        contents: [0, 0, 0, 0]
      - id: header
        type: header
        size: 512
  note:
    seq:
      - id: text
        type: str
        size-eos: true
        encoding: UTF-8
enums:
  shape:
    0: rectangle
    1: ellipse
  pixel_format:
    0: high_first
    1: low_first
  picture_coding:
    0: raw
    1: jpeg
    2: patch
  sound_coding:
    0: none
    1: pcm_s16
    2: pcm_u8
    3: ima_adpcm
  chunk_kind:
    1: poster
    2: tables
    3: slice
    4: index
    5: end
    6: note
