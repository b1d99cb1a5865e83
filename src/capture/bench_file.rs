//! The bench file: TOML text with units to a [`Bench`] in inner units, or every fault of it.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::bench::{
    Bench, Driver, Fluid, HowWell, InjectorCheck, Job, SetPoint, StatedScatter, Supply, Vessel,
    VesselKind,
};
use super::bench_text::{BenchReader, Section, Sign, path, shown};
use super::fault::Fault;
use crate::units::{Quantity, parse};

/// What may stand at the top of the file.
const TOP: &[&str] = &[
    "assumed", "vessel", "fluid", "supply", "pressure", "driver", "scatter", "rig", "injector",
    "job",
];
const VESSEL_KEYS: &[&str] = &[
    "name",
    "kind",
    "capacity",
    "division",
    "tolerance",
    "class",
    "reading_uncertainty",
    "reading_offset_uncertainty",
    "reading_time",
    "draining_time",
];
const FLUID_KEYS: &[&str] = &[
    "name",
    "density",
    "density_temperature",
    "density_uncertainty",
    "expansion",
];
const SUPPLY_KEYS: &[&str] = &[
    "nominal",
    "uncertainty",
    "measured_at",
    "harness_resistance",
];
const PRESSURE_KEYS: &[&str] = &["nominal", "uncertainty"];
const DRIVER_KEYS: &[&str] = &["kind", "peak_current", "hold_current"];
const SCATTER_KEYS: &[&str] = &["repeatability", "known", "pulse_scatter"];
const INJECTOR_KEYS: &[&str] = &[
    "id",
    "cylinder",
    "coil_resistance",
    "insulation",
    "leakage",
    "leakage_uncertainty",
    "spray",
    "note",
];
const JOB_KEYS: &[&str] = &["reference", "operator", "date"];

/// Density of a liquid on a bench, g/mL: liquefied gas has about 0.5, brine 1.2, the heaviest
/// solvents 1.6; beyond lies a slip of the unit. Common knowledge, no source.
const LIQUID_DENSITY: (f64, f64, &str) = (0.3, 3.0, "g/mL");
/// Temperature of a liquid on a bench, °C.
const LIQUID_TEMPERATURE: (f64, f64, &str) = (-60.0, 200.0, "C");
/// Relative expansion of a liquid, 1/K: solvents have about 0.001, liquefied gas 0.003.
const LIQUID_EXPANSION: (f64, f64, &str) = (0.0, 0.01, "1/K");
/// Relative standard uncertainty beyond which a density says nothing.
const DENSITY_DOUBT: f64 = 0.2;

/// Largest bench file, bytes: some thousand injectors with all that can be said of each.
pub const LARGEST_BENCH: usize = 1 << 20;

/// One minute in ms: a leakage of 1 mm³/ms is 60 000 mm³/min.
const MS_PER_MINUTE: f64 = 60_000.0;

/// Reads a bench file; `name` is what the faults call it.
///
/// Quantities are text with a unit; what is not stated is absent from the result.
///
/// # Errors
/// Every fault: TOML that cannot be read, unknown keys (with the near miss), quantities
/// without a fitting unit or below zero, two vessels or injectors of one name.
pub fn read_bench(name: &str, text: &str) -> Result<Bench, Vec<Fault>> {
    if text.len() > LARGEST_BENCH {
        let found = format!("{} bytes", text.len());
        let fault = Fault::whole(
            found,
            format!("a bench file of at most {LARGEST_BENCH} bytes"),
        );
        return Err(vec![
            fault
                .hint("state only the bench; readings belong into the capture")
                .of(name),
        ]);
    }
    let mut reader = BenchReader::new(name, text);
    let document = reader.document(
        text,
        "quantities are text in quotes, as division = \"1 mL\"",
    );
    // Of a text with syntax errors only those are reported: the rest would be guesswork.
    if !reader.faults.is_empty() {
        return Err(reader.faults.finish());
    }
    let bench = reader.bench(document.get_ref());
    if reader.faults.is_empty() {
        Ok(bench)
    } else {
        Err(reader.faults.finish())
    }
}

