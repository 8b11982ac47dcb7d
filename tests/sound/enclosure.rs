//! The closed box against published formulas and worked values.

use thumbreel::sound::chart::enclosure_plots;
use thumbreel::sound::enclosure::{Driver, DriverDatasheet, Enclosure, Mounting};

fn driver(fs: f64, qts: f64, vas: f64) -> Driver {
    Driver::new(&DriverDatasheet {
        diameter_mm: 40.0,
        impedance_ohm: 8.0,
        rated_w: 2.0,
        resonance_hz: Some(fs),
        q_total: Some(qts),
        vas_litres: Some(vas),
        excursion_mm: Some(1.0),
        sensitivity_db: Some(82.0),
        ..DriverDatasheet::default()
    })
    .unwrap()
}

fn near(found: f64, wanted: f64, tolerance: f64) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found} instead of {wanted}"
    );
}

#[test]
fn a_published_worked_example_comes_out() {
    // "Sealed Box - System Parameters" (public web reference on closed boxes):
    // fs 35 Hz, Qts 0.65, Vas 45 l, Vb 30 l -> fc 55.4 Hz (55.34), Qtc 1.03,
    // f3 0.776 fc = 43 Hz; Qtc 0.707 needs 246 l (245.6).
    let driver = driver(35.0, 0.65, 45.0);
    near(driver.volume_for(0.707).unwrap(), 246.0, 1.0);
    let system = Enclosure::new(driver, Mounting::Closed(30.0)).unwrap();
    near(system.resonance_hz, 55.34, 0.05);
    near(system.q, 1.03, 0.005);
    near(system.cutoff_hz(), 43.0, 0.2);
}

#[test]
fn cut_offs_and_humps_are_those_of_the_table() {
    // Small 1972, f3/fc and peak by Qtc (values computed from his formulas).
    let table = [
        (0.5, 1.5538, 0.0),
        (1.0 / 3f64.sqrt(), 1.2720, 0.0),
        (std::f64::consts::FRAC_1_SQRT_2, 1.0, 0.0),
        (1.0, 0.7862, 1.2494),
        (1.2, 0.7358, 2.4118),
    ];
    for (q, ratio, peak) in table {
        // A huge box leaves the driver's own Q.
        let system = Enclosure::new(driver(100.0, q, 0.001), Mounting::Closed(9999.0)).unwrap();
        near(system.cutoff_hz() / system.resonance_hz, ratio, 0.001);
        near(system.response_peak_db(), peak, 0.001);
        near(system.response_db(system.cutoff_hz()), -3.0103, 0.001);
        let highest = (1..4000)
            .map(|hz| system.response_db(f64::from(hz)))
            .fold(-99.0, f64::max);
        near(highest, peak, 0.01);
    }
}

#[test]
fn the_flat_alignment_is_flat() {
    let driver = driver(300.0, 0.5, 0.06);
    let litres = driver.volume_for(std::f64::consts::FRAC_1_SQRT_2).unwrap();
    near(litres, 0.06, 1e-9); // (0.7071 / 0.5)² - 1 = 1: as much as Vas
    let system = Enclosure::new(driver.clone(), Mounting::Closed(litres)).unwrap();
    near(system.q, std::f64::consts::FRAC_1_SQRT_2, 1e-9);
    near(system.cutoff_hz(), system.resonance_hz, 1e-6);
    assert_eq!(driver.volume_for(0.4), None, "no box lowers a Q");
}

#[test]
fn excursion_follows_the_piston_formula() {
    // 1 W, 82 dB at 1 m: 0.2518 Pa. Sd 12.57 cm², 1 kHz: a = 2 pi p / (rho Sd),
    // x = sqrt 2 a / (2 pi f)² = 0.0374 mm (computed by hand).
    let system = Enclosure::new(
        driver(100.0, std::f64::consts::FRAC_1_SQRT_2, 0.05),
        Mounting::Closed(500.0),
    )
    .unwrap();
    near(system.excursion_mm(1000.0, 1.0), 0.03745, 0.0002);
    // Above resonance it falls 12 dB per octave, below it stands still.
    near(
        system.excursion_mm(1000.0, 1.0) / system.excursion_mm(2000.0, 1.0),
        4.0,
        0.01,
    );
    near(
        system.excursion_mm(10.0, 1.0) / system.excursion_mm(20.0, 1.0),
        1.0,
        0.01,
    );
    // The level that excursion allows never moves the cone further.
    for hz in [50.0, 100.0, 200.0, 1000.0] {
        let watts = system.power_limit_w(hz);
        assert!(
            watts <= 2.0 && system.excursion_mm(hz, watts) <= 1.0 + 1e-9,
            "{hz} Hz"
        );
    }
}

