//! The two texts that are written for one board: config.h and README.txt.

use std::fmt::Write;

use crate::budget::Place;

use super::config::{Configuration, Program, Sized};

/// Text inside a comment of C: nothing in it ends the comment, or its line.
fn inside(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|c| {
            if c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}') {
                '?'
            } else {
                c
            }
        })
        .collect();
    plain
        .replace("*/", "* /")
        .replace("/*", "/ *")
        .replace("??", "? ?")
}

/// A comment of C in lines of at most 88 columns.
fn comment(text: &str) -> String {
    let mut out = String::from("/*");
    let mut column = out.len();
    for word in text.split_whitespace() {
        if column + 1 + word.chars().count() > 88 {
            out.push_str("\n  ");
            column = 2;
        }
        out.push(' ');
        out.push_str(word);
        column += 1 + word.chars().count();
    }
    out + " */"
}

impl Configuration {
    /// A key of the profile and where its value comes from.
    fn key(&self, key: &str) -> String {
        format!("{key} ({})", self.profile.provenance_of(key))
    }

    fn for_what(&self) -> String {
        match self.assumed {
            true => format!(
                "no reel was named, so they are for the largest typical reels (assumed) that play on this board: {}",
                self.names.join("; ")
            ),
            false => format!("they are for {}", inside(&self.names.join(", "))),
        }
    }

    /// config.h.
    #[must_use]
    pub fn header(&self) -> String {
        let name = inside(&self.profile.name);
        let mut out = comment(&format!(
            "config.h - sizes and clocks for the board {name}: {}.",
            inside(&self.profile.summary())
        ));
        out.push('\n');
        out += &comment(&format!(
            "Written by thumbreel {}; {}. Write it anew when the board or its largest reel changes: `thumbreel firmware`. The memory plan of `thumbreel budget` and rehearsals give the sizes. Each line says what its figure comes from: measured, computed or assumed.",
            env!("CARGO_PKG_VERSION"),
            self.for_what()
        ));
        out += "\n#ifndef BOARD_CONFIG_H\n#define BOARD_CONFIG_H\n\n";
        let tasks = u8::from(self.program() == Program::TwoTasks);
        define(
            &mut out,
            "The main program. 0, main.c: one loop on one core, without an operating system. 1, main_tasks.c: two tasks of an RTOS, on one core or two; fill in tasks.c too. What rehearsals say of each is below.",
            &[
                "#ifndef BOARD_TASKS",
                &format!("#define BOARD_TASKS {tasks}"),
                "#endif",
            ],
        );
        self.card(&mut out);
        self.panel(&mut out);
        self.port(&mut out);
        let [one_loop, two_tasks] = &self.programs;
        heading(&mut out, "memory and sound queue");
        if self.wants_external() {
            define(
                &mut out,
                "FILL IN: what puts an array into external memory, for example __attribute__((section(\".external\"))) and that section in the linker's script. Empty, it goes into internal memory, and the linker says that there is too little.",
                &[
                    "#ifndef BOARD_EXTERNAL_MEMORY",
                    "#define BOARD_EXTERNAL_MEMORY",
                    "#endif",
                ],
            );
        }
        out += "#if BOARD_TASKS\n\n";
        self.memory(&mut out, two_tasks);
        define(
            &mut out,
            &format!(
                "Stack of each task, bytes: a quarter of {}; the other half is for the player's own state. A stack takes 1 KB and what the functions of pins.c need.",
                self.key("player.stack_bytes")
            ),
            &[&format!(
                "#define BOARD_TASK_STACK_BYTES {}u",
                self.profile.player.stack_bytes / 4
            )],
        );
        out += "\n#else\n\n";
        self.memory(&mut out, one_loop);
        out += "\n#endif\n\n#endif /* BOARD_CONFIG_H */\n";
        out
    }

    fn wants_external(&self) -> bool {
        let places = |sized: &Sized| [sized.plan.ring_place, sized.plan.picture_place];
        let mut places = self.programs.iter().flat_map(places);
        places.any(|place| place == Place::External)
    }

