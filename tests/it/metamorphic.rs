//! What must not change the result of the whole `fit`, or must change it in a way that is known:
//! units, order, names, half trains, later pulses, larger injectors; seeded.

use std::collections::BTreeMap;

use meniscus::capture::{Bench, CaptureFile, Fault, SetPoints, read_bench};
use meniscus::characterisation::{Characterisation, SweepFit, read, to_json};
use meniscus::fit::{FitOptions, ModelChoice, WeightChoice};
use meniscus::matching::Criterion;
use meniscus::units::Estimate;
use meniscus::{Request, characterise};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

fn config(cases: u32) -> ProptestConfig {
    ProptestConfig {
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(0x6d65_7461),
        cases,
        ..ProptestConfig::default()
    }
}

/// One reading in whole numbers, so that every unit writes it without rounding.
#[derive(Debug, Clone)]
struct Row {
    injector: String,
    width_us: i64,
    pulses: i64,
    /// Thousandths of a millilitre.
    microlitres: i64,
}

/// Whole numbers of a thousandth, written as a decimal number.
fn thousandths(number: i64) -> String {
    format!("{}.{:03}", number / 1000, number % 1000)
}

/// How a capture writes its numbers.
#[derive(Debug, Clone, Copy)]
struct Units {
    width: &'static str,
    volume: &'static str,
    /// The pressure's unit and what stands for 300 kPa.
    pressure: (&'static str, &'static str),
}

const USUAL: Units = Units {
    width: "ms",
    volume: "ml",
    pressure: ("kpa", "300"),
};

fn capture(rows: &[Row], units: Units) -> String {
    let (unit, pressure) = units.pressure;
    let mut text = format!(
        "injector,voltage_v,pressure_{unit},pulse_width_{},period_ms,pulses,volume_{}\n",
        units.width, units.volume
    );
    for row in rows {
        let width = match units.width {
            "us" => row.width_us.to_string(),
            _ => thousandths(row.width_us),
        };
        let volume = match units.volume {
            "ul" | "mm3" => row.microlitres.to_string(),
            _ => thousandths(row.microlitres),
        };
        let (id, pulses) = (&row.injector, row.pulses);
        text.push_str(&format!(
            "{id},14,{pressure},{width},40,{pulses},{volume}\n"
        ));
    }
    text
}

/// Two injectors that bend at short pulses, with scatter, read to a tenth of a millilitre.
fn rows() -> impl Strategy<Value = Vec<Row>> {
    let widths = [1500, 2000, 3000, 4000, 6000, 8000, 10_000];
    let scatter = prop::collection::vec(-1.0..1.0_f64, 2 * widths.len() * 2);
    (2.0..5.0_f64, 0.6..1.2_f64, 0.0..0.1_f64, scatter).prop_map(
        move |(flow, dead, bend, scatter)| {
            let mut rows = Vec::new();
            for (k, id) in ["A1", "B2"].iter().enumerate() {
                for (i, width) in widths.iter().enumerate() {
                    for repeat in 0..2 {
                        let w = *width as f64 / 1000.0;
                        let net = w - dead - 0.01 * k as f64;
                        let delivered = flow * (net - bend * (-net / 0.6).exp());
                        let at = (k * widths.len() + i) * 2 + repeat;
                        let millilitres = 10.0 * delivered * (1.0 + 0.002 * scatter[at]);
                        rows.push(Row {
                            injector: (*id).to_owned(),
                            width_us: *width,
                            pulses: 10_000,
                            microlitres: 100 * (10.0 * millilitres).round() as i64,
                        });
                    }
                }
            }
            rows
        },
    )
}

/// A bench of which everything that has a size is stated, `factor` times as large.
fn bench(factor: f64) -> Bench {
    let of = |x: f64| format!("\"{} mL\"", x * factor);
    let text = format!(
        "[vessel]\nkind = \"graduated cylinder\"\ncapacity = {}\ndivision = {}\nreading_uncertainty = {}\n\
         reading_offset_uncertainty = {}\n[scatter]\nrepeatability = \"0.2 %\"\nknown = \"exactly\"\n",
        of(2000.0),
        of(0.1),
        of(0.1),
        of(0.2)
    );
    read_bench("bench.toml", &text).unwrap()
}

