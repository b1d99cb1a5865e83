//! How often the intervals of the surface hold the truth when the whole chain is
//! run: a bench over voltage and pressure is simulated, written as a capture, read,
//! fitted, and asked anywhere inside the grid:
//! `cargo run --release --example grid_coverage -- --benches 60 --seed 1`.

#[path = "../tests/it/simulated.rs"]
#[allow(dead_code)]
mod simulated;

use std::io::Write;

use meniscus::capture::{Bench, CaptureFile, SetPoints, Vessel, VesselKind};
use meniscus::fit::FitOptions;
use meniscus::matching::Criterion;
use meniscus::surface::{Query, build};
use meniscus::units::{Estimate, Unit};
use meniscus::{Request, characterise};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use simulated::{Law, full};

const WIDTHS: [f64; 12] = [1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.4, 4.5, 6.0, 8.0, 10.0, 12.0];
/// Division, reading offset and repeatability of the simulated bench.
const DIVISION_ML: f64 = 0.5;
const OFFSET_ML: f64 = 0.2;
const REPEATABILITY: f64 = 0.003;
/// Places asked of each bench.
const PLACES: usize = 12;

/// Each reading fills about 90 mL, or a quarter of it in the second repeat.
fn capture(law: &Law, conditions: &[(f64, f64)], rng: &mut ChaCha8Rng) -> String {
    let mut text = String::from(
        "injector,voltage_v,pressure_kpa,pulse_width_ms,period_ms,pulses,volume_ml,repeat\n",
    );
    for (volts, kpa) in conditions {
        let offset = OFFSET_ML * rng.sample::<f64, _>(StandardNormal);
        for repeat in 1..=3 {
            for w in WIDTHS {
                let q = law.delivered(w, *volts, *kpa);
                let fill = if repeat == 2 { 22.0 } else { 90.0 };
                let pulses = (1000.0 * fill / q.max(0.3)).clamp(200.0, 40_000.0).round();
                let scatter = 1.0 + REPEATABILITY * rng.sample::<f64, _>(StandardNormal);
                let eye = 0.4 * DIVISION_ML * rng.sample::<f64, _>(StandardNormal);
                let volume = pulses * q / 1000.0 * scatter + offset + eye;
                let read = (volume / DIVISION_ML).round().max(0.0) * DIVISION_ML;
                text.push_str(&format!(
                    "A1,{volts},{kpa},{w},20,{pulses},{read},{repeat}\n"
                ));
            }
        }
    }
    text
}

fn bench() -> Bench {
    Bench {
        vessels: vec![Vessel {
            name: None,
            kind: VesselKind::GraduatedCylinder,
            capacity: Some(100_000.0),
            division: Some(1000.0 * DIVISION_ML),
            tolerance: None,
            class: None,
            reading_uncertainty: None,
            reading_offset_uncertainty: Some(1000.0 * OFFSET_ML),
            reading_time_s: None,
            draining_time_s: None,
        }],
        ..Bench::default()
    }
}

fn holds(estimate: &Estimate, truth: f64) -> bool {
    estimate.interval_95[0].is_none_or(|lo| lo <= truth)
        && estimate.interval_95[1].is_none_or(|hi| truth <= hi)
}

fn option(name: &str, default: u64) -> u64 {
    let arguments: Vec<String> = std::env::args().collect();
    arguments
        .iter()
        .position(|a| a == name)
        .and_then(|i| arguments.get(i + 1)?.parse().ok())
        .unwrap_or(default)
}

fn main() -> std::io::Result<()> {
    let (benches, seed) = (option("--benches", 60), option("--seed", 1));
    let grids: [(&[f64], &[f64]); 3] = [
        (&[8.0, 10.0, 12.0, 14.0, 16.0], &[300.0]),
        (&[8.0, 11.0, 14.0], &[250.0, 350.0]),
        (&[10.0, 12.0, 14.0], &[250.0, 300.0, 400.0]),
    ];
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "grid; q at a measured condition; q anywhere inside; pulse width; half-width of q, percent"
    )?;
    for (volts, kpa) in grids {
        let mut hits = [0.0; 3];
        let (mut half, mut count, mut at_node) = (0.0, 0.0, 0.0);
        for index in 0..benches {
            let mut rng = ChaCha8Rng::seed_from_u64(1000 * seed + index);
            let law = Law::drawn(&mut rng);
            let conditions = full(volts, kpa);
            let file = CaptureFile::new(
                "made-up.csv",
                capture(&law, &conditions, &mut rng).into_bytes(),
            );
            let request = Request {
                fit: FitOptions::default(),
                points: Vec::new(),
                criterion: Criterion::NONE,
            };
            let set_points = SetPoints {
                voltage_v: None,
                pressure_kpa: None,
            };
            let document = characterise(&[file], bench(), set_points, &request)
                .map_err(|faults| std::io::Error::other(format!("{faults:?}")))?;
            let Ok(surface) = build("A1", &document.injectors[0].sweeps, None) else {
                continue;
            };
            for place in 0..PLACES {
                // A quarter of the places are measured conditions, for comparison.
                let node = place % 4 == 0;
                let (v, p) = if node {
                    conditions[rng.random_range(0..conditions.len())]
                } else {
                    (
                        rng.random_range(volts[0]..=volts[volts.len() - 1]),
                        rng.random_range(kpa[0]..=kpa[kpa.len() - 1] + 1e-9),
                    )
                };
                let query = Query {
                    voltage_v: Some(v),
                    pressure_kpa: Some(p),
                    extrapolate: false,
                };
                let Ok([lo, hi]) = surface.width_range(&query) else {
                    continue;
                };
                let shortest = lo.max(law.delay(v, p) + 0.4);
                let w = (shortest * (hi / shortest).powf(rng.random_range(0.0..1.0))).clamp(lo, hi);
                let truth = law.delivered(w, v, p);
                let Ok(q) = surface.delivered(&query, w) else {
                    continue;
                };
                let q = q.estimate(Unit::CubicMillimetre);
                let hit = f64::from(u8::from(holds(&q, truth)));
                if node {
                    hits[0] += hit;
                    at_node += 1.0;
                    continue;
                }
                hits[1] += hit;
                let wide = Query {
                    extrapolate: true,
                    ..query
                };
                if let Ok(back) = surface.pulse_width(&wide, truth) {
                    hits[2] += f64::from(u8::from(holds(&back.estimate(Unit::Millisecond), w)));
                }
                half += 100.0 * q.half_width().unwrap_or(f64::NAN) / truth;
                count += 1.0;
            }
        }
        writeln!(
            out,
            "{volts:?} V x {kpa:?} kPa: {:.1} ({at_node}); {:.1} ({count}); {:.1}; {:.2}",
            100.0 * hits[0] / at_node,
            100.0 * hits[1] / count,
            100.0 * hits[2] / count,
            half / count
        )?;
    }
    Ok(())
}
