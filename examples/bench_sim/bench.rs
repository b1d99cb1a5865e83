//! A bench that reads an injector: counts, vessel, offset, repeatability,
//! misreadings, drift; and the truth to compare with.

use super::laws::{Injector, Law};
use meniscus::fit::curve::{CurveReading, CurveSetup, Misreading, Scale};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

/// How many pulses each reading has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counts {
    /// A thousand each.
    Constant,
    /// About 90 mL each.
    Filled,
    /// About 90 mL and a quarter of it in turn.
    Mixed,
    /// Twenty pulses or more, about 2 mL.
    Few,
}

/// What the readings are taken with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Vessel {
    /// A cylinder with this division, mm³.
    Division(f64),
    /// A balance, 10 mg, with 20 mm³ of evaporation and handling.
    Balance,
}

/// One way to run a sweep.
#[derive(Clone, Debug)]
pub struct Scenario {
    pub name: &'static str,
    pub counts: Counts,
    pub vessel: Vessel,
    pub widths: usize,
    pub repeats: usize,
    /// Offset of each reading, mm³.
    pub offset: f64,
    pub repeatability: f64,
    /// Of a single pulse, mm³, sd.
    pub pulse_scatter: f64,
    pub misread: f64,
    /// Relative change of flow from first to last reading of the sweep, sd.
    pub drift: f64,
    pub voltage: (f64, f64),
}

/// A sweep with its truth.
pub struct Bench {
    pub readings: Vec<CurveReading>,
    pub injector: Injector,
    pub line_range: (f64, f64),
    /// S and X of the least-squares line of the true curve over the range.
    pub line: (f64, f64),
    /// S and X of the line that long pulses tend to.
    pub asymptote: (f64, f64),
    pub misread: Vec<bool>,
}

/// Pulse widths of a sweep, ms.
pub fn widths(count: usize) -> &'static [f64] {
    match count {
        6 => &[1.5, 2.0, 3.0, 5.0, 8.0, 12.0],
        8 => &[1.2, 1.6, 2.2, 3.0, 4.5, 6.5, 9.0, 12.0],
        _ => &[1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 4.0, 5.0, 6.5, 8.0, 10.0, 12.0],
    }
}

/// Least-squares line of a curve over a range, uniform in width: (S, X).
pub fn true_line(curve: impl Fn(f64) -> f64, (lo, hi): (f64, f64)) -> (f64, f64) {
    let n = 500;
    let (mut sw, mut sq, mut sww, mut swq) = (0.0, 0.0, 0.0, 0.0);
    for i in 0..n {
        let w = lo + (hi - lo) * (i as f64 + 0.5) / n as f64;
        let q = curve(w);
        sw += w;
        sq += q;
        sww += w * w;
        swq += w * q;
    }
    let n = n as f64;
    let slope = (swq - sw * sq / n) / (sww - sw * sw / n);
    (slope, sw / n - sq / n / slope)
}

fn normal(rng: &mut impl Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Runs one sweep.
pub fn run(scenario: &Scenario, law: Law, rng: &mut impl Rng) -> Bench {
    let voltage = rng.random_range(scenario.voltage.0..=scenario.voltage.1);
    let injector = Injector::draw(law, voltage, rng);
    let ws = widths(scenario.widths);
    let drift = scenario.drift * normal(rng);
    let total = (ws.len() * scenario.repeats) as f64;
    let mut readings = Vec::new();
    let mut misread = Vec::new();
    for repeat in 0..scenario.repeats {
        for (j, &w) in ws.iter().enumerate() {
            let q = injector.delivery(w);
            let fill = match scenario.counts {
                Counts::Constant => 0.0,
                Counts::Filled => 90_000.0,
                Counts::Mixed if (repeat + j) % 2 == 1 => 22_500.0,
                Counts::Mixed => 90_000.0,
                Counts::Few => 2_000.0,
            };
            let fewest = if scenario.counts == Counts::Few {
                20.0
            } else {
                100.0
            };
            let pulses = if fill == 0.0 {
                1000.0
            } else {
                ((fill / q.max(1e-6) / 10.0).round() * 10.0).clamp(fewest, 40_000.0)
            };
            let progress = readings.len() as f64 / total - 0.5;
            let mut d =
                pulses * q * (1.0 + scenario.repeatability * normal(rng) + drift * progress)
                    + scenario.offset;
            if scenario.pulse_scatter > 0.0 {
                d += pulses.sqrt() * scenario.pulse_scatter * normal(rng);
            }
            d = match scenario.vessel {
                Vessel::Division(division) => {
                    let seen = d + 0.25 * division * normal(rng);
                    (2.0 * seen / division).round() * division / 2.0
                }
                Vessel::Balance => ((d + 20.0 * normal(rng)) / 13.5).round() * 13.5,
            };
            let wrong = rng.random_bool(scenario.misread);
            if wrong {
                let size = [1000.0, 5000.0, 10_000.0][rng.random_range(0..3)];
                d += if rng.random_bool(0.5) { size } else { -size };
            }
            misread.push(wrong);
            readings.push(CurveReading {
                width_ms: w,
                pulses,
                delivered: d.max(0.0),
                extra_variance: 0.0,
                period_ms: Some(injector.period),
            });
        }
    }
    let line_range = default_range(&readings);
    let line = true_line(|w| injector.delivery(w), line_range);
    let asymptote = injector.asymptote();
    Bench {
        readings,
        injector,
        line_range,
        line,
        asymptote,
        misread,
    }
}

/// From the shortest width that delivers a tenth of the longest's quantity to
/// the longest width with duty under 85 %.
fn default_range(readings: &[CurveReading]) -> (f64, f64) {
    let mut ws: Vec<f64> = readings
        .iter()
        .filter(|r| r.period_ms.is_none_or(|p| r.width_ms < 0.85 * p))
        .map(|r| r.width_ms)
        .collect();
    ws.sort_by(f64::total_cmp);
    ws.dedup();
    let per_pulse = |w: f64| {
        let mut v: Vec<f64> = readings
            .iter()
            .filter(|r| r.width_ms == w)
            .map(|r| r.delivered / r.pulses)
            .collect();
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    };
    let hi = ws[ws.len() - 1];
    let tenth = 0.1 * per_pulse(hi);
    let lo = ws
        .iter()
        .copied()
        .find(|&w| per_pulse(w) >= tenth)
        .unwrap_or(ws[0]);
    (lo, hi)
}

/// What a person at this bench would state.
pub fn setup(scenario: &Scenario, bench: &Bench, grid: &[f64]) -> CurveSetup {
    // As the program assumes it: of small collections no more than a twentieth.
    let largest = bench
        .readings
        .iter()
        .fold(0.0, |a: f64, r| a.max(r.delivered));
    let offset = 300.0_f64.min(largest / 20.0);
    let mut setup = match scenario.vessel {
        Vessel::Division(d) => {
            CurveSetup::of_division(d, 300.0_f64.max(d / 2.0), bench.line_range, &bench.readings)
        }
        Vessel::Balance => CurveSetup {
            reading: Scale::about(20.0, 0.4, 13.5 / 12.0_f64.sqrt()),
            ..CurveSetup::of_division(13.5, offset, bench.line_range, &bench.readings)
        },
    };
    setup.grid = grid.to_vec();
    setup.misreading = Some(Misreading::usual(&bench.readings));
    setup
}
