//! Flow and dead time of a set with their joint covariance, effects of several benches,
//! what repeats can decide, and one line range for all conditions of an injector.

use std::collections::BTreeMap;

use meniscus::characterisation::Characterisation;
use meniscus::finding::Kind;
use meniscus::fit::{Delivered, SweepFit};
use meniscus::match_documents;
use meniscus::matching::{
    ChangeVerdict, CompareLimits, Criterion, Member, OperatingPoint, SetMatch, Side, Verdict,
    compare, score,
};
use meniscus::surface::{LineMeant, Query, build};
use meniscus::units::Unit;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::runs::characterise_run;

fn close(a: f64, b: f64, relative: f64) {
    assert!((a - b).abs() <= relative * b.abs(), "{a} {b}");
}

// ---- joint covariance

/// True slope and dead time, own standard uncertainties with their correlation, and
/// what one bench effect does to both.
struct Drawn {
    slope: f64,
    dead_time: f64,
    own: [f64; 2],
    correlation: f64,
    shared: [f64; 2],
}

const DRAWN: [Drawn; 3] = [
    Drawn {
        slope: 4.20,
        dead_time: 0.720,
        own: [0.010, 0.004],
        correlation: 0.8,
        shared: [0.030, -0.006],
    },
    Drawn {
        slope: 4.27,
        dead_time: 0.741,
        own: [0.014, 0.007],
        correlation: 0.5,
        shared: [0.030, -0.006],
    },
    Drawn {
        slope: 4.11,
        dead_time: 0.702,
        own: [0.012, 0.005],
        correlation: -0.3,
        shared: [0.030, -0.002],
    },
];

fn sweep_like(template: &SweepFit, slope: f64, dead_time: f64, drawn: &Drawn) -> SweepFit {
    let mut sweep = template.clone();
    let set = |estimate: &mut Option<meniscus::units::Estimate>, value: f64, k: usize| {
        let e = estimate.as_mut().unwrap();
        e.value = value;
        e.standard_uncertainty = Some(drawn.own[k].hypot(drawn.shared[k]));
        e.shared = BTreeMap::from([("bench".to_owned(), drawn.shared[k])]);
    };
    set(&mut sweep.slope, slope, 0);
    set(&mut sweep.dead_time, dead_time, 1);
    let [ss, xx] = [0, 1].map(|k: usize| drawn.own[k].powi(2) + drawn.shared[k].powi(2));
    let sx = drawn.correlation * drawn.own[0] * drawn.own[1] + drawn.shared[0] * drawn.shared[1];
    // Y = −S·X: dY = −(X·dS + S·dX).
    let sy = -(dead_time * ss + slope * sx);
    let yy = dead_time.powi(2) * ss + slope.powi(2) * xx + 2.0 * dead_time * slope * sx;
    sweep.covariance.as_mut().unwrap().matrix = [[ss, sy], [sy, yy]];
    sweep
}

fn scored(sweeps: &[SweepFit], criterion: Criterion) -> SetMatch {
    let names: Vec<String> = (0..sweeps.len()).map(|i| format!("A{i}")).collect();
    let fits: Vec<(&str, &SweepFit)> = names.iter().map(String::as_str).zip(sweeps).collect();
    let point = OperatingPoint {
        label: "4 ms".to_owned(),
        pulse_width_ms: 4.0,
        voltage_v: sweeps[0].voltage_v,
        pressure_kpa: sweeps[0].pressure_kpa,
    };
    let members = meniscus::matching::members_at(&fits, std::slice::from_ref(&point));
    score(&members, &fits, vec![point], None, criterion).unwrap()
}

