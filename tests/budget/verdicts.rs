//! Worst windows, verdicts and what would help.

use thumbreel::answer::{Request, answer, picture};
use thumbreel::board::Board;
use thumbreel::budget::power::{Duty, PowerModel, Programme};
use thumbreel::budget::{
    Budget, Comparison, Crossover, Link, MemoryPlan, Part, PictureCoding, PictureFacts, Place,
    ReelFacts, Settings, SliceFacts, SoundCoding, Terms, Verdict, best_change, stall_need,
};
use thumbreel::units::Ratio;

fn settings(board: &Board, coding: PictureCoding, rate: u32) -> Settings {
    let (w, h) = board.panel.upright_size();
    Settings::typical(w, h, Ratio::new(rate, 1).unwrap(), coding)
}

/// A silent reel of one-picture slices with the given bytes, ten a second.
fn reel(bytes: &[u32]) -> ReelFacts {
    let slices: Vec<SliceFacts> = (0..)
        .zip(bytes)
        .map(|(n, b)| SliceFacts {
            tick: u64::from(n) * 100,
            ticks: 100,
            bytes: *b,
            first_picture: n,
            pictures: 1,
        })
        .collect();
    let pictures = (0..)
        .zip(bytes)
        .map(|(n, b)| PictureFacts {
            tick: n * 100,
            bytes: *b,
            instructions: 1000,
            pixels: 100,
            windows: 1,
            key: true,
        })
        .collect();
    ReelFacts {
        assumed: false,
        width: 16,
        height: 16,
        clock_rate: 1000,
        rate: 10.0,
        sound: SoundCoding::None,
        coding: PictureCoding::PatchLight,
        largest_chunk: bytes.iter().copied().max().unwrap_or(0),
        working_bytes: 1024,
        prebuffer: 1024,
        lead_bytes: 1024,
        total_bytes: bytes.iter().map(|b| u64::from(*b)).sum(),
        programme: Programme::silent(),
        damages: 0,
        slices,
        pictures,
    }
}

#[test]
fn the_worst_window_counts_and_not_the_mean() {
    let mut bytes = vec![512; 100];
    bytes[40..50].fill(51_200);
    let reel = reel(&bytes);
    assert_eq!(reel.worst_byte_rate(1000), (512_000.0, 4000));
    assert_eq!(reel.worst_bytes(250), (3 * 51_200, 4000));
    let board = Board::find("lantern-room").unwrap();
    let budget = Budget::new(&reel, &board, Link::Card, Terms::default()).unwrap();
    assert_eq!(budget.lines[0].need, 512_000.0);
    assert_eq!(budget.lines[0].at_seconds, Some(4.0));
}

#[test]
fn a_reel_shorter_than_the_window_is_its_own_window() {
    let reel = reel(&[512, 1024]);
    assert_eq!(reel.worst_byte_rate(1000), (1536.0 * 5.0, 0));
}

#[test]
fn an_empty_reel_and_a_missing_link_are_said() {
    let board = Board::find("bell-buoy").unwrap();
    let error = Budget::new(&reel(&[512]), &board, Link::Wifi, Terms::default()).unwrap_err();
    assert!(error.to_string().contains("no [wifi] section"));
    let error = Budget::new(&reel(&[]), &board, Link::Card, Terms::default()).unwrap_err();
    assert!(error.to_string().contains("no slice"));
}

#[test]
fn verdicts_have_the_margin_between_them() {
    assert_eq!(Verdict::of(0.85, 0.15), Verdict::Fits);
    assert_eq!(Verdict::of(0.86, 0.15), Verdict::Tight);
    assert_eq!(Verdict::of(1.0, 0.15), Verdict::Tight);
    assert_eq!(Verdict::of(1.01, 0.15), Verdict::DoesNotFit);
    assert_eq!(Verdict::of(f64::INFINITY, 0.15), Verdict::DoesNotFit);
}

/// 240x240 raw at 15 a second is 1.728 MB/s of pixels: past Wi-Fi with a
/// window of 5760 bytes at 5 ms (1.152 MB/s), within a four-line card.
#[test]
fn raw_pictures_fit_a_fast_card_and_no_small_window() {
    let board = Board::find("porthole").unwrap();
    let mut slow = board.clone();
    slow.wifi.as_mut().unwrap().window_bytes = 5760;
    slow.wifi.as_mut().unwrap().loss = 0.0;
    let reel = settings(&board, PictureCoding::Raw, 15).facts();
    let card = Budget::new(&reel, &slow, Link::Card, Terms::default()).unwrap();
    let wifi = Budget::new(&reel, &slow, Link::Wifi, Terms::default()).unwrap();
    assert!(card.lines[0].need > 1_728_000.0 && card.lines[0].need < 1_800_000.0);
    assert_eq!(card.lines[0].verdict, Verdict::Fits);
    assert_eq!(wifi.lines[0].capacity, 1_152_000.0);
    assert_eq!(wifi.lines[0].verdict, Verdict::DoesNotFit);
    let comparison = Comparison::new(&reel, &slow, Terms::default()).unwrap();
    assert_eq!(comparison.advice, Link::Card);
}

