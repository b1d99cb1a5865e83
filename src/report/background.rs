//! What stands behind the figures: bench, checks, method, readings left out.

use super::numbers::range;
use crate::characterisation::Characterisation;
use crate::characterisation::{Bench, InjectorCheck, Vessel, VesselKind};
use crate::characterisation::{Model, Scale, SweepFit, Weighting};
use crate::plots::{shortened, visible};
use crate::words::{Voice, fill};

/// Ids longer than this are cut; the whole id stands in the injector's own part.
const ID: usize = 40;

/// Voltage, pressure and stage in words, as the statements head them.
pub(super) fn condition_words(sweep: &SweepFit, v: Voice) -> String {
    let pressure = v.pressure(sweep.pressure_kpa);
    let stage = sweep.stage.as_deref().map(|s| format!(", {}", visible(s)));
    format!(
        "{}, {pressure}{}",
        v.voltage(sweep.voltage_v),
        stage.unwrap_or_default()
    )
}

/// Checks beside the flow: id, cylinder, coil, insulation, leakage, spray, note.
pub(super) fn checks(document: &Characterisation, v: Voice) -> Vec<[String; 7]> {
    let text = |t: &Option<String>| {
        t.as_deref()
            .map_or_else(|| v.words.not_known.to_owned(), visible)
    };
    let number = |x: Option<f64>, unit: &str| {
        x.map_or_else(
            || v.words.not_known.to_owned(),
            |x| format!("{} {unit}", v.plain(x)),
        )
    };
    let row = |c: &InjectorCheck| {
        [
            shortened(&visible(&c.id), ID),
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

fn vessel(vessel: &Vessel, v: Voice) -> String {
    let (kind, unit) = match vessel.kind {
        VesselKind::GraduatedCylinder => (v.words.graduated_cylinder, "mL"),
        VesselKind::Burette => (v.words.burette, "mL"),
        VesselKind::Balance => (v.words.balance, "g"),
    };
    let mut said = match &vessel.name {
        Some(name) => format!("{}: {kind}", visible(name)),
        None => kind.to_owned(),
    };
    let parts = [
        (v.words.capacity, vessel.capacity),
        (v.words.division, vessel.division),
        (v.words.vessel_tolerance, vessel.tolerance),
        (v.words.reading_offset_u, vessel.reading_offset_uncertainty),
    ];
    for (word, amount) in parts {
        if let Some(amount) = amount {
            said.push_str(&format!(", {word} {} {unit}", v.plain(amount / 1000.0)));
        }
    }
    said
}

/// What the bench file states, as name and words.
pub(super) fn bench(bench: &Bench, v: Voice) -> Vec<(&'static str, String)> {
    let mut said: Vec<(&'static str, String)> = Vec::new();
    let with = |value: Option<f64>, u: Option<f64>, unit: &str| {
        let value = value.map_or_else(
            || v.words.not_known.to_owned(),
            |x| format!("{} {unit}", v.plain(x)),
        );
        match u {
            Some(u) => fill(v.words.with_u, &[&value, &v.plain(u), unit]),
            None => value,
        }
    };
    if let Some(fluid) = &bench.fluid {
        let name = fluid
            .name
            .as_deref()
            .map_or_else(|| v.words.test_fluid.to_owned(), visible);
        let density = with(fluid.density, fluid.density_uncertainty, "g/mL");
        let at = fluid
            .density_temperature_c
            .map(|c| fill(v.words.at_celsius, &[&v.plain(c)]));
        said.push((
            v.words.fluid,
            fill(
                v.words.fluid_density,
                &[&name, &density, &at.unwrap_or_default()],
            ),
        ));
    }
    if let Some(supply) = &bench.supply {
        let place = supply
            .measured_at
            .as_deref()
            .map(|p| fill(v.words.measured_at, &[&visible(p)]));
        let volts = with(supply.nominal, supply.uncertainty, "V");
        said.push((
            v.words.supply,
            format!("{volts}{}", place.unwrap_or_default()),
        ));
    }
    if let Some(pressure) = &bench.pressure {
        said.push((
            v.words.differential_pressure,
            with(pressure.nominal, pressure.uncertainty, "kPa"),
        ));
    }
    if let Some(driver) = &bench.driver {
        said.push((
            v.words.driver,
            driver
                .kind
                .as_deref()
                .map_or_else(|| v.words.not_known.to_owned(), visible),
        ));
    }
    said.extend(
        bench
            .vessels
            .iter()
            .map(|one| (v.words.vessel, vessel(one, v))),
    );
    if said.is_empty() {
        said.push((v.words.bench, v.words.nothing_stated.to_owned()));
    }
    said
}

/// How it was computed, a sentence for each way that occurs.
pub(super) fn method(document: &Characterisation, v: Voice) -> Vec<String> {
    let words = v.words;
    let mut said: Vec<String> = Vec::new();
    for sweep in document.injectors.iter().flat_map(|i| &i.sweeps) {
        let model = match sweep.model {
            Model::Line => words.model_line,
            Model::Curve => words.model_curve,
        };
        let weights = match sweep.weighting {
            Weighting::Uncertainty => words.weighted_by_u,
            Weighting::Equal => words.weighted_alike,
        };
        let scale = match sweep.scale {
            Scale::Scatter => words.scale_scatter,
            Scale::Stated => words.scale_stated,
            Scale::Both => words.scale_both,
        };
        let range = range(sweep.line_range_ms, v);
        let sentence = fill(words.fitted_sentence, &[model, weights, scale, &range]);
        if !said.contains(&sentence) {
            said.push(sentence);
        }
    }
    said
}

/// Readings that the figures do not rest on: where, what, why.
pub(super) fn left_out(document: &Characterisation, v: Voice) -> Vec<[String; 3]> {
    let mut rows = Vec::new();
    for injector in &document.injectors {
        for sweep in &injector.sweeps {
            for point in sweep.points.iter().filter(|p| !p.used) {
                let unit = sweep.basis.amount_unit().sign();
                rows.push([
                    format!("{}:{}", visible(&point.source), point.line),
                    fill(
                        v.words.left_out_reading,
                        &[
                            &shortened(&visible(&injector.id), ID),
                            &condition_words(sweep, v),
                            &v.plain(point.pulse_width_ms),
                            &v.plain(point.delivered),
                            unit,
                        ],
                    ),
                    point
                        .reason
                        .as_deref()
                        .map_or_else(|| v.words.not_known.to_owned(), visible),
                ]);
            }
        }
    }
    rows
}
