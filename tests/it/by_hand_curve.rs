//! The whole delivery curve worked by hand.
//!
//! Where one over the pulse count lies on a straight line over the width, 1/N = α + β·w, an offset b
//! of every reading looks like a line α·b + β·b·w: the readings say nothing of it, slope,
//! flow-offset and curve take it over as it is, and everything that has to do with b is known beforehand.
//! Beside that, sums over the 64 midpoints that are the line (C11 of `docs/methods-curve.md`), the
//! law of propagation of uncertainty and the prior C5–C9 written out once more.

use std::collections::BTreeMap;

use meniscus::finding::Kind;
use meniscus::fit::curve::{
    CurveDesign, CurveError, CurveFit, CurveReading, CurveSetup, DesignCell, Expected, FixedScales,
    Scale, fit_curve, posterior_at,
};
use meniscus::fit::{FitOptions, ModelChoice, SweepFit};
use meniscus::units::{Estimate, NORMAL_95};

use super::by_hand::{HEADER, near, of_files, u};

const FLOW: f64 = 5.0;
const WIDTHS: [f64; 9] = [2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.5, 10.0];
const RANGE: (f64, f64) = (2.0, 10.0);
const ALPHA: f64 = 2e-4;
const BETA: f64 = 1e-4;
const OFFSET: (f64, f64) = (40.0, 50.0);
const READ: f64 = 20.0;
const REPEATABILITY: f64 = 0.001;
const PULSE: f64 = 0.1;
/// Further variance of the reading at 4 ms.
const FURTHER: f64 = 900.0;

/// Midpoints of 64 parts of the range.
fn midpoints() -> Vec<f64> {
    let step = (RANGE.1 - RANGE.0) / 64.0;
    let at = |i: i32| RANGE.0 + (f64::from(i) + 0.5) * step;
    (0..64).map(at).collect()
}

fn reading(width_ms: f64, pulses: f64, delivered: f64) -> CurveReading {
    CurveReading {
        width_ms,
        pulses,
        delivered,
        extra_variance: 0.0,
        period_ms: None,
    }
}

fn setup(grid: Vec<f64>) -> CurveSetup {
    CurveSetup {
        reading: Scale::known(READ),
        repeatability: Scale::known(REPEATABILITY),
        pulse_scatter: Some(Scale::known(PULSE)),
        offset_mean: OFFSET.0,
        offset_uncertainty: OFFSET.1,
        line_range: RANGE,
        nodes: grid.clone(),
        grid,
        misreading: None,
    }
}

/// One reading a width whose counts hide the offset; short pulses deliver less than the line says.
/// The grid has the midpoints, then the widths.
fn hidden() -> (Vec<CurveReading>, CurveFit) {
    let of_width = |&width: &f64| {
        let pulses = 1.0 / (ALPHA + BETA * width);
        let each = FLOW * (width - 0.8 - 0.1 * (-(width - 1.3) / 0.8).exp());
        let further = if width == 4.0 { FURTHER } else { 0.0 };
        CurveReading {
            extra_variance: further,
            ..reading(width, pulses, pulses * each + OFFSET.0)
        }
    };
    let readings: Vec<CurveReading> = WIDTHS.iter().map(of_width).collect();
    let grid = [midpoints(), WIDTHS.to_vec()].concat();
    let fit = fit_curve(&readings, &setup(grid)).unwrap();
    (readings, fit)
}