#[test]
fn the_high_pass_keeps_the_cone_within_its_excursion() {
    for litres in [0.02, 0.1, 1.0] {
        let system = Enclosure::new(driver(280.0, 0.9, 0.05), Mounting::Closed(litres)).unwrap();
        let high_pass = system.high_pass(2.0);
        let sections = high_pass.sections(48_000.0);
        for hz in (20..3000).step_by(5).map(f64::from) {
            let cut: f64 = sections.iter().map(|s| s.response_db(hz, 48_000.0)).sum();
            let moved = system.excursion_mm(hz, 2.0) * 10f64.powf(cut / 20.0);
            assert!(
                moved < 1.02,
                "{litres} l, {hz} Hz: {moved} mm behind {high_pass:?}"
            );
        }
    }
}

#[test]
fn guesses_are_marked_and_plausible() {
    let sheet = DriverDatasheet {
        diameter_mm: 28.0,
        impedance_ohm: 8.0,
        rated_w: 1.0,
        ..DriverDatasheet::default()
    };
    let driver = Driver::new(&sheet).unwrap();
    assert_eq!(
        driver.guessed,
        ["resonance", "Qts", "Vas", "Xmax", "sensitivity"]
    );
    assert!((300.0..900.0).contains(&driver.resonance_hz));
    assert!((70.0..90.0).contains(&driver.sensitivity_db), "{driver:?}");
    assert!((0.005..0.1).contains(&driver.vas_litres), "{driver:?}");
    let known = DriverDatasheet {
        resonance_hz: Some(550.0),
        sensitivity_db: Some(78.0),
        ..sheet
    };
    let driver = Driver::new(&known).unwrap();
    assert_eq!(driver.guessed, ["Qts", "Vas", "Xmax"]);
    assert!(
        Driver::new(&DriverDatasheet {
            diameter_mm: 0.0,
            ..sheet
        })
        .is_err()
    );
}

#[test]
fn free_air_gives_little() {
    let boxed = Enclosure::new(driver(350.0, 0.9, 0.05), Mounting::Closed(0.1)).unwrap();
    let free = Enclosure::new(boxed.driver.clone(), Mounting::FreeAir).unwrap();
    let lost = boxed.response_db(600.0) - free.response_db(600.0);
    assert!(lost > 6.0, "the box is worth {lost} dB at 600 Hz");
    near(free.response_db(free.cutoff_hz()), -3.01, 0.2);
}

#[test]
fn the_rendering_filter_has_the_systems_response() {
    let system = Enclosure::new(driver(280.0, 0.9, 0.05), Mounting::Closed(0.08)).unwrap();
    let sections = system.rendering(48_000.0);
    for hz in [100.0, 300.0, 500.0, 1000.0, 4000.0] {
        let found: f64 = sections.iter().map(|s| s.response_db(hz, 48_000.0)).sum();
        near(found, system.response_db(hz), 0.1);
    }
}

#[test]
fn the_drawn_curves_are_the_formula_with_nothing_cut_off() {
    // A soft and a stiff box, quiet and loud: the lowest level lies 20 to 60 dB below the highest.
    for (fs, qts, vas, litres, metres) in [
        (250.0, 0.9, 0.2, 0.03, 0.5),
        (700.0, 1.6, 0.02, 0.01, 1.0),
        (120.0, 0.4, 1.0, 5.0, 4.0),
    ] {
        let system = Enclosure::new(driver(fs, qts, vas), Mounting::Closed(litres)).unwrap();
        let [level, excursion] = enclosure_plots(&system, system.high_pass(2.0), metres);
        for plot in [&level, &excursion] {
            for curve in &plot.curves {
                assert_eq!(curve.points.first().unwrap().0.round(), 50.0);
                assert_eq!(curve.points.last().unwrap().0.round(), 10_000.0);
                for (hz, value) in &curve.points {
                    // The ends of the excursion's axis follow from its curves.
                    let ends =
                        plot.up.to <= plot.up.from || (plot.up.from..=plot.up.to).contains(value);
                    assert!(ends, "{}: {value} at {hz} Hz is not in view", curve.name);
                }
            }
        }
        // Small 1972, equation 20: |G| = x²/sqrt((x² - 1)² + (x/Q)²), x = f/fc.
        let (fc, q) = (system.resonance_hz, system.q);
        for (hz, value) in level.curves[0].points.iter().step_by(20) {
            let x = hz / fc;
            let response = x * x / ((x * x - 1.0).powi(2) + (x / q).powi(2)).sqrt();
            let wanted =
                82.0 + 10.0 * 2f64.log10() - 20.0 * metres.log10() + 20.0 * response.log10();
            near(*value, wanted, 1e-6);
        }
    }
}
