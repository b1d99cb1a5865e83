//! Writes the invented stock of `bench-runs/stock-of-sixty`, the same bytes each time.
//!
//! `cargo run --example make_stock` writes it; with `-- --check` it only compares
//! and fails where the file differs.

use std::error::Error;
use std::fmt::Write as _;
use std::path::Path;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Pulse widths of the three operating points, ms, with the standard uncertainty of a reading there, percent.
const POINTS: [(&str, f64, f64); 3] = [
    ("idle_mm3", 2.2, 0.35),
    ("cruise_mm3", 5.0, 0.2),
    ("full_mm3", 14.0, 0.15),
];

fn main() -> Result<(), Box<dyn Error>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("bench-runs/stock-of-sixty/stock.csv");
    let text = stock();
    if !std::env::args().any(|word| word == "--check") {
        std::fs::write(&path, &text)?;
    } else if std::fs::read_to_string(&path)? != text {
        return Err("stock-of-sixty/stock.csv is not what this program writes".into());
    }
    Ok(())
}

/// Slope 4.2 mm³/ms ± 2.5 %, dead time 0.80 ms ± 25 µs, drawn independently.
fn stock() -> String {
    let mut rng = ChaCha8Rng::seed_from_u64(6000);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let mut text =
        String::from("# Invented data: simulated by examples/make_stock.rs, seed 6000\ninjector");
    for (name, _, _) in POINTS {
        write!(text, ",{name},u_{name}").expect("a String takes any text");
    }
    text.push_str(",dead_time_ms\n");
    for number in 1..=60 {
        let slope = 4.2 * (1.0 + 0.025 * normal());
        let dead_time = 0.80 + 0.025 * normal();
        write!(text, "S{number:02}").expect("a String takes any text");
        for (_, width, percent) in POINTS {
            let truth = slope * (width - dead_time);
            let u = truth * percent / 100.0;
            write!(text, ",{:.3},{u:.3}", truth + u * normal()).expect("a String takes any text");
        }
        writeln!(text, ",{:.3}", dead_time + 0.004 * normal()).expect("a String takes any text");
    }
    text
}
