//! The vessel of a plan: from the bench file, or assumed and said so.

use super::request::{PlanError, Request};
use crate::capture::{Bench, Reading, Vessel, VesselKind};
use crate::fit::Instrument;
use crate::units::Basis;

/// Capacity and division of the cylinder that is assumed where no vessel is stated, mm³.
const ASSUMED_CYLINDER: (f64, f64) = (100_000.0, 1000.0);
/// Division of a vessel that states none, as a share of its capacity.
const ASSUMED_DIVISION: f64 = 0.01;
/// Capacity of a balance's beaker where none is stated, mg.
const ASSUMED_BEAKER: f64 = 150_000.0;
/// Division of a balance that states none, mg.
const ASSUMED_BALANCE_DIVISION: f64 = 10.0;
/// Share of the capacity that a reading fills at most.
pub(super) const FILL: f64 = 0.9;

/// The bench as the plan takes it.
#[derive(Debug, Clone)]
pub(super) struct Rig {
    /// The bench with its one vessel completed.
    pub bench: Bench,
    /// The vessel.
    pub vessel: Vessel,
    /// Largest reading that is aimed at, mm³ or mg.
    pub full: f64,
    /// Volume or mass.
    pub basis: Basis,
    /// Nominal flow in that basis, per ms.
    pub flow: f64,
    /// What the fit will take the instrument for.
    pub instrument: Instrument,
    /// What was assumed, in words.
    pub assumed: Vec<String>,
}

impl Rig {
    /// Looks up and completes the vessel.
    ///
    /// # Errors
    /// Several vessels and none chosen, an unknown name, a flow that needs a density.
    pub fn of(request: &Request) -> Result<Self, PlanError> {
        let mut assumed = Vec::new();
        let stated = chosen(request)?;
        let vessel = completed(stated, &mut assumed);
        let capacity = vessel.capacity.unwrap_or(ASSUMED_CYLINDER.0);
        let basis = match vessel.kind {
            VesselKind::Balance => Basis::Mass,
            _ => Basis::Volume,
        };
        let density = request.bench.fluid.as_ref().and_then(|f| f.density);
        let flow = match (request.flow.basis, basis, density) {
            (a, b, _) if a == b => request.flow.value,
            (Basis::Volume, _, Some(density)) => request.flow.value * density,
            (Basis::Mass, _, Some(density)) => request.flow.value / density,
            (stated, _, None) => {
                let word = |basis| match basis {
                    Basis::Volume => "volume",
                    Basis::Mass => "mass",
                };
                return Err(PlanError::NoDensity {
                    stated: word(stated),
                    reads: word(basis),
                });
            }
        };
        let mut bench = request.bench.clone();
        match bench.vessels.iter_mut().find(|v| v.name == vessel.name) {
            Some(own) => *own = vessel.clone(),
            None => bench.vessels.push(vessel.clone()),
        }
        let full = FILL * capacity;
        let one = reading(1.0, 1.0, full, None, vessel.name.clone());
        let instrument = Instrument::of(&bench, &[one], basis, None);
        if !instrument.offset_stated {
            assumed.push(format!(
                "reading offset uncertain by {} {} (not stated; state reading_offset_uncertainty, it decides much)",
                crate::units::significant(instrument.offset_uncertainty / 1000.0, 2),
                if basis == Basis::Mass { "g" } else { "mL" }
            ));
        }
        Ok(Self {
            bench,
            full,
            basis,
            flow,
            instrument,
            vessel,
            assumed,
        })
    }
}

fn chosen(request: &Request) -> Result<Option<Vessel>, PlanError> {
    let vessels = &request.bench.vessels;
    if let Some(name) = &request.vessel {
        let found = vessels
            .iter()
            .find(|v| v.name.as_deref() == Some(name.as_str()));
        return match found {
            Some(vessel) => Ok(Some(vessel.clone())),
            None => Err(PlanError::NoVessel { name: name.clone() }),
        };
    }
    match vessels.as_slice() {
        [] => Ok(None),
        [only] => Ok(Some(only.clone())),
        // One vessel for each injector, all alike, is one kind of vessel.
        [first, rest @ ..] if rest.iter().all(|v| alike(first, v)) => Ok(Some(first.clone())),
        _ => Err(PlanError::WhichVessel),
    }
}

fn alike(a: &Vessel, b: &Vessel) -> bool {
    let unnamed = |v: &Vessel| Vessel {
        name: None,
        ..v.clone()
    };
    unnamed(a) == unnamed(b)
}

fn completed(stated: Option<Vessel>, assumed: &mut Vec<String>) -> Vessel {
    let mut vessel = stated.unwrap_or_else(|| {
        assumed.push(
            "a graduated cylinder of 100 mL with divisions of 1 mL (no vessel stated)".to_owned(),
        );
        Vessel {
            name: None,
            kind: VesselKind::GraduatedCylinder,
            capacity: Some(ASSUMED_CYLINDER.0),
            division: Some(ASSUMED_CYLINDER.1),
            tolerance: None,
            class: None,
            reading_uncertainty: None,
            reading_offset_uncertainty: None,
            reading_time_s: None,
            draining_time_s: None,
        }
    });
    let balance = vessel.kind == VesselKind::Balance;
    if vessel.capacity.is_none() {
        let (capacity, words) = if balance {
            (ASSUMED_BEAKER, "150 g")
        } else {
            (ASSUMED_CYLINDER.0, "100 mL")
        };
        vessel.capacity = Some(capacity);
        assumed.push(format!("a capacity of {words} (not stated)"));
    }
    if vessel.division.is_none() {
        let capacity = vessel.capacity.unwrap_or(ASSUMED_CYLINDER.0);
        let (division, words) = if balance {
            (ASSUMED_BALANCE_DIVISION, "0.01 g".to_owned())
        } else {
            (
                ASSUMED_DIVISION * capacity,
                "1 % of the capacity".to_owned(),
            )
        };
        vessel.division = Some(division);
        assumed.push(format!("divisions of {words} (not stated)"));
    }
    vessel
}

/// A planned reading as the fit takes it.
pub(super) fn reading(
    pulse_width_ms: f64,
    pulses: f64,
    delivered: f64,
    period_ms: Option<f64>,
    vessel: Option<String>,
) -> Reading {
    Reading {
        source: 0,
        line: 0,
        pulse_width_ms,
        pulses,
        delivered,
        start_subtracted: false,
        voltage_actual_v: None,
        pressure_actual_kpa: None,
        period_ms,
        open_time_s: None,
        fluid_temp_c: None,
        vessel,
        repeat: None,
        time: None,
        note: None,
        exclude: None,
    }
}
