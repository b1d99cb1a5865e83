//! The curve fit at the edge of what can be known: an error that says why, or a
//! result that says how little, never a panic or a number that is none.

use meniscus::fit::curve::{
    CurveError, CurveFit, CurveReading, CurveSetup, Quantity, ReadingUse, Scale, fit_curve,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

fn reading(width_ms: f64, pulses: f64, delivered: f64) -> CurveReading {
    CurveReading {
        width_ms,
        pulses,
        delivered,
        extra_variance: 0.0,
        period_ms: Some(20.0),
    }
}

const WIDTHS: [f64; 10] = [1.2, 1.5, 1.8, 2.2, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0];

/// A straight injector: 4.2 mm³/ms, 0.8 ms, the vessel filled to a division.
fn straight(repeats: usize) -> Vec<CurveReading> {
    let mut out = Vec::new();
    for (i, &w) in WIDTHS.iter().enumerate() {
        for k in 0..repeats {
            let q = 4.2 * (w - 0.8);
            let n = ((if (i + k) % 2 == 0 { 90_000.0 } else { 25_000.0 }) / q).round();
            let d =
                ((n * q + 200.0 * ((7 * i + 3 * k) % 5) as f64 - 400.0) / 500.0).round() * 500.0;
            out.push(reading(w, n, d));
        }
    }
    out
}

fn setup(readings: &[CurveReading]) -> CurveSetup {
    let mut s = CurveSetup::of_division(1000.0, 300.0, (2.2, 12.0), readings);
    s.grid = vec![1.5, 2.0, 3.0, 10.0];
    s
}

fn finite(q: &Quantity, name: &str) {
    assert!(
        q.value.is_finite() && q.standard_uncertainty.is_finite(),
        "{name}: {q:?}"
    );
    assert!(q.standard_uncertainty > 0.0, "{name}: {q:?}");
}

fn inside(q: &Quantity, interval: [Option<f64>; 2], name: &str) {
    if let [Some(lo), Some(hi)] = interval {
        assert!(lo <= q.value && q.value <= hi, "{name}: {q:?} {interval:?}");
    }
}

fn sound(fit: &CurveFit) {
    finite(&fit.line.slope, "S");
    finite(&fit.line.dead_time, "X");
    finite(&fit.line.flow_offset, "Y");
    finite(&fit.asymptote.slope, "asymptote S");
    finite(&fit.asymptote.dead_time, "asymptote X");
    let none = [[0.0; 2]; 2];
    inside(&fit.line.slope, fit.interval_slope(0.0), "S");
    inside(&fit.line.dead_time, fit.interval_dead_time(none), "X");
    let far = &fit.asymptote;
    inside(&far.slope, fit.interval_asymptote_slope(0.0), "asymptote S");
    let interval = fit.interval_asymptote_dead_time(none);
    inside(&far.dead_time, interval, "asymptote X");
    for (i, p) in fit.curve.iter().enumerate() {
        finite(&p.delivered, "q");
        inside(&p.delivered, fit.interval_delivered(i, 0.0), "q");
        if let Some(d) = &p.deviation_percent {
            finite(d, "deviation");
            inside(d, p.deviation_interval_95, "deviation");
        }
    }
    for shares in [fit.slope_shares, fit.dead_time_shares] {
        let parts = [
            shares.reading,
            shares.repeatability,
            shares.offset,
            shares.departure,
            shares.scales,
        ];
        assert!(
            parts.iter().all(|p| (0.0..=1.0 + 1e-9).contains(p)),
            "{shares:?}"
        );
        assert!((parts.iter().sum::<f64>() - 1.0).abs() < 1e-6, "{shares:?}");
    }
    for r in &fit.readings {
        assert!(r.fitted.is_finite() && r.fitted_uncertainty.is_finite());
        assert!(r.reading_uncertainty.is_finite());
    }
}

#[test]
fn a_straight_injector_is_found() {
    let readings = straight(3);
    let fit = fit_curve(&readings, &setup(&readings)).unwrap();
    sound(&fit);
    let x = &fit.line.dead_time;
    assert!(
        (x.value - 0.8).abs() < 2.0 * x.standard_uncertainty,
        "{x:?}"
    );
    assert!(x.standard_uncertainty < 0.02, "{x:?}");
    assert!(fit.identified.dead_time);
    assert!(fit.readings.iter().all(|r| r.used()));
}

#[test]
fn fewer_than_three_widths_are_refused() {
    let readings = [reading(2.0, 1000.0, 5000.0), reading(4.0, 1000.0, 13_400.0)];
    let e = fit_curve(&readings, &setup(&readings)).unwrap_err();
    assert_eq!(e, CurveError::TooFewWidths { have: 2, need: 3 });
    assert_eq!(
        fit_curve(&[], &setup(&[])).unwrap_err(),
        CurveError::TooFewWidths { have: 0, need: 3 }
    );
}

#[test]
fn nothing_delivered_is_refused() {
    let readings: Vec<_> = WIDTHS.iter().map(|&w| reading(w, 1000.0, 0.0)).collect();
    assert_eq!(
        fit_curve(&readings, &setup(&readings)).unwrap_err(),
        CurveError::NoDelivery
    );
    let falling: Vec<_> = WIDTHS
        .iter()
        .map(|&w| reading(w, 1000.0, 1e5 - 1e3 * w))
        .collect();
    assert_eq!(
        fit_curve(&falling, &setup(&falling)).unwrap_err(),
        CurveError::NoDelivery
    );
}

#[test]
fn numbers_out_of_bounds_are_named() {
    let mut readings = straight(1);
    readings[4].delivered = f64::NAN;
    let s = setup(&straight(1));
    assert_eq!(
        fit_curve(&readings, &s).unwrap_err(),
        CurveError::BadReading { index: 4 }
    );
    let readings = straight(1);
    let backwards = CurveSetup {
        line_range: (12.0, 2.0),
        ..s
    };
    assert_eq!(
        fit_curve(&readings, &backwards).unwrap_err(),
        CurveError::BadSetup
    );
}

#[test]
fn identical_repeats_without_stated_noise_are_fitted() {
    let mut readings = Vec::new();
    for &w in &WIDTHS {
        for _ in 0..3 {
            readings.push(reading(w, 1000.0, 4200.0 * (w - 0.8)));
        }
    }
    let mut s = setup(&readings);
    sound(&fit_curve(&readings, &s).unwrap());
    s.reading = Scale::known(0.0);
    s.repeatability = Scale::known(0.0);
    s.offset_uncertainty = 0.0;
    let fit = fit_curve(&readings, &s).unwrap();
    sound(&fit);
    assert!((fit.line.dead_time.value - 0.8).abs() < 1e-3);
}

#[test]
fn only_short_pulses_leave_the_asymptote_wide() {
    let mut readings = Vec::new();
    for w in [1.2, 1.3, 1.4, 1.5, 1.6] {
        readings.push(reading(
            w,
            10_000.0,
            42_000.0 * (w - 0.8 - 0.3 * f64::exp(-w)),
        ));
    }
    let mut s = setup(&readings);
    s.line_range = (1.2, 1.6);
    let fit = fit_curve(&readings, &s).unwrap();
    sound(&fit);
    assert!(
        fit.asymptote.dead_time.standard_uncertainty
            > 2.0 * fit.line.dead_time.standard_uncertainty
    );
    let far = &fit.curve[3].delivered;
    assert!(far.standard_uncertainty > 0.01 * far.value, "{far:?}");
}

#[test]
fn three_widths_read_once_are_fitted() {
    let readings = [
        reading(2.0, 1000.0, 5000.0),
        reading(4.0, 1000.0, 13_500.0),
        reading(8.0, 1000.0, 30_000.0),
    ];
    sound(&fit_curve(&readings, &setup(&readings)).unwrap());
}

#[test]
fn a_dead_time_past_the_shortest_widths_or_below_zero_is_fitted() {
    for x in [2.0, -0.5] {
        let readings: Vec<_> = WIDTHS
            .iter()
            .map(|&w| reading(w, 2000.0, (8400.0 * (w - x)).max(0.0)))
            .collect();
        let mut s = setup(&readings);
        s.line_range = (3.0, 12.0);
        let fit = fit_curve(&readings, &s).unwrap();
        sound(&fit);
        let found = &fit.line.dead_time;
        assert!(
            (found.value - x).abs() < 2.0 * found.standard_uncertainty,
            "{found:?}"
        );
        let short = fit
            .readings
            .iter()
            .filter(|r| r.usage == ReadingUse::TooShort)
            .count();
        assert_eq!(short, WIDTHS.iter().filter(|&&w| w - x < 0.3).count());
    }
}

#[test]
fn pulses_beyond_the_duty_limit_are_left_out_and_named() {
    let mut readings = straight(2);
    for r in &mut readings {
        r.period_ms = Some(13.0);
    }
    let fit = fit_curve(&readings, &setup(&readings)).unwrap();
    sound(&fit);
    for (r, f) in readings.iter().zip(&fit.readings) {
        assert_eq!(
            f.usage == ReadingUse::BeyondDutyLimit,
            r.width_ms > 0.85 * 13.0
        );
    }
}

#[test]
fn another_unit_of_quantity_changes_nothing_but_the_unit() {
    let readings = straight(2);
    let s = setup(&readings);
    let plain = fit_curve(&readings, &s).unwrap();
    for factor in [1e-6, 1e6] {
        let scaled: Vec<_> = readings
            .iter()
            .map(|r| CurveReading {
                delivered: r.delivered * factor,
                ..*r
            })
            .collect();
        let mut t = CurveSetup::of_division(1000.0 * factor, 300.0 * factor, (2.2, 12.0), &scaled);
        t.grid = s.grid.clone();
        let fit = fit_curve(&scaled, &t).unwrap();
        let same = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-6, "{a} {b}");
        same(fit.line.dead_time.value, plain.line.dead_time.value);
        same(
            fit.line.dead_time.standard_uncertainty,
            plain.line.dead_time.standard_uncertainty,
        );
        same(fit.line.slope.value, factor * plain.line.slope.value);
        same(
            fit.curve[1].delivered.standard_uncertainty,
            factor * plain.curve[1].delivered.standard_uncertainty,
        );
    }
}

