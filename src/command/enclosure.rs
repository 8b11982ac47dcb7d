//! `thumbreel enclosure`: the speaker in its box.

use std::path::PathBuf;
use std::process::ExitCode;

use serde_json::{Value, json};

use super::out::{chart_to, say};
use super::{Usage, values};
use crate::board::Board;
use crate::budget::power::{HEAT_AND_SOUND, speaker_caution, weakest_supply};
use crate::chart::{Plot, alone};
use crate::convert::{AUDIBLE, speaker};
use crate::sound::chart::enclosure_plots;
use crate::sound::enclosure::{Enclosure, Mounting};
use crate::sound::gain::{Supply, weekly_hours};

/// Compute the board's speaker in a closed box.
///
/// Prints resonance and Q in the box, response, excursion, the highest clean
/// level, the volume for a flat response, and a suitable high-pass and high shelf.
#[derive(clap::Args)]
pub struct Args {
    /// Built-in board, or a profile's path (see: thumbreel boards)
    #[arg(short, long, value_name = "BOARD")]
    board: String,
    /// Air volume of the box, millilitres [default: the profile's box, else free air]
    #[arg(long, value_name = "ML", value_parser = values::within(0.1, 1e7, "millilitres"), allow_negative_numbers = true)]
    millilitres: Option<f64>,
    /// Listening distance, metres
    #[arg(long, value_name = "M", value_parser = values::within(0.01, 100.0, "metres"), allow_negative_numbers = true, default_value_t = 0.5)]
    distance: f64,
    /// Write the curves to this file (SVG)
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Replace a file that exists
    #[arg(long)]
    overwrite: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// An unknown board, figures that no speaker has, or a file that cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let board = Board::find(&args.board).map_err(|e| Usage(e.to_string()))?;
    let reads = [&PathBuf::from(&args.board)];
    let chart_to = chart_to(args.svg.as_ref(), args.overwrite, args.json, reads)?;
    let litres = args.millilitres.map(|ml| ml / 1000.0);
    let mounted = speaker::enclosure(&board, litres).map_err(|e| Usage(e.to_string()))?;
    let high_pass = mounted.high_pass(board.sound.speaker.rated_w);
    if let Some(to) = chart_to {
        let plots = enclosure_plots(&mounted, high_pass, args.distance);
        to.write(alone(&plots).as_bytes())?;
    }
    if args.json {
        super::out::json(&as_json(&board, &mounted, args.distance).to_string());
    } else {
        print(&board, &mounted, args.distance);
    }
    Ok(ExitCode::SUCCESS)
}

/// The board's speaker as it is mounted, for the report: the curves and what
/// they show in words.
pub(super) fn drawn(board: &Board) -> anyhow::Result<([Plot; 2], String)> {
    const METRES: f64 = 0.5;
    let mounted = speaker::enclosure(board, None)?;
    let high_pass = mounted.high_pass(board.sound.speaker.rated_w);
    let chart = enclosure_plots(&mounted, high_pass, METRES);
    let mut words = format!(
        "The speaker, computed at {METRES} m: {}; the suggested high-pass is {:.0} Hz, order {}, Q {:.2}.",
        match mounted.mounting {
            Mounting::Closed(litres) => format!(
                "in a closed box of {:.0} ml it resonates at {:.0} Hz with a Q of {:.2} and is 3 dB down at {:.0} Hz",
                litres * 1000.0,
                mounted.resonance_hz,
                mounted.q,
                mounted.cutoff_hz()
            ),
            Mounting::FreeAir => format!(
                "in free air it is 3 dB down at {:.0} Hz; a box is worth more than any filter",
                mounted.cutoff_hz()
            ),
        },
        high_pass.hz,
        high_pass.order,
        high_pass.q,
    );
    if !mounted.driver.guessed.is_empty() {
        words += &format!(
            " Guessed from its size: {}.",
            mounted.driver.guessed.join(", ")
        );
    }
    Ok((chart, words))
}

/// Frequencies of the printed table, Hz.
const ROWS: [f64; 10] = [
    100.0, 150.0, 200.0, 300.0, 400.0, 600.0, 800.0, 1200.0, 2400.0, 4800.0,
];

