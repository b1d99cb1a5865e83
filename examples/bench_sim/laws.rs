//! Delivery laws q(w) of single injectors.

use super::needle;
use rand::Rng;

/// Which physics bends the curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Law {
    /// Coil current by L/R; closing delay grows with the current at switch-off.
    Coil,
    /// Force by the square of a flux that lags the current (eddy currents).
    Flux,
    /// Short pulses end before the needle reaches its stop.
    Ballistic,
    /// The needle bounces on its stop while short pulses end.
    Bounce,
    /// A weak departure that decays over 2 to 3.8 ms.
    Slow,
    /// The injector does not close fully near the period, or pulses run together.
    LongEnd,
    /// Peak-and-hold driver: short pulses end at a higher current.
    PeakHold,
    /// Held back: coil, eddy flux, needle and stops integrated in time.
    Needle,
    /// Held back: a departure that falls by a power of the width, either sign.
    PowerTail,
}

/// Laws used while the method was worked on.
pub const WORKED_ON: [Law; 7] = [
    Law::Coil,
    Law::Flux,
    Law::Ballistic,
    Law::Bounce,
    Law::Slow,
    Law::LongEnd,
    Law::PeakHold,
];

/// Laws held back until it was fixed.
pub const HELD_BACK: [Law; 2] = [Law::Needle, Law::PowerTail];

/// One injector at one supply voltage.
pub struct Injector {
    law: Law,
    /// Flow with the needle at its stop, mm³/ms.
    pub flow: f64,
    /// Period, ms.
    pub period: f64,
    coil_time: f64,
    current: f64,
    opening: f64,
    lift_time: f64,
    closing: f64,
    decay: f64,
    eddy: f64,
    amplitude: f64,
    tail: f64,
    wave: f64,
    table: Vec<f64>,
}

impl Injector {
    /// Draws an injector of a law at a voltage.
    pub fn draw(law: Law, voltage: f64, rng: &mut impl Rng) -> Self {
        let resistance = rng.random_range(11.0..15.0);
        let mut injector = Self {
            law,
            flow: (rng.random_range(1.5_f64.ln()..12.0_f64.ln())).exp(),
            period: 20.0,
            coil_time: rng.random_range(0.5..1.3),
            current: voltage / resistance,
            opening: rng.random_range(0.25..0.42),
            lift_time: rng.random_range(0.15..0.5),
            closing: rng.random_range(0.4..0.8),
            decay: rng.random_range(0.2..0.45),
            eddy: rng.random_range(0.2..0.6),
            amplitude: rng.random_range(0.02..0.08),
            tail: rng.random_range(2.0..3.8),
            wave: rng.random_range(0.4..1.0),
            table: Vec::new(),
        };
        match law {
            Law::LongEnd => {
                injector.period = rng.random_range(13.4..15.5);
                injector.amplitude *= if rng.random_bool(0.5) { 1.0 } else { -1.0 };
            }
            Law::PowerTail => injector.amplitude *= if rng.random_bool(0.7) { -1.0 } else { 1.0 },
            Law::Needle => injector.table = needle::table(voltage, resistance, rng),
            _ => {}
        }
        injector
    }

    /// Delivery of one pulse, mm³; `w` in ms.
    pub fn delivery(&self, w: f64) -> f64 {
        self.flow * self.open_time(w)
    }

    /// Time that full flow would have needed, ms.
    fn open_time(&self, w: f64) -> f64 {
        if self.law == Law::Needle {
            return needle::interpolate(&self.table, w);
        }
        let opens = self.opening_time() + 0.5 * self.lift_time;
        let settled = 1.0 - (-w / self.coil_time).exp();
        let coil = w - opens + self.closing + self.decay * settled.ln();
        let x = match self.law {
            Law::Coil => coil,
            Law::Flux => {
                let (a, b) = (self.coil_time, self.eddy);
                let flux = 1.0 - (a * (-w / a).exp() - b * (-w / b).exp()) / (a - b);
                w - opens + self.closing + self.decay * flux.max(1e-9).powi(2).ln()
            }
            Law::Ballistic => return self.ballistic(w),
            Law::Bounce => {
                let t = w - self.opening_time() - self.lift_time;
                let ring = if t > 0.0 {
                    (-t / (0.5 * self.wave + 0.1)).exp()
                        * (std::f64::consts::TAU * t / self.wave).sin()
                } else {
                    0.0
                };
                coil + self.amplitude * ring
            }
            Law::Slow => {
                w - opens + self.closing + 0.3 * self.decay * settled.ln()
                    - self.amplitude * (-w / self.tail).exp()
            }
            Law::LongEnd => {
                let off = self.period - w - self.closing;
                coil + 2.0 * self.amplitude * (-off / 0.9).exp()
            }
            Law::PeakHold => {
                let peak_end = 0.9 + 0.6 * self.wave;
                let rise = 1.0 - (-w.min(peak_end) / (0.5 * self.coil_time)).exp();
                let i = if w <= peak_end {
                    4.0 * rise
                } else {
                    1.0 + (4.0 * rise - 1.0) * (-(w - peak_end) / (1.2 * self.eddy)).exp()
                };
                w - 0.6 * opens + self.closing + 0.6 * self.decay * i.ln()
            }
            Law::PowerTail => {
                w - opens
                    + self.closing
                    + 1.5 * self.amplitude / (1.0 + (w / (0.4 * self.tail)).powi(2))
            }
            Law::Needle => unreachable!("integrated above"),
        };
        // Too short a pulse delivers nothing, with a rounded corner.
        let round = 0.03;
        if x > 20.0 * round {
            x
        } else {
            round * (x / round).exp().ln_1p()
        }
    }

    /// S and X of the line that long pulses tend to, the long end apart.
    pub fn asymptote(&self) -> (f64, f64) {
        if self.law == Law::Needle {
            let n = self.table.len();
            return (self.flow, needle::LONGEST - self.table[n - 1]);
        }
        let settled = match self.law {
            Law::LongEnd => Self {
                law: Law::Coil,
                table: Vec::new(),
                ..*self
            },
            _ => Self {
                table: Vec::new(),
                ..*self
            },
        };
        let far = 1000.0;
        (self.flow, far - settled.open_time(far))
    }

    /// Time at which the needle leaves its seat, ms.
    fn opening_time(&self) -> f64 {
        let share = (self.opening / self.current).min(0.95);
        -self.coil_time * (1.0 - share).ln()
    }

    /// Lift as a parabola in time, flow as a power of lift, no stop reached in
    /// short pulses.
    fn ballistic(&self, w: f64) -> f64 {
        let opens = self.opening_time();
        let settled = 1.0 - (-w / self.coil_time).exp();
        let hangs = (self.closing + self.decay * settled.ln()).max(0.05) * 0.6;
        let rise_time = 2.2 * self.lift_time;
        let moving = (w + hangs - opens).max(0.0);
        let lift = (moving / rise_time).min(1.0).powi(2);
        let fall_time = 1.2 * self.lift_time * lift.sqrt();
        // ∫ lift^0.8 while rising, at the stop, while falling.
        let rising = moving.min(rise_time) * lift.powf(0.8) / 2.6;
        let full = (moving - rise_time).max(0.0);
        let falling = fall_time * lift.powf(0.8) * 0.62;
        rising + full + falling
    }
}
