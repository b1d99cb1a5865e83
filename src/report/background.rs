//! What stands behind the figures: bench, checks, method, readings left out.

use super::numbers::{UNKNOWN, range};
use crate::characterisation::Characterisation;
use crate::characterisation::{Bench, InjectorCheck, Vessel, VesselKind};
use crate::characterisation::{Model, Scale, SweepFit, Weighting};
use crate::finding::visible;
use crate::plots::{plain, voltage};

/// Voltage, pressure and stage in words, as the statements head them.
pub(super) fn condition_words(sweep: &SweepFit) -> String {
    let pressure = sweep.pressure_kpa.map_or_else(
        || "pressure not stated".to_owned(),
        |kpa| format!("{} kPa", plain(kpa)),
    );
    let stage = sweep.stage.as_deref().map(|s| format!(", {}", visible(s)));
    format!(
        "{}, {pressure}{}",
        voltage(sweep.voltage_v),
        stage.unwrap_or_default()
    )
}

/// Checks beside the flow: id, cylinder, coil, insulation, leakage, spray, note.
pub(super) fn checks(document: &Characterisation) -> Vec<[String; 7]> {
    let text = |t: &Option<String>| t.as_deref().map_or_else(|| UNKNOWN.to_owned(), visible);
    let number = |v: Option<f64>, unit: &str| {
        v.map_or_else(|| UNKNOWN.to_owned(), |v| format!("{} {unit}", plain(v)))
    };
    let row = |c: &InjectorCheck| {
        [
            visible(&c.id),
            text(&c.cylinder),
            number(c.coil_resistance, "Ω"),
            number(c.insulation.map(|ohm| ohm / 1e6), "MΩ"),
            number(c.leakage, "mm³/min"),
            text(&c.spray),
            c.note.as_deref().map(visible).unwrap_or_default(),
        ]
    };
    let own = document.injectors.iter().filter_map(|i| i.checks.as_ref());
    own.map(row).collect()
}

fn vessel(vessel: &Vessel) -> String {
    let (kind, unit) = match vessel.kind {
        VesselKind::GraduatedCylinder => ("graduated cylinder", "mL"),
        VesselKind::Burette => ("burette", "mL"),
        VesselKind::Balance => ("balance", "g"),
    };
    let mut said = match &vessel.name {
        Some(name) => format!("{}: {kind}", visible(name)),
        None => kind.to_owned(),
    };
    let parts = [
        ("capacity", vessel.capacity),
        ("division", vessel.division),
        ("tolerance ±", vessel.tolerance),
        (
            "reading offset, standard uncertainty",
            vessel.reading_offset_uncertainty,
        ),
    ];
    for (word, amount) in parts {
        if let Some(amount) = amount {
            said.push_str(&format!(", {word} {} {unit}", plain(amount / 1000.0)));
        }
    }
    said
}

/// What the bench file states, as name and words.
pub(super) fn bench(bench: &Bench) -> Vec<(&'static str, String)> {
    let mut said: Vec<(&'static str, String)> = Vec::new();
    let with = |value: Option<f64>, u: Option<f64>, unit: &str| {
        let value = value.map_or_else(|| UNKNOWN.to_owned(), |v| format!("{} {unit}", plain(v)));
        match u {
            Some(u) => format!("{value}, standard uncertainty {} {unit}", plain(u)),
            None => value,
        }
    };
    if let Some(fluid) = &bench.fluid {
        let name = fluid
            .name
            .as_deref()
            .map_or_else(|| "test fluid".to_owned(), visible);
        let density = with(fluid.density, fluid.density_uncertainty, "g/mL");
        let at = fluid
            .density_temperature_c
            .map(|c| format!(" at {} °C", plain(c)));
        said.push((
            "fluid",
            format!("{name}, density {density}{}", at.unwrap_or_default()),
        ));
    }
    if let Some(supply) = &bench.supply {
        let place = supply
            .measured_at
            .as_deref()
            .map(|p| format!(", measured at {}", visible(p)));
        let volts = with(supply.nominal, supply.uncertainty, "V");
        said.push(("supply", format!("{volts}{}", place.unwrap_or_default())));
    }
    if let Some(pressure) = &bench.pressure {
        said.push((
            "differential pressure",
            with(pressure.nominal, pressure.uncertainty, "kPa"),
        ));
    }
    if let Some(driver) = &bench.driver {
        said.push((
            "driver",
            driver
                .kind
                .as_deref()
                .map_or_else(|| UNKNOWN.to_owned(), visible),
        ));
    }
    said.extend(bench.vessels.iter().map(|v| ("vessel", vessel(v))));
    if let Some(job) = &bench.job {
        let parts = [
            ("reference", &job.reference),
            ("operator", &job.operator),
            ("date", &job.date),
        ];
        let stated = parts
            .into_iter()
            .filter_map(|(word, t)| Some((word, visible(t.as_deref()?))));
        said.extend(stated);
    }
    if said.is_empty() {
        said.push((
            "bench",
            "nothing was stated; what was assumed stands in the notes".to_owned(),
        ));
    }
    said
}

/// How it was computed, a sentence for each way that occurs.
pub(super) fn method(document: &Characterisation) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    for sweep in document.injectors.iter().flat_map(|i| &i.sweeps) {
        let model = match sweep.model {
            Model::Line => "a straight line through the readings of the line range",
            Model::Curve => {
                "the delivery curve; flow and dead time are those of its least-squares line over the line range"
            }
        };
        let weights = match sweep.weighting {
            Weighting::Uncertainty => "readings weighted by their uncertainty",
            Weighting::Equal => "readings weighted alike",
        };
        let scale = match sweep.scale {
            Scale::Scatter => "the size of the scatter taken from the readings",
            Scale::Stated => "the size of the scatter taken from stated uncertainties",
            Scale::Both => {
                "the size of the scatter taken from the readings and stated uncertainties together"
            }
        };
        let range = range(sweep.line_range_ms);
        let sentence = format!("Fitted: {model}; {weights}; {scale}. Line range {range} ms.");
        if !said.contains(&sentence) {
            said.push(sentence);
        }
    }
    said
}

/// Readings that the figures do not rest on: where, what, why.
pub(super) fn left_out(document: &Characterisation) -> Vec<[String; 3]> {
    let mut rows = Vec::new();
    for injector in &document.injectors {
        for sweep in &injector.sweeps {
            for point in sweep.points.iter().filter(|p| !p.used) {
                let unit = sweep.basis.amount_unit().word();
                rows.push([
                    format!("{}:{}", visible(&point.source), point.line),
                    format!(
                        "{}, {}: {} ms, {} {unit} per pulse",
                        visible(&injector.id),
                        condition_words(sweep),
                        plain(point.pulse_width_ms),
                        plain(point.delivered)
                    ),
                    point
                        .reason
                        .as_deref()
                        .map_or_else(|| UNKNOWN.to_owned(), visible),
                ]);
            }
        }
    }
    rows
}
