//! Fits of sweeps worked by hand.
//!
//! Sums of squares of a few numbers, a closed form of Student's t and the law of propagation of
//! uncertainty (JCGM 100:2008, equation 13) are all the source there is; each test says what it
//! works out.

use std::f64::consts::PI;

use meniscus::capture::{Bench, CaptureFile, SetPoints, read_captures};
use meniscus::finding::{Finding, Kind};
use meniscus::fit::{DroppedRow, FitOptions, ModelChoice, Scale, SweepFit, lines_of_injector};
use meniscus::units::NORMAL_95;

use super::by_hand::{FINE, HEADER, STATED, in_vessel, near, of_files, sweeps, u};

/// Readings of one sweep: width in ms, pulses, mL.
fn rows(readings: &[(f64, f64, f64)]) -> String {
    let row =
        |(width, pulses, volume): &(f64, f64, f64)| format!("A,{width},20,{pulses},,{volume},14\n");
    readings.iter().map(row).collect()
}

fn line_of(readings: &[(f64, f64, f64)], bench: &str) -> SweepFit {
    sweeps(&rows(readings), bench, ModelChoice::Line).remove(0)
}

fn told(sweep: &SweepFit, kind: Kind) -> Option<&Finding> {
    sweep.findings.iter().find(|f| f.kind == kind)
}

fn fact(sweep: &SweepFit, kind: Kind, name: &str) -> f64 {
    told(sweep, kind).unwrap().facts[name].as_f64().unwrap()
}

/// Scatter that adds nothing, so that only the reading counts: 1 mL/√12, more than the 0.2 mL
/// that `STATED` says.
fn read_only() -> (String, f64) {
    let scatter = "\n[scatter]\nrepeatability = \"0.0001 %\"\nknown = \"exactly\"\n";
    (STATED.to_owned() + scatter, 1000.0 / 12f64.sqrt())
}

const FLOW: f64 = 5.0;

/// mL of 1000 pulses of an injector of 5 mm³/ms and 0.8 ms.
fn straight(width: f64) -> f64 {
    FLOW * (width - 0.8)
}

/// Taken at 242 kPa instead of 200, an injector gives √1.21 = 1.1 times as much: carried by
/// √(200/242), and doubted by q·|ln(200/242)|·0.015 more.
#[test]
fn a_reading_is_carried_to_its_pressure_and_doubted_for_the_exponent() {
    let mut text = format!("{HEADER},pressure_kpa,pressure_actual_kpa\n");
    for width in [2.0, 4.0, 6.0, 8.0] {
        for (volume, actual) in [
            (straight(width) - 0.1, ""),
            (straight(width) + 0.1, ""),
            (1.1 * straight(width), "242"),
        ] {
            text += &format!("A,{width},20,1000,,{volume},14,200,{actual}\n");
        }
    }
    let fit = FitOptions {
        model: ModelChoice::Line,
        ..FitOptions::default()
    };
    let (bench, read) = read_only();
    let document = of_files(&[text], &bench, &fit);
    let sweep = &document.injectors[0].sweeps[0];
    near(sweep.slope.as_ref().unwrap().value, FLOW, 1e-9);
    near(sweep.dead_time.as_ref().unwrap().value, 0.8, 1e-9);
    assert_eq!(fact(sweep, Kind::SetPointDeviation, "deviation"), 42.0);
    for (at, width) in [2.0, 4.0, 6.0, 8.0].into_iter().enumerate() {
        let of = |k: usize| sweep.points[3 * at + k].standard_uncertainty.unwrap();
        let further = 1000.0 * straight(width) * 1.21f64.ln() * 0.015;
        near(of(2) / of(0), (1.0 + (further / read).powi(2)).sqrt(), 1e-6);
    }
}