/// What the highest rate says is so: at that rate the margin is just kept.
#[test]
fn the_highest_rate_is_where_the_margin_ends() {
    let board = Board::find("lantern-room").unwrap();
    let terms = Terms::default();
    for coding in [
        PictureCoding::Jpeg,
        PictureCoding::PatchLight,
        PictureCoding::PatchFull,
    ] {
        let at = |rate| {
            let reel = settings(&board, coding, rate).facts();
            Budget::new(&reel, &board, Link::Card, terms).unwrap()
        };
        let highest = at(10).highest_rate();
        let worst_by_rate = |rate: u32| {
            let budget = at(rate);
            budget
                .lines
                .iter()
                .filter(|l| l.by_rate && l.part != Part::Space)
                .map(|l| l.ratio())
                .fold(0.0, f64::max)
        };
        // Slices and key pictures round the window by a picture or two.
        assert!(
            worst_by_rate((highest * 0.9) as u32) <= 0.87,
            "{coding:?} {highest}"
        );
        assert!(
            worst_by_rate((highest * 1.12).ceil() as u32) > 0.85,
            "{coding:?} {highest}"
        );
    }
}

#[test]
fn the_helpful_change_is_about_the_bottleneck() {
    let mut board = Board::find("lantern-room").unwrap();
    board.panel.clock_hz = 10_000_000;
    let reel = settings(&board, PictureCoding::PatchFull, 12).facts();
    let change = best_change(&reel, &board, Link::Card, Terms::default())
        .unwrap()
        .unwrap();
    assert!(
        change.what.contains("panel's bus at 20 MHz"),
        "{}",
        change.what
    );
    assert!(change.after < change.before * 0.7);
}

#[test]
fn every_line_of_a_built_in_board_is_finite_and_says_its_origin() {
    for board in Board::built_in() {
        for link in Link::of(&board) {
            let reel = settings(&board, PictureCoding::PatchFull, 20).facts();
            let budget = Budget::new(&reel, &board, link, Terms::default()).unwrap();
            for line in &budget.lines {
                assert!(
                    line.ratio().is_finite() && line.need >= 0.0,
                    "{} {:?}",
                    board.name,
                    line
                );
                assert!(!line.capacity_origin.from.is_empty());
            }
            assert!(picture(&budget).contains("<svg"));
        }
    }
}

#[test]
fn measured_figures_are_called_measured() {
    let text = "name = \"gull-post\"\n[panel]\nwidth = 160\nheight = 128\n[card]\n[provenance]\ncard = \"measured\"\nplayer = \"measured\"\n";
    let board = Board::parse(text, "gull-post.toml").unwrap();
    let reel = settings(&board, PictureCoding::PatchFull, 20).facts();
    let budget = Budget::new(&reel, &board, Link::Card, Terms::default()).unwrap();
    let origin = budget.lines[0].capacity_origin.to_string();
    assert!(
        origin.starts_with("computed from measured card.clock_hz"),
        "{origin}"
    );
    let short = budget.lines[0].capacity_origin.short();
    assert_eq!(short, "computed from measured keys of the profile");
    let bus = budget.lines[1].need_origin.to_string();
    assert!(
        bus.starts_with("computed from assumed panel.clock_hz"),
        "{bus}"
    );
}

#[test]
fn memory_is_placed_and_never_over_its_size() {
    for board in Board::built_in() {
        for coding in [
            PictureCoding::Jpeg,
            PictureCoding::PatchLight,
            PictureCoding::PatchFull,
        ] {
            let reel = settings(&board, coding, 20).facts();
            let plan = MemoryPlan::new(&reel, &board);
            let fits = plan.need(Place::Internal) <= u64::from(board.memory.internal_bytes)
                && plan.need(Place::External) <= u64::from(board.memory.external_bytes);
            let total: u64 = plan.buffers.iter().map(|b| b.bytes).sum();
            let all =
                u64::from(board.memory.internal_bytes) + u64::from(board.memory.external_bytes);
            assert!(
                !fits || (total <= all && plan.ring_buffer_bytes >= plan.least_ring),
                "{} {plan:?}",
                board.name
            );
        }
    }
}

/// 100 ms at ten slices per second of 1000 bytes: one slice becomes due.
#[test]
fn a_stall_needs_what_becomes_due_in_it() {
    let board = Board::find("lantern-room").unwrap();
    let reel = reel(&[1024; 50]);
    let budget = Budget::new(&reel, &board, Link::Card, Terms::default()).unwrap();
    assert_eq!(stall_need(&reel, &budget, 100.0).buffer_bytes, 1024);
    assert_eq!(stall_need(&reel, &budget, 101.0).buffer_bytes, 2048);
    assert_eq!(stall_need(&reel, &budget, 1000.0).buffer_bytes, 10_240);
    let (need, capacity) = (budget.lines[0].need, budget.lines[0].capacity);
    let recovery = stall_need(&reel, &budget, 100.0).recovery_s.unwrap();
    assert!((recovery - 0.1 * need / (capacity - need)).abs() < 1e-9);
}

