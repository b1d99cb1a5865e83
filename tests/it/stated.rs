//! What the bench file states of scatter and temperature, against what that
//! must do to the figures.

use meniscus::capture::{CaptureFile, SetPoints, read_bench};
use meniscus::characterisation::Characterisation;
use meniscus::fit::{FitOptions, SweepFit};
use meniscus::matching::Criterion;
use meniscus::{Request, characterise};

/// An invented injector, S = 4 mm³/ms, X = 0.8 ms, with repeats that differ by 0.2 %.
fn capture(temperature: Option<f64>) -> String {
    let mut text = String::from(
        "injector,pulse_width_ms,pulses,volume_ml,voltage_v,pressure_kpa,period_ms,fluid_temp_c\n",
    );
    let temperature = temperature.map_or_else(String::new, |t| t.to_string());
    for (i, width) in [2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0].into_iter().enumerate() {
        let pulses = if i % 2 == 0 { 1000.0 } else { 3000.0 };
        for sign in [-1.0, 1.0] {
            let volume = 4.0 * (width - 0.8) * pulses / 1000.0 * (1.0 + sign * 0.001);
            text += &format!("A1,{width},{pulses},{volume:.4},14,300,20,{temperature}\n");
        }
    }
    text
}

fn fitted(capture: String, bench: &str) -> Characterisation {
    let request = Request {
        fit: FitOptions::default(),
        points: Vec::new(),
        criterion: Criterion::NONE,
    };
    let file = CaptureFile::new("capture.csv".to_owned(), capture.into_bytes());
    let bench = read_bench("bench.toml", bench).unwrap();
    characterise(&[file], bench, SetPoints::default(), &request).unwrap()
}

fn only(document: &Characterisation) -> &SweepFit {
    &document.injectors[0].sweeps[0]
}

const VESSEL: &str = "[vessel]\nkind = \"burette\"\ndivision = \"0.01 mL\"\n\
                      reading_offset_uncertainty = \"0.01 mL\"\n";

#[test]
fn a_repeatability_that_is_known_is_kept_and_one_that_is_stated_is_weighed() {
    let with = |scatter: &str| {
        let bench = format!("{VESSEL}[scatter]\n{scatter}\n");
        let document = fitted(capture(None), &bench);
        let sweep = only(&document);
        let repeatability = sweep.scatter.repeatability_percent.clone().unwrap();
        let u = sweep
            .dead_time
            .as_ref()
            .unwrap()
            .standard_uncertainty
            .unwrap();
        (repeatability, u)
    };
    let (known, u_known) = with("repeatability = \"0.5 %\"\nknown = \"exactly\"");
    let own = known.standard_uncertainty.unwrap();
    assert!((known.value - 0.5).abs() < 1e-9 && own < 1e-6, "{known:?}");
    let (stated, u_stated) = with("repeatability = \"0.5 %\"");
    assert!(0.1 < stated.value && stated.value < 0.5, "{stated:?}");
    let (_, u_twice) = with("repeatability = \"1 %\"\nknown = \"exactly\"");
    assert!(u_stated < u_known && u_known < u_twice);
}

/// Where nothing else scatters, σ(D) = √N·p: at known p the doubt of S doubles with it.
#[test]
fn scatter_of_single_pulses_enters_as_the_root_of_their_number() {
    let u = |p: &str| {
        let bench = format!(
            "{VESSEL}[scatter]\nrepeatability = \"0.0001 %\"\nknown = \"exactly\"\npulse_scatter = \"{p}\"\n"
        );
        let document = fitted(capture(None), &bench);
        only(&document)
            .slope
            .as_ref()
            .unwrap()
            .standard_uncertainty
            .unwrap()
    };
    let (one, two) = (u("20 mm3"), u("40 mm3"));
    assert!((two / one - 2.0).abs() < 0.15, "{one} {two}");
}

/// Volume through an orifice goes as 1/√ρ: ten kelvin above the density's
/// temperature at 0.0012 per kelvin is 0.6 % (the textbook orifice law).
#[test]
fn readings_are_carried_to_the_temperature_of_the_density() {
    let bench = format!(
        "{VESSEL}[fluid]\ndensity = \"0.684 g/mL\"\ndensity_temperature = \"20 C\"\nexpansion = \"0.0012 1/K\"\n"
    );
    let at = fitted(capture(Some(20.0)), &bench);
    let warm = fitted(capture(Some(30.0)), &bench);
    let untold = fitted(capture(None), &bench);
    let slope = |d: &Characterisation| only(d).slope.as_ref().unwrap().value;
    assert!((slope(&at) / slope(&untold) - 1.0).abs() < 1e-12);
    let expected = (-0.006f64).exp();
    assert!((slope(&warm) / slope(&at) / expected - 1.0).abs() < 1e-4);
    // Its own doubt: 0.3 of the correction, in the budget and as a shared effect.
    let row = |d: &Characterisation| {
        let rows = &only(d).budget;
        rows.iter()
            .find(|r| r.component == "temperature")
            .map(|r| r.slope_percent)
    };
    assert_eq!(row(&at), None);
    assert!((row(&warm).unwrap() - 0.18).abs() < 1e-9);
    let part = only(&warm).slope.as_ref().unwrap().shared["temperature"];
    assert!((part / slope(&warm) + 0.0018).abs() < 1e-9, "{part}");
    assert!(warm.effects.iter().any(|e| e.id == "temperature"));
}