#[test]
fn an_offset_that_counts_hide_goes_into_slope_level_and_curve_as_it_is() {
    let (_, fit) = hidden();
    let u2 = OFFSET.1 * OFFSET.1;
    near(fit.offset.value, OFFSET.0, 1e-9);
    near(fit.offset.standard_uncertainty, OFFSET.1, 1e-9);
    for c in [fit.line.covariance, fit.asymptote.covariance] {
        near(c[0][2], -BETA * u2, 1e-8);
        near(c[1][2], -ALPHA * u2, 1e-8);
        near(c[2][2], u2, 1e-9);
    }
    let (slope, dead_time) = (fit.line.slope, fit.line.dead_time);
    near(fit.offset.slope_sensitivity, BETA, 1e-8);
    let on_dead_time = -(ALPHA + BETA * dead_time.value) / slope.value;
    near(fit.offset.dead_time_sensitivity, on_dead_time, 1e-8);
    let share = (BETA * OFFSET.1 / slope.standard_uncertainty).powi(2);
    near(fit.offset.slope_share, share, 1e-8);
    near(fit.slope_shares.offset, share, 1e-8);
    let share = (on_dead_time * OFFSET.1 / dead_time.standard_uncertainty).powi(2);
    near(fit.offset.dead_time_share, share, 1e-8);
    for (point, node) in fit.curve.iter().zip(&fit.nodes) {
        let sensitivity = ALPHA + BETA * point.width_ms;
        near(point.offset_sensitivity, sensitivity, 1e-8);
        near(node.offset_sensitivity, sensitivity, 1e-8);
        let own = point.delivered.standard_uncertainty;
        let share = (sensitivity * OFFSET.1 / own).powi(2);
        near(point.offset_share, share, 1e-8);
        assert_eq!(point.identified, share <= 0.5);
    }
}

/// What is expected of a reading is N·q + b, and as q answers b by 1/N its variance is
/// N²·u(q)² − u(b)². Of q at a width that was read no more is left open than by that reading alone.
#[test]
fn a_reading_is_expected_with_the_doubt_of_curve_and_offset() {
    let (readings, fit) = hidden();
    for ((reading, told), point) in readings.iter().zip(&fit.readings).zip(&fit.curve[64..]) {
        let n = reading.pulses;
        let expected = n * point.delivered.value + OFFSET.0;
        near(told.fitted, expected, 1e-9);
        let whole = (n * point.delivered.standard_uncertainty).powi(2);
        let own = whole - OFFSET.1 * OFFSET.1;
        near(told.fitted_uncertainty, own.sqrt(), 1e-7);
        let repeat = REPEATABILITY * expected;
        let noise = READ * READ + n * PULSE * PULSE + repeat * repeat + reading.extra_variance;
        near(told.reading_uncertainty, noise.sqrt(), 1e-9);
        assert!(0.0 < own && own < noise, "{own} of {noise}");
    }
}

/// The line is the least-squares line through the curve at the midpoints: its slope and level are
/// sums over the curve, so are their variances over the covariances of the curve with them.
#[test]
fn slope_and_level_are_sums_over_the_curve_and_so_are_their_variances() {
    let (_, fit) = hidden();
    let points = &fit.curve[..64];
    let middle = (RANGE.0 + RANGE.1) / 2.0;
    let spread: f64 = points.iter().map(|p| (p.width_ms - middle).powi(2)).sum();
    let line_of = |values: Vec<f64>| {
        let pairs = points.iter().zip(&values);
        let slope = pairs.map(|(p, v)| (p.width_ms - middle) * v).sum::<f64>() / spread;
        [slope, values.iter().sum::<f64>() / 64.0 - middle * slope]
    };
    let [slope, flow_offset] = line_of(points.iter().map(|p| p.delivered.value).collect());
    near(fit.line.slope.value, slope, 1e-9);
    near(fit.line.flow_offset.value, flow_offset, 1e-9);
    let with = |k: usize| line_of(points.iter().map(|p| p.covariance_with_line[k]).collect());
    let c = fit.line.covariance;
    let ([ss, ys], [sy, yy]) = (with(0), with(1));
    near(ss, c[0][0], 1e-6);
    near(ys, c[1][0], 1e-6);
    near(sy, c[0][1], 1e-6);
    near(yy, c[1][1], 1e-6);
}