#[test]
fn flow_and_dead_time_deviate_as_drawn_errors_do() {
    let document = characterise_run("healthy-six");
    let template = &document.injectors[0].sweeps[0];
    let truth: Vec<SweepFit> = DRAWN
        .iter()
        .map(|d| sweep_like(template, d.slope, d.dead_time, d))
        .collect();
    let told = scored(&truth, Criterion::NONE).flow_and_dead_time.remove(0);
    // The same by drawing the errors and taking the deviations as they are defined.
    let mut rng = ChaCha8Rng::seed_from_u64(4401);
    let rounds = 60_000;
    let mut draws: Vec<Vec<[f64; 2]>> = vec![Vec::new(); 3];
    for _ in 0..rounds {
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let bench = normal();
        let figures: Vec<[f64; 2]> = DRAWN
            .iter()
            .map(|d| {
                let (a, b) = (normal(), normal());
                let b = d.correlation * a + (1.0 - d.correlation.powi(2)).sqrt() * b;
                [
                    d.slope + d.own[0] * a + d.shared[0] * bench,
                    d.dead_time + d.own[1] * b + d.shared[1] * bench,
                ]
            })
            .collect();
        let mean = [0, 1].map(|k| figures.iter().map(|f| f[k]).sum::<f64>() / 3.0);
        for (list, f) in draws.iter_mut().zip(&figures) {
            list.push([100.0 * (f[0] / mean[0] - 1.0), 1000.0 * (f[1] - mean[1])]);
        }
    }
    for (deviation, list) in told.deviations.iter().zip(&draws) {
        let count = f64::from(rounds);
        let mean = [0, 1].map(|k| list.iter().map(|d| d[k]).sum::<f64>() / count);
        let moment = |i: usize, j: usize| {
            list.iter()
                .map(|d| (d[i] - mean[i]) * (d[j] - mean[j]))
                .sum::<f64>()
                / count
        };
        let (sd_flow, sd_dead) = (moment(0, 0).sqrt(), moment(1, 1).sqrt());
        close(
            deviation.flow_percent.standard_uncertainty.unwrap(),
            sd_flow,
            0.015,
        );
        close(
            deviation.dead_time_us.standard_uncertainty.unwrap(),
            sd_dead,
            0.015,
        );
        let correlation = moment(0, 1) / sd_flow / sd_dead;
        let found = deviation.correlation.unwrap();
        assert!((found - correlation).abs() < 0.02, "{found} {correlation}");
        assert!((deviation.flow_percent.value - mean[0]).abs() < 0.02);
        assert!((deviation.dead_time_us.value - mean[1]).abs() < 0.1);
    }
    close(told.dead_time_spread_us.value, 39.0, 1e-9);
}

#[test]
fn flow_and_dead_time_decide_only_where_they_have_a_tolerance() {
    let document = characterise_run("healthy-six");
    let template = &document.injectors[0].sweeps[0];
    let sweeps: Vec<SweepFit> = DRAWN
        .iter()
        .map(|d| sweep_like(template, d.slope, d.dead_time, d))
        .collect();
    // The delivered quantities are all those of one curve: spread 0.
    let of = |flow, dead_time| {
        let criterion = Criterion {
            tolerance_percent: Some(8.0),
            flow_tolerance_percent: flow,
            dead_time_tolerance_us: dead_time,
            ..Criterion::NONE
        };
        scored(&sweeps, criterion)
    };
    assert_eq!(of(None, None).verdict, Some(Verdict::Matched));
    assert_eq!(of(Some(8.0), Some(80.0)).verdict, Some(Verdict::Matched));
    let far = of(None, Some(5.0));
    assert_eq!(far.verdict, Some(Verdict::NotMatched));
    assert_eq!(far.flow_and_dead_time[0].flow_verdict, None);
    let between = of(Some(4.0), None);
    assert_eq!(between.verdict, Some(Verdict::Undecided));
    let finding = between.findings.iter().find(|f| f.kind == Kind::Undecided);
    assert!(finding.unwrap().text.contains("of the flow"), "{finding:?}");
}

// ---- what repeats decide

fn member(id: &str, value: f64, own: f64, shared: f64) -> Member {
    Member {
        injector: id.to_owned(),
        unit: Unit::CubicMillimetre,
        delivered: vec![Some(Delivered {
            value,
            standard_uncertainty: own.hypot(shared),
            shared: BTreeMap::from([("vessel".to_owned(), shared)]),
        })],
    }
}

fn judged(members: &[Member], tolerance: f64) -> SetMatch {
    let point = OperatingPoint {
        label: "2 ms".to_owned(),
        pulse_width_ms: 2.0,
        voltage_v: None,
        pressure_kpa: None,
    };
    let criterion = Criterion {
        tolerance_percent: Some(tolerance),
        ..Criterion::NONE
    };
    score(members, &[], vec![point], None, criterion).unwrap()
}

