//! A made-up injector with a known law, as a characterisation would hold it.

use std::collections::BTreeMap;

use meniscus::capture::{Bench, Fluid};
use meniscus::characterisation::{Characterisation, Effect, Injector, SchemaTag, Tool};
use meniscus::fit::{Covariance, DeliveryCurve, Model, Scale, Scatter, SweepFit, Weighting};
use meniscus::surface::coil_delay;
use meniscus::units::{Basis, Estimate, Unit};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Normal limit of 95 %.
pub const K95: f64 = 1.959_963_984_540_054;

/// The law: orifice, coil, closing delay, and a departure at short net pulses that
/// grows as the voltage falls.
#[derive(Debug, Clone)]
pub struct Law {
    pub flow: f64,
    pub exponent: f64,
    pub time_constant: f64,
    pub pull_in_v: f64,
    pub pull_in_rise: f64,
    pub closing: f64,
    pub departure: f64,
    pub decay: f64,
}

impl Law {
    pub fn usual() -> Self {
        Self {
            flow: 4.2,
            exponent: 0.51,
            time_constant: 1.0,
            pull_in_v: 5.0,
            pull_in_rise: 0.3,
            closing: -0.1,
            departure: 0.06,
            decay: 0.6,
        }
    }

    /// One drawn at random.
    pub fn drawn(rng: &mut ChaCha8Rng) -> Self {
        Self {
            flow: rng.random_range(1.5..12.0),
            exponent: rng.random_range(0.48..0.53),
            time_constant: rng.random_range(0.5..1.4),
            pull_in_v: rng.random_range(2.5..4.8),
            pull_in_rise: rng.random_range(0.1..0.5),
            closing: rng.random_range(-0.3..0.2),
            departure: rng.random_range(0.02..0.1),
            decay: rng.random_range(0.4..1.2),
        }
    }

    pub fn slope(&self, kpa: f64) -> f64 {
        self.flow * (kpa / 300.0).powf(self.exponent)
    }

    /// Dead time of the line that long pulses tend to.
    pub fn delay(&self, volts: f64, kpa: f64) -> f64 {
        let pull_in = self.pull_in_v * (1.0 + self.pull_in_rise * (kpa / 300.0 - 1.0));
        coil_delay(self.time_constant, pull_in, volts)
            .expect("the law opens at every voltage it is asked for")
            + self.closing
    }

    pub fn delivered(&self, w: f64, volts: f64, kpa: f64) -> f64 {
        let net = w - self.delay(volts, kpa);
        let lost = self.departure * (12.0 / volts) * (-(net - 0.3) / self.decay).exp();
        (self.slope(kpa) * (net - lost)).max(0.0)
    }

    /// Slope and dead time of the least-squares line over `range`.
    pub fn line(&self, volts: f64, kpa: f64, range: [f64; 2]) -> (f64, f64) {
        let n = 400;
        let ws: Vec<f64> = (0..=n)
            .map(|i| range[0] + (range[1] - range[0]) * f64::from(i) / f64::from(n))
            .collect();
        let qs: Vec<f64> = ws.iter().map(|w| self.delivered(*w, volts, kpa)).collect();
        let (mw, mq) = (mean(&ws), mean(&qs));
        let sxy: f64 = ws.iter().zip(&qs).map(|(w, q)| (w - mw) * (q - mq)).sum();
        let sxx: f64 = ws.iter().map(|w| (w - mw).powi(2)).sum();
        let slope = sxy / sxx;
        (slope, mw - mq / slope)
    }
}

fn mean(list: &[f64]) -> f64 {
    list.iter().sum::<f64>() / list.len() as f64
}

/// Standard uncertainties put into each condition, relative to its slope: an offset
/// in ms, a slope error, and a scale error common to all.
#[derive(Debug, Clone, Copy)]
pub struct Noise {
    pub offset_ms: f64,
    pub slope: f64,
    pub scale: f64,
}

pub const EXACT: Noise = Noise {
    offset_ms: 0.0,
    slope: 0.0,
    scale: 0.0,
};
pub const USUAL: Noise = Noise {
    offset_ms: 0.008,
    slope: 0.001,
    scale: 0.003,
};

pub const RANGE: [f64; 2] = [2.5, 12.0];

