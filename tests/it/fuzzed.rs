//! What fuzzing found, each by its name.

use meniscus::capture::{Bench, CaptureFile, Proposal, SetPoints, propose, read_mapping};
use meniscus::characterisation::{Characterisation, read, to_json};
use meniscus::finding::Kind;
use meniscus::fit::{FitOptions, SweepFit};
use meniscus::matching::Criterion;
use meniscus::{Request, characterise};

/// What a capture of these rows (pulse width, period, pulses, open time, mL) gives.
fn fitted(rows: &[String]) -> Characterisation {
    let title = "injector,pulse_width_ms,period_ms,pulses,open_time_s,volume_ml";
    let rows = rows.iter().map(|row| format!("A,{row}\n"));
    characterised(format!("{title}\n{}", rows.collect::<String>()))
}

fn characterised(text: String) -> Characterisation {
    let request = Request {
        fit: FitOptions::default(),
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let file = CaptureFile::new("run.csv", text.into_bytes());
    characterise(&[file], Bench::default(), SetPoints::default(), &request).unwrap()
}

/// The sweep of one pulse width, 4 ms, and of static readings of 10 s with these amounts, mL.
fn one_width_and_static(amounts: &[f64]) -> SweepFit {
    let timed = ["4,20,10000,,100", "4,20,10000,,100.2"].map(str::to_owned);
    let held_open = amounts.iter().map(|amount| format!(",,,10,{amount}"));
    let rows: Vec<String> = timed.into_iter().chain(held_open).collect();
    only_sweep(fitted(&rows))
}

fn only_sweep(mut document: Characterisation) -> SweepFit {
    document.injectors.remove(0).sweeps.remove(0)
}

#[test]
fn a_static_flow_that_may_be_zero_bounds_no_dead_time() {
    let sweep = one_width_and_static(&[0.5]);
    let [lo, hi] = sweep.slope.unwrap().interval_95.map(Option::unwrap);
    assert!(lo < 0.0 && hi > 0.0, "{lo} to {hi}");
    assert_eq!(sweep.dead_time.unwrap().interval_95, [None, None]);
    let kinds: Vec<Kind> = sweep.findings.iter().map(|f| f.kind).collect();
    assert!(kinds.contains(&Kind::DeadTimeUnbounded), "{kinds:?}");
}

/// Ten long pulses that gave next to nothing: the doubt of the dead time is that of their reading,
/// with any number of degrees of freedom, yet the flow has one and may be zero by it.
#[test]
fn a_flow_that_may_be_zero_by_its_own_freedom_bounds_no_dead_time() {
    let rows = ["400,500,10,,0.0001", ",,,10,100", ",,,10,130"];
    let sweep = only_sweep(fitted(&rows.map(str::to_owned)));
    let [lo, hi] = sweep.slope.unwrap().interval_95.map(Option::unwrap);
    assert!(lo < 0.0 && hi > 0.0, "{lo} to {hi}");
    let dead_time = sweep.dead_time.unwrap();
    assert!(dead_time.degrees_of_freedom.unwrap() > 1e6);
    assert_eq!(dead_time.interval_95, [None, None]);
}

/// Next to nothing beside a large amount deviates by minus one hundred percent, rounded: the
/// mixture would be infinitely lean.
#[test]
fn an_injector_that_gives_nothing_beside_another_is_told_and_not_compared() {
    let row = |id: &str, volume: f64, width: f64| {
        format!("{id},{width},1000,{:e}\n", volume * (width - 0.8))
    };
    let mut text = "injector,pulse_width_ms,pulses,volume_ml\n".to_owned();
    for (id, volume) in [("A", 7e7), ("B", 7e-12), ("C", 7.1e7)] {
        text.extend([2.0, 4.0, 8.0, 12.0].map(|width| row(id, volume, width)));
    }
    let document = characterised(text);
    read(&to_json(&document).unwrap()).unwrap();
    let set = document.set_match.unwrap();
    assert!(!set.deviations.is_empty());
    assert!(set.deviations.iter().all(|d| d.injector != "B"));
    let told = set.findings.iter().filter(|f| f.kind == Kind::GivesNothing);
    let of_whom: Vec<_> = told.map(|f| f.place.injector.as_deref()).collect();
    assert!(
        !of_whom.is_empty() && of_whom.iter().all(|who| *who == Some("B")),
        "{of_whom:?}"
    );
}

/// Two readings have one degree of freedom between them: the factor of 95 % is 12.706, not 1.96
/// (Student 1908; as printed in any table of t).
#[test]
fn two_static_readings_that_differ_carry_one_degree_of_freedom() {
    let sweep = one_width_and_static(&[40.0, 40.9]);
    let dead_time = sweep.dead_time.unwrap();
    let dof = dead_time.degrees_of_freedom.unwrap();
    assert!(dof < 4.0, "{dof}");
    let [lo, hi] = dead_time.interval_95.map(Option::unwrap);
    let u = dead_time.standard_uncertainty.unwrap();
    assert!(hi - lo > 2.0 * 2.5 * u, "{lo} to {hi} with {u}");
    assert!(lo < dead_time.value && dead_time.value < hi);
    // A flow that is known well bounds as before: about two standard uncertainties.
    let sound = one_width_and_static(&[40.0]).dead_time.unwrap();
    assert!(
        (sound.half_width().unwrap() / sound.standard_uncertainty.unwrap() - 1.96).abs() < 0.05
    );
}

/// The quantity was asked for in a remark that did not count as a question: the proposal called
/// itself complete and could not be read.
#[test]
fn a_quantity_that_no_column_names_is_a_question() {
    let sheet = "no,text,here\nInj,PW [ms],N,what\nA,2,1000,4.5\nA,4,1000,13\nB,2,1000,4.6\nB,4,1000,13.1\n";
    for sheet in [sheet.to_owned(), transposed(sheet)] {
        let proposal = propose(&CaptureFile::new("sheet.csv", sheet.into_bytes())).unwrap();
        let complete = read_mapping("map.toml", &proposal.text).is_ok();
        assert_eq!(complete, proposal.questions.is_empty(), "{}", proposal.text);
    }
}

fn transposed(sheet: &str) -> String {
    let rows: Vec<Vec<&str>> = sheet.lines().map(|row| row.split(',').collect()).collect();
    let cell = |row: &Vec<&str>, at: usize| row.get(at).copied().unwrap_or_default().to_owned();
    (0..4)
        .map(|at| {
            rows.iter()
                .map(|row| cell(row, at))
                .collect::<Vec<_>>()
                .join(",")
                + "\n"
        })
        .collect()
}

/// A curve with a value too few, or with widths that do not rise, would be read beyond its end.
#[test]
fn a_file_whose_delivery_lists_disagree_is_refused() {
    let rows = [2, 3, 4, 5, 6].map(|w| format!("{w},20,5000,,{}", 17.5 * (f64::from(w) - 0.8)));
    let sound = to_json(&fitted(&rows)).unwrap();
    assert!(read(&sound).is_ok());
    let broken = |change: &dyn Fn(&mut serde_json::Value)| {
        let mut value: serde_json::Value = serde_json::from_str(&sound).unwrap();
        change(&mut value["injectors"][0]["sweeps"][0]["delivery"]);
        read(&value.to_string()).unwrap_err().to_string()
    };
    let pop = |list: &mut serde_json::Value| list.as_array_mut().unwrap().truncate(4);
    let shorter = broken(&|delivery| {
        let shared = delivery["shared"].as_object_mut().unwrap();
        pop(shared.values_mut().next().unwrap());
    });
    assert!(
        shorter.contains("pulse widths, but 4 values of `"),
        "{shorter}"
    );
    let shorter = broken(&|delivery| pop(&mut delivery["delivered"]));
    assert!(shorter.contains("4 values of `delivered`"), "{shorter}");
    let falling = broken(&|delivery| delivery["pulse_width_ms"][0] = 1000.0.into());
    assert!(
        falling.contains("pulse widths that do not rise"),
        "{falling}"
    );
    let empty = broken(&|delivery| {
        for list in ["pulse_width_ms", "delivered", "standard_uncertainty"] {
            delivery[list] = serde_json::json!([]);
        }
        delivery["shared"] = serde_json::json!({});
    });
    assert!(empty.contains("no pulse widths"), "{empty}");
}

/// What a sheet says of itself when it is looked at.
fn proposal(sheet: &str) -> Proposal {
    propose(&CaptureFile::new("sheet.csv", sheet.as_bytes().to_vec())).unwrap()
}

/// Two volumes and a mass beside three injectors: the lists of a mapping would not go together.
#[test]
fn a_proposal_that_could_not_be_read_asks() {
    let sheet = "Inj,PW [ms],N,Volume ml,Inj,PW [ms],N,Volume ml,Inj,PW [ms],N,Mass g\n\
                 0413,1.5,22000,67.5,0417,1.5,22000,68.5,0420,1.5,22000,46.1\n\
                 0413,3,10000,92,0417,3,10000,93.5,0420,3,10000,62.1\n";
    let proposal = proposal(sheet);
    assert!(read_mapping("proposed.toml", &proposal.text).is_err());
    let [question] = &proposal.questions[..] else {
        panic!("{:?}", proposal.questions)
    };
    assert!(question.contains("columns.volume_ml"), "{question}");
    assert!(proposal.text.contains(&format!("# ? {question}\n")));
}

/// A point that parts tenths in one number and thousands in another is no mark that can be stated.
#[test]
fn a_mark_that_stands_both_ways_is_asked_about() {
    let sheet = "injector;pulse_width_ms;pulses;volume_ml\n\
                 A;1.5;22000;67.5\nA;3;10000;1.234.567\nA;8;3400;101\n";
    let proposal = proposal(sheet);
    assert_eq!(proposal.questions.len(), 1, "{}", proposal.text);
    assert!(proposal.text.contains("\n# decimal = \".\"\n"));
    assert!(read_mapping("proposed.toml", &proposal.text).is_ok());
}
