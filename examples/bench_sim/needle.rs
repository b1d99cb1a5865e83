//! The held-back law: coil, eddy flux, quadratic force, spring, needle and
//! stops, integrated in time.

use rand::Rng;

/// Step of the table, ms.
const STEP: f64 = 0.05;
/// Longest width of the table, ms.
pub const LONGEST: f64 = 13.0;
/// Time step, ms.
const DT: f64 = 0.002;

struct State {
    flux: f64,
    lift: f64,
    speed: f64,
    flow: f64,
}

/// Full-flow open time for widths 0, 0.05, 0.1 … 13 ms.
pub fn table(voltage: f64, resistance: f64, rng: &mut impl Rng) -> Vec<f64> {
    let current = voltage / resistance;
    let coil_time = rng.random_range(0.5..1.2);
    let flux_time = rng.random_range(0.15..0.5);
    let spring = rng.random_range(0.06..0.14) * 0.7;
    let lively = rng.random_range(20.0..60.0);
    let bounce = rng.random_range(0.1..0.4);
    let advance = |s: &mut State, drive: f64| {
        s.flux += DT * (drive - s.flux) / flux_time;
        // Force grows as the gap closes; pressure and spring hold the seat.
        let force = (s.flux * (1.0 + 0.25 * s.lift)).powi(2) - spring * (1.0 + 0.1 * s.lift);
        s.speed += DT * (lively * force - 0.8 * s.speed);
        s.lift += DT * s.speed;
        if s.lift > 1.0 {
            s.lift = 1.0;
            s.speed = if s.speed > 0.05 {
                -bounce * s.speed
            } else {
                0.0
            };
        }
        if s.lift < 0.0 {
            s.lift = 0.0;
            s.speed = if s.speed < -0.05 {
                -0.5 * bounce * s.speed
            } else {
                0.0
            };
        }
        // Seat and holes in series.
        s.flow += DT * s.lift / (s.lift * s.lift + 0.15).sqrt() * 1.15_f64.sqrt();
    };
    let mut out = Vec::new();
    let mut on = State {
        flux: 0.0,
        lift: 0.0,
        speed: 0.0,
        flow: 0.0,
    };
    let mut i = 0.0;
    let per_step = (STEP / DT).round() as usize;
    let steps = (LONGEST / STEP).round() as usize;
    for _ in 0..=steps {
        let mut off = State {
            flux: on.flux,
            lift: on.lift,
            speed: on.speed,
            flow: on.flow,
        };
        let mut j = i;
        for _ in 0..2000 {
            // The clamp takes the current down fast, the flux follows slowly.
            j += DT * (-j / 0.15);
            advance(&mut off, j);
        }
        out.push(off.flow);
        for _ in 0..per_step {
            i += DT * (current - i) / coil_time;
            advance(&mut on, i);
        }
    }
    out
}

/// Linear interpolation in the table.
pub fn interpolate(table: &[f64], w: f64) -> f64 {
    let t = (w / STEP).clamp(0.0, (table.len() - 2) as f64);
    let k = t.floor() as usize;
    table[k] + (t - k as f64) * (table[k + 1] - table[k])
}
