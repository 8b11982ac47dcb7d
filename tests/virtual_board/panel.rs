//! The virtual panel itself, by examples worked by hand from its documents.

use crate::build::{Build, program, run};

#[test]
fn the_panel_does_what_its_commands_say() {
    let said = run(&program("panel_check", Build::Sanitized), &[]);
    assert_eq!(said, "all as worked out\n");
}
