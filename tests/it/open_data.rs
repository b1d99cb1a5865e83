//! Real weighings of dosing valves with published straight-line fits.
//!
//! Source: Allen Institute for Neural Dynamics, records of the repository
//! AllenNeuralDynamics/aind-metadata-upgrader (each states CC-BY-4.0). The data
//! are not part of this project: where the folder is absent the test says that it
//! was skipped.

use std::fs;
use std::path::PathBuf;

use meniscus::capture::{Bench, CaptureFile, SetPoints};
use meniscus::finding::Kind;
use meniscus::fit::{FitOptions, ModelChoice, WeightChoice};
use meniscus::matching::Criterion;
use meniscus::{Request, characterise};

fn folder() -> Option<PathBuf> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared/open-data");
    path.is_dir().then_some(path)
}

fn close(ours: f64, published: f64, what: &str) {
    // Twelve digits of the slope's size; offsets near zero are sums of larger numbers.
    let scale = published.abs().max(1e-4);
    assert!(
        (ours - published).abs() <= 1e-12 * scale,
        "{what}: {ours} {published}"
    );
}

#[test]
fn weighed_valves_agree_with_the_published_lines() {
    let Some(folder) = folder() else {
        println!("skipped: the open data folder is not here");
        return;
    };
    let name = "water-valves.capture.csv";
    let file = CaptureFile::new(name.to_owned(), fs::read(folder.join(name)).unwrap());
    let request = Request {
        fit: FitOptions {
            model: ModelChoice::Line,
            weights: WeightChoice::Equal,
            line_range_ms: Some([20.0, 320.0]),
            ..FitOptions::default()
        },
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let document = characterise(&[file], Bench::default(), SetPoints::default(), &request).unwrap();
    let mut published = csv::Reader::from_path(
        folder.join("water-valve-200-pulse-calibrations.published-fits.csv"),
    )
    .unwrap();
    let (mut compared, mut negative) = (0, 0);
    for row in published.records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        let Some(injector) = document.injectors.iter().find(|i| i.id == row[0]) else {
            continue;
        };
        let sweep = &injector.sweeps[0];
        let dead_time = sweep.dead_time.as_ref().unwrap();
        // mg/ms is g/s; the flow-offset is in mg.
        close(sweep.slope.as_ref().unwrap().value, number(2), &row[0]);
        close(
            sweep.flow_offset.as_ref().unwrap().value / 1000.0,
            number(3),
            &row[0],
        );
        close(sweep.r_squared.unwrap(), number(4), &row[0]);
        // A difference of milliseconds: twelve digits of one, not of what is left.
        let published_dead_time = -1000.0 * number(3) / number(2);
        assert!(
            (dead_time.value - published_dead_time).abs() < 1e-12,
            "{}",
            &row[0]
        );
        compared += 1;
        if dead_time.value < 0.0 {
            negative += 1;
            let told = |f: &meniscus::finding::Finding| f.kind == Kind::NegativeDeadTime;
            assert!(sweep.findings.iter().any(told), "{}", &row[0]);
        }
    }
    assert_eq!((compared, negative), (5, 2));
}