fn options(model: ModelChoice) -> FitOptions {
    FitOptions {
        model,
        ..FitOptions::default()
    }
}

fn tried(text: &str, bench: Bench, fit: FitOptions) -> Result<Characterisation, Vec<Fault>> {
    let request = Request {
        fit,
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let file = CaptureFile::new("run.csv", text.as_bytes().to_vec());
    characterise(&[file], bench, SetPoints::default(), &request)
}

fn fitted(rows: &[Row], units: Units, bench: Bench, fit: FitOptions) -> Characterisation {
    tried(&capture(rows, units), bench, fit).unwrap()
}

fn sweep<'a>(document: &'a Characterisation, id: &str) -> &'a SweepFit {
    let injector = document.injectors.iter().find(|i| i.id == id).unwrap();
    &injector.sweeps[0]
}

/// Value, doubt and limits; what is unknown is NaN.
fn figures(estimate: &Option<Estimate>) -> [f64; 4] {
    let e = estimate.as_ref().unwrap();
    let [lo, hi] = e.interval_95.map(|side| side.unwrap_or(f64::NAN));
    [e.value, e.standard_uncertainty.unwrap_or(f64::NAN), lo, hi]
}

/// Whether two sets of figures agree to a part of the interval's width; unknown with unknown.
fn agree(a: [f64; 4], b: [f64; 4], part: f64) -> bool {
    let scale = (a[3] - a[2]).abs().max(a[0].abs() * 1e-6);
    let scale = if scale.is_nan() { a[0].abs() } else { scale };
    a.iter()
        .zip(&b)
        .all(|(x, y)| (x - y).abs() <= part * scale || (x.is_nan() && y.is_nan()))
}

/// Everything that a person would act on, of two runs of one set.
fn same(one: &Characterisation, other: &Characterisation, part: f64) {
    for injector in &one.injectors {
        let (a, b) = (&injector.sweeps[0], sweep(other, &injector.id));
        assert_eq!(a.model, b.model);
        for (x, y) in [(&a.slope, &b.slope), (&a.dead_time, &b.dead_time)] {
            assert!(
                agree(figures(x), figures(y), part),
                "{:?} {:?}",
                figures(x),
                figures(y)
            );
        }
        let kinds = |s: &SweepFit| s.findings.iter().map(|f| f.kind).collect::<Vec<_>>();
        assert_eq!(kinds(a), kinds(b));
    }
    let spread = |d: &Characterisation| d.set_match.as_ref().unwrap().spread_percent.clone();
    let (a, b) = (spread(one), spread(other));
    assert!(agree(figures(&a), figures(&b), part), "{a:?} {b:?}");
}

/// Readings of one injector from 2 ms on.
const READINGS: f64 = 12.0;
/// Rounding of decimal numbers, as a part of an interval: the units' factors are not exact.
const ROUNDING: f64 = 1e-6;

/// A run whose rows carry fluid temperatures, forwards and backwards, and with the sweeps in turns.
#[test]
fn rows_with_temperatures_may_stand_in_any_order() {
    let run =
        |name: &str| std::fs::read_to_string(format!("bench-runs/healthy-six/{name}")).unwrap();
    let (text, bench) = (run("capture.csv"), run("bench.toml"));
    let bench = || read_bench("bench.toml", &bench).unwrap();
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let header = lines.next().unwrap();
    let forwards: Vec<&str> = lines.collect();
    let backwards: Vec<&str> = forwards.iter().rev().copied().collect();
    let in_turns: Vec<&str> = (0..7)
        .flat_map(|k| forwards.iter().skip(k).step_by(7).copied())
        .collect();
    let fit = |rows: &[&str]| {
        let text = format!("{header}\n{}\n", rows.join("\n"));
        tried(&text, bench(), options(ModelChoice::Auto)).unwrap()
    };
    // What says where a row stood is not compared.
    let told = |document: &Characterisation| -> BTreeMap<String, SweepFit> {
        let sweeps = document.injectors.iter().flat_map(|injector| {
            injector.sweeps.iter().map(|sweep| {
                let name = format!("{} at {:?} V", injector.id, sweep.voltage_v);
                let mut sweep = sweep.clone();
                sweep.points.clear();
                sweep.findings.clear();
                (name, sweep)
            })
        });
        sweeps.collect()
    };
    let usual = told(&fit(&forwards));
    assert_eq!(usual.len(), 18);
    for rows in [backwards, in_turns] {
        for (name, sweep) in told(&fit(&rows)) {
            assert_eq!(sweep, usual[&name], "{name}");
        }
    }
}