fn print(board: &Board, mounted: &Enclosure, metres: f64) {
    let driver = &mounted.driver;
    say!(
        "{}: driver fs {:.0} Hz, Qts {:.2}, Vas {:.0} ml, Sd {:.1} cm2, Xmax {:.2} mm, {:.1} dB at 1 W and 1 m",
        board.name,
        driver.resonance_hz,
        driver.q_total,
        driver.vas_litres * 1000.0,
        driver.cone_cm2,
        driver.excursion_mm,
        driver.sensitivity_db,
    );
    if !driver.guessed.is_empty() {
        say!(
            "guessed from the size, so read all below as a guess: {}",
            driver.guessed.join(", ")
        );
    }
    match mounted.mounting {
        Mounting::Closed(litres) => say!(
            "in {:.0} ml: fc {:.0} Hz, Qtc {:.2}, peak {:.1} dB, -3 dB at {:.0} Hz (computed, closed-box formulas)",
            litres * 1000.0,
            mounted.resonance_hz,
            mounted.q,
            mounted.response_peak_db(),
            mounted.cutoff_hz()
        ),
        Mounting::FreeAir => say!(
            "in free air: the back of the cone cancels its front; -3 dB at {:.0} Hz (computed). A box is worth more than any filter.",
            mounted.cutoff_hz()
        ),
    }
    print_flat(mounted);
    say!("");
    say!(
        "    Hz   response  excursion at {} W   loudest at {metres} m",
        driver.rated_w
    );
    for hz in ROWS {
        say!(
            "{hz:6.0} {:7.1} dB {:13.2} mm {:12.1} dB SPL",
            mounted.response_db(hz),
            mounted.excursion_mm(hz, driver.rated_w),
            mounted.loudest_db(hz, metres),
        );
    }
    let (supply, clean_w) = clean_power(board);
    say!(
        "on its weakest supply ({} {:.1} V) the amplifier gives {clean_w:.2} W before it clips (computed); the speaker \
         is rated {} W{}",
        supply.name,
        supply.volts,
        driver.rated_w,
        if clean_w > driver.rated_w {
            ", to which `convert` for this board keeps the mean"
        } else {
            ""
        }
    );
    print_advice(board, mounted);
    say!("caution: {}", speaker_caution(board));
    say!("caution: {HEAT_AND_SOUND}");
    let loudest = mounted.loudest_db(2000.0, metres);
    let hours = weekly_hours(loudest, true);
    if hours < 60.0 {
        say!(
            "caution: {loudest:.0} dB SPL at {metres} m is for {hours:.1} hours a week at most for a child (ITU-T H.870)"
        );
    }
}

/// The weakest supply that the board meets, and the amplifier's power there
/// before it clips, W.
fn clean_power(board: &Board) -> (Supply, f64) {
    let supply = weakest_supply(board);
    (
        supply,
        speaker::output_stage(board).clip_watts(supply.volts),
    )
}

fn print_flat(mounted: &Enclosure) {
    match mounted.driver.volume_for(std::f64::consts::FRAC_1_SQRT_2) {
        Some(litres) => say!("flat (Qtc 0.707) needs {:.0} ml", litres * 1000.0),
        None => say!(
            "no volume makes it flat: the driver's own Q is above 0.707; a larger box only lowers fc"
        ),
    }
}

fn print_advice(board: &Board, mounted: &Enclosure) {
    let high_pass = mounted.high_pass(mounted.driver.rated_w);
    let first = match mounted.mounting {
        Mounting::Closed(litres) if board.sound.speaker.box_litres != Some(litres) => {
            format!("put box_litres = {litres} under [sound.speaker] in the profile, then ")
        }
        _ => String::new(),
    };
    say!("");
    say!(
        "suggested for convert: {first}--high-pass (it is then {:.0} Hz, order {}, Q {:.2}){}",
        high_pass.hz,
        high_pass.order,
        high_pass.q,
        match mounted.high_shelf() {
            Some(high_shelf) => format!(", --high-shelf {:.1}", high_shelf.db),
            None => String::new(),
        }
    );
    say!(
        "the high-pass takes loudness with the bass, much of it from music: `thumbreel gain` with the clip says how much, \
         and --loudness={AUDIBLE} makes up for it"
    );
}

fn as_json(board: &Board, mounted: &Enclosure, metres: f64) -> Value {
    let driver = &mounted.driver;
    let high_pass = mounted.high_pass(driver.rated_w);
    let row = |hz: f64| {
        json!({
            "hz": hz, "response_db": mounted.response_db(hz),
            "excursion_mm": mounted.excursion_mm(hz, driver.rated_w),
            "power_limit_w": mounted.power_limit_w(hz),
            "loudest_db_spl": mounted.loudest_db(hz, metres),
        })
    };
    let litres = match mounted.mounting {
        Mounting::Closed(litres) => Some(litres),
        Mounting::FreeAir => None,
    };
    json!({
        "board": board.name,
        "driver": {
            "resonance_hz": driver.resonance_hz, "q_total": driver.q_total,
            "vas_litres": driver.vas_litres, "cone_cm2": driver.cone_cm2,
            "excursion_mm": driver.excursion_mm, "sensitivity_db": driver.sensitivity_db,
            "rated_w": driver.rated_w, "guessed": driver.guessed,
        },
        "box_litres": litres,
        "resonance_hz": mounted.resonance_hz, "q": mounted.q,
        "cutoff_hz": mounted.cutoff_hz(), "response_peak_db": mounted.response_peak_db(),
        "flat_litres": driver.volume_for(std::f64::consts::FRAC_1_SQRT_2),
        "high_pass": {"hz": high_pass.hz, "order": high_pass.order, "q": high_pass.q},
        "high_shelf_db": mounted.high_shelf().map(|t| t.db),
        "clean_w": clean_power(board).1,
        "distance_m": metres,
        "table": ROWS.map(row),
    })
}
