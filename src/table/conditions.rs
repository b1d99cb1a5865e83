//! From what the bench measured to the fluid and basis of the table.

use super::make::TableError;
use super::request::Reference;
use crate::capture::Bench;
use crate::fluid::{Density, Exponent, FlowCondition, FluidError, carry, of_bench, test_fluid};
use crate::surface::Figure;
use crate::units::Basis;

/// Temperature of the reference fluid where none is stated, °C.
const USUAL_TEMPERATURE: f64 = 20.0;

/// The factor from a quantity as the bench read it to the table's.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Scaling {
    /// Basis of the table.
    pub basis: Basis,
    /// Factor on quantities and flow.
    pub factor: f64,
    /// Its relative standard uncertainty.
    pub relative: f64,
    /// What it takes for granted, in words.
    pub words: Vec<String>,
    /// Density of the fluid that the table is for, where known.
    pub density: Option<Density>,
}

/// Id under which the factor's doubt is shared by all rows.
const CARRY_EFFECT: &str = "carry";

impl Scaling {
    /// Works the factor out for readings of `basis` and a table of `target`.
    pub fn new(
        bench: &Bench,
        basis: Basis,
        target: Basis,
        reference: Option<&Reference>,
    ) -> Result<Self, TableError> {
        let test = of_bench(bench.fluid.as_ref(), None);
        let to = reference
            .map(|r| reference_density(r, bench))
            .transpose()?
            .flatten();
        let mut words = Vec::new();
        let (mut factor, mut relative) = (1.0, 0.0);
        // Power with which the density of the table's fluid enters, all steps together.
        let mut power = 0.0;
        if let Some(to) = &to {
            let from = test.clone().map_err(TableError::TestFluid)?;
            words.extend(from.assumptions.iter().cloned());
            let at = |density: Density| FlowCondition {
                pressure_kpa: None,
                density: Some(density),
            };
            let exact = Density {
                standard_uncertainty: 0.0,
                ..to.clone()
            };
            let carried = carry(basis, &at(from), &at(exact), Exponent::ASSUMED);
            for step in &carried.steps {
                words.push(format!(
                    "flow carried {}: x {:.4}; {}; dead time taken as unchanged by the fluid",
                    step.what, step.factor, step.assumption
                ));
            }
            factor = carried.factor;
            relative = carried.relative_uncertainty;
            power = if basis == Basis::Volume { -0.5 } else { 0.5 };
        }
        let carried_to = to.is_some();
        let density = to.or_else(|| test.clone().ok());
        if target != basis {
            let Some(density) = &density else {
                return Err(TableError::TestFluid(
                    test.err().unwrap_or(FluidError::NotStated),
                ));
            };
            let sign = if target == Basis::Mass { 1.0 } else { -1.0 };
            factor *= density.value.powf(sign);
            power += sign;
            words.push(format!(
                "converted between volume and mass with {:.4} g/mL (standard uncertainty {:.4})",
                density.value, density.standard_uncertainty
            ));
        }
        if let Some(density) = density.iter().find(|_| carried_to || target != basis) {
            words.extend(density.assumptions.iter().cloned());
            relative = f64::hypot(relative, power * density.relative());
        }
        Ok(Self {
            basis: target,
            factor,
            relative,
            words,
            density,
        })
    }

    /// A quantity or flow of the bench as the table shows it.
    pub fn apply(&self, figure: Figure) -> Figure {
        figure.times(self.factor, self.relative, CARRY_EFFECT)
    }

    /// A pulse width for `quantity` of the table: the factor's doubt moves it too.
    pub fn widen_width(&self, mut figure: Figure, quantity: f64, flow: f64) -> Figure {
        if self.relative > 0.0 {
            let part = -quantity / flow * self.relative;
            *figure.shared.entry(CARRY_EFFECT.to_owned()).or_insert(0.0) += part;
            figure.interval_95 = None;
        }
        figure
    }
}

/// Density of the reference fluid; `None` where only a pressure is asked for.
fn reference_density(reference: &Reference, bench: &Bench) -> Result<Option<Density>, TableError> {
    match (&reference.fluid, reference.temperature_c) {
        (None, None) => Ok(None),
        (Some(name), t) => {
            let at = t.unwrap_or(USUAL_TEMPERATURE);
            let mut density = test_fluid(name)
                .and_then(|fluid| fluid.density(at))
                .map_err(TableError::ReferenceFluid)?;
            if t.is_none() {
                density
                    .assumptions
                    .push(format!("temperature of {name} not stated; {at} °C assumed"));
            }
            Ok(Some(density))
        }
        // The test fluid itself at another temperature.
        (None, Some(t)) => Ok(Some(
            of_bench(bench.fluid.as_ref(), Some(t)).map_err(TableError::TestFluid)?,
        )),
    }
}