/// The crossover is where the need just meets the rate.
#[test]
fn the_crossover_meets_the_need() {
    let board = Board::find("lantern-room").unwrap();
    let wifi = board.wifi.as_ref().unwrap();
    let x = Crossover::new(300_000.0, wifi, 0.2);
    let need = 300_000.0 * 8.0 / 0.8;
    assert_eq!(x.need_bps, need);
    let rate = |edit: &dyn Fn(&mut thumbreel::board::Wifi)| {
        let mut changed = wifi.clone();
        edit(&mut changed);
        thumbreel::budget::rate_bps(&changed).0
    };
    let slowest = x.round_trip_ms.unwrap();
    assert!((rate(&|w| w.round_trip_ms = slowest) / need - 1.0).abs() < 0.01);
    let most = x.loss.unwrap();
    assert!((rate(&|w| w.loss = most) / need - 1.0).abs() < 0.01);
    // Nothing helps against a need above the air's own rate.
    let never = Crossover::new(30e6, wifi, 0.2);
    assert_eq!(
        (never.mcs, never.round_trip_ms, never.loss),
        (None, None, None)
    );
}

/// P = (Vin - Vout) x I, Tj = Ta + P x thetaJA: 5 to 3.3 V, 150 mA, 205 C/W:
/// 255 mW and 77.3 C at 25 C.
#[test]
fn regulator_heat() {
    let mut board = Board::find("lantern-room").unwrap();
    let power = &mut board.power;
    power.diode_drop_v = 0.0;
    power.base_ma = 150.0;
    power.backlight_ma = 0.0;
    power.regulator.quiescent_ma = 0.0;
    power.regulator.theta_ja = 205.0;
    board.power.usb_ohm = 0.0;
    let silent = Programme::silent();
    let model = PowerModel::with(&silent, false, &board, Link::Card, Duty::default());
    let heat = model.heat(f64::INFINITY);
    assert!((heat.regulator_w - 0.255).abs() < 1e-9);
    assert!((heat.regulator_c - 77.275).abs() < 1e-6);
    // After one time constant 63 % of the rise.
    let warm = model.heat(board.power.regulator.settle_s);
    assert!((warm.regulator_c - (25.0 + 52.275 * 0.632)).abs() < 0.05);
}

#[test]
fn settings_keep_their_stated_mean() {
    let board = Board::find("lantern-room").unwrap();
    for coding in [
        PictureCoding::Raw,
        PictureCoding::Jpeg,
        PictureCoding::PatchLight,
        PictureCoding::PatchFull,
    ] {
        let s = settings(&board, coding, 24);
        let reel = s.facts();
        let bytes: u64 = reel.pictures.iter().map(|p| u64::from(p.bytes)).sum();
        let bits = bytes as f64 * 8.0 / reel.pictures.len() as f64 / 57_600.0;
        assert!(
            (bits / s.bits_per_pixel - 1.0).abs() < 0.01,
            "{coding:?} {bits}"
        );
        assert_eq!(reel.pictures.len(), 24 * 60);
        let last = reel.slices.last().unwrap();
        assert_eq!(last.tick + u64::from(last.ticks), 60 * 24_000);
        assert_eq!(u64::from(last.first_picture + last.pictures), 24 * 60);
    }
}

#[test]
fn a_part_that_is_overloaded_is_not_near_its_limit_but_over_it() {
    // 240x240 raw pictures, 40 a second, are 36.9 Mbit/s (240 x 240 x 16 x 40) for a bus of 10 Mbit/s.
    let mut board = Board::named("lantern-room").unwrap();
    board.name = "slow".into();
    board.panel.clock_hz = 10_000_000;
    let request = Request {
        board: "slow".into(),
        profile: Some(board.to_toml()),
        rate: (40, 1),
        coding: PictureCoding::Raw,
        sound: SoundCoding::None,
        ..Request::default()
    };
    let answer = answer(&request).unwrap();
    assert!(!answer.links.is_empty());
    for link in &answer.links {
        let words: Vec<&str> = link.limit.split(' ').collect();
        let at = words.iter().position(|word| *word == "%").unwrap();
        let percent: f64 = words[at - 1].parse().unwrap();
        assert!(
            percent > 300.0 && link.verdict == Verdict::DoesNotFit,
            "{}",
            link.limit
        );
        assert!(link.sentence.contains("does not play"), "{}", link.sentence);
        for text in [&link.limit, &link.sentence, &link.bars] {
            assert!(!text.contains("near"), "{text}");
        }
    }
}
