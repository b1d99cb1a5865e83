//! Reports of a characterisation: text for the terminal, one HTML page.
//!
//! In: a [`Characterisation`](crate::characterisation::Characterisation) and how
//! it should look. Out: text. What is said is decided once in `statements`, and
//! dressed afterwards. This module must not do arithmetic beyond units and
//! rounding, and knows no files.

mod background;
mod changes;
mod html;
mod notes;
mod numbers;
mod statements;
mod terminal;
mod verdict;

use thiserror::Error;

use crate::units::{Basis, FlowUnit};

pub use changes::changes_text;
pub use html::html;
pub use terminal::{check_text, set_text, terminal};

/// How a report should look.
#[derive(Debug, Clone, PartialEq)]
pub struct Style {
    /// Columns of the terminal; below 40 it is taken as 40.
    pub width: usize,
    /// Whether colour may be used. Nothing is said by colour alone.
    pub colour: bool,
    /// Unit of flow; `None` shows cc/min for volumes and g/s for masses.
    pub flow_unit: Option<FlowUnit>,
    /// Density for conversion between volume and mass, g/mL; `None` takes that of the bench's fluid.
    pub density: Option<f64>,
}

/// Why a report cannot be written as asked.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ReportError {
    /// Volume and mass are converted only with a stated density.
    #[error(
        "flow in {unit} needs the density of the test fluid, which is not stated\n\
         hint: state density under [fluid] in bench.toml, or choose {instead}"
    )]
    DensityNeeded {
        /// The unit that was asked for.
        unit: &'static str,
        /// Units that need no density.
        instead: &'static str,
    },
    /// The page cannot be put together.
    #[error("the report cannot be written: {0}")]
    Page(String),
    /// A density that no fluid has.
    #[error("density {density} g/mL is not above zero\nhint: state it as `0.684 g/mL`")]
    DensityNotPositive {
        /// The density as stated, g/mL.
        density: String,
    },
}

/// A unit of flow with the factor that leads to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct FlowScale {
    /// Unit.
    pub unit: FlowUnit,
    /// This many of it make one mm³/ms (volume basis) or mg/ms (mass basis).
    pub factor: f64,
    /// The density that was used, g/mL.
    pub density: Option<f64>,
}

/// Finds the factor from a basis to the unit of choice.
///
/// *Method*: mass = volume · density; 1 g/mL = 1 mg/mm³.
///
/// # Errors
/// [`ReportError`] where a density is needed and none is stated, or it is not above zero.
pub(crate) fn flow_scale(
    basis: Basis,
    unit: Option<FlowUnit>,
    density: Option<f64>,
) -> Result<FlowScale, ReportError> {
    let unit = unit.unwrap_or(match basis {
        Basis::Volume => FlowUnit::CcPerMin,
        Basis::Mass => FlowUnit::GramPerSecond,
    });
    if unit.basis() == basis {
        let factor = unit.per_inner();
        return Ok(FlowScale {
            unit,
            factor,
            density: None,
        });
    }
    let Some(density) = density else {
        return Err(ReportError::DensityNeeded {
            unit: unit.unit().word(),
            instead: match basis {
                Basis::Volume => "cc/min or mm3/ms",
                Basis::Mass => "g/s, mg/ms or lb/h",
            },
        });
    };
    if !(density.is_finite() && density > 0.0) {
        return Err(ReportError::DensityNotPositive {
            density: density.to_string(),
        });
    }
    let factor = match basis {
        Basis::Volume => unit.per_inner() * density,
        Basis::Mass => unit.per_inner() / density,
    };
    Ok(FlowScale {
        unit,
        factor,
        density: Some(density),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volume_becomes_mass_only_with_a_density() {
        let needed = flow_scale(Basis::Volume, Some(FlowUnit::LbPerHour), None).unwrap_err();
        assert!(needed.to_string().contains("state density under [fluid]"));
        // 0.7 g/mL: 3.5 mm³/ms = 2.45 g/s = 8.82 kg/h, and 8.82/0.45359237 lb/h.
        let scale = flow_scale(Basis::Volume, Some(FlowUnit::LbPerHour), Some(0.7)).unwrap();
        assert!((3.5 * scale.factor - 8.82 / 0.453_592_37).abs() < 1e-12);
        let back = flow_scale(Basis::Mass, Some(FlowUnit::CcPerMin), Some(0.7)).unwrap();
        assert!((2.45 * back.factor - 210.0).abs() < 1e-12);
        assert!(flow_scale(Basis::Mass, Some(FlowUnit::CcPerMin), Some(0.0)).is_err());
    }

    #[test]
    fn each_basis_has_a_unit_of_its_own() {
        assert_eq!(flow_scale(Basis::Volume, None, None).unwrap().factor, 60.0);
        assert_eq!(
            flow_scale(Basis::Mass, None, None).unwrap().unit,
            FlowUnit::GramPerSecond
        );
    }
}