proptest! {
    #![proptest_config(config(24))]

    #[test]
    fn units_change_nothing(rows in rows()) {
        let usual = fitted(&rows, USUAL, bench(1.0), options(ModelChoice::Auto));
        for units in [
            Units { width: "us", ..USUAL },
            Units { volume: "mm3", ..USUAL },
            Units { volume: "ul", ..USUAL },
            Units { volume: "cc", ..USUAL },
            Units { pressure: ("bar", "3"), ..USUAL },
            Units { width: "us", volume: "ul", pressure: ("bar", "3.0") },
        ] {
            let other = fitted(&rows, units, bench(1.0), options(ModelChoice::Auto));
            same(&usual, &other, ROUNDING);
            prop_assert_eq!(sweep(&usual, "A1").pressure_kpa, sweep(&other, "A1").pressure_kpa);
        }
        // 300 kPa to nine digits: 1 psi is 6.894757293168 kPa (NIST SP 811, appendix B.8).
        let psi = Units { pressure: ("psi", "43.5113213"), ..USUAL };
        let other = fitted(&rows, psi, bench(1.0), options(ModelChoice::Auto));
        same(&usual, &other, ROUNDING);
        let kpa = sweep(&other, "A1").pressure_kpa.unwrap();
        prop_assert!((kpa - 300.0).abs() < 1e-5, "{}", kpa);
    }

    #[test]
    fn the_order_of_rows_changes_nothing(
        (rows, shuffled) in rows().prop_flat_map(|r| (Just(r.clone()), Just(r).prop_shuffle()))
    ) {
        let one = fitted(&rows, USUAL, bench(1.0), options(ModelChoice::Auto));
        let other = fitted(&shuffled, USUAL, bench(1.0), options(ModelChoice::Auto));
        same(&one, &other, 0.0);
    }

    #[test]
    fn names_change_nothing_but_names(rows in rows(), swapped in any::<bool>()) {
        let names = if swapped { ["zz", "aa"] } else { ["aa", "zz"] };
        let mut renamed = rows.clone();
        for row in &mut renamed {
            let name = if row.injector == "A1" { names[0] } else { names[1] };
            name.clone_into(&mut row.injector);
        }
        let json = |rows: &[Row]| {
            let mut document = fitted(rows, USUAL, bench(1.0), options(ModelChoice::Auto));
            document.sources[0].sha256 = String::new();
            to_json(&document).unwrap()
        };
        let back = json(&renamed).replace(names[0], "A1").replace(names[1], "B2");
        // Effects of an injector are kept by their names, in the order of the alphabet.
        let sorted = |text: &str| {
            let value: BTreeMap<String, serde_json::Value> = serde_json::from_str(text).unwrap();
            serde_json::to_string(&value).unwrap()
        };
        prop_assert_eq!(sorted(&back), sorted(&json(&rows)));
    }

    /// Halves of a train delivered half each. Where all readings weigh alike every point only stands
    /// there twice, so the line is the same to rounding, whatever the scatter. Where readings are
    /// weighed, each half is read once more: what reading costs grows by √2, what a reading gains
    /// or loses whatever its size by 2. The doubt shrinks by no more than two draws instead of one
    /// allow, n readings about a line of two figures being taken for 2n: √((n − 2)/(2n − 2)).
    #[test]
    fn half_trains_say_the_same_and_not_more(rows in rows()) {
        let even: Vec<Row> = rows
            .iter()
            .map(|r| Row { microlitres: r.microlitres / 2 * 2, ..r.clone() })
            .collect();
        let halves: Vec<Row> = even
            .iter()
            .flat_map(|r| {
                let half = Row { pulses: r.pulses / 2, microlitres: r.microlitres / 2, ..r.clone() };
                [half.clone(), half]
            })
            .collect();
        let range = Some([2.0, 10.0]);
        let equal = FitOptions {
            weights: WeightChoice::Equal,
            line_range_ms: range,
            ..options(ModelChoice::Line)
        };
        let whole = fitted(&even, USUAL, bench(1.0), equal.clone());
        let split = fitted(&halves, USUAL, bench(1.0), equal);
        for id in ["A1", "B2"] {
            let (a, b) = (sweep(&whole, id), sweep(&split, id));
            for (a, b) in [(&a.slope, &b.slope), (&a.dead_time, &b.dead_time)] {
                let ([a, ..], [b, ..]) = (figures(a), figures(b));
                prop_assert!((a - b).abs() < 1e-9 * a.abs(), "{} {}", a, b);
            }
        }
        let weighed = FitOptions { line_range_ms: range, ..options(ModelChoice::Line) };
        let whole = fitted(&even, USUAL, bench(1.0), weighed.clone());
        let split = fitted(&halves, USUAL, bench(1.0), weighed);
        for id in ["A1", "B2"] {
            let [one, u, ..] = figures(&sweep(&whole, id).dead_time);
            let [other, v, ..] = figures(&sweep(&split, id).dead_time);
            prop_assert!((one - other).abs() < u, "{} {} within {}", one, other, u);
            let least = ((READINGS - 2.0) / (2.0 * READINGS - 2.0)).sqrt();
            prop_assert!(v > least * u - 1e-9 && v < 2.0 * u + 1e-9, "{} {}", u, v);
        }
    }

    /// A delay of the bench's clock: every pulse is later by d, and so is the dead time.
    #[test]
    fn later_pulses_move_the_dead_time_and_nothing_else(rows in rows(), d in 1i64..2000) {
        let later: Vec<Row> = rows
            .iter()
            .map(|r| Row { width_us: r.width_us + d, ..r.clone() })
            .collect();
        let ms = d as f64 / 1000.0;
        let line = |lo: f64| FitOptions {
            line_range_ms: Some([lo, lo + 8.0]),
            ..options(ModelChoice::Line)
        };
        for (fits, part) in [
            ([line(2.0), line(2.0 + ms)], ROUNDING),
            // The curve's own start is searched on a grid: the part of the interval that this costs.
            ([options(ModelChoice::Auto), options(ModelChoice::Auto)], 0.01),
        ] {
            let [first, second] = fits;
            let one = fitted(&rows, USUAL, bench(1.0), first);
            let other = fitted(&later, USUAL, bench(1.0), second);
            for id in ["A1", "B2"] {
                let (a, b) = (sweep(&one, id), sweep(&other, id));
                prop_assert_eq!(a.model, b.model);
                prop_assert!(agree(figures(&a.slope), figures(&b.slope), part));
                let [x, u, lo, hi] = figures(&a.dead_time);
                let moved = [x + ms, u, lo + ms, hi + ms];
                let found = figures(&b.dead_time);
                prop_assert!(agree(moved, found, part), "{:?} {:?}", moved, found);
            }
        }
    }

    /// Injectors k times as large in a vessel k times as large.
    #[test]
    fn larger_injectors_have_more_flow_and_the_same_dead_time(rows in rows(), k in 2i64..20) {
        let larger: Vec<Row> = rows
            .iter()
            .map(|r| Row { microlitres: r.microlitres * k, ..r.clone() })
            .collect();
        let factor = k as f64;
        for model in [ModelChoice::Line, ModelChoice::Auto] {
            let one = fitted(&rows, USUAL, bench(1.0), options(model));
            let other = fitted(&larger, USUAL, bench(factor), options(model));
            for id in ["A1", "B2"] {
                let (a, b) = (sweep(&one, id), sweep(&other, id));
                prop_assert_eq!(a.model, b.model);
                let scaled = figures(&a.slope).map(|x| x * factor);
                prop_assert!(agree(scaled, figures(&b.slope), ROUNDING), "{:?} {:?}", scaled, figures(&b.slope));
                prop_assert!(agree(figures(&a.dead_time), figures(&b.dead_time), ROUNDING));
            }
        }
    }

    /// Rows that stand there several times: the line of equal weights is the same.
    #[test]
    fn doubled_rows_leave_the_line_of_equal_weights(rows in rows(), times in 2usize..4) {
        let fit = FitOptions { weights: WeightChoice::Equal, ..options(ModelChoice::Line) };
        let doubled: Vec<Row> = (0..times).flat_map(|_| rows.clone()).collect();
        let one = fitted(&rows, USUAL, bench(1.0), fit.clone());
        let other = fitted(&doubled, USUAL, bench(1.0), fit);
        for id in ["A1", "B2"] {
            let [a, ..] = figures(&sweep(&one, id).slope);
            let [b, ..] = figures(&sweep(&other, id).slope);
            prop_assert!((a - b).abs() < 1e-9 * a, "{} {}", a, b);
        }
    }
}