/// Whether the document states `section.key`.
fn stated_in(document: &DeTable<'_>, name: &str) -> bool {
    let Some((section, key)) = name.split_once('.') else {
        return false;
    };
    match document.get(section).map(|value| value.get_ref()) {
        Some(DeValue::Table(table)) => table.get(key).is_some(),
        Some(DeValue::Array(tables)) => tables
            .iter()
            .any(|t| matches!(t.get_ref(), DeValue::Table(table) if table.get(key).is_some())),
        _ => false,
    }
}

impl BenchReader {
    fn bench(&mut self, document: &DeTable<'_>) -> Bench {
        let whole = Section {
            name: "",
            line: 1,
            table: document,
        };
        self.check_keys(&whole, TOP);
        let vessels = self.sections(document, "vessel", true);
        let injectors = self.sections(document, "injector", true);
        let mut bench = Bench {
            vessels: vessels
                .iter()
                .filter_map(|section| self.vessel(section))
                .collect(),
            injectors: injectors
                .iter()
                .filter_map(|section| self.injector(section))
                .collect(),
            ..Bench::default()
        };
        bench.assumed = self.assumed(document);
        self.refuse_doubles(&vessels, "name");
        self.refuse_doubles(&injectors, "id");
        bench.fluid = self
            .only(document, "fluid")
            .map(|section| self.fluid(&section));
        bench.supply = self
            .only(document, "supply")
            .map(|section| self.supply(&section));
        bench.pressure = self.only(document, "pressure").map(|section| {
            self.check_keys(&section, PRESSURE_KEYS);
            SetPoint {
                nominal: self.quantity(&section, "nominal", Quantity::Pressure, Sign::AboveZero),
                uncertainty: self.quantity(
                    &section,
                    "uncertainty",
                    Quantity::Pressure,
                    Sign::NotBelowZero,
                ),
            }
        });
        bench.driver = self
            .only(document, "driver")
            .map(|section| self.driver(&section));
        bench.scatter = self
            .only(document, "scatter")
            .map(|section| self.scatter(&section));
        bench.rig = self.only(document, "rig").map(|section| self.rig(&section));
        bench.job = self.only(document, "job").map(|section| {
            self.check_keys(&section, JOB_KEYS);
            Job {
                reference: self.words(&section, "reference"),
                operator: self.words(&section, "operator"),
                date: self.words(&section, "date"),
            }
        });
        bench
    }

    /// Names of statements that nobody made, each as `vessel.division`.
    fn assumed(&mut self, document: &DeTable<'_>) -> Vec<String> {
        let Some((key, value)) = document.get_key_value("assumed") else {
            return Vec::new();
        };
        let expected = "a list of statements, as [\"vessel.division\"]";
        let line = self.line(key.span().start);
        let DeValue::Array(list) = value.get_ref() else {
            self.push(Fault::cell(
                line,
                "assumed",
                &shown(value.get_ref()),
                expected,
            ));
            return Vec::new();
        };
        let mut names = Vec::new();
        for item in list.iter() {
            let line = self.line(item.span().start);
            match item.get_ref() {
                DeValue::String(name) if stated_in(document, name) => names.push(name.to_string()),
                other => {
                    let fault = Fault::cell(line, "assumed", &shown(other), expected);
                    self.push(fault.hint("name what stands in this file, by section and key"));
                }
            }
        }
        names
    }