/// All readings of the middle sweep were taken at 13 V, where X is 0.85 ms; X moves by
/// (0.7 − 0.9)/(16 − 12) = −0.05 ms/V, so at 14 V it is 0.85 − 0.05 = 0.80 ms.
#[test]
fn a_sweep_taken_off_its_voltage_throughout_is_carried_to_it() {
    let mut text = format!("{HEADER},voltage_actual_v\n");
    for (volts, actual, dead_time) in [(12, 12, 0.9), (14, 13, 0.85), (16, 16, 0.7)] {
        for (width, off) in [(2.0, 0.1), (4.0, -0.1), (6.0, -0.1), (8.0, 0.1)] {
            let volume = FLOW * (width - dead_time) + off;
            text += &format!("A,{width},20,1000,,{volume},{volts},{actual}\n");
        }
    }
    let fit = FitOptions {
        model: ModelChoice::Line,
        ..FitOptions::default()
    };
    let document = of_files(&[text], "", &fit);
    let sweeps = &document.injectors[0].sweeps;
    for (sweep, expected) in sweeps.iter().zip([0.9, 0.8, 0.7]) {
        near(sweep.dead_time.as_ref().unwrap().value, expected, 1e-9);
    }
    assert_eq!(fact(&sweeps[1], Kind::SetPointDeviation, "deviation"), 1.0);
    assert!(told(&sweeps[0], Kind::SetPointDeviation).is_none());
}

/// A start reading that was subtracted is one more reading: twice the variance.
#[test]
fn a_difference_of_two_readings_has_twice_the_variance() {
    let mut text = format!("{HEADER},volume_start_ml\n");
    for (width, off) in [(2.0, 0.1), (4.0, -0.1), (6.0, -0.1), (8.0, 0.1)] {
        let volume = straight(width) + off;
        text += &format!("A,{width},20,1000,,{volume},14,\n");
        text += &format!("A,{width},20,1000,,{},14,10\n", volume + 10.0);
    }
    let fit = FitOptions {
        model: ModelChoice::Line,
        ..FitOptions::default()
    };
    let document = of_files(&[text], &read_only().0, &fit);
    let points = &document.injectors[0].sweeps[0].points;
    for pair in points.chunks(2) {
        let [once, twice] = [&pair[0], &pair[1]].map(|p| p.standard_uncertainty.unwrap());
        near(twice / once, 2f64.sqrt(), 1e-6);
    }
}

/// Means 0.3, −0.6 and 0.3 mm³ off a line of 6, 16 and 26 mm³, repeats ±0.05: F =
/// 12·0.09/1 over 6·0.0025/3 = 216 of 1 and 3 degrees of freedom; 0.3/6 at the first width is more
/// than 0.6/16 at the second.
#[test]
fn a_bend_is_told_with_its_f_and_the_width_where_it_is_worst() {
    let mut readings = Vec::new();
    for (width, off) in [(2.0, 0.3), (4.0, -0.6), (6.0, 0.3)] {
        for repeat in [-0.05, 0.05] {
            readings.push((width, 1000.0, straight(width) + off + repeat));
        }
    }
    let sweep = line_of(&readings, "");
    let of = |name: &str| fact(&sweep, Kind::LackOfFit, name);
    near(of("f"), 216.0, 1e-9);
    // F(1, 3) is the square of Student's t of 3: t/√3 = √72.
    let (t, angle) = (72f64.sqrt(), 72f64.sqrt().atan());
    near(of("p"), 100.0 * (1.0 - 2.0 / PI * (angle + t / 73.0)), 1e-9);
    near(of("percent"), 5.0, 1e-9);
    assert_eq!(of("width"), 2.0);
}

/// Two widths of five in the line range are told as two, three are enough; a range to 9 ms where
/// 8 were measured is told. The delivery curve of a line ends with the range.
#[test]
fn a_line_range_of_two_widths_is_told_and_one_of_three_is_not() {
    let mut readings = Vec::new();
    for width in [2.0, 3.0, 4.0, 6.0, 8.0] {
        for off in [-0.1, 0.1] {
            readings.push((width, 1000.0, straight(width) + off));
        }
    }
    for (to, count) in [(3.0, Some(2.0)), (4.0, None), (9.0, None)] {
        let fit = FitOptions {
            model: ModelChoice::Line,
            line_range_ms: Some([2.0, to]),
            ..FitOptions::default()
        };
        let document = of_files(&[format!("{HEADER}\n{}", rows(&readings))], "", &fit);
        let sweep = &document.injectors[0].sweeps[0];
        let short = told(sweep, Kind::LineRangeShort);
        assert_eq!(short.map(|f| f.facts["count"].as_f64().unwrap()), count);
        let range = Some([2.0, to.min(8.0)]);
        assert_eq!(sweep.delivery.as_ref().unwrap().range(), range);
        let outside = told(sweep, Kind::LineRangeOutside).is_some();
        assert_eq!(outside, to > 8.0);
    }
}