#[test]
fn the_number_of_repeats_that_is_told_decides() {
    let set = |own: f64| {
        [
            member("A", 100.0, own, 0.3),
            member("B", 101.0, own, 0.3),
            member("C", 100.6, own, 0.3),
        ]
    };
    for tolerance in [1.6, 0.6] {
        let first = judged(&set(0.6), tolerance);
        assert_eq!(first.verdict, Some(Verdict::Undecided));
        let finding = &first.findings[0];
        assert_eq!(finding.kind, Kind::Undecided);
        let factor = finding.facts["factor"].as_f64().unwrap();
        assert!(factor > 1.0, "{factor}");
        let more = judged(&set(0.6 / factor.sqrt()), tolerance);
        assert_ne!(
            more.verdict,
            Some(Verdict::Undecided),
            "{tolerance} {factor}"
        );
        // Markedly fewer would not have decided.
        let fewer = judged(&set(0.6 / (0.8 * factor).sqrt()), tolerance);
        assert_eq!(
            fewer.verdict,
            Some(Verdict::Undecided),
            "{tolerance} {factor}"
        );
    }
}

#[test]
fn where_two_vessels_err_differently_no_repeats_decide_and_it_is_said() {
    let mut members = vec![
        member("A", 100.0, 0.1, 1.0),
        member("B", 101.0, 0.1, 1.0),
        member("C", 100.2, 0.1, 0.0),
        member("D", 101.2, 0.1, 0.0),
    ];
    // C and D were read in another vessel.
    for m in &mut members[2..] {
        let d = m.delivered[0].as_mut().unwrap();
        d.shared = BTreeMap::from([("other vessel".to_owned(), 1.0)]);
        d.standard_uncertainty = 0.1f64.hypot(1.0);
    }
    let told = judged(&members, 1.6);
    assert_eq!(told.verdict, Some(Verdict::Undecided));
    assert_eq!(told.findings[0].kind, Kind::UndecidedForGood);
    assert!(told.findings[0].advice.contains("same vessel"));
}

// ---- several benches

fn halves() -> [Characterisation; 2] {
    let first = characterise_run("healthy-six");
    let mut second = first.clone();
    let mut first = first;
    second.injectors.drain(..3);
    first.injectors.truncate(3);
    [first, second]
}

fn uncertainty(documents: &[Characterisation]) -> (f64, SetMatch) {
    let set = match_documents(documents, &[], Criterion::NONE).unwrap();
    (set.deviations[0].standard_uncertainty.unwrap(), set)
}

#[test]
fn effects_cancel_between_files_only_where_these_state_one_bench() {
    let whole = [characterise_run("healthy-six")];
    let (one, set) = uncertainty(&whole);
    let told = |set: &SetMatch, kind| set.findings.iter().any(|f| f.kind == kind);
    assert!(!told(&set, Kind::BenchesAlike) && !told(&set, Kind::BenchesApart));
    let [first, second] = halves();
    let (alike, set) = uncertainty(&[first.clone(), second.clone()]);
    close(alike, one, 1e-12);
    assert!(told(&set, Kind::BenchesAlike));
    let mut elsewhere = second.clone();
    elsewhere.bench.pressure.as_mut().unwrap().uncertainty = Some(2.0);
    let (apart, set) = uncertainty(&[first.clone(), elsewhere]);
    assert!(apart > 1.001 * one, "{apart} {one}");
    assert!(!told(&set, Kind::BenchesAlike));
    let unstated = |d: &Characterisation| Characterisation {
        bench: Default::default(),
        ..d.clone()
    };
    let (unknown, set) = uncertainty(&[unstated(&first), unstated(&second)]);
    close(unknown, apart, 1e-12);
    assert!(told(&set, Kind::BenchesApart));
}