/// q/(S·w + Y) − 1 by the law of propagation, with the covariances of q, S and Y.
#[test]
fn the_deviation_has_the_doubt_of_a_ratio() {
    let (_, fit) = hidden();
    let c = fit.line.covariance;
    for point in &fit.curve {
        let w = point.width_ms;
        let line = fit.line.slope.value * w + fit.line.flow_offset.value;
        let ratio = point.delivered.value / line;
        let found = point.deviation_percent.unwrap();
        assert!((found.value - 100.0 * (ratio - 1.0)).abs() < 2e-3 * found.standard_uncertainty);
        let of_line = w * w * c[0][0] + 2.0 * w * c[0][1] + c[1][1];
        let with = point.covariance_with_line;
        let variance = point.delivered.standard_uncertainty.powi(2) + ratio * ratio * of_line
            - 2.0 * ratio * (w * with[0] + with[1]);
        let expected = 100.0 * variance.sqrt() / line;
        near(found.standard_uncertainty, expected, 2e-3);
    }
}

/// A further doubt a hundred times the fit's own leaves a normal distribution: mean ± 1.96 u.
#[test]
fn a_large_further_doubt_makes_intervals_normal() {
    let (_, fit) = hidden();
    let normal = |interval: [Option<f64>; 2], value: f64, u: f64| {
        let [lo, hi] = interval.map(Option::unwrap);
        near(hi - lo, 2.0 * NORMAL_95 * u, 1e-4);
        assert!(((hi + lo) / 2.0 - value).abs() < 1e-2 * u);
    };
    let further = |own: f64| (1e4 * own * own, 10_001f64.sqrt() * own);
    for (index, point) in fit.curve.iter().enumerate() {
        let (extra, u) = further(point.delivered.standard_uncertainty);
        normal(
            fit.interval_delivered(index, extra),
            point.delivered.value,
            u,
        );
    }
    let slope = fit.asymptote.slope;
    let (extra, u) = further(slope.standard_uncertainty);
    normal(fit.interval_asymptote_slope(extra), slope.value, u);
    // A further doubt of Y alone is one of X·S; small beside S, it stays normal.
    let own = fit.asymptote.dead_time.standard_uncertainty;
    let of_level = 100.0 * own * slope.value;
    normal(
        fit.interval_asymptote_dead_time([[0.0, 0.0], [0.0, of_level * of_level]]),
        fit.asymptote.dead_time.value,
        of_level.hypot(own * slope.value) / slope.value,
    );
}

/// Nothing comes from an offset that is known.
#[test]
fn a_known_offset_has_no_share() {
    let readings = WIDTHS.map(|w| reading(w, 1000.0, 1000.0 * FLOW * (w - 0.8)));
    let known = CurveSetup {
        offset_uncertainty: 0.0,
        offset_mean: 0.0,
        ..setup(vec![3.0])
    };
    let fit = fit_curve(&readings, &known).unwrap();
    assert_eq!(fit.offset.slope_sensitivity, 0.0);
    assert_eq!(fit.offset.dead_time_share, 0.0);
    assert_eq!(fit.curve[0].offset_share, 0.0);
    assert_eq!(fit.nodes[0].offset_sensitivity, 0.0);
}

const EXPECTED: Expected = Expected {
    slope: FLOW,
    dead_time_ms: 0.8,
    reading: READ,
    repeatability: 0.002,
    pulse_scatter: PULSE,
};

const SCALES: FixedScales = FixedScales {
    slope: FLOW,
    dead_time_ms: 0.8,
    decay_index: 0,
    slow_ms: 0.0,
    local_ms: 0.0,
    long_end_ms: 0.0,
    mean_ms: 0.0,
    reading: READ,
    repeatability: 0.002,
};

/// Readings of a straight injector, two a cell, as a design and as readings.
fn two_counts() -> (Vec<DesignCell>, Vec<CurveReading>) {
    let mut cells = Vec::new();
    let mut readings = Vec::new();
    for (width, &ms) in WIDTHS.iter().enumerate() {
        for (pulses, extra_variance) in [(500.0, 0.0), (2000.0, 250.0)] {
            let delivered = pulses * FLOW * (ms - 0.8);
            cells.push(DesignCell {
                width,
                pulses,
                delivered,
                count: 2.0,
                extra_variance,
            });
            let one = CurveReading {
                extra_variance,
                ..reading(ms, pulses, delivered)
            };
            readings.extend([one, one]);
        }
    }
    (cells, readings)
}

