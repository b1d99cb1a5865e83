//! The bench in five questions, the quick check and the correction.

use std::fs;
use std::path::Path;

use assert_cmd::Command;
use meniscus::capture::{Bench, CaptureFile, SetPoints, read_bench};
use meniscus::characterisation::Characterisation;
use meniscus::finding::Kind;
use meniscus::fit::FitOptions;
use meniscus::matching::{Criterion, Verdict};
use meniscus::setup::{Answered, QUESTIONS, bench_text, understand};
use meniscus::{Request, characterise};

fn outcome(folder: &Path, arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_meniscus"))
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(arguments)
        .output()
        .unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

fn fitted(text: &str, bench: &str) -> Characterisation {
    let file = CaptureFile::new("run.csv", text.as_bytes().to_vec());
    let bench = read_bench("bench.toml", bench).unwrap();
    let request = Request {
        fit: FitOptions::default(),
        points: Vec::new(),
        criterion: Criterion {
            tolerance_percent: Some(2.0),
            risk_percent: 5.0,
            dead_time_tolerance_us: None,
            flow_tolerance_percent: None,
        },
    };
    characterise(&[file], bench, SetPoints::default(), &request).unwrap()
}

/// Three injectors at these widths, each read twice; the last delivers `lean` percent less.
fn capture(widths: &[f64], lean: f64) -> String {
    let mut text = "injector,pulse_width_ms,pulses,volume_ul\n".to_owned();
    for (at, id) in ["A", "B", "C"].iter().enumerate() {
        let factor = if at == 2 { 1.0 - lean / 100.0 } else { 1.0 };
        for width in widths {
            let volume = 4.0 * (width - 0.8) * 8000.0 * factor;
            for _ in 0..2 {
                text.push_str(&format!("{id},{width},8000,{volume:.0}\n"));
            }
        }
    }
    text
}

const BURETTE: &str = "[vessel]\nkind = \"burette\"\ncapacity = \"500 mL\"\ndivision = \"0.1 mL\"\n\
    reading_offset_uncertainty = \"0.1 mL\"\n";

fn kinds(document: &Characterisation) -> Vec<Kind> {
    let set = document.set_match.iter().flat_map(|m| &m.findings);
    document
        .findings
        .iter()
        .chain(set)
        .map(|f| f.kind)
        .collect()
}

#[test]
fn one_two_or_three_widths_are_compared_as_read() {
    for widths in [&[4.0][..], &[2.0, 6.0], &[2.0, 4.0, 9.0]] {
        let document = fitted(&capture(widths, 3.0), BURETTE);
        let set = document.set_match.as_ref().unwrap();
        let compared: Vec<f64> = set
            .operating_points
            .iter()
            .map(|p| p.pulse_width_ms)
            .collect();
        assert_eq!(compared, widths, "every measured width, and no other");
        // Delivered 1, 1, 0.97: mean 0.99, so C is at 0.97/0.99 − 1 = −2.0202 %.
        for (at, d) in set.deviations.iter().enumerate() {
            let expected = if at % 3 == 2 {
                -200.0 / 99.0
            } else {
                100.0 / 99.0
            };
            assert!(
                (d.percent - expected).abs() < 1e-2,
                "{} {}",
                d.injector,
                d.percent
            );
            assert!((d.mixture_percent + d.percent / (1.0 + d.percent / 100.0)).abs() < 1e-9);
            let [lo, hi] = d.interval_95;
            assert!(lo.unwrap() < d.percent && d.percent < hi.unwrap());
        }
        assert!(kinds(&document).contains(&Kind::ComparedAsRead));
        assert_eq!(set.worst_injector.as_deref(), Some("C"));
    }
    let many = fitted(&capture(&[1.5, 2.0, 3.0, 5.0, 9.0], 3.0), BURETTE);
    assert!(!kinds(&many).contains(&Kind::ComparedAsRead));
    assert!(many.injectors[0].sweeps[0].as_read.is_none());
}

#[test]
fn the_doubt_of_the_quick_check_is_that_of_reading_repeats_and_offset() {
    let document = fitted(&capture(&[2.0, 6.0], 0.0), BURETTE);
    let sweep = &document.injectors[0].sweeps[0];
    let curve = sweep.as_read.as_ref().unwrap();
    for (at, width) in [2.0, 6.0].iter().enumerate() {
        let mean = 4.0 * (width - 0.8);
        assert!((curve.delivered[at] - mean).abs() < 1e-3);
        // Two equal readings of 8000 pulses: reading 0.4 of a division of 100 mm³, repeatability
        // assumed at 0.4 %, weighed as four against one; offset 100 mm³.
        let read = 40.0f64 / 8000.0;
        let assumed = read * read + (0.004 * mean).powi(2);
        let own = (4.0 * assumed / 5.0) / 2.0;
        let expected = (own + (100.0f64 / 8000.0).powi(2)).sqrt();
        let found = curve.standard_uncertainty[at];
        assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");
    }
}

#[test]
fn readings_of_unequal_counts_weigh_by_their_variance() {
    let rows = "A,2,8000,38.4\nA,2,800,3.95\nB,2,8000,38.4\nB,2,8000,38.6\n";
    let text = format!("injector,pulse_width_ms,pulses,volume_ml\n{rows}");
    let sweep = |bench: &str| fitted(&text, bench).injectors[0].sweeps[0].clone();
    // Closed form: weights 1/v, v = (0.4 of a division / N)² + (repeatability × mean)².
    for (scatter, repeatability) in [
        ("", 0.004),
        ("[scatter]\nrepeatability = \"0.2 %\"\n", 0.002),
    ] {
        let q = [38_400.0 / 8000.0, 3950.0 / 800.0];
        let about = f64::midpoint(q[0], q[1]);
        let v = [8000.0, 800.0].map(|n| (40.0f64 / n).powi(2) + (repeatability * about).powi(2));
        let mean = (q[0] / v[0] + q[1] / v[1]) / (1.0 / v[0] + 1.0 / v[1]);
        let curve = sweep(&format!("{BURETTE}{scatter}")).as_read.unwrap();
        let found = curve.delivered[0];
        assert!((found / mean - 1.0).abs() < 1e-9, "{found} {mean}");
        assert!((found - about).abs() > 1e-2, "not the plain mean");
    }
}

#[test]
fn the_verdict_is_decided_both_ways() {
    let verdict = |lean| {
        fitted(&capture(&[2.0, 6.0], lean), BURETTE)
            .set_match
            .unwrap()
            .verdict
    };
    assert_eq!(verdict(0.0), Some(Verdict::Matched));
    assert_eq!(verdict(10.0), Some(Verdict::NotMatched));
    assert_eq!(verdict(2.0), Some(Verdict::Undecided));
}

#[test]
fn the_demo_of_the_quick_check_finds_the_blocked_injector() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (status, text, _) = outcome(
        root,
        &[
            "match",
            "bench-runs/quick-check/today.csv",
            "--tolerance",
            "2%",
        ],
    );
    assert_eq!(status, 1);
    assert!(text.contains("Farthest from the mean: Q3"), "{text}");
    assert!(text.contains("without any line"), "{text}");
    let (_, json, _) = outcome(
        root,
        &["match", "bench-runs/quick-check/today.csv", "--json"],
    );
    let set: serde_json::Value = serde_json::from_str(&json).unwrap();
    // Truth: delivered quantities of the simulation, as deviations from their mean.
    let truth = fs::read_to_string(root.join("bench-runs/quick-check/truth.csv")).unwrap();
    let rows: Vec<Vec<f64>> = truth
        .lines()
        .skip(2)
        .map(|l| l.split(',').skip(1).map(|c| c.parse().unwrap()).collect())
        .collect();
    let mut outside = 0;
    for (at, d) in set["deviations"].as_array().unwrap().iter().enumerate() {
        let (width, injector) = (at / rows.len(), at % rows.len());
        let mean = rows.iter().map(|r| r[width]).sum::<f64>() / rows.len() as f64;
        let percent = 100.0 * (rows[injector][width] / mean - 1.0);
        let side = |k: usize| d["interval_95"][k].as_f64().unwrap();
        outside += usize::from(!(side(0)..=side(1)).contains(&percent));
    }
    assert!(
        outside <= 1,
        "{outside} of eight 95 % intervals miss the truth"
    );
}

