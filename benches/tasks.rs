//! What single tasks take: `cargo bench`. Data are invented and drawn from a fixed seed.

use std::fmt::Write;

use divan::{Bencher, black_box};
use meniscus::capture::{Bench, CaptureFile, SetPoints, check_captures};
use meniscus::fit::FitOptions;
use meniscus::fit::curve::{CurveReading, CurveSetup, fit_curve};
use meniscus::fit::line::{ScaleSource, Weights, fit_line};
use meniscus::matching::{Candidate, Criterion, PickRequest, Stock, StockAmount, pick};
use meniscus::report::{self, Sheet, Style};
use meniscus::{Request, characterise, words};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const WIDTHS_MS: [f64; 12] = [1.2, 1.4, 1.7, 2.0, 2.4, 3.0, 3.7, 4.6, 5.7, 7.0, 9.0, 12.0];
const REPEATS: usize = 3;
/// Flow, mm³/ms.
const FLOW: f64 = 4.2;

fn main() {
    divan::main();
}

/// Readings of one sweep, filled to about 92 mL and read to 1 mL.
fn sweep(seed: u64) -> Vec<CurveReading> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let readings = WIDTHS_MS.iter().flat_map(|width| [*width; REPEATS]);
    readings
        .map(|width_ms| {
            let delivered = FLOW * (width_ms - 0.6 - 0.1 * (-(width_ms - 1.1) / 1.2).exp());
            let pulses = (92_000.0 / delivered).round().min(20_000.0);
            let read = pulses * delivered * (1.0 + 0.003 * normal()) + 300.0 * normal();
            CurveReading {
                width_ms,
                pulses,
                delivered: (read / 1000.0).round() * 1000.0,
                extra_variance: 0.0,
                period_ms: None,
            }
        })
        .collect()
}

/// A capture of at least so many rows.
fn capture(rows: usize) -> CaptureFile {
    let mut text = "injector,pulse_width_ms,pulses,volume_ml,voltage_v,pressure_kpa\n".to_owned();
    for injector in 0..rows.div_ceil(WIDTHS_MS.len() * REPEATS) {
        for r in sweep(injector as u64) {
            let (width, pulses, volume) = (r.width_ms, r.pulses, r.delivered / 1000.0);
            writeln!(text, "B{injector:05},{width},{pulses},{volume},14,300").expect("memory");
        }
    }
    CaptureFile::new("run.csv", text.into_bytes())
}

#[divan::bench]
fn read_100_000_rows(bencher: Bencher<'_, '_>) {
    let files = [capture(100_000)];
    let read = || check_captures(&files, Bench::default(), SetPoints::default());
    assert!(read().faults.is_empty());
    bencher.bench(read);
}

#[divan::bench]
fn one_line_fit(bencher: Bencher<'_, '_>) {
    let readings = sweep(1);
    let column = |value: &dyn Fn(&CurveReading) -> f64| readings.iter().map(value).collect();
    let x: Vec<f64> = column(&|r| r.width_ms);
    let y: Vec<f64> = column(&|r| r.delivered / r.pulses);
    let u: Vec<f64> = column(&|r| 350.0 / r.pulses);
    bencher.bench(|| {
        fit_line(
            black_box(&x),
            &y,
            Weights::FromUncertainty(&u),
            ScaleSource::Stated,
        )
        .expect("a line")
    });
}

#[divan::bench]
fn one_whole_curve_fit(bencher: Bencher<'_, '_>) {
    let readings = sweep(1);
    let mut setup = CurveSetup::of_division(1000.0, 300.0, (2.0, 12.0), &readings);
    setup.grid = WIDTHS_MS.to_vec();
    bencher.bench(|| fit_curve(black_box(&readings), &setup).expect("a curve"));
}

#[divan::bench]
fn pick_8_of_10_000(bencher: Bencher<'_, '_>) {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut amount = || {
        let z: f64 = StandardNormal.sample(&mut rng);
        Some(StockAmount {
            value: (1e6 * (0.04 * z).exp()).round(),
            standard_uncertainty: None,
            shared: std::collections::BTreeMap::new(),
        })
    };
    let candidates = (0..10_000)
        .map(|i| Candidate {
            injector: format!("{i:05}"),
            amounts: (0..3).map(|_| amount()).collect(),
            dead_time_ms: None,
            flow: None,
        })
        .collect();
    let points = ["1.5 ms", "4 ms", "8 ms"].map(str::to_owned).to_vec();
    let stock = Stock::new(points, candidates).expect("a valid stock");
    bencher.bench(|| pick(black_box(&stock), &PickRequest::new(8)).expect("enough injectors"));
}

#[divan::bench]
fn report_of_six(bencher: Bencher<'_, '_>) {
    let files = [capture(6 * WIDTHS_MS.len() * REPEATS)];
    let request = Request {
        fit: FitOptions::default(),
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let document = characterise(&files, Bench::default(), SetPoints::default(), &request)
        .expect("a sound capture");
    let style = Style {
        width: 100,
        colour: false,
        flow_unit: None,
        density: None,
        locale: words::Locale::default(),
    };
    bencher
        .bench(|| report::html(black_box(&document), &style, &Sheet::default()).expect("a report"));
}