#[test]
fn a_point_asked_for_twice_is_one_point() {
    let documents = [characterise_run("healthy-six")];
    let point = meniscus::matching::WantedPoint {
        pulse_width_ms: 2.5,
        voltage_v: None,
        pressure_kpa: None,
    };
    let set = match_documents(&documents, &[point, point], Criterion::NONE).unwrap();
    assert_eq!((set.operating_points.len(), set.deviations.len()), (1, 6));
}

#[test]
fn volumes_and_masses_are_not_compared() {
    let documents = [
        characterise_run("healthy-six"),
        characterise_run("neglected-four"),
    ];
    let set = match_documents(&documents, &[], Criterion::NONE).unwrap();
    let left: Vec<_> = set
        .findings
        .iter()
        .filter(|f| f.kind == Kind::OtherBasis)
        .collect();
    assert_eq!(left.len(), 4);
    assert!(set.deviations.iter().all(|d| d.injector.starts_with('H')));
}

// ---- one line range

#[test]
fn conditions_keep_their_own_line_and_share_one_on_request() {
    let document = characterise_run("healthy-six");
    let injector = &document.injectors[0];
    let mut surface = build(&injector.id, &injector.sweeps, None).unwrap();
    let ranges: Vec<[f64; 2]> = injector
        .sweeps
        .iter()
        .map(|s| s.line_range_ms.unwrap())
        .collect();
    assert!(ranges.iter().any(|r| *r != ranges[0]), "{ranges:?}");
    let common = surface.line_range_ms.unwrap();
    assert_eq!(common, [2.5, 12.0]);
    let stored = injector.surface.as_ref().unwrap();
    for (sweep, node) in injector.sweeps.iter().zip(&stored.nodes) {
        let query = Query {
            voltage_v: sweep.voltage_v,
            pressure_kpa: sweep.pressure_kpa,
            extrapolate: false,
        };
        surface.line_meant = LineMeant::OfCondition;
        let own = sweep.dead_time.as_ref().unwrap();
        assert_eq!(surface.dead_time(&query).unwrap().value, own.value);
        // A step beside the condition tells the same line.
        let beside = Query {
            voltage_v: query
                .voltage_v
                .map(|v| v + if v < 13.0 { 0.06 } else { -0.06 }),
            ..query
        };
        let step = surface.dead_time(&beside).unwrap().value - own.value;
        assert!(step.abs() < 0.006, "{step}");
        surface.line_meant = LineMeant::Common;
        let shared = surface.dead_time(&query).unwrap();
        let [slope, dead_time] = sweep.delivery.as_ref().unwrap().line_over(common).unwrap();
        let same = sweep.line_range_ms == Some(common);
        if same {
            assert_eq!(shared.value, own.value);
        } else {
            close(shared.value, dead_time, 1e-12);
            close(surface.slope(&query).unwrap().value, slope, 1e-12);
        }
        // What is shared is taken out of the doubt and put back: equal but for rounding.
        let [all, own] =
            [shared.standard_uncertainty(), own.standard_uncertainty].map(Option::unwrap);
        assert!(all >= own * (1.0 - 1e-12), "{all} {own}");
        close(node.dead_time.value, shared.value, 1e-12);
        assert_eq!((node.voltage_v, node.run), (sweep.voltage_v, true));
    }
    // The delivered quantity does not depend on which line is told.
    let query = Query {
        voltage_v: Some(13.0),
        pressure_kpa: Some(300.0),
        extrapolate: false,
    };
    let once = surface.delivered(&query, 3.0).unwrap().value;
    surface.line_meant = LineMeant::OfCondition;
    assert_eq!(surface.delivered(&query, 3.0).unwrap().value, once);
}

#[test]
fn a_common_range_shows_the_line_of_a_refit() {
    // What the surface takes from the stored curve is what a fit over that range says.
    let range = Some([2.5, 12.0]);
    let refit = crate::runs::characterise_with(
        "healthy-six",
        &meniscus::fit::FitOptions {
            line_range_ms: range,
            ..Default::default()
        },
    );
    let document = characterise_run("healthy-six");
    for (stored, again) in document.injectors.iter().zip(&refit.injectors) {
        let surface = stored.surface.as_ref().unwrap();
        assert_eq!(surface.line_range_ms, range);
        for (node, sweep) in surface.nodes.iter().zip(&again.sweeps) {
            let x = sweep.dead_time.as_ref().unwrap();
            let difference = (node.dead_time.value - x.value).abs();
            assert!(difference < 0.0005, "{}: {difference}", stored.id);
            let ratio =
                node.dead_time.standard_uncertainty.unwrap() / x.standard_uncertainty.unwrap();
            assert!((0.85..1.3).contains(&ratio), "{}: {ratio}", stored.id);
        }
    }
}