#[test]
fn a_few_widths_point_to_match() {
    let document = fitted(&capture(&[2.0, 6.0], 0.0), BURETTE);
    let findings = &document.injectors[0].sweeps[0].findings;
    let few = findings.iter().find(|f| f.kind == Kind::FewPulseWidths);
    let of_document = document
        .findings
        .iter()
        .find(|f| f.kind == Kind::FewPulseWidths);
    assert!(few.or(of_document).unwrap().advice.contains("`match`"));
}

#[test]
fn the_findings_say_which_answer_about_the_bench_would_help_most() {
    let text = capture(&[1.5, 2.0, 3.0, 5.0, 9.0], 0.0);
    let open = |bench: &str| {
        let document = fitted(&text, bench);
        let found = document.findings.iter().find(|f| f.kind == Kind::BenchOpen);
        found.map(|f| f.text.clone())
    };
    let nothing = open("").unwrap();
    for name in ["vessel", "gauge", "supply", "density", "driver"] {
        assert!(nothing.contains(name), "{nothing}");
    }
    assert!(nothing.contains("would help the flow most"), "{nothing}");
    let vessel_known = open(BURETTE).unwrap();
    assert!(!vessel_known.contains("the vessel"), "{vessel_known}");
    assert!(vessel_known.contains("the pressure gauge would help the flow most (about 0.57 %)"));
    let known = format!(
        "{BURETTE}[pressure]\nuncertainty = \"1 kPa\"\n[supply]\nuncertainty = \"0.1 V\"\n"
    );
    assert_eq!(open(&known), None);
}