/// One condition of the law, with noise and the uncertainties that say so.
pub fn sweep(
    law: &Law,
    volts: f64,
    kpa: f64,
    noise: Noise,
    common: f64,
    rng: &mut ChaCha8Rng,
) -> SweepFit {
    let (s0, x0) = law.line(volts, kpa, RANGE);
    let normal = |rng: &mut ChaCha8Rng| rng.sample::<f64, _>(StandardNormal);
    let (e0, e1) = (
        noise.offset_ms * s0 * normal(rng),
        noise.slope * s0 * normal(rng),
    );
    let scale = 1.0 + noise.scale * common;
    let slope = scale * (s0 + e1);
    let offset = scale * (-s0 * x0 + e0);
    let dead = -offset / slope;
    let widths: Vec<f64> = (0..60)
        .map(|i| 1.0 * 12f64.powf(f64::from(i) / 59.0))
        .collect();
    let delivered: Vec<f64> = widths
        .iter()
        .map(|w| scale * (law.delivered(*w, volts, kpa) + e0 + e1 * w))
        .collect();
    let (u0, u1) = (noise.offset_ms * s0, noise.slope * s0);
    let part: Vec<f64> = delivered.iter().map(|q| noise.scale * q).collect();
    let u: Vec<f64> = widths
        .iter()
        .zip(&part)
        .map(|(w, s)| (u0 * u0 + (u1 * w).powi(2) + s * s).sqrt())
        .collect();
    let u_dead = (u0.powi(2) + (u1 * dead).powi(2)).sqrt() / s0;
    let mut slope_estimate = Estimate::symmetric(
        slope,
        Unit::CubicMillimetrePerMillisecond,
        Some(u1.hypot(noise.scale * slope)),
        None,
        K95,
    );
    slope_estimate
        .shared
        .insert("vessel".to_owned(), noise.scale * slope);
    SweepFit {
        source: "made-up.csv".to_owned(),
        voltage_v: Some(volts),
        pressure_kpa: Some(kpa),
        stage: None,
        basis: Basis::Volume,
        model: Model::Curve,
        weighting: Weighting::Uncertainty,
        scale: Scale::Stated,
        slope: Some(slope_estimate),
        dead_time: Some(Estimate::symmetric(
            dead,
            Unit::Millisecond,
            Some(u_dead),
            None,
            K95,
        )),
        flow_offset: Some(Estimate::symmetric(
            offset,
            Unit::CubicMillimetre,
            Some(u0),
            None,
            K95,
        )),
        reading_offset: None,
        covariance: Some(Covariance::of_line([[u1 * u1, 0.0], [0.0, u0 * u0]])),
        line_range_ms: Some(RANGE),
        linear_flow_range_ms: Some([1.9, 12.0]),
        linearity_limit_percent: 5.0,
        asymptote: None,
        linearity_deviation: Vec::new(),
        delivery: Some(DeliveryCurve {
            pulse_width_ms: widths,
            delivered,
            standard_uncertainty: u,
            degrees_of_freedom: None,
            shared: BTreeMap::from([("vessel".to_owned(), part)]),
        }),
        as_read: None,
        static_flow: Some(Estimate::symmetric(
            1.01 * s0,
            Unit::CubicMillimetrePerMillisecond,
            Some(0.002 * s0),
            None,
            K95,
        )),
        scatter: Scatter {
            reading: None,
            repeatability_percent: None,
            pulse: None,
            residual_sd: None,
        },
        r_squared: None,
        lack_of_fit: None,
        other_fits: Vec::new(),
        budget: Vec::new(),
        points: Vec::new(),
        findings: Vec::new(),
    }
}

/// An injector run at these (V, kPa).
pub fn injector(
    id: &str,
    law: &Law,
    conditions: &[(f64, f64)],
    noise: Noise,
    rng: &mut ChaCha8Rng,
) -> Injector {
    let common = rng.sample::<f64, _>(StandardNormal);
    Injector {
        id: id.to_owned(),
        sweeps: conditions
            .iter()
            .map(|(v, p)| sweep(law, *v, *p, noise, common, rng))
            .collect(),
        surface: None,
        checks: None,
    }
}

/// Every voltage at every pressure.
pub fn full(volts: &[f64], kpa: &[f64]) -> Vec<(f64, f64)> {
    kpa.iter()
        .flat_map(|p| volts.iter().map(move |v| (*v, *p)))
        .collect()
}

/// A file with these injectors, run on n-heptane.
pub fn document(injectors: Vec<Injector>) -> Characterisation {
    Characterisation {
        schema: SchemaTag::V1,
        tool: Tool {
            name: "meniscus".to_owned(),
            version: "0".to_owned(),
        },
        sources: Vec::new(),
        bench: Bench {
            fluid: Some(Fluid {
                name: Some("n-heptane".to_owned()),
                density: None,
                density_temperature_c: None,
                density_uncertainty: None,
                expansion_per_k: None,
            }),
            ..Bench::default()
        },
        effects: vec![Effect {
            id: "vessel".to_owned(),
            what: "scale of the vessel".to_owned(),
            standard_uncertainty: 0.3,
            unit: Unit::Percent,
        }],
        injectors,
        set_match: None,
        findings: Vec::new(),
    }
}