    /// What differs between the two programs.
    fn memory(&self, out: &mut String, sized: &Sized) {
        let (plan, board) = (&sized.plan, &sized.board);
        let place = |place| match place {
            Place::Internal => ("internal", "/* internal */"),
            Place::External => ("external", "BOARD_EXTERNAL_MEMORY"),
        };
        for (reel, judged) in &sized.verdicts {
            *out += &comment(&format!(
                "{}, {}: {}.",
                sized.program.words(),
                inside(reel),
                inside(&judged.line())
            ));
            out.push('\n');
        }
        let (words, memory) = place(plan.ring_place);
        define(
            out,
            &format!(
                "Ring buffer, bytes: what {words} memory leaves, at most a whole reel (computed from {}). The largest slice, {} bytes, and a read need {} of it.",
                self.key(&format!("memory.{words}_bytes")),
                self.largest.largest_chunk,
                plan.least_ring,
            ),
            &[
                &format!(
                    "#define BOARD_RING_BYTES {}u",
                    board.player.ring_buffer_bytes
                ),
                &format!("#define BOARD_RING_MEMORY {memory}"),
            ],
        );
        let (words, memory) = place(plan.picture_place);
        let work = self.largest.working_bytes;
        define(
            out,
            &match work {
                0 => "Working memory of the picture decoder, bytes: raw pictures need none, and an array has at least one word.".to_owned(),
                _ => format!("Working memory of the picture decoder, bytes, in {words} memory: what the largest picture needs (computed). Every pixel passes through it."),
            },
            &[
                &format!("#define BOARD_WORK_BYTES {}u", work.max(4)),
                &format!("#define BOARD_WORK_MEMORY {memory}"),
            ],
        );
        let copies = u8::from(sized.copies);
        define(
            out,
            "1: pixels are copied through the send buffer, since those of these reels lie in external memory that the panel's DMA does not reach (computed).",
            &[&format!("#define BOARD_COPIES {copies}")],
        );
        let queue = board.sound.queue_samples;
        define(
            out,
            &format!(
                "Sound queue, samples, a power of two: {:.0} ms. The shortest, from {} on, that is never empty in rehearsals with a stall of {:.0} ms, {}, at every place; if none is, the best (computed).",
                self.ms(queue),
                self.key("sound.queue_samples"),
                board.card.as_ref().map_or(0.0, |card| card.stalls.worst_ms),
                self.key("card.stalls.worst_ms"),
            ),
            &[&format!("#define BOARD_QUEUE_SAMPLES {queue}u")],
        );
    }

    fn ms(&self, samples: u32) -> f64 {
        f64::from(samples) * 1e3 / f64::from(self.sound_rate().max(1))
    }

    fn card(&self, out: &mut String) {
        let board = &self.programs[0].board;
        let card = board.card.as_ref();
        heading(out, "card");
        let limit = match card == self.profile.card.as_ref() {
            true => "",
            false => {
                " card.c reads the card in SPI mode, at 25 MHz or less, whatever else the profile says; the figures here are for that."
            }
        };
        define(
            out,
            &format!(
                "The card's clock after its start, Hz: {}.{limit}",
                self.key("card.clock_hz")
            ),
            &[&format!(
                "#define BOARD_CARD_HZ {}u",
                card.map_or(0, |c| c.clock_hz)
            )],
        );
        define(
            out,
            &format!("Most bytes of one read: {}.", self.key("player.read_bytes")),
            &[&format!(
                "#define BOARD_READ_BYTES {}u",
                board.player.read_bytes
            )],
        );
        let shared = card.is_some_and(|c| c.shares_panel_bus);
        define(
            out,
            &format!(
                "1: card and panel are on one port, and a transfer is over before the card is read: {}.",
                self.key("card.shares_panel_bus")
            ),
            &[&format!("#define BOARD_SHARED_PORT {}", u8::from(shared))],
        );
        define(
            out,
            "1: begin again after the last reel, unless a PLAYLIST.TXT says otherwise. A choice, no figure.",
            &["#ifndef BOARD_LOOP", "#define BOARD_LOOP 1", "#endif"],
        );
        define(
            out,
            "Where play is, is kept every so many seconds, to go on there after power-off, if pins_position_save and _load in pins.c are filled in; 0: never. A choice, no figure.",
            &[
                "#ifndef BOARD_SAVE_SECONDS",
                "#define BOARD_SAVE_SECONDS 60",
                "#endif",
            ],
        );
    }