#[test]
fn five_assumed_answers_make_a_bench_file_that_says_so() {
    let answers: Vec<Answered> = QUESTIONS
        .iter()
        .map(|q| Answered {
            topic: q.topic,
            values: understand(q.topic, q.assumed).unwrap(),
            assumed: true,
        })
        .collect();
    let text = bench_text(&answers);
    let bench = read_bench("bench.toml", &text).unwrap();
    assert!(bench.assumed.contains(&"vessel.division".to_owned()));
    assert_eq!(bench.vessels[0].division, Some(1000.0));
    assert_eq!(bench.pressure.as_ref().unwrap().nominal, Some(300.0));
    let document = fitted(&capture(&[1.5, 2.0, 3.0, 5.0, 9.0], 0.0), &text);
    let told = document
        .findings
        .iter()
        .find(|f| f.kind == Kind::BenchAssumed);
    assert!(told.unwrap().text.contains("vessel.division"));
    // What was stated is not said to be assumed.
    let stated: Vec<Answered> = answers
        .into_iter()
        .map(|a| Answered {
            assumed: false,
            ..a
        })
        .collect();
    let bench = read_bench("bench.toml", &bench_text(&stated)).unwrap();
    assert!(bench.assumed.is_empty());
    assert_eq!(read_bench("b", &bench_text(&[])), Ok(Bench::default()));
}

#[test]
fn a_list_of_assumptions_names_what_stands_there() {
    for text in [
        "assumed = [\"vessel.division\"]\n",
        "assumed = \"x\"\n",
        "assumed = [1]\n",
        "assumed = [\"fluid.name\"]\n[fluid]\ndensity = \"0.7 g/mL\"\n",
    ] {
        let faults = read_bench("bench.toml", text).unwrap_err();
        assert_eq!(faults[0].line, Some(1), "{text}");
    }
}