/// Repeats that agree to the last digit leave the scale to what is stated, and are told; two
/// readings make a line with S = (26 − 6)/4 and u² = 2·u_q²/4².
#[test]
fn readings_without_scatter_take_the_scale_from_the_reading() {
    let exact: Vec<_> = [2.0, 2.0, 4.0, 4.0, 6.0, 6.0]
        .map(|width| (width, 1000.0, straight(width)))
        .to_vec();
    let sweep = line_of(&exact, "");
    assert_eq!(sweep.scale, Scale::Stated);
    near(sweep.slope.as_ref().unwrap().value, FLOW, 1e-9);
    assert!(told(&sweep, Kind::ZeroScatter).is_some());
    let mut scattered = exact.clone();
    scattered[0].2 += 0.05;
    assert!(told(&line_of(&scattered, ""), Kind::ZeroScatter).is_none());

    // Stated as 0.2 mL, more than 0.1 mL/√12.
    let bench = read_only().0.replace("\"1 ml\"", "\"0.1 ml\"");
    let sweep = line_of(&[exact[0], exact[4]], &bench);
    assert_eq!(sweep.scale, Scale::Stated);
    let slope = sweep.slope.as_ref().unwrap();
    near(slope.value, FLOW, 1e-9);
    near(u(slope), 0.2 * 2f64.sqrt() / 4.0, 1e-6);
    assert!(told(&sweep, Kind::ZeroScatter).is_none());
}

/// Line 5 is left out of the first of two files and of no other.
#[test]
fn a_dropped_row_is_told_once_and_for_its_own_file() {
    let texts = ["A", "B"].map(|id| format!("{HEADER}\n{}", in_vessel(id, 14.0, 0.0, false)));
    let fit = FitOptions {
        model: ModelChoice::Line,
        dropped: vec![DroppedRow {
            source: "run0.csv".to_owned(),
            line: 5,
        }],
        ..FitOptions::default()
    };
    let document = of_files(&texts, "", &fit);
    let sweeps = document.injectors.iter().flat_map(|i| &i.sweeps);
    let places: Vec<_> = sweeps
        .flat_map(|sweep| &sweep.findings)
        .filter(|f| f.kind == Kind::ReadingDropped)
        .map(|f| (f.place.source.as_deref(), f.place.line))
        .collect();
    assert_eq!(places, [(Some("run0.csv"), Some(5))]);
}

/// Trains that all fill 80 mL make an offset of 2 mL one of the flow: S·2/80, and of the variance
/// of the slope the square of that over u². Fill levels fourfold apart tell it.
#[test]
fn an_offset_that_dominates_the_flow_is_told_with_its_share() {
    let mut full = Vec::new();
    for width in [1.5, 2.0, 2.6, 3.4, 4.4, 5.6, 7.0, 8.5, 10.0] {
        let pulses = (80.0 / (4.2e-3 * (width - 0.8f64))).round();
        for off in [-0.06, 0.06] {
            full.push((width, pulses, pulses * 4.2e-3 * (width - 0.8) + off));
        }
    }
    let bench = FINE.replace("0.3 ml", "2 ml");
    let sweep = sweeps(&rows(&full), &bench, ModelChoice::Curve).remove(0);
    let slope = sweep.slope.as_ref().unwrap();
    let share = 100.0 * (slope.value * 2.0 / 80.0 / u(slope)).powi(2);
    let found = fact(&sweep, Kind::OffsetDominatesFlow, "share");
    assert!(
        (found - share).abs() < 1.5 && share > 90.0,
        "{found}, by hand {share}"
    );
    let levels = in_vessel("A", 14.0, 0.0, false);
    let sweep = sweeps(&levels, FINE, ModelChoice::Curve).remove(0);
    assert!(told(&sweep, Kind::OffsetDominatesFlow).is_none());
}