#[test]
fn line_ranges_without_enough_in_common_stay_apart_and_are_told() {
    let document = characterise_run("healthy-six");
    let mut sweeps = document.injectors[0].sweeps.clone();
    sweeps[0].line_range_ms = Some([2.0, 4.0]);
    sweeps[1].line_range_ms = Some([4.0, 12.0]);
    let surface = build("H1", &sweeps, None).unwrap();
    assert_eq!(surface.line_range_ms, None);
    assert!(
        surface
            .findings
            .iter()
            .any(|f| f.kind == Kind::NoCommonLineRange)
    );
}

// ---- before and after

#[test]
fn the_start_of_the_linear_range_and_leakage_have_intervals() {
    let document = characterise_run("healthy-six");
    let before = document.injectors[0].sweeps[0].clone();
    let mut after = before.clone();
    let start = before.linear_flow_range_ms.unwrap()[0];
    // One width shorter lies well within the limit afterwards; all others surely too.
    let surely = |sweep: &mut SweepFit, from: f64| {
        for d in &mut sweep.linearity_deviation {
            let percent = if d.pulse_width_ms < from { -20.0 } else { 0.1 };
            d.percent = Some(percent);
            d.interval_95 = [Some(percent - 0.5), Some(percent + 0.5)];
        }
        sweep.linear_flow_range_ms = Some([from, 12.0]);
    };
    let mut clear = before.clone();
    surely(&mut clear, start);
    let shorter = before.linearity_deviation[0].pulse_width_ms;
    surely(&mut after, shorter);
    let check = |leakage: f64, u: Option<f64>| meniscus::capture::InjectorCheck {
        id: "H1".to_owned(),
        cylinder: None,
        coil_resistance: None,
        insulation: None,
        leakage: Some(leakage),
        leakage_uncertainty: u,
        spray: None,
        note: None,
    };
    let change = |b: &SweepFit, a: &SweepFit, u: Option<f64>| {
        let (fits_b, fits_a) = ([("H1", b)], [("H1", a)]);
        let (check_b, check_a) = (check(30.0, u), check(5.0, u));
        let (checks_b, checks_a) = ([&check_b], [&check_a]);
        let side = |fits, checks| Side { fits, checks };
        compare(
            side(&fits_b, &checks_b),
            side(&fits_a, &checks_a),
            &[],
            CompareLimits::default(),
        )
        .injectors
        .remove(0)
    };
    let told = change(&clear, &after, Some(2.0));
    let moved = told.linear_from_change_ms.as_ref().unwrap();
    close(moved.value, shorter - start, 1e-12);
    assert_eq!(moved.interval_95, [Some(moved.value); 2]);
    let verdict = |of: &str| told.changes.iter().find(|c| c.of == of).unwrap().verdict;
    assert_eq!(
        verdict("start of the linear flow range"),
        ChangeVerdict::Improved
    );
    assert_eq!(verdict("leakage"), ChangeVerdict::Improved);
    let leakage = told.leakage_change_cc_per_min.as_ref().unwrap();
    close(leakage.value, -0.025, 1e-9);
    close(
        leakage.standard_uncertainty.unwrap(),
        0.002 * 2f64.sqrt(),
        1e-9,
    );
    // Without a stated doubt it is said that no interval can be given.
    let told = change(&before, &before, None);
    assert!(told.leakage_change_cc_per_min.is_none());
    assert!(
        told.reasons
            .iter()
            .any(|r| r.contains("no interval can be given"))
    );
    // A sweep against itself: nothing surely changed.
    let moved = told.linear_from_change_ms.unwrap();
    assert_eq!(moved.value, 0.0);
    assert!(moved.interval_95[0] <= Some(0.0) && moved.interval_95[1] >= Some(0.0));
}