#[test]
fn setup_writes_once_and_asks_only_a_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let (status, _, talk) = outcome(here, &["setup"]);
    assert_eq!(status, 2);
    assert!(
        talk.contains("--assume") && talk.contains("--vessel"),
        "{talk}"
    );
    assert!(!here.join("bench.toml").exists());
    let (status, said, _) = outcome(here, &["setup", "--vessel", "burette, 50 mL, 0.1 mL"]);
    assert_eq!(status, 0);
    assert!(
        said.contains("Left open: fluid, pressure, supply, driver"),
        "{said}"
    );
    let first = fs::read_to_string(here.join("bench.toml")).unwrap();
    let (status, _, talk) = outcome(here, &["setup", "--assume"]);
    assert_eq!(status, 2);
    assert!(talk.contains("--replace"), "{talk}");
    assert_eq!(fs::read_to_string(here.join("bench.toml")).unwrap(), first);
    assert_eq!(outcome(here, &["setup", "--assume", "--replace"]).0, 0);
    let (status, _, talk) = outcome(here, &["setup", "--driver", "big", "-o", "b.toml"]);
    assert_eq!(status, 2);
    assert!(
        talk.contains("--driver") && talk.contains("saturated"),
        "{talk}"
    );
}

#[test]
fn a_correction_says_what_changed_and_keeps_the_old_file() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let wrong = capture(&[1.5, 2.0, 3.0, 5.0, 9.0], 0.0);
    // B at 3 ms: 70400 typed as 74000.
    let right = wrong.clone();
    let wrong = wrong.replacen("B,3,8000,70400", "B,3,8000,74000", 1);
    assert_ne!(right, wrong);
    fs::write(here.join("run.csv"), &wrong).unwrap();
    let fit = || outcome(here, &["fit", "run.csv", "-o", "set.json"]);
    assert_eq!(fit().0, 0);
    let first = fs::read(here.join("set.json")).unwrap();

    // The same again: nothing moves, and nothing is put aside.
    let (_, _, talk) = fit();
    assert!(talk.contains("set.json: the same as before"), "{talk}");
    assert!(!here.join("set.json.previous").exists());

    // Corrected, and a row put in before it: one reading changed, one new.
    let inserted = right.replacen("A,1.5,8000", "A,1.5,8000,22400\nA,1.5,8000", 1);
    fs::write(here.join("run.csv"), &inserted).unwrap();
    let (status, _, talk) = fit();
    assert_eq!(status, 0);
    assert!(talk.contains("2 readings changed"), "{talk}");
    assert!(
        talk.contains("injector B: 74 mL from 8000 pulses of 3 ms")
            && talk.contains("70.4 mL from 8000 pulses of 3 ms"),
        "{talk}"
    );
    assert!(talk.contains("injector A: new: 22.4 mL"), "{talk}");
    assert!(
        talk.contains("B: dead time") && talk.contains("became"),
        "{talk}"
    );
    assert_eq!(fs::read(here.join("set.json.previous")).unwrap(), first);
    assert_ne!(fs::read(here.join("set.json")).unwrap(), first);

    // Other injectors: told, and nothing is lost.
    let second = fs::read(here.join("set.json")).unwrap();
    fs::write(here.join("run.csv"), right.replace("C,", "D,")).unwrap();
    let (_, _, talk) = fit();
    assert!(talk.contains("other injectors"), "{talk}");
    assert!(
        talk.contains("no longer in it: C") && talk.contains("new in it: D"),
        "{talk}"
    );
    assert_eq!(fs::read(here.join("set.json.previous")).unwrap(), second);

    // What is no such file is kept as well.
    fs::write(here.join("set.json"), "mine").unwrap();
    let (status, _, talk) = fit();
    assert_eq!(status, 0);
    assert!(talk.contains("no characterisation file"), "{talk}");
    assert_eq!(fs::read(here.join("set.json.previous")).unwrap(), b"mine");
}