/// Numbers at the ends of what a double holds, of what a capture takes, and beyond.
const ENDS: [&str; 14] = [
    "5e-324",
    "2.2250738585072014e-308",
    "1e-300",
    "1e-10",
    "1e-9",
    "1.0000000000000002",
    "2",
    "3.5",
    "999999999999",
    "1e12",
    "1e13",
    "1e300",
    "1.7976931348623157e308",
    "1e309",
];

proptest! {
    #![proptest_config(config(300))]

    #[test]
    fn ends_of_the_numbers_give_finite_figures_or_faults(
        cells in prop::collection::vec((0usize..14, 0usize..14, 0usize..14, any::<bool>()), 1..9),
        line in any::<bool>(),
    ) {
        let mut text = "injector,voltage_v,pressure_kpa,pulse_width_ms,pulses,volume_mm3\n".to_owned();
        for (volts, width, volume, usual) in cells {
            let (volts, width) = if usual { ("14", width % 6 + 4) } else { (ENDS[volts], width) };
            text.push_str(&format!("A,{volts},300,{},1000,{}\n", ENDS[width], ENDS[volume]));
        }
        let model = if line { ModelChoice::Line } else { ModelChoice::Auto };
        match tried(&text, Bench::default(), options(model)) {
            Ok(document) => {
                let json = to_json(&document).unwrap();
                prop_assert!(read(&json).is_ok());
            }
            Err(faults) => prop_assert!(faults.iter().all(|f| f.line.is_some()), "{:?}", faults),
        }
    }
}

#[test]
fn thousands_of_repeats_are_fitted_and_promise_no_more_than_the_vessel_allows() {
    let mut rows = Vec::new();
    for repeat in 0..2000i64 {
        for width_us in [2000i64, 4000, 8000] {
            rows.push(Row {
                injector: "A1".to_owned(),
                width_us,
                pulses: 10_000,
                microlitres: 35 * (width_us - 800) + 100 * (repeat * 7 % 11 - 5),
            });
        }
    }
    let document = fitted(&rows, USUAL, bench(1.0), options(ModelChoice::Auto));
    let fit = sweep(&document, "A1");
    let [dead_time, u, lo, hi] = figures(&fit.dead_time);
    assert!((dead_time - 0.8).abs() < 0.002, "{dead_time}");
    // What every reading gains or loses alike, 0.2 mL in 10,000 pulses of 3.5 mm³/ms, no number
    // of repeats takes away.
    let offset = 200.0 / (10_000.0 * 3.5);
    assert!(u > 0.9 * offset, "{u} below {offset}");
    assert!(lo < 0.8 && hi > 0.8);
}