/// 300 mm³ on the middle train of 500 pulses at 5 mm³/ms: 1000·300/(500·5) = 120 µs.
#[test]
fn an_offset_left_out_of_a_line_is_told_in_microseconds() {
    for counts in [
        vec![1000.0, 500.0, 250.0],
        vec![1000.0, 250.0, 500.0, 500.0],
    ] {
        let readings: Vec<_> = [2.0, 4.0, 6.0, 8.0]
            .into_iter()
            .zip(counts)
            .map(|(width, pulses)| (width, pulses, pulses / 1000.0 * straight(width)))
            .collect();
        let sweep = line_of(&readings, STATED);
        near(fact(&sweep, Kind::OffsetNotInLine, "offset"), 300.0, 1e-12);
        near(fact(&sweep, Kind::OffsetNotInLine, "us"), 120.0, 1e-9);
    }
}

/// Residuals of 0.15 and 0.05 mm³ in turn: s² = 0.1/6. The line's own variance at w is
/// s²·(1/8 + (w − 5)²/40), Σ(w − 5)² being 2·(9 + 1 + 1 + 9); the mean of two readings has s²/2.
#[test]
fn a_line_and_its_deviations_have_the_doubt_of_the_scatter() {
    let mut readings = Vec::new();
    for (width, off) in [
        (2.0, 0.1),
        (4.0, -0.1),
        (6.0, -0.1),
        (8.0, 0.1),
        (10.0, 0.3),
    ] {
        for repeat in [-0.05, 0.05] {
            readings.push((width, 1000.0, straight(width) + off + repeat));
        }
    }
    let fit = FitOptions {
        model: ModelChoice::Line,
        line_range_ms: Some([2.0, 8.0]),
        ..FitOptions::default()
    };
    let document = of_files(&[format!("{HEADER}\n{}", rows(&readings))], "", &fit);
    let sweep = &document.injectors[0].sweeps[0];
    let s2 = 0.1 / 6.0;
    let variance = |w: f64| s2 * (1.0 / 8.0 + (w - 5.0).powi(2) / 40.0);
    let delivery = sweep.delivery.as_ref().unwrap();
    assert!(delivery.pulse_width_ms.len() > 4);
    for (w, own) in delivery
        .pulse_width_ms
        .iter()
        .zip(&delivery.standard_uncertainty)
    {
        near(own * own, variance(*w), 1e-9);
    }
    let deviations = &sweep.linearity_deviation;
    for (d, off) in deviations.iter().zip([0.1, -0.1, -0.1, 0.1]) {
        let (w, line) = (d.pulse_width_ms, straight(d.pulse_width_ms));
        let half = 100.0 * NORMAL_95 * (s2 / 2.0 + variance(w)).sqrt() / line;
        near(d.percent.unwrap(), 100.0 * off / line, 1e-9);
        near(d.interval_95[0].unwrap(), 100.0 * off / line - half, 1e-9);
        near(d.interval_95[1].unwrap(), 100.0 * off / line + half, 1e-9);
    }
    // Beyond the range nothing was fitted, and nothing is known of the scatter.
    let beyond = deviations.last().unwrap();
    near(beyond.percent.unwrap(), 100.0 * 0.3 / straight(10.0), 1e-9);
    assert_eq!(beyond.interval_95, [None, None]);
}