    fn vessel(&mut self, section: &Section<'_>) -> Option<Vessel> {
        self.check_keys(section, VESSEL_KEYS);
        let kinds = [
            ("graduated cylinder", VesselKind::GraduatedCylinder),
            ("burette", VesselKind::Burette),
            ("balance", VesselKind::Balance),
        ];
        if section.table.get("kind").is_none() {
            let fault = Fault::row(
                section.line,
                "no such key",
                "graduated cylinder or burette or balance",
            );
            self.push(fault.in_column(&path(section, "kind")));
        }
        let name = self.words(section, "name");
        let class = self.words(section, "class");
        let kind = self.choice(section, "kind", &kinds);
        let amount = match kind {
            Some(VesselKind::Balance) => Quantity::Mass,
            Some(VesselKind::GraduatedCylinder | VesselKind::Burette) => Quantity::Volume,
            // The other keys are looked at all the same, so that every fault is told at once.
            None if self.states_a_mass(section) => Quantity::Mass,
            None => Quantity::Volume,
        };
        let vessel = Vessel {
            name,
            kind: kind.unwrap_or(VesselKind::GraduatedCylinder),
            capacity: self.quantity(section, "capacity", amount, Sign::AboveZero),
            division: self.quantity(section, "division", amount, Sign::AboveZero),
            tolerance: self.quantity(section, "tolerance", amount, Sign::NotBelowZero),
            class,
            reading_uncertainty: self.quantity(
                section,
                "reading_uncertainty",
                amount,
                Sign::AboveZero,
            ),
            reading_offset_uncertainty: self.quantity(
                section,
                "reading_offset_uncertainty",
                amount,
                Sign::NotBelowZero,
            ),
            reading_time_s: self.time(section, "reading_time"),
            draining_time_s: self.time(section, "draining_time"),
        };
        for (key, part) in [
            ("division", vessel.division),
            ("tolerance", vessel.tolerance),
            ("reading_uncertainty", vessel.reading_uncertainty),
            (
                "reading_offset_uncertainty",
                vessel.reading_offset_uncertainty,
            ),
        ] {
            let above = part
                .zip(vessel.capacity)
                .is_some_and(|(part, capacity)| part >= capacity);
            if above && let Some((line, value)) = self.value(section, key) {
                let fault = Fault::cell(
                    line,
                    &path(section, key),
                    &shown(value),
                    format!("a {key} below the capacity"),
                );
                self.push(fault);
            }
        }
        kind.map(|_| vessel)
    }

    /// Whether any quantity of a vessel of unknown kind is a mass.
    fn states_a_mass(&self, section: &Section<'_>) -> bool {
        ["capacity", "division", "tolerance", "reading_uncertainty"]
            .into_iter()
            .filter_map(|key| self.value(section, key))
            .any(|(_, value)| matches!(value, DeValue::String(text) if parse(Quantity::Mass, text).is_ok()))
    }

    fn fluid(&mut self, section: &Section<'_>) -> Fluid {
        self.check_keys(section, FLUID_KEYS);
        let fluid = Fluid {
            name: self.words(section, "name"),
            density: self.quantity(section, "density", Quantity::Density, Sign::AboveZero),
            density_temperature_c: self.quantity(
                section,
                "density_temperature",
                Quantity::Temperature,
                Sign::Any,
            ),
            density_uncertainty: self.quantity(
                section,
                "density_uncertainty",
                Quantity::Density,
                Sign::NotBelowZero,
            ),
            expansion_per_k: self.quantity(
                section,
                "expansion",
                Quantity::Expansion,
                Sign::NotBelowZero,
            ),
        };
        self.liquid(section, "density", fluid.density, LIQUID_DENSITY);
        self.liquid(
            section,
            "density_temperature",
            fluid.density_temperature_c,
            LIQUID_TEMPERATURE,
        );
        self.liquid(
            section,
            "expansion",
            fluid.expansion_per_k,
            LIQUID_EXPANSION,
        );
        let share = fluid
            .density
            .zip(fluid.density_uncertainty)
            .map(|(density, uncertainty)| uncertainty / density);
        if share.is_some_and(|share| share > DENSITY_DOUBT)
            && let Some((line, value)) = self.value(section, "density_uncertainty")
        {
            let place = path(section, "density_uncertainty");
            let expected = "a standard uncertainty below a fifth of the density";
            self.push(Fault::cell(line, &place, &shown(value), expected));
        }
        fluid
    }

    /// Refuses what no liquid is: mostly a slip of the unit.
    fn liquid(
        &mut self,
        section: &Section<'_>,
        key: &str,
        stated: Option<f64>,
        (low, high, unit): (f64, f64, &str),
    ) {
        if stated.is_none_or(|value| (low..=high).contains(&value)) {
            return;
        }
        if let Some((line, value)) = self.value(section, key) {
            let expected = format!("what a liquid may have: {low} to {high} {unit}");
            let fault = Fault::cell(line, &path(section, key), &shown(value), expected);
            self.push(if key == "density" {
                fault.hint("look at the unit: 684 kg/m3 is 0.684 g/mL")
            } else {
                fault
            });
        }
    }

