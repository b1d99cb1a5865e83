//! Idle, change of set, pump and pressure.

use super::compute::{Book, Cylinder, Work};
use super::inputs::{DemandError, NominalFlow, Regulator, of_rectangle};
use super::number::Number;
use super::result::{Idle, PumpFigures, RaisedPressure, Replacement};
use super::set::density_number;
use crate::fluid::AMBIENT_KPA;
use crate::units::{Basis, FlowUnit, Unit};

/// Absolute intake pressure of an idling engine, kPa. Common practice, no source.
const IDLE_PRESSURE: f64 = 35.0;
/// Margin of a pump over what is needed, percent. Common practice, no source.
const PUMP_MARGIN: f64 = 20.0;
/// Highest differential pressure at which such injectors are usually run, kPa.
/// Common practice, no source.
const HIGHEST_PRESSURE: f64 = 700.0;

impl Work<'_> {
    /// E27: the air of an idling cylinder is that of a full one times idle over full pressure.
    pub fn idle(&self, cylinder: Option<&Cylinder>, book: &mut Book) -> Option<Idle> {
        let Some(cylinder) = cylinder else {
            book.missing("idle", "displacement, cylinders and the target mixture");
            return None;
        };
        let idle_kpa = book.or_assumed(
            self.request.idle_pressure_kpa,
            "idle_pressure",
            IDLE_PRESSURE,
            "kPa",
            "log the manifold pressure at warm idle (absolute)",
        );
        let fuel_mg = cylinder.fuel_mg * idle_kpa / self.intake_kpa / self.injectors_per_cylinder;
        // A fixed regulator leaves more pressure across the injector at idle.
        let (pressure, gain) = match (self.request.regulator, self.set.pressure_kpa) {
            (Regulator::Fixed, Some(p)) => {
                let at_idle = p + self.intake_kpa - idle_kpa;
                (Some(at_idle), (at_idle / p).powf(self.set.exponent.value))
            }
            (_, p) => (p, 1.0),
        };
        let net = Number::exact(fuel_mg).over(self.set.mass_flow.scaled(gain));
        let query = self.set.query(self.request, pressure);
        let (pulse, extrapolated) = match self.set.measured_pulse(fuel_mg, &query) {
            Some((pulse, extrapolated)) => (Some(pulse), extrapolated),
            None => (
                self.set.dead_time.map(|dead| net.plus(dead)),
                !self.set.surfaces.is_empty() || self.set.extrapolated,
            ),
        };
        let verdict = match (pulse, self.set.linear_from_ms) {
            (Some(pulse), Some(from)) if pulse.value < from => "below",
            (Some(_), Some(_)) => "inside",
            _ => "unknown",
        };
        if verdict == "unknown" {
            book.missing(
                "idle.verdict",
                "a measured linear flow range (a characterisation file) and a dead time",
            );
        }
        Some(Idle {
            net: net.estimate(Unit::Millisecond),
            pulse_ms: pulse.map(|p| p.estimate(Unit::Millisecond)),
            dead_time_share_percent: pulse
                .zip(self.set.dead_time)
                .map(|(pulse, dead)| 100.0 * dead.value / pulse.value),
            linear_from_ms: self.set.linear_from_ms,
            verdict,
            extrapolated,
        })
    }

    /// E28: net pulses scale with old flow over new; dead time changes by the difference.
    pub fn replacement(&self) -> Result<Option<Replacement>, DemandError> {
        let Some(old) = self.request.old_flow else {
            return Ok(None);
        };
        let NominalFlow { basis, value, .. } = old;
        let word = |basis| match basis {
            Basis::Volume => "volume",
            Basis::Mass => "mass",
        };
        let known = self.request.fuel_density.is_some() || self.request.fuel.is_some();
        if basis != self.set.basis && !known {
            return Err(DemandError::OldBasis {
                old: word(basis),
                new: word(self.set.basis),
            });
        }
        let stated = Number::with(value, old.u());
        let old = match basis {
            Basis::Volume => density_number(&self.fuel).times(stated),
            Basis::Mass => stated,
        };
        let old_dead_time = self.request.old_dead_time_ms.map(|x| {
            let tolerance = self.request.old_dead_time_tolerance_ms;
            Number::with(x, tolerance.map(of_rectangle))
        });
        let new = self.set.mass_flow;
        Ok(Some(Replacement {
            pulse_scale: old.over(new).estimate(Unit::Ratio),
            dead_time_change_ms: self
                .set
                .dead_time
                .zip(old_dead_time)
                .map(|(new, old)| new.minus(old).estimate(Unit::Millisecond)),
        }))
    }

    /// E29: total fuel by volume with margin, at the rail's gauge pressure.
    pub fn pump(&self, total: Option<Number>, book: &mut Book) -> Option<PumpFigures> {
        let rail = match (self.request.rail_pressure_kpa, self.set.pressure_kpa) {
            (Some(rail), _) => Some(rail),
            (None, Some(p)) => Some(p + self.intake_kpa - AMBIENT_KPA),
            (None, None) => None,
        };
        let (Some(total), Some(rail)) = (total, rail) else {
            if self.request.pump.is_some() {
                book.missing("pump", "fuel at peak and the rail or differential pressure");
            }
            return None;
        };
        let margin = book.or_assumed(
            self.request.pump_margin_percent,
            "pump_margin",
            PUMP_MARGIN,
            "percent",
            "common practice; heat, low voltage and wear take flow from a pump",
        );
        let needed = total
            .over(density_number(&self.fuel))
            .scaled(FlowUnit::CcPerMin.per_inner() * (1.0 + margin / 100.0));
        let available = self
            .request
            .pump
            .as_ref()
            .and_then(|curve| curve.at(rail))
            .map(|flow| flow * FlowUnit::CcPerMin.per_inner());
        if self.request.pump.is_some() && available.is_none() {
            book.missing(
                "pump.available_cc_per_min",
                "a pump curve that reaches the rail pressure",
            );
        }
        Some(PumpFigures {
            rail_pressure_kpa: rail,
            margin_percent: margin,
            needed_cc_per_min: needed.estimate(Unit::CubicCentimetrePerMinute),
            available_cc_per_min: available,
            headroom_percent: available.map(|a| 100.0 * (a / needed.value - 1.0)),
            verdict: match available {
                Some(a) if a >= needed.value => "enough",
                Some(_) => "short",
                None => "unknown",
            },
        })
    }

    /// E30: flow goes with pressure to the power n, so the pressure that brings the open share
    /// to the limit is P·(open/(limit − dead share))^(1/n).
    pub fn raised_pressure(&self, duty: Option<Number>, limit: f64) -> Option<RaisedPressure> {
        let (duty, p) = (duty?, self.set.pressure_kpa?);
        let dead = self
            .set
            .dead_time
            .zip(self.period_ms())
            .map_or(Number::exact(0.0), |(dead, period)| {
                dead.scaled(100.0 / period)
            });
        let allowed = limit - dead.value;
        if duty.value <= limit || allowed <= 0.0 {
            return None;
        }
        let gain = duty.minus(dead).scaled(1.0 / allowed);
        let n = self.set.exponent;
        let needed = p * gain.value.powf(1.0 / n.value);
        // d ln P = d ln g / n − ln g / n² dn
        let by_gain = gain.u().unwrap_or(0.0) / gain.value / n.value;
        let by_exponent = gain.value.ln() / n.value.powi(2) * n.standard_uncertainty;
        let warning = (needed > HIGHEST_PRESSURE).then(|| {
            format!("above {HIGHEST_PRESSURE} kPa, where such injectors may no longer open: change the injectors")
        });
        Some(RaisedPressure {
            needed_kpa: Number::with(needed, Some(needed * by_gain.hypot(by_exponent))).estimate(Unit::Kilopascal),
            flow_gain_percent: 100.0 * (gain.value - 1.0),
            warning: warning.or_else(|| Some("dead time rises with pressure and the pump gives less: measure both at the new pressure".to_owned())),
        })
    }
}