/// Flows of 4 and 4.5 mm³/ms held open have one degree of freedom; of the variance of Y = q − 4·S
/// only 16·u_S² rests on them: ν_Y = ν_S·(u_Y²/(16·u_S²))² (Welch and Satterthwaite).
#[test]
fn a_flow_offset_has_the_freedom_of_the_static_flow() {
    let rows = "A,4,20,5000,,70,14\nA,4,20,5000,,70.4,14\nA,,,,10,40,14\nA,,,,20,90,14\n";
    let sweep = &sweeps(rows, STATED, ModelChoice::Auto)[0];
    let [slope, offset] = [&sweep.slope, &sweep.flow_offset].map(|e| e.as_ref().unwrap());
    let share = u(offset).powi(2) / (16.0 * u(slope).powi(2));
    let expected = slope.degrees_of_freedom.unwrap() * share * share;
    near(offset.degrees_of_freedom.unwrap(), expected, 1e-9);
}

/// 14 and 14.08 mm³ at 4 ms with 4 mm³/ms held open: X = 4 − 14.04/4. What was held open
/// is not among the readings used.
#[test]
fn a_line_through_one_width_has_the_dead_time_of_its_mean() {
    let rows = "A,4,20,5000,,70,14\nA,,,,10,40,14\nA,4,20,5000,,70.4,14\nA,,,,20,80,14\n";
    let sweep = &sweeps(rows, STATED, ModelChoice::Auto)[0];
    near(sweep.dead_time.as_ref().unwrap().value, 0.49, 1e-12);
    let used: Vec<bool> = sweep.points.iter().map(|p| p.used).collect();
    assert_eq!(used, [true, false, true, false]);
    assert_eq!(sweep.line_range_ms, Some([4.0, 4.0]));
}

/// 1000 pulses read to v and 500 to 4·v weigh 1 and 1/4: mean (14 + 14.5/4)/1.25 = 14.1,
/// variance v/1.25 (what scatters is less than v), offset of (1 + 2/4)/1.25 = 1.2 thousandths.
#[test]
fn trains_of_unequal_count_are_weighted_by_what_the_reading_does() {
    let (bench, read) = read_only();
    let readings = rows(&[(4.0, 1000.0, 14.0), (4.0, 500.0, 7.25)]);
    let sweep = &sweeps(&readings, &bench, ModelChoice::Auto)[0];
    let as_read = sweep.as_read.as_ref().unwrap();
    near(as_read.delivered[0], 14.1, 1e-6);
    let own = (read / 1000.0).powi(2) / 1.25;
    let offset: f64 = 300.0 * 1.2e-3;
    let both = (own + offset * offset).sqrt();
    near(as_read.standard_uncertainty[0], both, 1e-6);
}

/// 4 of 40 mm³ is a tenth, 3.9 is less.
#[test]
fn the_line_range_begins_where_a_tenth_is_delivered() {
    for (volume, from) in [(4.0, 2.0), (3.9, 3.0)] {
        let readings = [
            (2.0, 1000.0, volume),
            (3.0, 1000.0, 8.0),
            (10.0, 1000.0, 40.0),
        ];
        assert_eq!(line_of(&readings, "").line_range_ms, Some([from, 10.0]));
    }
}

/// Of two sweeps that know the offset, as m ± s, the variance between them is
/// ((m₁ − m₂)² − s₁² − s₂²)/2; a third takes the better m with s² and that, but not where its own
/// doubt is less than twice the root of both.
#[test]
fn an_offset_is_carried_with_the_variance_between_sweeps() {
    for (prior, offset, carried) in [(300.0, 0.4, true), (60.0, 0.0, false)] {
        let rows = [
            in_vessel("A", 14.0, offset, false),
            in_vessel("C", 14.0, offset + 0.06, false),
            in_vessel("B", 14.0, offset, true),
        ];
        let bench = FINE.replace("0.3 ml", &format!("{} ml", prior / 1000.0));
        let text = format!("{HEADER}\n{}", rows.concat());
        let document = of_files(&[text], &bench, &FitOptions::default());
        let [a, c, third] = [0, 1, 2].map(|i: usize| &document.injectors[i].sweeps[0]);
        let [a, c] = [a, c].map(|sweep| sweep.reading_offset.as_ref().unwrap());
        let between = ((a.value - c.value).powi(2) - u(a).powi(2) - u(c).powi(2)) / 2.0;
        let best = if u(a) < u(c) { a } else { c };
        let expected = (u(best).powi(2) + between).sqrt();
        assert!(
            between > u(best).powi(2) && 2.0 * u(best) < prior,
            "{between}"
        );
        assert_eq!(prior > 2.0 * expected, carried, "{expected}");
        assert!(told(third, Kind::OffsetsDisagree).is_none());
        assert_eq!(told(third, Kind::OffsetCarried).is_some(), carried);
        if carried {
            near(fact(third, Kind::OffsetCarried, "offset"), best.value, 1e-9);
            near(
                fact(third, Kind::OffsetCarried, "uncertainty"),
                expected,
                1e-9,
            );
        }
    }
}