#[test]
fn thousands_of_repeats_and_any_order_give_one_answer() {
    let many = straight(2000);
    let fit = fit_curve(
        &many,
        &CurveSetup {
            misreading: None,
            ..setup(&many)
        },
    )
    .unwrap();
    sound(&fit);
    let readings = straight(3);
    let mut turned = readings.clone();
    turned.reverse();
    let a = fit_curve(&readings, &setup(&readings)).unwrap();
    let b = fit_curve(&turned, &setup(&turned)).unwrap();
    assert!((a.line.dead_time.value - b.line.dead_time.value).abs() < 1e-9);
    assert_eq!(a, fit_curve(&readings, &setup(&readings)).unwrap());
}

#[test]
fn with_equal_counts_the_offset_is_said_to_dominate() {
    let readings: Vec<_> = WIDTHS
        .iter()
        .flat_map(|&w| [0.0, 500.0, -500.0].map(|e| reading(w, 1000.0, 4200.0 * (w - 0.8) + e)))
        .collect();
    let fit = fit_curve(&readings, &setup(&readings)).unwrap();
    assert!(!fit.identified.dead_time, "{:?}", fit.offset);
    assert!(fit.identified.slope, "{:?}", fit.offset);
    // b = 300 mm³ at 1000 pulses and 4.2 mm³/ms is 71 µs.
    let moved = 300.0 * fit.offset.dead_time_sensitivity;
    assert!((moved + 0.0714).abs() < 0.002, "{moved}");
    assert!((fit.offset.standard_uncertainty / 300.0 - 1.0).abs() < 0.02);
}

