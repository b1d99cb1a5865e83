//! Cases worked by hand, for figures that no published case witnesses.
//!
//! The law of propagation of uncertainty (JCGM 100:2008, equation 13) and sums of a few numbers are
//! all the source there is; each test says what it works out.

use std::collections::BTreeMap;

use meniscus::capture::{Bench, CaptureFile, SetPoints, read_bench};
use meniscus::characterisation::Characterisation;
use meniscus::finding::Kind;
use meniscus::fit::curve::{CurveReading, CurveSetup, Scale, fit_curve};
use meniscus::fit::{DroppedRow, FitOptions, ModelChoice, SweepFit};
use meniscus::matching::{
    ChangeVerdict, CompareLimits, Criterion, HealthCriteria, HealthInput, Side, compare, health,
    read_criteria,
};
use meniscus::units::Estimate;
use meniscus::{Request, characterise};

use super::runs::characterise_run;
use super::sets::change;

pub const HEADER: &str = "injector,pulse_width_ms,period_ms,pulses,open_time_s,volume_ml,voltage_v";

fn characterised(rows: &str, bench: &str, fit: &FitOptions) -> Characterisation {
    of_files(&[format!("{HEADER}\n{rows}")], bench, fit)
}

/// What these files give: `run.csv` for a single one, else `run0.csv` and so on.
pub fn of_files(texts: &[String], bench: &str, fit: &FitOptions) -> Characterisation {
    let name = |k: usize| match texts {
        [_] => "run.csv".to_owned(),
        _ => format!("run{k}.csv"),
    };
    let texts = texts.iter().enumerate();
    let files: Vec<CaptureFile> = texts
        .map(|(k, text)| CaptureFile::new(name(k), text.clone().into_bytes()))
        .collect();
    let request = Request {
        fit: fit.clone(),
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let bench = match bench {
        "" => Bench::default(),
        text => read_bench("bench.toml", text).unwrap(),
    };
    characterise(&files, bench, SetPoints::default(), &request).unwrap()
}

pub fn sweeps(rows: &str, bench: &str, model: ModelChoice) -> Vec<SweepFit> {
    let fit = FitOptions {
        model,
        ..FitOptions::default()
    };
    characterised(rows, bench, &fit).injectors.remove(0).sweeps
}

#[track_caller]
pub fn near(found: f64, expected: f64, relative: f64) {
    let off = (found / expected - 1.0).abs();
    assert!(off <= relative, "{found}, by hand {expected}: off by {off}");
}

pub fn u(estimate: &Estimate) -> f64 {
    estimate.standard_uncertainty.unwrap()
}

/// Change of flow: a/b − 1 with u² = (a·u_b/b²)² + (u_a/b)².
#[test]
fn the_change_of_flow_has_the_doubt_of_a_ratio() {
    let document = characterise_run("neglected-four");
    let make = |value: f64, own: f64| {
        let mut sweep = document.injectors[0].sweeps[0].clone();
        let slope = sweep.slope.as_mut().unwrap();
        slope.value = value;
        slope.standard_uncertainty = Some(own);
        slope.degrees_of_freedom = None;
        slope.shared = BTreeMap::new();
        sweep
    };
    let change = change(&make(4.0, 0.04), &make(4.4, 0.03))
        .flow_change_percent
        .unwrap();
    near(change.value, 10.0, 1e-12);
    // (4.4·0.04/16)² and (0.03/4)²
    near(
        u(&change),
        100.0 * (0.000_121_f64 + 0.000_056_25).sqrt(),
        1e-9,
    );
}

/// A flow 6 % above the set's median is told as 6 %, a dead time 0.1 ms above it as 100 µs.
#[test]
fn what_is_off_the_median_is_told_in_its_size() {
    let document = characterise_run("neglected-four");
    let make = |flow: f64, dead_time: f64| {
        let mut sweep = document.injectors[0].sweeps[0].clone();
        sweep.slope.as_mut().unwrap().value = flow;
        sweep.dead_time.as_mut().unwrap().value = dead_time;
        sweep
    };
    let fits = [make(4.0, 0.7), make(4.0, 0.7), make(4.24, 0.8)];
    let inputs: Vec<HealthInput> = ["A", "B", "C"]
        .iter()
        .zip(&fits)
        .map(|(injector, sweep)| HealthInput {
            injector,
            sweep: Some(sweep),
            check: None,
        })
        .collect();
    let verdicts = health(&inputs, &HealthCriteria::default());
    let has = |at: usize, words: &str| verdicts[at].reasons.iter().any(|r| r.contains(words));
    assert!(
        has(2, "flow off the set's median by +6.0 %"),
        "{verdicts:?}"
    );
    assert!(
        has(2, "dead time off the set's median by +100.0 µs"),
        "{verdicts:?}"
    );
    assert!(!has(0, "median") && !has(1, "median"), "{verdicts:?}");
}

pub const STATED: &str = "[vessel]\nkind = \"graduated cylinder\"\ncapacity = \"100 ml\"\ndivision = \"1 ml\"\nreading_uncertainty = \"0.2 ml\"\nreading_offset_uncertainty = \"0.3 ml\"\n";

/// Static flow: the mean of q/t; a reading's own doubt falls with their number, the vessel's
/// offset acts on the mean of 1/t. A reading that is left out acts on neither.
#[test]
fn static_flow_has_the_doubt_of_its_readings_and_of_the_offset() {
    let rows = "A,4,20,5000,,50,14\nA,4,20,5000,,50,14\nA,,,,10,40,14\nA,,,,20,80,14\n";
    let with_one_left_out = rows.replace('\n', ",\n") + "A,,,,1,4,14,a trial\n";
    let text = format!("{HEADER},exclude\n{with_one_left_out}");
    let other = of_files(&[text], STATED, &FitOptions::default());
    for sweep in [
        &sweeps(rows, STATED, ModelChoice::Auto)[0],
        &other.injectors[0].sweeps[0],
    ] {
        let flow = sweep.static_flow.as_ref().unwrap();
        near(flow.value, 4.0, 1e-12);
        // Readings of 1 mL/√12, more than the 0.2 mL stated; offset 300 mm³.
        let read = 1000.0 / 12f64.sqrt();
        let own: f64 = ((read / 1e4).powi(2) + (read / 2e4).powi(2)) / 4.0;
        let offset: f64 = 300.0 * (1e-4 + 0.5e-4) / 2.0;
        near(u(flow), (own + offset * offset).sqrt(), 1e-9);
    }
}

/// One width and a static flow S: X = w − q/S with u² = u_q²/S² + (q·u_S/S²)², and
/// Y = q − S·w with u² = u_q² + (w·u_S)².
#[test]
fn a_line_through_one_width_passes_on_both_doubts() {
    let rows = "A,4,20,5000,,70,14\nA,4,20,5000,,70.4,14\nA,,,,10,40,14\nA,,,,20,80,14\n";
    let sweep = &sweeps(rows, STATED, ModelChoice::Auto)[0];
    let [slope, dead_time, offset] = [&sweep.slope, &sweep.dead_time, &sweep.flow_offset]
        .map(|estimate| estimate.as_ref().unwrap());
    let (s, w) = (slope.value, 4.0);
    let q = s * (w - dead_time.value);
    let own = u(offset).powi(2) - (w * u(slope)).powi(2);
    assert!(own > 0.0);
    let from_slope = q * u(slope) / (s * s);
    near(
        u(dead_time),
        (own / (s * s) + from_slope * from_slope).sqrt(),
        1e-9,
    );
}

/// Slopes at several voltages: Σ((S − mean)/u)² with the weighted mean is χ² where they are one.
#[test]
fn unequal_slopes_are_told_with_their_chi_squared() {
    let rows = |slopes: [f64; 3]| -> String {
        let mut rows = String::new();
        for (slope, volts) in slopes.iter().zip([10, 12, 14]) {
            for (width, off) in [(2.0, 0.02), (4.0, -0.05), (6.0, 0.04), (9.0, -0.01)] {
                for repeat in [-0.01, 0.01] {
                    let volume = 1.0 * slope * (width - 0.8) + off + repeat;
                    rows += &format!("A,{width},20,1000,,{volume},{volts}\n");
                }
            }
        }
        rows
    };
    let told = |slopes| {
        let fits = sweeps(&rows(slopes), "", ModelChoice::Line);
        let weights: Vec<f64> = fits
            .iter()
            .map(|f| u(f.slope.as_ref().unwrap()).powi(-2))
            .collect();
        let values: Vec<f64> = fits
            .iter()
            .map(|f| f.slope.as_ref().unwrap().value)
            .collect();
        let mean = weights.iter().zip(&values).map(|(w, s)| w * s).sum::<f64>()
            / weights.iter().sum::<f64>();
        let chi_squared: f64 = weights
            .iter()
            .zip(&values)
            .map(|(w, s)| w * (s - mean).powi(2))
            .sum();
        let found = fits
            .iter()
            .flat_map(|f| &f.findings)
            .find(|f| f.kind == Kind::SlopesDiffer)
            .cloned();
        (chi_squared, found)
    };
    let (chi_squared, found) = told([4.0, 4.0, 4.0]);
    assert!(
        chi_squared < 1e-9 && found.is_none(),
        "{chi_squared} {found:?}"
    );
    let (chi_squared, found) = told([4.0, 4.0, 4.1]);
    let facts = found.unwrap().facts;
    // χ² of two degrees of freedom is exceeded with probability exp(−χ²/2).
    near(facts["f"].as_f64().unwrap(), chi_squared / 2.0, 1e-9);
    near(
        facts["p"].as_f64().unwrap(),
        100.0 * (-0.5 * chi_squared).exp(),
        1e-6,
    );
}

/// The widths for prediction climb by equal ratios between the first and the last.
#[test]
fn widths_for_prediction_climb_by_equal_ratios() {
    let rows = "A,2,20,1000,,5,14\nA,2,20,1000,,5.1,14\nA,8,20,1000,,29,14\nA,8,20,1000,,29.1,14\n";
    let fit = FitOptions {
        model: ModelChoice::Line,
        line_range_ms: Some([2.0, 8.0]),
        ..FitOptions::default()
    };
    let document = characterised(rows, "", &fit);
    let widths = &document.injectors[0].sweeps[0]
        .delivery
        .as_ref()
        .unwrap()
        .pulse_width_ms;
    assert_eq!((widths[0], widths[widths.len() - 1]), (2.0, 8.0));
    let ratio = 4f64.powf(1.0 / (widths.len() - 1) as f64);
    for pair in widths.windows(2) {
        near(pair[1] / pair[0], ratio, 1e-9);
    }
}

/// A reading taken 1 V off is carried by N·S·dX/dV·1 V, a fifth of which is its further doubt.
#[test]
fn a_reading_carried_to_its_voltage_is_doubted_by_a_fifth_of_the_step() {
    let mut rows = String::new();
    // Dead times of 0.9, 0.8 and 0.7 ms: −0.05 ms/V.
    for (volts, dead_time) in [(12.0, 0.9), (14.0, 0.8), (16.0, 0.7)] {
        for (width, off) in [(2.0, 0.1), (4.0, -0.1), (6.0, -0.1), (8.0, 0.1)] {
            for actual in [volts, volts - 2.0] {
                // At the lower voltage it opens later, by 0.1 ms.
                let late = 0.05 * (volts - actual);
                let volume = 5.0 * (width - dead_time - late) + off;
                rows += &format!("A,{width},20,1000,,{volume},{volts},{actual}\n");
            }
        }
    }
    let text = format!("{HEADER},voltage_actual_v\n{rows}");
    let fit = FitOptions {
        model: ModelChoice::Line,
        ..FitOptions::default()
    };
    let bench =
        STATED.to_owned() + "\n[scatter]\nrepeatability = \"0.0001 %\"\nknown = \"exactly\"\n";
    let document = of_files(&[text], &bench, &fit);
    let sweep = &document.injectors[0].sweeps[1];
    let of = |at: usize| sweep.points[at].standard_uncertainty.unwrap();
    // The first fit, with the readings as they stand, tells how X moves: not quite −0.05 ms/V,
    // since all its voltages are a volt high alike: exactly that.
    let slope = sweep.slope.as_ref().unwrap().value;
    near(slope, 5.0, 1e-9);
    near(sweep.dead_time.as_ref().unwrap().value, 0.8, 1e-9);
    let step = 1000.0 * slope * 0.05 * 2.0;
    let read = 288.675_134_594_812_9; // 1 mL/√12: more than the stated 0.2 mL
    near(
        of(1) / of(0),
        (1.0 + (0.2 * step / read).powi(2)).sqrt(),
        1e-3,
    );
}

/// A row left out by hand is meant by the name shown, or by a path that ends in it.
#[test]
fn a_dropped_row_names_its_file_by_name_or_path() {
    let names = |given: &str, shown: &str| {
        let source = given.to_owned();
        DroppedRow { source, line: 2 }.names(shown)
    };
    assert!(names("run.csv", "run.csv"));
    assert!(names("tuesday/run.csv", "run.csv"));
    assert!(names("tuesday/run.csv", "tuesday/run.csv"));
    assert!(!names("tuesday/run.csv", "monday/run.csv"));
    assert!(!names("tuesday/run.csv", "other.csv"));
    assert!(!names("run.csv", "other.csv"));
}

#[test]
fn a_dropped_row_and_no_other_is_left_out() {
    let rows = in_vessel("A", 14.0, 0.0, false);
    let row = |source: &str, line| DroppedRow {
        source: source.to_owned(),
        line,
    };
    let fit = FitOptions {
        dropped: vec![row("run.csv", 5), row("other.csv", 7)],
        ..FitOptions::default()
    };
    let document = characterised(&rows, "", &fit);
    let left_out: Vec<u64> = document.injectors[0].sweeps[0]
        .points
        .iter()
        .filter(|point| point.reason.is_some())
        .map(|point| point.line)
        .collect();
    assert_eq!(left_out, [5]);
}

/// A reading 5 mL off is set aside; with all readings kept it is used, and suspected all the same.
#[test]
fn a_misread_vessel_is_kept_where_that_is_asked_for() {
    let rows = in_vessel("A", 14.0, 0.0, false);
    let mut lines: Vec<String> = rows.lines().map(str::to_owned).collect();
    let mut cells: Vec<String> = lines[16].split(',').map(str::to_owned).collect();
    cells[5] = format!("{:.2}", cells[5].parse::<f64>().unwrap() + 5.0);
    lines[16] = cells.join(",");
    for keep_all in [false, true] {
        let fit = FitOptions {
            keep_all,
            ..FitOptions::default()
        };
        let document = characterised(&lines.join("\n"), FINE, &fit);
        let sweep = &document.injectors[0].sweeps[0];
        let point = sweep.points.iter().find(|p| p.line == 18).unwrap();
        assert_eq!(point.used, keep_all);
        let expected = if keep_all {
            Kind::ReadingSuspect
        } else {
            Kind::ReadingSetAside
        };
        let told: Vec<u64> = sweep
            .findings
            .iter()
            .filter(|f| f.kind == expected)
            .map(|f| f.place.line.unwrap())
            .collect();
        assert_eq!(told, [18], "{:?}", sweep.findings);
    }
}

/// The budget against the estimates themselves: each reading moved a little and all fitted again.
#[test]
fn shares_of_the_readings_are_those_of_moved_readings() {
    let (pulses, slope, dead_time) = (1000.0, 5.0, 0.8);
    let widths = [1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.3, 8.0, 10.0];
    let readings: Vec<CurveReading> = widths
        .iter()
        .enumerate()
        .map(|(i, &width_ms)| CurveReading {
            width_ms,
            pulses: if i % 2 == 0 { pulses } else { 0.5 * pulses },
            delivered: if i % 2 == 0 { pulses } else { 0.5 * pulses }
                * slope
                * (width_ms - dead_time)
                + [30.0, -40.0, 20.0][i % 3],
            extra_variance: 0.0,
            period_ms: Some(20.0),
        })
        .collect();
    let setup = CurveSetup {
        reading: Scale::known(100.0),
        repeatability: Scale::known(0.004),
        pulse_scatter: Some(Scale::known(0.0)),
        offset_mean: 0.0,
        offset_uncertainty: 120.0,
        line_range: (2.0, 10.0),
        grid: Vec::new(),
        nodes: Vec::new(),
        misreading: None,
    };
    let fit = fit_curve(&readings, &setup).unwrap();
    let (mut read, mut repeat) = ([0.0; 2], [0.0; 2]);
    for i in 0..readings.len() {
        let moved = |by: f64| {
            let mut moved = readings.clone();
            moved[i].delivered += by;
            let line = fit_curve(&moved, &setup).unwrap().line;
            [line.slope.value, line.dead_time.value]
        };
        let (up, down) = (moved(5.0), moved(-5.0));
        for k in 0..2 {
            let by_reading = (up[k] - down[k]) / 10.0;
            read[k] += (by_reading * 100.0).powi(2);
            repeat[k] += (by_reading * 0.004 * readings[i].delivered).powi(2);
        }
    }
    let line = &fit.line;
    let whole = [&line.slope, &line.dead_time].map(|q| q.standard_uncertainty.powi(2));
    for (k, shares) in [fit.slope_shares, fit.dead_time_shares].iter().enumerate() {
        // The choice among curves moves a little with a reading, too.
        near(shares.reading, read[k] / whole[k], 0.2);
        near(shares.repeatability, repeat[k] / whole[k], 0.2);
    }
    // The offset's share by two ways: through the weights, and through its covariance.
    near(fit.slope_shares.offset, fit.offset.slope_share, 0.02);
    near(
        fit.dead_time_shares.offset,
        fit.offset.dead_time_share,
        0.02,
    );
}

/// Readings of one sweep at `volts` in a vessel that reads `offset` mL too high: a straight
/// injector of 4.2 mm³/ms and 0.8 ms, trains that fill 80 mL and a fourth of it, or all of one
/// count.
pub fn in_vessel(injector: &str, volts: f64, offset: f64, one_count: bool) -> String {
    let mut rows = String::new();
    for (k, width) in [1.5, 2.0, 2.6, 3.4, 4.4, 5.6, 7.0, 8.5, 10.0]
        .into_iter()
        .enumerate()
    {
        let each: f64 = 4.2e-3 * (width - 0.8);
        let counts = if one_count {
            [2000.0, 2000.0]
        } else {
            [(80.0 / each).round(), (20.0 / each).round()]
        };
        for pulses in counts {
            for repeat in [-0.06, 0.06] {
                let wobble = 0.02 * [1.0, -1.0, 0.5][k % 3];
                let volume = pulses * each + offset + repeat + wobble;
                rows += &format!("{injector},{width},20,{pulses},,{volume:.2},{volts}\n");
            }
        }
    }
    rows
}

pub const FINE: &str = "[vessel]\nkind = \"burette\"\ncapacity = \"100 ml\"\ndivision = \"0.1 ml\"\nreading_offset_uncertainty = \"0.3 ml\"\n";

/// A sweep whose counts cannot tell the vessel's offset takes it from one whose counts can, of the
/// same file only; where those that can disagree it takes none and says so.
#[test]
fn an_offset_is_carried_within_a_vessel_where_the_sweeps_agree() {
    let fitted = |files: &[&str]| {
        let texts: Vec<String> = files
            .iter()
            .map(|rows| format!("{HEADER}\n{rows}"))
            .collect();
        let document = of_files(&texts, FINE, &FitOptions::default());
        let injector = document
            .injectors
            .into_iter()
            .find(|i| i.id == "B")
            .unwrap();
        let sweep = injector.sweeps.into_iter().next().unwrap();
        let told = |kind| sweep.findings.iter().find(|f| f.kind == kind).cloned();
        let offset = sweep.reading_offset.clone().unwrap();
        (
            offset,
            told(Kind::OffsetCarried),
            told(Kind::OffsetsDisagree),
        )
    };
    let able = in_vessel("A", 14.0, 0.4, false);
    let unable = in_vessel("B", 14.0, 0.4, true);
    let (offset, carried, disagree) = fitted(&[&(able.clone() + &unable)]);
    assert!(disagree.is_none());
    let fact = |name: &str| carried.as_ref().unwrap().facts[name].as_f64().unwrap();
    assert!((fact("offset") - 400.0).abs() < 3.0 * fact("uncertainty"));
    assert!(fact("uncertainty") < 100.0);
    assert!(
        (offset.value - 400.0).abs() < 3.0 * u(&offset),
        "{offset:?}"
    );

    let (alone, carried, disagree) = fitted(&[&able, &unable]);
    assert!(carried.is_none() && disagree.is_none());
    assert!(u(&alone) > 2.0 * u(&offset), "{alone:?}");

    let other = in_vessel("C", 14.0, -0.6, false);
    let (_, carried, disagree) = fitted(&[&(able + &other + &unable)]);
    assert!(carried.is_none());
    // Two means: χ² is the square of their difference over its uncertainty, here about 1 mL.
    assert!(disagree.unwrap().facts["f"].as_f64().unwrap() > 50.0);
}

/// What reads all too high by a known offset says the same as what reads right.
#[test]
fn an_offset_that_is_known_beforehand_changes_nothing() {
    let readings = |by: f64| -> Vec<CurveReading> {
        let widths = [1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0];
        let reading = |(i, &width_ms): (usize, &f64)| {
            let pulses = if i % 2 == 0 { 2000.0 } else { 700.0 };
            let wrong = if i == 4 { 3000.0 } else { 0.0 };
            let delivered = pulses * 5.0 * (width_ms - 0.8) + [90.0, -70.0, 20.0][i % 3];
            CurveReading {
                width_ms,
                pulses,
                delivered: delivered + wrong + by,
                extra_variance: 0.0,
                period_ms: Some(20.0),
            }
        };
        let twice = widths.iter().enumerate().chain(widths.iter().enumerate());
        twice
            .enumerate()
            .map(|(k, at)| {
                let mut reading = reading(at);
                // Only the first of the two is misread.
                if k > 4 && at.0 == 4 {
                    reading.delivered -= 3000.0;
                }
                reading
            })
            .collect()
    };
    let fit = |by: f64| {
        let readings = readings(by);
        let mut setup = CurveSetup::of_division(500.0, 200.0, (2.0, 10.0), &readings);
        setup.repeatability = Scale::known(0.0);
        setup.pulse_scatter = Some(Scale::known(0.0));
        setup.offset_mean = by;
        // A misreading is as large as it was.
        setup.misreading =
            CurveSetup::of_division(500.0, 200.0, (2.0, 10.0), &without(by, &readings)).misreading;
        fit_curve(&readings, &setup).unwrap()
    };
    let (right, high) = (fit(0.0), fit(5000.0));
    near(high.line.slope.value, right.line.slope.value, 1e-6);
    near(high.line.dead_time.value, right.line.dead_time.value, 1e-6);
    let mut aside = 0;
    for (a, b) in right.readings.iter().zip(&high.readings) {
        assert_eq!(a.usage, b.usage);
        aside += usize::from(a.usage != right.readings[0].usage);
        near(b.log_odds.unwrap(), a.log_odds.unwrap(), 1e-4);
    }
    assert_eq!(aside, 1);
}

/// The same readings without the offset.
fn without(by: f64, readings: &[CurveReading]) -> Vec<CurveReading> {
    let mut right = readings.to_vec();
    right.iter_mut().for_each(|r| r.delivered -= by);
    right
}

/// Leakage of 10 and 12 mm³/min, each to 1: a change of 2 ± 2.8, less than the half of 10 that
/// matters; and a coil 5 % above the median of the set.
#[test]
fn leakage_and_coil_are_judged_by_their_sizes() {
    let document = characterise_run("neglected-four");
    let sweep = &document.injectors[0].sweeps[0];
    let blank = document
        .injectors
        .iter()
        .find_map(|i| i.checks.clone())
        .unwrap();
    let check = |id: &str, leakage: f64, ohm: f64| {
        let mut check = blank.clone();
        check.id = id.to_owned();
        check.leakage = Some(leakage);
        check.leakage_uncertainty = Some(1.0);
        check.coil_resistance = Some(ohm);
        check
    };
    let fits = [("A", sweep)];
    let (before, after) = (check("A", 10.0, 12.0), check("A", 12.0, 12.0));
    let limits = CompareLimits {
        factor: 1.5,
        ..CompareLimits::default()
    };
    let [before, after] = [[&before], [&after]];
    let [before, after] = [&before, &after].map(|checks| Side {
        fits: &fits,
        checks,
    });
    let change = compare(before, after, &[], limits).injectors.remove(0);
    let leakage = change.changes.iter().find(|c| c.of == "leakage").unwrap();
    assert_eq!(leakage.verdict, ChangeVerdict::Unchanged, "{leakage:?}");
    let estimate = change.leakage_change_cc_per_min.unwrap();
    near(estimate.value, 0.002, 1e-12);
    near(u(&estimate), 0.001 * 2f64.sqrt(), 1e-12);

    let checks = [("A", 12.0), ("B", 12.0), ("C", 12.6)].map(|(id, ohm)| check(id, 0.0, ohm));
    let inputs: Vec<HealthInput> = checks
        .iter()
        .map(|check| HealthInput {
            injector: &check.id,
            sweep: Some(sweep),
            check: Some(check),
        })
        .collect();
    let criteria = HealthCriteria {
        resistance_remark_percent: 3.0,
        resistance_replace_percent: 20.0,
        ..HealthCriteria::default()
    };
    let classes = "[[resistance_classes]]\nname = \"high\"\nfrom_ohm = 11.0\nto_ohm = 12.5\n";
    let classed = health(&inputs, &read_criteria(classes).unwrap());
    let outside = |at: usize| {
        classed[at]
            .reasons
            .iter()
            .any(|r: &String| r == "coil 12.6 ohm lies in no class (high)")
    };
    assert!(outside(2) && !outside(0) && !outside(1), "{classed:?}");
    let verdicts = health(&inputs, &criteria);
    let off = |at: usize| {
        verdicts[at]
            .reasons
            .iter()
            .any(|r: &String| r.contains("coil resistance off the set's median by +5.0 %"))
    };
    assert!(off(2) && !off(0) && !off(1), "{verdicts:?}");
}
