//! A reading taken off its set point, carried to it.

use crate::fluid::Exponent;

/// How far a reading was off, and what its injector does about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OffSetPoint {
    /// Measured less set supply voltage, V.
    pub voltage_off_v: f64,
    /// Measured differential pressure over its set point.
    pub pressure_ratio: f64,
    /// Pressure set point, kPa.
    pub pressure_kpa: f64,
    /// Exponent of slope against pressure.
    pub exponent: Exponent,
    /// ∂X/∂V, ms/V, and its standard uncertainty.
    pub dead_time_by_voltage: [f64; 2],
    /// ∂X/∂P, ms/kPa, and its standard uncertainty.
    pub dead_time_by_pressure: [f64; 2],
}

/// A delivered quantity at the set point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carried {
    /// Delivered quantity, in the unit given.
    pub delivered: f64,
    /// Standard uncertainty that the carry adds, in that unit.
    pub standard_uncertainty: f64,
}

/// Carries what `pulses` pulses of an injector of `slope` (per ms) delivered to the
/// set point.
///
/// *Method* (E18): with f = (P_set/P)ⁿ, D_set = f·D + N·S·(X(V, P) − X(V_set, P_set)),
/// X to first order by the surface's derivatives; S that of the set point. The
/// uncertainties of n and of both derivatives are budgeted.
/// *Assumes*: off by little; the derivatives hold between.
pub fn carry_to_set_point(delivered: f64, pulses: f64, slope: f64, off: &OffSetPoint) -> Carried {
    let log = -off.pressure_ratio.ln();
    let factor = (off.exponent.value * log).exp();
    let pressure_off = (off.pressure_ratio - 1.0) * off.pressure_kpa;
    let shift = off.dead_time_by_voltage[0] * off.voltage_off_v
        + off.dead_time_by_pressure[0] * pressure_off;
    let parts = [
        factor * delivered * off.exponent.standard_uncertainty * log,
        pulses * slope * off.dead_time_by_voltage[1] * off.voltage_off_v,
        pulses * slope * off.dead_time_by_pressure[1] * pressure_off,
    ];
    Carried {
        delivered: factor * delivered + pulses * slope * shift,
        standard_uncertainty: parts.into_iter().fold(0.0, f64::hypot),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_off_by_little_comes_back_to_the_set_point() {
        // Truth: S = 4·√(P/300), X = 6/V + 0.001·P.
        let law = |v: f64, p: f64, w: f64| 4.0 * (p / 300.0f64).sqrt() * (w - 6.0 / v - 0.001 * p);
        let read = 1000.0 * law(13.8, 297.0, 3.0);
        let off = OffSetPoint {
            voltage_off_v: -0.2,
            pressure_ratio: 297.0 / 300.0,
            pressure_kpa: 300.0,
            exponent: Exponent::ASSUMED,
            dead_time_by_voltage: [-6.0 / 14.0 / 14.0, 0.006],
            dead_time_by_pressure: [0.001, 0.0005],
        };
        let carried = carry_to_set_point(read, 1000.0, 4.0, &off);
        let truth = 1000.0 * law(14.0, 300.0, 3.0);
        assert!((read / truth - 1.0).abs() > 1e-3);
        assert!((carried.delivered / truth - 1.0).abs() < 2e-4);
        assert!(carried.standard_uncertainty > 0.0 && carried.standard_uncertainty < 0.01 * truth);
    }
}