/// Without a departure the doubt of a design is that of the readings taken; where noise is a
/// thousand times any departure, usual departures add nothing.
#[test]
fn the_doubt_of_a_design_is_that_of_its_readings() {
    let (cells, readings) = two_counts();
    let setup = CurveSetup {
        offset_mean: 0.0,
        ..setup(Vec::new())
    };
    let widths = WIDTHS.map(|w| (w, None));
    let design = CurveDesign::straight(&widths, &setup, EXPECTED).unwrap();
    let doubt = design.doubt(&cells).unwrap();
    let taken = posterior_at(&readings, &setup, &SCALES).unwrap();
    let [[ss, sy], [_, yy]] = taken.line_covariance;
    near(doubt.slope, ss.sqrt() / FLOW, 1e-9);
    let of_dead_time = yy + 2.0 * 0.8 * sy + 0.64 * ss;
    near(doubt.dead_time_ms, of_dead_time.sqrt() / FLOW, 1e-9);
    let of_offset = taken.asymptote_covariance[2][2];
    near(doubt.offset, of_offset.sqrt() / OFFSET.1, 1e-9);

    let noisy = Expected {
        reading: 1e7,
        ..EXPECTED
    };
    let [straight, usual] = [CurveDesign::straight, CurveDesign::usual]
        .map(|make| make(&widths, &setup, noisy).unwrap().doubt(&cells).unwrap());
    near(usual.slope, straight.slope, 1e-5);
    near(usual.dead_time_ms, straight.dead_time_ms, 1e-5);
    near(usual.offset, straight.offset, 1e-9);
}

/// C8: covariance of the departure that decays in `DECAYS[j]` from an amplitude, at two widths.
fn prior(j: usize, amplitude: f64, local: f64, a: [f64; 2], b: [f64; 2]) -> f64 {
    let x = |at: [f64; 2]| at[0] - 1.3;
    let shape = |k: usize, at: [f64; 2]| (-x(at) / DECAYS[k]).exp();
    let slow = amplitude * amplitude * (0.8 / DECAYS[j]).min(1.0);
    let mut sum = slow * shape(j, a) * shape(j, b);
    for k in 0..j {
        sum += 0.1 * amplitude * amplitude * shape(k, a) * shape(k, b);
    }
    for (decay, length, share) in [(0.5, 0.4, 1.0), (1.2, 1.0, 0.3)] {
        let rho = 3f64.sqrt() * (a[0] - b[0]).abs() / length;
        let envelope = share * (-(x(a) + x(b)) / decay).exp();
        sum += local * amplitude * amplitude * envelope * (1.0 + rho) * (-rho).exp();
    }
    let long_end = |at: [f64; 2]| (1.0 - at[1]).exp();
    sum + 0.01 * long_end(a) * long_end(b)
}

const DECAYS: [f64; 3] = [0.4, 0.8, 1.4];

/// What a draw adds for each normal value is a column of a factor L with L·Lᵀ = C8; the mean is
/// none for a uniform value below 0.35, −1.33 s·z below 0.8 and +1.33 s·z above.
#[test]
fn departures_are_drawn_from_the_prior() {
    let points = WIDTHS.map(|w| [w - 0.5, 11.5 - w]);
    let widths = points.map(|[w, off]| (w, Some(w + off)));
    let design = CurveDesign::usual(&widths, &setup(Vec::new()), EXPECTED).unwrap();
    let members = [(1, 0.15, 0.2), (2, 0.4, 0.3), (1, 0.4, 0.3), (2, 0.15, 0.2)];
    assert_eq!(design.kinds(), members.len());
    for (kind, (j, amplitude, local)) in members.into_iter().enumerate() {
        let column = |k: usize| {
            let mut normal = [0.0; WIDTHS.len()];
            normal[k] = 1.0;
            design.draw(kind, 0.1, &normal)
        };
        let columns: Vec<Vec<f64>> = (0..WIDTHS.len()).map(column).collect();
        for (i, a) in points.iter().enumerate() {
            for (k, b) in points.iter().enumerate() {
                let drawn: f64 = columns.iter().map(|c| c[i] * c[k]).sum();
                let said = prior(j, amplitude, local, *a, *b);
                let size = prior(j, amplitude, local, *a, *a) * prior(j, amplitude, local, *b, *b);
                assert!((drawn - said).abs() < 1e-9 * size.sqrt(), "{drawn} {said}");
            }
        }
        let slow = amplitude * (0.8 / DECAYS[j]).min(1.0).sqrt();
        for (uniform, signed) in [(0.34, 0.0), (0.36, -1.33), (0.79, -1.33), (0.81, 1.33)] {
            let mean = design.draw(kind, uniform, &[0.0; WIDTHS.len()]);
            for (value, at) in mean.iter().zip(points) {
                let shape = (-(at[0] - 1.3) / DECAYS[j]).exp();
                assert!((value - signed * slow * shape).abs() < 1e-12);
            }
        }
    }
}

