//! The least time that any design could take: counts and numbers of readings are taken as
//! continuous, nothing is read that is not useful, and the fit is told all scales. No plan
//! of whole readings does better.

use meniscus::fit::Instrument;
use meniscus::fit::curve::{CurveDesign, CurveSetup, DesignCell, Expected, Scale};
use meniscus::plan::{Plan, Request};
use meniscus::units::NORMAL_95;

/// Pulse widths and fill levels to choose from.
const WIDTHS: usize = 20;
const LEVELS: usize = 8;
/// Duty of the shortest period.
const DUTY: f64 = 0.84;
const ROUNDS: usize = 60;

/// Which doubt is wanted.
#[derive(Clone, Copy)]
pub enum Wanted {
    DeadTimeUs(f64),
    FlowPercent(f64),
}

/// What the bound allows.
#[derive(Clone, Copy, PartialEq)]
pub enum Bench {
    /// Every pulse width has the shortest period of its own, and a reading that is
    /// not stated has no doubt but its rounding.
    Kindest,
    /// One period as in the plan, and readings as the fit expects them.
    AsPlanned,
}

struct Choice {
    cell: DesignCell,
    cost_s: f64,
}

/// Least bench time, s, voltage and pressure to be set included. `full` is the largest reading and
/// `slope` the flow, both as read; `instrument` what reads it.
pub fn least_time_s(
    request: &Request,
    plan: &Plan,
    instrument: &Instrument,
    (slope, full): (f64, f64),
    (wanted, bench): (Wanted, Bench),
) -> f64 {
    let condition = &plan.conditions[0];
    let x = condition.expected_dead_time_ms;
    let [lo, hi] = condition.line_range_ms;
    let u = if instrument.reading_stated || bench == Bench::AsPlanned {
        instrument.reading_uncertainty.max(instrument.reading_floor)
    } else {
        instrument.reading_floor
    };
    let r = instrument.repeatability.0;
    let widths: Vec<f64> = (0..WIDTHS)
        .map(|k| x + 0.5 * ((hi - x) / 0.5).powf(k as f64 / (WIDTHS - 1) as f64))
        .collect();
    let setup = CurveSetup {
        reading: Scale::known(u),
        repeatability: Scale::known(r),
        pulse_scatter: None,
        offset_mean: 0.0,
        offset_uncertainty: instrument.offset_uncertainty,
        line_range: (lo, hi),
        grid: Vec::new(),
        nodes: Vec::new(),
        misreading: None,
    };
    let expected = Expected {
        slope,
        dead_time_ms: x,
        reading: u,
        repeatability: r,
        pulse_scatter: 0.0,
    };
    let without_period: Vec<(f64, Option<f64>)> = widths.iter().map(|w| (*w, None)).collect();
    let design = CurveDesign::usual(&without_period, &setup, expected)
        .expect("widths rise, numbers are sound");
    let timing = &request.timing;
    let mut choices = Vec::new();
    for (width, w) in widths.iter().enumerate() {
        let most = full / (slope * (w - x));
        let period = match bench {
            Bench::Kindest => (w / DUTY).max(timing.shortest_period_ms),
            Bench::AsPlanned => condition.period_ms,
        };
        for k in 0..LEVELS {
            let pulses = 50.0 * (most.max(50.0) / 50.0).powf(k as f64 / (LEVELS - 1) as f64);
            choices.push(Choice {
                cell: DesignCell {
                    width,
                    pulses,
                    delivered: pulses * slope * (w - x),
                    count: 0.0,
                    extra_variance: 0.0,
                },
                cost_s: timing.reading_s(pulses, *w, period),
            });
        }
    }
    let (target, pick): (f64, fn(&meniscus::fit::curve::DesignDoubt) -> f64) = match wanted {
        Wanted::DeadTimeUs(us) => (us / 1000.0 / NORMAL_95, |d| d.dead_time_ms),
        Wanted::FlowPercent(percent) => (percent / 100.0 / NORMAL_95, |d| d.slope),
    };
    let variance = |counts: &[f64]| {
        let cells: Vec<DesignCell> = choices
            .iter()
            .zip(counts)
            .filter(|(_, n)| **n > 0.0)
            .map(|(c, n)| DesignCell {
                count: *n,
                ..c.cell
            })
            .collect();
        design
            .doubt(&cells)
            .map_or(f64::INFINITY, |d| pick(&d).powi(2))
    };
    let (mut short, mut long) = (1.0_f64, 24.0 * 3600.0);
    while long / short > 1.01 {
        let time = (short * long).sqrt();
        if least_variance(&choices, &variance, time) > target * target {
            short = time;
        } else {
            long = time;
        }
    }
    short + timing.voltage_s + timing.pressure_s
}

/// A lower bound of the variance that a time can buy: multiplicative updates of the time's
/// shares p (S. D. Silvey, Optimal Design, 1980, from memory), and the tangent
/// below a convex function: f ≥ f(p) − max gᵢ + Σ pᵢ gᵢ, g the fall of f with the share.
fn least_variance(choices: &[Choice], variance: &impl Fn(&[f64]) -> f64, time_s: f64) -> f64 {
    let n = choices.len();
    let mut shares = vec![1.0 / n as f64; n];
    let counts = |shares: &[f64]| -> Vec<f64> {
        shares
            .iter()
            .zip(choices)
            .map(|(p, c)| p * time_s / c.cost_s)
            .collect()
    };
    let mut bound = 0.0_f64;
    for _ in 0..ROUNDS {
        let here = variance(&counts(&shares));
        let falls: Vec<f64> = (0..n)
            .map(|i| {
                let step = 1e-4;
                let mut more = shares.clone();
                more[i] += step;
                ((here - variance(&counts(&more))) / step).max(0.0)
            })
            .collect();
        let steepest = falls.iter().copied().fold(0.0, f64::max);
        let mean: f64 = falls.iter().zip(&shares).map(|(g, p)| g * p).sum();
        bound = bound.max(here - steepest + mean);
        if steepest <= 1.02 * mean {
            break;
        }
        let raised: Vec<f64> = falls
            .iter()
            .zip(&shares)
            .map(|(g, p)| p * g.sqrt())
            .collect();
        let sum: f64 = raised.iter().sum();
        shares = raised.iter().map(|p| p / sum).collect();
    }
    bound
}
