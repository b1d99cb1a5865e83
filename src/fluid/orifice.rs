//! Flow carried from one fluid and pressure to another.

use super::Density;
use crate::units::{Basis, Estimate, NORMAL_95};

/// Exponent of pressure in the orifice law where it was not measured.
pub const ASSUMED_EXPONENT: f64 = 0.5;
/// Its standard uncertainty. The one open set of measurements (a high-pressure
/// injector at 4 to 15 MPa) gives 0.513; no figure for 200 to 500 kPa was found.
pub const ASSUMED_EXPONENT_UNCERTAINTY: f64 = 0.015;
/// How far the discharge coefficient may differ between two fluids at one
/// pressure, relative, half-width of a rectangle. Common practice, no source.
const DISCHARGE_LIMIT: f64 = 0.01;

/// Exponent n of S = C·Pⁿ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exponent {
    /// Value.
    pub value: f64,
    /// Standard uncertainty.
    pub standard_uncertainty: f64,
    /// Whether it was assumed rather than measured.
    pub assumed: bool,
}

impl Exponent {
    /// The square-root law with its doubt.
    pub const ASSUMED: Self = Self {
        value: ASSUMED_EXPONENT,
        standard_uncertainty: ASSUMED_EXPONENT_UNCERTAINTY,
        assumed: true,
    };
}

/// Pressure and fluid that a flow belongs to; `None` = the same on both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct FlowCondition {
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
    /// Density of the fluid.
    pub density: Option<Density>,
}

/// One step of a carry, with what it takes for granted.
#[derive(Debug, Clone, PartialEq)]
pub struct CarryStep {
    /// What the step does.
    pub what: String,
    /// Factor on the flow.
    pub factor: f64,
    /// Relative standard uncertainty of the factor.
    pub relative_uncertainty: f64,
    /// What it takes for granted.
    pub assumption: String,
}

/// A factor on flow, made of steps.
#[derive(Debug, Clone, PartialEq)]
pub struct FlowCarry {
    /// Product of the steps.
    pub factor: f64,
    /// Relative standard uncertainty of it.
    pub relative_uncertainty: f64,
    /// The steps.
    pub steps: Vec<CarryStep>,
}

/// Velocity of a jet driven by `pressure_kpa` through a sharp edge, mm/ms (= m/s),
/// for a fluid of `density` g/mL: √(2·Δp/ρ) (Bernoulli). Times a flow area in mm²
/// (discharge coefficient included) it is the flow in mm³/ms (E10).
pub fn jet_velocity(pressure_kpa: f64, density: f64) -> f64 {
    (2.0 * pressure_kpa / density).sqrt()
}

/// The factor that carries a flow of `basis` from one condition to another.
///
/// *Method* (E11): pressure (P₂/P₁)ⁿ; fluid √(ρ₁/ρ₂) by volume, √(ρ₂/ρ₁) by mass.
/// *Assumes*: the discharge coefficient does not move with the fluid by more than
/// 1 % (rectangle), nor with pressure beyond what n says.
pub fn carry(
    basis: Basis,
    from: &FlowCondition,
    to: &FlowCondition,
    exponent: Exponent,
) -> FlowCarry {
    let mut steps = Vec::new();
    if let (Some(p1), Some(p2)) = (from.pressure_kpa, to.pressure_kpa)
        && p1 != p2
    {
        let log = (p2 / p1).ln();
        let n = exponent.value;
        steps.push(CarryStep {
            what: format!("from {p1} to {p2} kPa differential"),
            factor: (n * log).exp(),
            relative_uncertainty: (exponent.standard_uncertainty * log).abs(),
            assumption: if exponent.assumed {
                "flow goes with the square root of pressure (exponent 0.5 assumed)".to_owned()
            } else {
                format!("flow goes with pressure to the power {n:.3}, as measured")
            },
        });
    }
    if let (Some(rho1), Some(rho2)) = (&from.density, &to.density)
        && rho1.value != rho2.value
    {
        let root = (rho1.value / rho2.value).sqrt();
        let densities = 0.5 * rho1.relative().hypot(rho2.relative());
        steps.push(CarryStep {
            what: format!("from {:.4} to {:.4} g/mL", rho1.value, rho2.value),
            factor: match basis {
                Basis::Volume => root,
                Basis::Mass => root.recip(),
            },
            relative_uncertainty: densities.hypot(DISCHARGE_LIMIT / 3f64.sqrt()),
            assumption: "the discharge coefficient is the same for both fluids (within 1 %)"
                .to_owned(),
        });
    }
    FlowCarry {
        factor: steps.iter().map(|s| s.factor).product(),
        relative_uncertainty: steps
            .iter()
            .fold(0.0, |u, s| f64::hypot(u, s.relative_uncertainty)),
        steps,
    }
}

/// Effect id under which the density's doubt is carried: common to all that was
/// converted with the same density.
const DENSITY_EFFECT: &str = "density";

/// A flow or quantity in the other basis, with the density's doubt.
///
/// `estimate` is in mm³ or mm³/ms where `from` is volume, mg or mg/ms where it is
/// mass; returned in the corresponding inner unit of `to`. Equal bases return it
/// as it stands.
/// *Method* (E12): m = ρ·V; relative uncertainties add in squares. The interval is
/// widened in the same proportion as the standard uncertainty.
pub fn to_basis(estimate: &Estimate, from: Basis, to: Basis, density: &Density) -> Estimate {
    use crate::units::Unit;
    if from == to {
        return estimate.clone();
    }
    let unit = match estimate.unit {
        Unit::CubicMillimetre => Unit::Milligram,
        Unit::Milligram => Unit::CubicMillimetre,
        Unit::CubicMillimetrePerMillisecond => Unit::MilligramPerMillisecond,
        Unit::MilligramPerMillisecond => Unit::CubicMillimetrePerMillisecond,
        other => other,
    };
    let factor = match to {
        Basis::Mass => density.value,
        Basis::Volume => density.value.recip(),
    };
    let mut converted = estimate.scaled(factor, unit);
    let part = converted.value * density.relative();
    let signed = if to == Basis::Mass { part } else { -part };
    if let Some(u) = converted.standard_uncertainty {
        let total = u.hypot(part);
        let wider = if u > 0.0 { total / u } else { 1.0 };
        let value = converted.value;
        converted.standard_uncertainty = Some(total);
        converted.interval_95 = if u > 0.0 {
            converted
                .interval_95
                .map(|side| side.map(|x| value + (x - value) * wider))
        } else {
            [
                Some(value - NORMAL_95 * total),
                Some(value + NORMAL_95 * total),
            ]
        };
    }
    *converted
        .shared
        .entry(DENSITY_EFFECT.to_owned())
        .or_insert(0.0) += signed;
    converted
}
