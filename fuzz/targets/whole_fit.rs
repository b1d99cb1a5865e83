//! Small captures of any readings, fitted: a result with findings, or faults with places; no
//! number that is none, no interval that the readings cannot have.
#![no_main]

use std::fmt::Write;

use arbitrary::Arbitrary;
use libfuzzer_sys::fuzz_target;
use meniscus::capture::{Bench, CaptureFile, SetPoints, read_bench};
use meniscus::characterisation::{Characterisation, SweepFit, read, to_json};
use meniscus::fit::{FitOptions, ModelChoice, WeightChoice};
use meniscus::matching::Criterion;
use meniscus::units::Estimate;
use meniscus::{Request, characterise};

/// A number as a bench might write it, near enough to one that makes sense to be read.
#[derive(Debug, Arbitrary, Clone, Copy)]
enum Size {
    Usual(u16),
    Digits(u8, i8),
    Any(f64),
    Smallest,
    Largest,
    Zero,
}

impl Size {
    fn of(self, usual: f64) -> f64 {
        match self {
            Self::Usual(part) => usual * (1.0 + f64::from(part) / 1000.0),
            Self::Digits(digit, exponent) => f64::from(digit) * 10f64.powi(i32::from(exponent) / 8),
            Self::Any(any) => any,
            Self::Smallest => 1e-9,
            Self::Largest => 1e12,
            Self::Zero => 0.0,
        }
    }
}

#[derive(Debug, Arbitrary)]
struct Row {
    injector: u8,
    voltage: bool,
    width: Size,
    pulses: Option<u16>,
    /// What a healthy injector delivers, or anything.
    volume: Option<Size>,
    vessel: bool,
    held_open: bool,
    excluded: bool,
}

#[derive(Debug, Arbitrary)]
struct Run {
    rows: Vec<Row>,
    bench: u8,
    line: bool,
    equal: bool,
    range: Option<(u8, u8)>,
    keep_all: bool,
}

const BENCHES: [&str; 4] = [
    "",
    "[vessel]\nkind = \"graduated cylinder\"\ncapacity = \"100 mL\"\ndivision = \"1 mL\"\n",
    "[vessel]\nkind = \"burette\"\ncapacity = \"1 L\"\ndivision = \"0.1 mL\"\ntolerance = \"0.05 mL\"\nreading_offset_uncertainty = \"0.2 mL\"\n[scatter]\nrepeatability = \"0.3 %\"\nknown = \"exactly\"\n",
    "[[vessel]]\nname = \"B\"\nkind = \"graduated cylinder\"\ncapacity = \"250 mL\"\ndivision = \"2 mL\"\n[supply]\nnominal = \"14 V\"\nuncertainty = \"0.05 V\"\n[pressure]\nnominal = \"300 kPa\"\nuncertainty = \"1 kPa\"\n[fluid]\nname = \"n-heptane\"\ndensity = \"0.684 g/mL\"\n",
];

fn capture(run: &Run) -> String {
    let mut text = "injector,voltage_v,pressure_kpa,pulse_width_ms,period_ms,pulses,open_time_s,volume_ml,vessel,exclude\n".to_owned();
    for row in run.rows.iter().take(60) {
        let width = row.width.of(1.0 + f64::from(row.injector % 8));
        let pulses = row.pulses.map_or(5000.0, f64::from);
        let healthy = 0.0035 * pulses * (width - 0.8).max(0.0);
        let volume = row.volume.map_or(healthy, |size| size.of(healthy));
        let train = if row.held_open {
            ",,,10".to_owned()
        } else {
            format!("{width},,{pulses},")
        };
        let vessel = if row.vessel { "B" } else { "" };
        let exclude = if row.excluded { "spilt" } else { "" };
        let volts = if row.voltage { 14 } else { 12 };
        let id = row.injector / 8 % 3;
        // A String takes any text.
        let _ = writeln!(text, "{id},{volts},300,{train},{volume},{vessel},{exclude}");
    }
    text
}

fuzz_target!(|run: Run| {
    let bench = BENCHES[usize::from(run.bench) % BENCHES.len()];
    let bench = if bench.is_empty() {
        Bench::default()
    } else {
        read_bench("bench.toml", bench).expect("these are sound")
    };
    let request = Request {
        fit: FitOptions {
            model: if run.line { ModelChoice::Line } else { ModelChoice::Auto },
            weights: if run.equal && run.line { WeightChoice::Equal } else { WeightChoice::Auto },
            line_range_ms: run
                .range
                .map(|(lo, more)| [f64::from(lo), f64::from(lo) + f64::from(more)])
                .filter(|[lo, hi]| *lo > 0.0 && hi > lo),
            keep_all: run.keep_all,
            ..FitOptions::default()
        },
        points: Vec::new(),
        criterion: Criterion { tolerance_percent: Some(2.0), ..Criterion::NONE },
    };
    let file = CaptureFile::new("run.csv", capture(&run).into_bytes());
    match characterise(&[file], bench, SetPoints::default(), &request) {
        Ok(document) => judge(&document),
        Err(faults) => assert!(!faults.is_empty() && faults.iter().all(|f| !f.expected.is_empty())),
    }
});

fn judge(document: &Characterisation) {
    let json = to_json(document).expect("every number is finite");
    read(&json).expect("what was written is read");
    for sweep in document.injectors.iter().flat_map(|i| &i.sweeps) {
        judge_sweep(sweep);
    }
}

fn bounded(estimate: &Estimate) -> bool {
    estimate.interval_95.iter().all(Option::is_some)
}

fn judge_sweep(sweep: &SweepFit) {
    let mut widths: Vec<u64> = sweep
        .points
        .iter()
        .filter(|p| p.used && p.pulse_width_ms > 0.0)
        .map(|p| p.pulse_width_ms.to_bits())
        .collect();
    widths.sort_unstable();
    widths.dedup();
    // A line goes through one width where the flow of an injector held open gives its slope.
    let supports = widths.len() + usize::from(sweep.static_flow.is_some());
    for estimate in [&sweep.slope, &sweep.dead_time].into_iter().flatten() {
        assert!(
            supports > 1 || !bounded(estimate),
            "bounded by one pulse width: {estimate:?}"
        );
        let [lo, hi] = estimate.interval_95;
        assert!(lo.is_none_or(|lo| lo <= estimate.value), "{estimate:?}");
        assert!(hi.is_none_or(|hi| hi >= estimate.value), "{estimate:?}");
        assert!(estimate.standard_uncertainty.is_none_or(|u| u >= 0.0));
        // A doubt that is not known bounds nothing.
        assert!(estimate.standard_uncertainty.is_some() || !bounded(estimate), "{estimate:?}");
    }
    if let (Some(slope), Some(dead_time)) = (&sweep.slope, &sweep.dead_time)
        && let [Some(lo), Some(hi)] = slope.interval_95
        && lo < 0.0
        && hi > 0.0
    {
        assert!(!bounded(dead_time), "flow may be zero, yet {dead_time:?}");
    }
}
