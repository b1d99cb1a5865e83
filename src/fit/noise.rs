//! How far one reading scatters: reading, rig and injector, pulses.

/// Noise scales of the readings of a sweep.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    /// Reading uncertainty, delivered units.
    pub read: f64,
    /// Repeatability, relative.
    pub repeatability: f64,
    /// Scatter of a single pulse, delivered units.
    pub pulse_scatter: f64,
}

impl Noise {
    /// Variance of one reading apart from offset and curve, delivered units squared,
    /// of so many pulses that deliver so much: equation C3 without the further variance.
    pub fn variance(self, pulses: f64, delivered: f64) -> f64 {
        let repeat = self.repeatability * delivered.max(0.0);
        self.read * self.read + pulses * self.pulse_scatter * self.pulse_scatter + repeat * repeat
    }

    /// The scales whose variances are the weighted means of those of `parts`.
    pub fn mean(parts: impl Iterator<Item = (f64, Noise)>) -> Self {
        let mut sum = 0.0;
        let mut squares = [0.0; 3];
        for (weight, noise) in parts {
            sum += weight;
            let scales = [noise.read, noise.repeatability, noise.pulse_scatter];
            for (square, scale) in squares.iter_mut().zip(scales) {
                *square += weight * scale * scale;
            }
        }
        let [read, repeatability, pulse_scatter] = squares.map(|s| (s / sum).sqrt());
        Self {
            read,
            repeatability,
            pulse_scatter,
        }
    }
}
