//! What fuzzing found, each by its name.

use meniscus::capture::{Bench, CaptureFile, SetPoints};
use meniscus::finding::Kind;
use meniscus::fit::{FitOptions, SweepFit};
use meniscus::matching::Criterion;
use meniscus::{Request, characterise};

/// The sweep of one pulse width, 4 ms, and of static readings of 10 s with these amounts, mL.
fn one_width_and_static(amounts: &[f64]) -> SweepFit {
    let mut text = "injector,pulse_width_ms,period_ms,pulses,open_time_s,volume_ml\n".to_owned();
    text.push_str("A,4,20,10000,,100\nA,4,20,10000,,100.2\n");
    for amount in amounts {
        text.push_str(&format!("A,,,,10,{amount}\n"));
    }
    let request = Request {
        fit: FitOptions::default(),
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let file = CaptureFile::new("run.csv", text.into_bytes());
    let document = characterise(&[file], Bench::default(), SetPoints::default(), &request);
    document.unwrap().injectors.remove(0).sweeps.remove(0)
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