#[test]
fn type_b_terms_widen_the_intervals() {
    let readings = straight(3);
    let fit = fit_curve(&readings, &setup(&readings)).unwrap();
    let width = |i: [Option<f64>; 2]| i[1].unwrap() - i[0].unwrap();
    // A shift of every pulse width by u = 20 µs: Y by S·u.
    let u = 0.02;
    let s = fit.line.slope.value;
    let wide = fit.interval_dead_time([[0.0, 0.0], [0.0, (s * u).powi(2)]]);
    let own = fit.line.dead_time.standard_uncertainty;
    let expected = 2.0 * 1.96 * own.hypot(u);
    assert!(
        (width(wide) / expected - 1.0).abs() < 0.1,
        "{wide:?} {expected}"
    );
    let q = fit.interval_delivered(2, (s * u).powi(2));
    assert!(width(q) > width(fit.interval_delivered(2, 0.0)));
}

/// Readings of these counts at each width, scattered by single pulses alone.
fn scattered(counts: &[f64], pulse_scatter: f64, seed: u64) -> Vec<CurveReading> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut out = Vec::new();
    for width in WIDTHS {
        for &pulses in counts {
            let z: f64 = StandardNormal.sample(&mut rng);
            let total = 4.2 * (width - 0.8) * pulses + pulses.sqrt() * pulse_scatter * z;
            out.push(reading(width, pulses, total));
        }
    }
    out
}