    fn supply(&mut self, section: &Section<'_>) -> Supply {
        self.check_keys(section, SUPPLY_KEYS);
        let places = [("injector", "injector"), ("supply", "supply")];
        Supply {
            nominal: self.quantity(section, "nominal", Quantity::Voltage, Sign::AboveZero),
            uncertainty: self.quantity(
                section,
                "uncertainty",
                Quantity::Voltage,
                Sign::NotBelowZero,
            ),
            measured_at: self
                .choice(section, "measured_at", &places)
                .map(str::to_owned),
            harness_resistance: self.quantity(
                section,
                "harness_resistance",
                Quantity::Resistance,
                Sign::NotBelowZero,
            ),
        }
    }

    fn driver(&mut self, section: &Section<'_>) -> Driver {
        self.check_keys(section, DRIVER_KEYS);
        let kinds = [
            ("saturated", "saturated"),
            ("peak-and-hold", "peak-and-hold"),
        ];
        Driver {
            kind: self.choice(section, "kind", &kinds).map(str::to_owned),
            peak_current: self.quantity(
                section,
                "peak_current",
                Quantity::Current,
                Sign::AboveZero,
            ),
            hold_current: self.quantity(
                section,
                "hold_current",
                Quantity::Current,
                Sign::AboveZero,
            ),
        }
    }

    fn scatter(&mut self, section: &Section<'_>) -> StatedScatter {
        self.check_keys(section, SCATTER_KEYS);
        let known = [("roughly", HowWell::Roughly), ("exactly", HowWell::Exactly)];
        StatedScatter {
            repeatability_percent: self.quantity(
                section,
                "repeatability",
                Quantity::Percent,
                Sign::AboveZero,
            ),
            known: self.choice(section, "known", &known).unwrap_or_default(),
            pulse_scatter: self.quantity(
                section,
                "pulse_scatter",
                Quantity::Volume,
                Sign::NotBelowZero,
            ),
        }
    }

    fn injector(&mut self, section: &Section<'_>) -> Option<InjectorCheck> {
        self.check_keys(section, INJECTOR_KEYS);
        if section.table.get("id").is_none() {
            let fault = Fault::row(
                section.line,
                "no such key",
                "the injector's id, as in the capture",
            );
            self.push(fault.in_column(&path(section, "id")));
        }
        let check = InjectorCheck {
            id: self.words(section, "id").unwrap_or_default(),
            cylinder: self.words(section, "cylinder"),
            coil_resistance: self.quantity(
                section,
                "coil_resistance",
                Quantity::Resistance,
                Sign::AboveZero,
            ),
            insulation: self.quantity(
                section,
                "insulation",
                Quantity::Resistance,
                Sign::NotBelowZero,
            ),
            leakage: self
                .quantity(section, "leakage", Quantity::VolumeFlow, Sign::NotBelowZero)
                .map(|flow| flow * MS_PER_MINUTE),
            leakage_uncertainty: self
                .quantity(
                    section,
                    "leakage_uncertainty",
                    Quantity::VolumeFlow,
                    Sign::NotBelowZero,
                )
                .map(|flow| flow * MS_PER_MINUTE),
            spray: self.words(section, "spray"),
            note: self.words(section, "note"),
        };
        (!check.id.is_empty()).then_some(check)
    }

    /// Two sections of one name cannot be told apart; no name is a name too.
    fn refuse_doubles(&mut self, sections: &[Section<'_>], key: &str) {
        let name = |section: &Section<'_>| match section.table.get(key).map(Spanned::get_ref) {
            Some(DeValue::String(text)) => text.trim().to_owned(),
            Some(DeValue::Integer(number)) => number.to_string(),
            _ => String::new(),
        };
        for (at, section) in sections.iter().enumerate() {
            let this = name(section);
            let first = sections[..at].iter().find(|earlier| name(earlier) == this);
            let Some(first) = first else { continue };
            if this.is_empty() && key == "id" {
                continue;
            }
            let expected = format!("another {key} than at line {}", first.line);
            let line = self
                .value(section, key)
                .map_or(section.line, |(line, _)| line);
            self.push(Fault::cell(line, &path(section, key), &this, expected));
        }
    }
}