    fn panel(&self, out: &mut String) {
        let panel = &self.profile.panel;
        heading(out, "panel");
        define(
            out,
            &format!(
                "The panel's clock, Hz, and its data lines: {}, {}.",
                self.key("panel.clock_hz"),
                self.key("panel.lines")
            ),
            &[
                &format!("#define BOARD_PANEL_HZ {}u", panel.clock_hz),
                &format!("#define BOARD_PANEL_LINES {}", panel.lines),
            ],
        );
        define(
            out,
            "Where the glass ends in panel memory: first visible column and row, and the size. It is cleared up to there, and a reel that goes past it is passed over. Rotation, mirror, order of colours and inversion are in the pixels.",
            &[
                &format!(
                    "#define BOARD_COLUMNS ({}u + {}u)",
                    panel.x_offset, panel.width
                ),
                &format!(
                    "#define BOARD_ROWS ({}u + {}u)",
                    panel.y_offset, panel.height
                ),
            ],
        );
        define(
            out,
            &format!(
                "Both bytes of a black pixel: FFh where {} is true.",
                self.key("panel.inverted")
            ),
            &[&format!(
                "#define BOARD_BLACK {}",
                if panel.inverted { "0xFF" } else { "0x00" }
            )],
        );
        define(
            out,
            &format!(
                "Send buffer, bytes, where one is used: {}.",
                self.key("player.send_bytes")
            ),
            &[&format!(
                "#define BOARD_SEND_BYTES {}u",
                self.profile.player.send_bytes
            )],
        );
    }

    fn port(&self, out: &mut String) {
        let sound = &self.profile.sound;
        heading(out, "sound port");
        let from = match self.assumed {
            true => self.key("sound.sample_rate"),
            false => "the reel's own".to_owned(),
        };
        define(
            out,
            &format!(
                "Samples per second that the port starts at: {from}. A reel of another rate sets it anew."
            ),
            &[&format!("#define BOARD_SOUND_RATE {}u", self.sound_rate())],
        );
        define(
            out,
            &format!(
                "Samples in one DMA block of the port, {:.1} ms, and bits of one slot: {}, {}.",
                self.ms(sound.block_samples),
                self.key("sound.block_samples"),
                self.key("sound.slot_bits")
            ),
            &[
                &format!("#define BOARD_BLOCK_SAMPLES {}u", sound.block_samples),
                &format!("#define BOARD_SLOT_BITS {}", sound.slot_bits),
            ],
        );
    }

    /// README.txt: what to do next.
    #[must_use]
    pub fn readme(&self) -> String {
        let external = if self.wants_external() {
            ", in config.h"
        } else {
            ""
        };
        let program = match self.program() {
            Program::OneLoop => "main.c, one loop without an operating system",
            Program::TwoTasks => "main_tasks.c, two tasks of an RTOS",
        };
        format!(
            "\
Firmware for the board {name}: {program} (BOARD_TASKS in config.h)

1. Wire it, power off. By name: card select, clock, data in, data out (10 to 50 kohm
   to 3.3 V on data out); panel select, clock, data, data/command, reset, backlight;
   I2S bit clock, word clock, data to the amplifier, and its enable line (held off by a
   resistor at reset). Both speaker wires go to the amplifier only: neither is ground.
2. Fill in what is marked FILL IN in pins.c{external} and, for two tasks, in tasks.c.
   All else is complete.
3. Build, with your chip's core for cortex-m4, and add its start-up code and script:
     arm-none-eabi-gcc -mcpu=cortex-m4 -mthumb -O2 -Wall -Wextra -Werror -c *.c
   All compiles as it stands, so an error is of what was filled in.
4. Flash the program with your chip's own tool.
5. Format a card with FAT32, copy reels (.tbr) into its root folder, put it in.
   PLAYLIST.TXT there, if you like: the order, marks and repeats; see playlist.h.
6. Start quietly, speaker away from the ear: black panel, first picture, backlight,
   sound. If not: play_card_fault() and play_card_skipped() say why, and \"Symptom, cause, cure\" in README.md.
7. Measure card, bus and core with probe.c, and `thumbreel boards measure` its log.
A lithium cell wants a protection circuit and 4.2 V at most; hot parts want room.
",
            name = inside(&self.profile.name),
        )
    }
}

fn heading(out: &mut String, of: &str) {
    let _ = writeln!(out, "\n/* --- {of} {} */", "-".repeat(68 - of.len()));
}

fn define(out: &mut String, why: &str, lines: &[&str]) {
    out.push_str(&comment(why));
    out.push('\n');
    for line in lines {
        out.push_str(line);
        out.push('\n');
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_ends_a_comment_early() {
        assert_eq!(
            inside("a*/b/*c\n\u{2028}"),
            "a* /b/ *c??".replace("??", "? ?")
        );
        let text = comment(&"word ".repeat(60));
        assert!(
            text.lines().all(|line| line.chars().count() <= 92),
            "{text}"
        );
        assert_eq!(text.matches("*/").count(), 1);
    }
}