/// What is left to doubt after readings is what their fit says within its departures, weighted as
/// there; departures of one member share their variance. Members under 2 % of the weight are left
/// out, and only of these the fit leaves out any (0.3 % at the light end).
#[test]
fn a_design_after_readings_weighs_departures_as_their_fit_does() {
    let (cells, readings) = two_counts();
    let setup = CurveSetup {
        offset_mean: 0.0,
        ..setup(Vec::new())
    };
    let widths = [vec![1.8], WIDTHS.to_vec()].concat();
    let widths: Vec<_> = widths.into_iter().map(|w| (w, None)).collect();
    let (design, taken) = CurveDesign::after(&readings, &widths, &setup).unwrap();
    // 1.8 ms stands before the widths that were read.
    for (taken, cell) in taken.iter().zip(&cells) {
        let width = cell.width + 1;
        assert_eq!(*taken, DesignCell { width, ..*cell });
    }
    assert_eq!(taken.len(), cells.len());
    let fit = fit_curve(&readings, &setup).unwrap();
    let mut members: BTreeMap<u64, f64> = BTreeMap::new();
    for c in &fit.line_components {
        *members.entry(c.covariance[0][0].to_bits()).or_default() += c.weight;
    }
    let every = members.len();
    members.retain(|_, weight| *weight > 0.02);
    assert!(1 < members.len() && members.len() < every);
    let variances = members.iter().map(|(bits, w)| w * f64::from_bits(*bits));
    let variance = variances.sum::<f64>() / members.values().sum::<f64>();
    let doubt = design.doubt(&taken).unwrap();
    near(doubt.slope, variance.sqrt() / FLOW, 1e-9);
}

#[test]
fn designs_and_scales_that_cannot_be_are_refused_one_by_one() {
    let setup = setup(Vec::new());
    let refused = |widths: &[f64], expected: Expected| {
        let widths: Vec<_> = widths.iter().map(|w| (*w, None)).collect();
        CurveDesign::straight(&widths, &setup, expected).err() == Some(CurveError::BadSetup)
    };
    let with = |change: fn(&mut Expected)| {
        let mut expected = EXPECTED;
        change(&mut expected);
        expected
    };
    assert!(!refused(&[2.0, 3.0], with(|e| e.reading = 0.0)));
    assert!(refused(&[2.0], EXPECTED));
    assert!(refused(&[2.0, 2.0, 3.0], EXPECTED));
    assert!(refused(&[2.0, 3.0], with(|e| e.slope = 0.0)));
    assert!(refused(&[2.0, 3.0], with(|e| e.dead_time_ms = f64::NAN)));
    assert!(refused(&[2.0, 3.0], with(|e| e.reading = -1.0)));
    assert!(refused(&[2.0, 3.0], with(|e| e.repeatability = -1.0)));
    assert!(refused(&[2.0, 3.0], with(|e| e.pulse_scatter = -1.0)));

    let (_, readings) = two_counts();
    for (decay_index, slope) in [(5, FLOW), (0, 0.0), (0, f64::NAN)] {
        let scales = FixedScales {
            decay_index,
            slope,
            ..SCALES
        };
        let told = posterior_at(&readings, &setup, &scales).err();
        assert_eq!(told, Some(CurveError::BadSetup), "{decay_index} {slope}");
    }
    // Eight readings at two widths.
    let told = posterior_at(&readings[..8], &setup, &SCALES).err();
    assert_eq!(told, Some(CurveError::TooFewWidths { have: 2, need: 3 }));
}