/// A row that was read at another voltage or pressure or in a vessel of its own needs the whole
/// capture; plain rows do not.
#[test]
fn lines_alone_are_given_only_where_the_rows_say_all() {
    let lines = |voltage: &str, pressure: &str, vessel: &str| {
        let mut text =
            format!("{HEADER},pressure_kpa,voltage_actual_v,pressure_actual_kpa,vessel\n");
        for (at, width) in [2.0, 4.0, 6.0, 8.0].into_iter().enumerate() {
            let beside = if at == 1 {
                format!("{voltage},{pressure},{vessel}")
            } else {
                ",,".to_owned()
            };
            let volume = straight(width) + 0.1 * (at % 2) as f64;
            text += &format!("A,{width},20,1000,,{volume},14,300,{beside}\n");
        }
        let file = CaptureFile::new("run.csv", text.into_bytes());
        let capture = read_captures(&[file], Bench::default(), SetPoints::default()).unwrap();
        let options = FitOptions {
            model: ModelChoice::Line,
            ..FitOptions::default()
        };
        lines_of_injector(&capture.sweeps, "run.csv", &options).is_some()
    };
    assert!(lines("", "", ""));
    assert!(!lines("13", "", ""));
    assert!(!lines("", "290", ""));
    assert!(!lines("13", "290", ""));
}

/// Three widths of one count take the offset m of another sweep: what was read is m/2000 less.
#[test]
fn what_is_read_of_few_widths_is_freed_of_a_carried_offset() {
    let few: Vec<_> = [2.0, 5.0, 10.0, 2.0, 5.0, 10.0]
        .map(|width| (width, 2000.0, 2.0 * straight(width) + 0.4))
        .to_vec();
    let text = in_vessel("A", 14.0, 0.4, false) + &rows(&few).replace("A,", "B,");
    let document = of_files(&[format!("{HEADER}\n{text}")], FINE, &FitOptions::default());
    let sweep = &document.injectors[1].sweeps[0];
    let m = fact(sweep, Kind::OffsetCarried, "offset");
    assert!(m > 300.0);
    let as_read = sweep.as_read.as_ref().unwrap();
    for (width, found) in as_read.pulse_width_ms.iter().zip(&as_read.delivered) {
        near(*found, straight(*width) + (400.0 - m) / 2000.0, 1e-9);
    }
}

/// Of two slopes χ² is their difference squared over the sum of their variances.
#[test]
fn two_slopes_that_differ_are_told() {
    let mut readings = String::new();
    for (volts, slope) in [(12, 5.0), (14, 5.1)] {
        for (width, off) in [(2.0, 0.02), (4.0, -0.02), (6.0, -0.02), (8.0, 0.02)] {
            for repeat in [-0.01, 0.01] {
                let volume = slope * (width - 0.8) + off + repeat;
                readings += &format!("A,{width},20,1000,,{volume},{volts}\n");
            }
        }
    }
    let fits = sweeps(&readings, "", ModelChoice::Line);
    let [a, b] = [0, 1].map(|at: usize| fits[at].slope.as_ref().unwrap());
    let chi_squared = (a.value - b.value).powi(2) / (u(a).powi(2) + u(b).powi(2));
    near(fact(&fits[0], Kind::SlopesDiffer, "f"), chi_squared, 1e-9);
}
