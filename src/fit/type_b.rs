//! Doubts from outside the readings: scale of the vessel, pressure and voltage.

use super::prepared::Prepared;
use crate::capture::Bench;
use crate::fluid::ASSUMED_EXPONENT;

/// One effect of type B on a sweep, for one standard uncertainty of its cause.
///
/// The two parts move together: the cause is one.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TypeB {
    /// Component name in the budget.
    pub component: &'static str,
    /// Id of the shared effect.
    pub id: String,
    /// Relative change of every delivered quantity.
    pub relative: f64,
    /// Change of the dead time, ms.
    pub dead_time_ms: f64,
}

impl TypeB {
    /// Change of the slope.
    pub fn on_slope(&self, slope: f64) -> f64 {
        slope * self.relative
    }

    /// Change of the flow-offset: it scales with the delivered quantity, and
    /// moves by −S per ms of dead time.
    pub fn on_offset(&self, slope: f64, offset: f64) -> f64 {
        offset * self.relative - slope * self.dead_time_ms
    }

    /// Change of a delivered quantity per pulse.
    pub fn on_delivered(&self, delivered: f64, slope: f64) -> f64 {
        delivered * self.relative - slope * self.dead_time_ms
    }
}

/// How the dead time of one injector moves with its conditions, from the capture's own sweeps.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Sensitivity {
    /// dX/dV, ms/V.
    pub per_volt: Option<f64>,
    /// dX/dP, ms/kPa.
    pub per_kpa: Option<f64>,
}

/// Gathers what the bench file states for a sweep.
pub(super) fn effects(
    bench: &Bench,
    prepared: &Prepared<'_>,
    sensitivity: Sensitivity,
) -> Vec<TypeB> {
    let Prepared {
        sweep, instrument, ..
    } = prepared;
    let mut effects = Vec::new();
    if let Some(relative) = instrument.scale_uncertainty {
        effects.push(TypeB {
            component: "vessel tolerance",
            id: instrument.effect_id.clone(),
            relative,
            dead_time_ms: 0.0,
        });
    }
    let stated_pressure = bench.pressure.as_ref().and_then(|p| p.uncertainty);
    if let (Some(u), Some(kpa)) = (stated_pressure, sweep.pressure_kpa) {
        effects.push(TypeB {
            component: "pressure",
            id: "pressure".to_owned(),
            relative: ASSUMED_EXPONENT * u / kpa,
            dead_time_ms: sensitivity.per_kpa.unwrap_or(0.0) * u,
        });
    }
    if let Some(relative) = prepared.temperature_doubt {
        effects.push(TypeB {
            component: "temperature",
            id: "temperature".to_owned(),
            relative,
            dead_time_ms: 0.0,
        });
    }
    let stated_voltage = bench.supply.as_ref().and_then(|s| s.uncertainty);
    if let (Some(u), Some(per_volt)) = (stated_voltage, sensitivity.per_volt) {
        effects.push(TypeB {
            component: "supply voltage",
            id: "supply".to_owned(),
            relative: 0.0,
            dead_time_ms: per_volt * u,
        });
    }
    effects
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of 5 mm³/ms, Y = −4 mm³ and 20 mm³ a change of 1 % and of 0.02 ms makes 0.05,
    /// −0.04 − 0.1 and 0.2 − 0.1.
    #[test]
    fn a_longer_dead_time_takes_off_what_it_would_have_delivered() {
        let effect = TypeB {
            component: "pressure",
            id: "pressure".to_owned(),
            relative: 0.01,
            dead_time_ms: 0.02,
        };
        assert!((effect.on_slope(5.0) - 0.05).abs() < 1e-15);
        assert!((effect.on_offset(5.0, -4.0) + 0.14).abs() < 1e-15);
        assert!((effect.on_delivered(20.0, 5.0) - 0.1).abs() < 1e-15);
    }
}