/// The sweeps of these rows by straight lines.
fn by_line(text: String, bench: &str) -> Vec<SweepFit> {
    let fit = FitOptions {
        model: ModelChoice::Line,
        ..FitOptions::default()
    };
    let injectors = of_files(&[text], bench, &fit).injectors;
    injectors.into_iter().flat_map(|i| i.sweeps).collect()
}

/// 0.8 ms at 300 kPa and 0.9 ms at 400 kPa: 2 kPa move the dead time by 2 µs, the flow by half of
/// their share of the pressure, and the flow-offset Y = −S·X with both: Y·r − S·x.
#[test]
fn an_uncertain_pressure_moves_flow_and_dead_time_together() {
    let mut text = format!("{HEADER},pressure_kpa\n");
    for (kpa, dead_time) in [(300, 0.8), (400, 0.9)] {
        for (width, off) in [(2.0, 0.1), (4.0, -0.1), (6.0, -0.1), (8.0, 0.1)] {
            let volume = FLOW * (width - dead_time) + off;
            text += &format!("A,{width},20,1000,,{volume},14,{kpa}\n");
        }
    }
    let bench = "[pressure]\nuncertainty = \"2 kPa\"\n";
    for (sweep, kpa) in by_line(text, bench).iter().zip([300.0, 400.0]) {
        let [slope, dead_time, flow_offset] = [&sweep.slope, &sweep.dead_time, &sweep.flow_offset]
            .map(|estimate| estimate.as_ref().unwrap());
        let relative = 0.5 * 2.0 / kpa;
        near(slope.shared["pressure"], slope.value * relative, 1e-9);
        near(dead_time.shared["pressure"], 0.002, 1e-9);
        let on_offset = flow_offset.value * relative - slope.value * 0.002;
        near(flow_offset.shared["pressure"], on_offset, 1e-9);
    }
}

/// Slopes of two stages, or at two pressures, differ by nature: only those of one stage at one
/// pressure are held against each other, be they but two. What both share of a vessel's tolerance
/// makes no difference between them: χ² over what each has of its own.
#[test]
fn slopes_are_compared_within_one_stage_and_pressure_only() {
    let told = |volts: &str, stage: &str, kpa: &str| {
        let mut text = format!("{HEADER},stage,pressure_kpa\n");
        let second = (5.1, volts, stage, kpa);
        for (slope, volts, stage, kpa) in [(5.0, "14", "one", "300"), second] {
            for (width, off) in [(2.0, 0.02), (4.0, -0.02), (6.0, -0.02), (8.0, 0.02)] {
                let volume = slope * (width - 0.8) + off;
                text += &format!("A,{width},20,1000,,{volume},{volts},{stage},{kpa}\n");
            }
        }
        let sweeps = by_line(
            text,
            "[vessel]\nkind = \"burette\"\ncapacity = \"100 ml\"\ntolerance = \"2 ml\"\n",
        );
        let [a, b] = [0, 1].map(|k: usize| sweeps[k].slope.as_ref().unwrap());
        let own = |e: &Estimate| u(e).powi(2) - e.shared.values().map(|v| v * v).sum::<f64>();
        assert!(own(a) < 0.05 * u(a).powi(2));
        let mut findings = sweeps.iter().flat_map(|sweep| &sweep.findings);
        let found = findings.find(|f| f.kind == Kind::SlopesDiffer)?;
        let chi_squared = (a.value - b.value).powi(2) / (own(a) + own(b));
        near(found.facts["f"].as_f64().unwrap(), chi_squared, 1e-9);
        Some(chi_squared)
    };
    assert!(told("12", "one", "300").is_some());
    assert_eq!(told("12", "two", "300"), None);
    assert_eq!(told("12", "one", "400"), None);
    assert_eq!(told("14", "two", "300"), None);
}
