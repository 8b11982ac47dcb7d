//! Boards, budget and rehearsal for a page in the browser: the crate's own.
//!
//! The page asks `input` for room, writes a request as JSON there, calls `answer`
//! and reads as many bytes at `output`. Exported names must not be mangled, which is
//! the only thing here that the compiler calls unsafe.

use std::cell::RefCell;

use serde_json::json;
use thumbreel::answer::answer_json;
use thumbreel::board::Board;

thread_local! {
    static INPUT: RefCell<Vec<u8>> = const { RefCell::new(Vec::new()) };
    static OUTPUT: RefCell<Vec<u8>> = const { RefCell::new(Vec::new()) };
}

fn put(bytes: Vec<u8>) -> usize {
    OUTPUT.with_borrow_mut(|output| {
        *output = bytes;
        output.len()
    })
}

/// Where the page writes a request of `length` bytes.
#[unsafe(no_mangle)]
pub extern "C" fn input(length: usize) -> usize {
    INPUT.with_borrow_mut(|input| {
        input.resize(length, 0);
        input.as_ptr() as usize
    })
}

/// Answers the request in the input: `{"answer": ...}` or `{"error": "..."}`; how many
/// bytes the output has.
#[unsafe(no_mangle)]
pub extern "C" fn answer() -> usize {
    put(INPUT.with_borrow(|input| answer_json(input)))
}

/// Every built-in board with its name and its figures in a line.
#[unsafe(no_mangle)]
pub extern "C" fn boards() -> usize {
    let named = |b: &Board| json!({ "name": b.name, "summary": b.summary() });
    let all: serde_json::Value = Board::built_in().iter().map(named).collect();
    put(all.to_string().into_bytes())
}

/// Where the output begins.
#[unsafe(no_mangle)]
pub extern "C" fn output() -> usize {
    OUTPUT.with_borrow(|output| output.as_ptr() as usize)
}