/// A balance that reads to a tenth of a milligram, about, and knows its offset.
fn by_balance(readings: &[CurveReading]) -> CurveSetup {
    CurveSetup {
        reading: Scale::about(0.1, 0.4, 0.03),
        repeatability: Scale::about(0.0003, 0.9, 0.0),
        ..CurveSetup::of_division(0.1, 0.1, (2.2, 12.0), readings)
    }
}

/// The scatter of single pulses is known by construction: √N pulses of it are in each reading.
#[test]
fn scatter_of_single_pulses_is_found_where_pulses_are_few() {
    let truth = 0.4;
    let (mut inside, mut held, mut sum) = (0, 0, 0.0);
    for seed in 0..40 {
        let readings = scattered(&[10.0, 40.0, 160.0], truth, seed);
        let fit = fit_curve(&readings, &by_balance(&readings)).unwrap();
        let (mean, _) = fit.noise.pulse_scatter;
        sum += mean / truth;
        inside += u32::from((mean - truth).abs() < 0.3 * truth);
        let x = fit.line.dead_time;
        held += u32::from((x.value - 0.8).abs() < 1.96 * x.standard_uncertainty);
        sound(&fit);
    }
    assert!((sum / 40.0 - 1.0).abs() < 0.25, "{sum}");
    assert!(inside >= 34, "{inside} of 40");
    // Fewer than 34 of 40 at 95 % come about once in a thousand times.
    assert!(held >= 34, "dead time held in {held} of 40");
}

#[test]
fn scatter_of_single_pulses_is_left_out_where_it_cannot_be_told() {
    let fit = fit_curve(&straight(3), &setup(&straight(3))).unwrap();
    assert_eq!(fit.noise.pulse_scatter, (0.0, 0.0));
}

/// Stated exactly it is kept; stated roughly, readings that scatter three times as much move it.
#[test]
fn a_stated_scatter_of_single_pulses_is_a_prior() {
    let readings = scattered(&[10.0, 40.0, 160.0], 0.6, 1);
    let with = |stated: Scale| {
        let setup = CurveSetup {
            pulse_scatter: Some(stated),
            ..by_balance(&readings)
        };
        fit_curve(&readings, &setup).unwrap().noise.pulse_scatter
    };
    let (known, sd) = with(Scale::known(0.2));
    assert!((known - 0.2).abs() < 1e-12 && sd < 1e-12, "{known} {sd}");
    let (roughly, sd) = with(Scale::about(0.2, 0.3, 0.0));
    assert!(roughly > 0.25 && sd > 0.0, "{roughly} {sd}");
}
